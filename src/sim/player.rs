//! Plays records in real time onto a virtual interface, for tests and training. This is the one
//! place in dropline that sends frames, and it never does so on a real controller.

use std::time::{Duration, Instant};

use socketcan::{
    CanAddr, CanDataFrame, CanErrorFrame, CanFrame, CanRemoteFrame, CanSocket, EmbeddedFrame,
    Socket,
};

use crate::source::{LiveError, SourceError, interface_kind};
use crate::wire::{Nanos, Payload, Record, What};

/// The only kind of interface that is played onto: a bus inside the kernel, with no wires.
const VIRTUAL: &str = "vcan";

/// A virtual interface that records are played onto.
#[derive(Debug)]
pub struct Player {
    name: String,
    socket: CanSocket,
    began: Option<Instant>,
}

impl Player {
    /// Opens a virtual interface.
    ///
    /// # Errors
    /// If there is none of that name, or it is anything but a `vcan`: one line that says so.
    pub fn open(name: &str) -> Result<Player, SourceError> {
        let (index, kind) = interface_kind(name)?;
        if kind.as_deref() != Some(VIRTUAL) {
            let kind = kind.unwrap_or_else(|| "not known".into());
            return Err(LiveError::NotVirtual { name: name.into(), kind }.into());
        }
        // By number, not by name: so it is the very interface that was looked at.
        let socket = CanSocket::open_addr(&CanAddr::new(index))
            .map_err(|error| LiveError::CannotPlay { name: name.into(), error })?;
        Ok(Player { name: name.to_string(), socket, began: None })
    }

    /// Waits until a record is due and sends it. What is no frame is waited for only.
    ///
    /// # Errors
    /// If the interface takes no frames: it went down or away.
    pub fn play(&mut self, record: &Record) -> Result<(), SourceError> {
        let began = *self.began.get_or_insert_with(Instant::now);
        let due = began + since_start(record.t);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        let Some(frame) = frame(&record.what) else { return Ok(()) };
        self.socket.write_frame(&frame).map_err(|error| {
            LiveError::NotPlayed { name: self.name.clone(), error: error.into() }.into()
        })
    }
}

fn since_start(t: Nanos) -> Duration {
    Duration::from_nanos(u64::try_from(t.0).unwrap_or(0))
}

/// The record as the kernel takes it.
fn frame(what: &What) -> Option<CanFrame> {
    match what {
        What::Frame(frame) => match frame.payload() {
            Payload::Data(data) => CanDataFrame::new(frame.id(), &data).map(CanFrame::from),
            Payload::Remote(code) => {
                CanRemoteFrame::new_remote(frame.id(), usize::from(code.get())).map(CanFrame::from)
            }
        },
        What::Error(error) => {
            CanErrorFrame::new_error(error.class(), &error.data()).ok().map(CanFrame::from)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{ErrorFrame, Frame, StandardId};

    #[test]
    fn frames_become_what_the_kernel_takes() {
        let id = StandardId::new(0x45D).unwrap();
        let data = frame(&What::Frame(Frame::data(id, &[1, 2]).unwrap())).unwrap();
        assert_eq!((data.data(), data.is_data_frame()), (&[1, 2][..], true));
        let remote = frame(&What::Frame(Frame::remote(id, 4).unwrap())).unwrap();
        assert_eq!((remote.dlc(), remote.is_remote_frame()), (4, true));
        let error = ErrorFrame::new(0x88, [0, 0, 4, 0, 0, 0, 0, 0]).unwrap();
        let CanFrame::Error(error) = frame(&What::Error(error)).unwrap() else { panic!() };
        assert_eq!((error.error_bits(), error.data()[2]), (0x88, 4));
        assert!(frame(&What::LinkUp).is_none());
    }

    #[test]
    fn an_interface_that_is_not_there_is_refused() {
        let error = Player::open("nosuchcan").unwrap_err().to_string();
        assert!(error.contains("no interface is named \"nosuchcan\""), "{error}");
    }

    /// The loopback device is no virtual CAN bus.
    #[test]
    fn any_other_kind_is_refused() {
        let error = Player::open("lo").unwrap_err().to_string();
        assert!(error.contains("never sends on a trunk"), "{error}");
    }
}
