//! Frames sent by the test itself, through the general CAN library: quick where a Python program
//! would take seconds to start.

use socketcan::{CanFrame, CanSocket, EmbeddedFrame, Socket, StandardId};

/// A socket that sends.
pub struct Speaker(CanSocket);

impl Speaker {
    pub fn on(interface: &str) -> Speaker {
        Speaker(CanSocket::open(interface).expect(interface))
    }

    /// Sends a data frame.
    pub fn say(&self, id: u16, data: &[u8]) {
        let id = StandardId::new(id).unwrap();
        let frame = CanFrame::new(id, data).unwrap();
        assert_eq!(frame.data(), data);
        self.0.write_frame(&frame).unwrap();
    }

    /// Sends frames that carry their number.
    pub fn count(&self, numbers: std::ops::Range<u64>) {
        for number in numbers {
            self.say(0x400 | (number & 0x1FF) as u16, &number.to_be_bytes());
        }
    }
}
