//! The CAN socket: bound, never written to. Frames with the kernel's receive time, and every
//! frame that the kernel dropped for want of room.
//!
//! Source of the layout of a message: `struct can_frame`, linux/can.h.

use std::io;
use std::io::IoSliceMut;
use std::os::fd::{AsRawFd, OwnedFd};
use std::time::Duration;

use embedded_can::{ExtendedId, Id, StandardId};
use nix::libc;
use nix::libc::{CAN_EFF_FLAG, CAN_EFF_MASK, CAN_ERR_FLAG, CAN_MTU, CAN_RTR_FLAG, CAN_SFF_MASK};
use nix::sys::socket::{ControlMessageOwned, MsgFlags, recvmsg};
use nix::sys::time::{TimeSpec, TimeValLike as _};
use socketcan::{CanAddr, CanSocket, Socket as _, SocketOptions};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use crate::wire::{Data, ErrorFrame, Frame, Nanos, Payload, Record, RemoteLength, What};

/// The receive buffer that the kernel is asked for, in bytes. It doubles this for its own
/// bookkeeping, some 770 bytes a frame: enough for 80,000 frames, half a minute of a full trunk at
/// 250 kbit/s.
const ROOM: i32 = 32 << 20;

/// The most messages that are read before other tasks run.
const BATCH: usize = 512;

/// How long frames gather once all waiting ones were read. Waking up for each frame costs more
/// than taking it, and nothing is lost by it: the times are the kernel's.
const GATHER: Duration = Duration::from_millis(2);

/// A bound socket and the count of drops that it has reported.
#[derive(Debug)]
pub(super) struct Receiver {
    socket: AsyncFd<CanSocket>,
    drops: DropCounter,
    /// Trunk time zero, in nanoseconds since the epoch of the kernel's clock.
    zero: i64,
    room: usize,
    control: Vec<u8>,
    /// The last read emptied the socket.
    is_caught_up: bool,
}

impl Receiver {
    /// Opens a socket on the interface of that index. Everything is set before it is bound, so
    /// that the very first frame is stamped and every drop counted.
    ///
    /// # Errors
    /// As the kernel says; `EAFNOSUPPORT` or `EPROTONOSUPPORT` where it has no CAN.
    pub fn open(index: u32, zero: i64) -> io::Result<Receiver> {
        // Closed in every program that is started: none may hold the frames, or send.
        let socket = socket2::Socket::new(
            socket2::Domain::from(libc::AF_CAN),
            socket2::Type::RAW,
            Some(socket2::Protocol::from(libc::CAN_RAW)),
        )?;
        socket.set_nonblocking(true)?;
        let socket = CanSocket::from(OwnedFd::from(socket));
        socket.set_error_filter_accept_all()?;
        socket.set_recv_timestamp(true)?;
        socket.set_socket_option_int(libc::SOL_SOCKET, libc::SO_RXQ_OVFL, 1)?;
        // Only a privileged process may go past the system's limit; others get up to it.
        socket
            .set_socket_option_int(libc::SOL_SOCKET, libc::SO_RCVBUFFORCE, ROOM)
            .or_else(|_| socket.set_socket_option_int(libc::SOL_SOCKET, libc::SO_RCVBUF, ROOM))?;
        let room = socket.get_socket_option_int(libc::SOL_SOCKET, libc::SO_RCVBUF)?;
        socket.as_raw_socket().bind(&CanAddr::new(index).into_sock_addr())?;
        // An interface that goes down shows as an error with nothing to read.
        #[expect(deprecated, reason = "its successor is unsafe; this socket owns its descriptor")]
        let socket = AsyncFd::with_interest(socket, Interest::READABLE | Interest::ERROR)?;
        Ok(Receiver {
            socket,
            drops: DropCounter::default(),
            zero,
            room: usize::try_from(room).unwrap_or(0),
            control: nix::cmsg_space!(TimeSpec, u32),
            is_caught_up: false,
        })
    }

    /// The room that the kernel gave for frames not yet read, in bytes.
    pub fn room(&self) -> usize {
        self.room
    }

    /// Waits for messages and appends what they tell, in the order received. Losing the future
    /// loses no message.
    ///
    /// # Errors
    /// `ENETDOWN` or `ENODEV` when the interface went down or away; messages may still be
    /// waiting then.
    pub async fn receive(&mut self, batch: &mut Vec<Record>) -> io::Result<()> {
        if std::mem::take(&mut self.is_caught_up) {
            // Sleep in the thread: each frame would wake a timer of the runtime.
            std::thread::sleep(GATHER);
        }
        loop {
            let mut ready = self.socket.ready(Interest::READABLE | Interest::ERROR).await?;
            let socket = self.socket.get_ref();
            match read(socket, &mut self.control, &mut self.drops, self.zero, batch) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => ready.clear_ready(),
                result => {
                    self.is_caught_up = batch.len() < BATCH;
                    return result;
                }
            }
        }
    }

    /// Appends what is waiting, up to the first frame stamped later than `until`, and the drops
    /// that no frame came after to report.
    pub fn drain(&mut self, until: Nanos, batch: &mut Vec<Record>) {
        let socket = self.socket.get_ref();
        // The socket reports its error once, before the messages that wait behind it.
        let mut errors_left = 4;
        loop {
            match read(socket, &mut self.control, &mut self.drops, self.zero, batch) {
                Ok(()) if batch.last().is_some_and(|record| record.t > until) => return,
                Ok(()) => {}
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => break,
                Err(error) if is_link_gone(&error) && errors_left > 0 => errors_left -= 1,
                Err(error) => {
                    tracing::warn!("frames that were still waiting cannot be read: {error}");
                    break;
                }
            }
        }
        match dropped_so_far(socket) {
            Ok(total) => {
                if let Some(lost) = self.drops.advance(total) {
                    batch.push(Record { t: until, what: What::Lost(lost) });
                }
            }
            Err(error) => tracing::warn!("the drop counter cannot be read: {error}"),
        }
    }
}

/// Whether an error of the socket says that its interface is down or gone.
pub(super) fn is_link_gone(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::ENETDOWN | libc::ENODEV | libc::ENXIO))
}

/// Reads up to [`BATCH`] messages. What was appended before an error is good; `WouldBlock` means
/// that nothing was waiting.
fn read(
    socket: &CanSocket,
    control: &mut [u8],
    drops: &mut DropCounter,
    zero: i64,
    batch: &mut Vec<Record>,
) -> io::Result<()> {
    let mut bytes = [0; FRAME_SIZE];
    for count in 0..BATCH {
        let mut parts = [IoSliceMut::new(&mut bytes)];
        let flags = MsgFlags::MSG_DONTWAIT;
        let message = match recvmsg::<()>(socket.as_raw_fd(), &mut parts, Some(control), flags) {
            Ok(message) => message,
            Err(nix::Error::EINTR) => continue,
            Err(nix::Error::EAGAIN) if count > 0 => return Ok(()),
            Err(error) => return Err(error.into()),
        };
        let (length, mut stamp, mut total) = (message.bytes, None, None);
        for part in message.cmsgs()? {
            match part {
                ControlMessageOwned::ScmTimestampns(time) => stamp = Some(time),
                ControlMessageOwned::RxqOvfl(count) => total = Some(count),
                _ => {}
            }
        }
        let stamp = stamp.ok_or_else(|| io::Error::other("a frame came without its time"))?;
        let t = Nanos(stamp.num_nanoseconds().saturating_sub(zero));
        if let Some(lost) = total.and_then(|total| drops.advance(total)) {
            batch.push(Record { t, what: What::Lost(lost) });
        }
        match decode(&bytes[..length.min(FRAME_SIZE)]) {
            Some(what) => batch.push(Record { t, what }),
            None => tracing::warn!("a message of {length} bytes that is no classical frame"),
        }
    }
    Ok(())
}

/// How many messages the kernel has dropped on this socket: the last word of its `SO_MEMINFO`
/// (linux/sock_diag.h).
fn dropped_so_far(socket: &CanSocket) -> io::Result<u32> {
    const DROPS: usize = 8;
    let mut words = [0; 4 * (DROPS + 1)];
    let length = socket.get_socket_option_bytes(libc::SOL_SOCKET, libc::SO_MEMINFO, &mut words)?;
    let word = words[..length.min(words.len())].chunks_exact(4).nth(DROPS);
    word.and_then(|word| word.try_into().ok())
        .map(u32::from_ne_bytes)
        .ok_or_else(|| io::Error::other("the kernel is older than Linux 4.12"))
}

/// A count of drops since the socket was opened; it wraps.
#[derive(Debug, Default)]
struct DropCounter(u32);

impl DropCounter {
    /// How many more drops this total reports than any before it.
    fn advance(&mut self, total: u32) -> Option<u64> {
        let more = total.wrapping_sub(self.0);
        // A message queued before the counter was read may carry an older total.
        if more == 0 || more > u32::MAX / 2 {
            return None;
        }
        self.0 = total;
        Some(u64::from(more))
    }
}

/// The size of a classical frame's message: identifier, length, three more bytes, data.
const FRAME_SIZE: usize = CAN_MTU;

/// `None` for a message that is no classical frame; the kernel hands out no such message on a
/// socket that did not ask for longer frames.
fn decode(message: &[u8]) -> Option<What> {
    let (id, rest) = message.split_first_chunk::<4>()?;
    let (&[length, ..], data) = rest.split_first_chunk::<4>()?;
    let data: [u8; 8] = data.try_into().ok()?;
    let id = u32::from_ne_bytes(*id);
    if id & CAN_ERR_FLAG != 0 {
        // The flag's own bit is the only one above the class bits that may be set.
        return ErrorFrame::new(id & ErrorFrame::CLASS_MASK, data).map(What::Error);
    }
    let payload = if id & CAN_RTR_FLAG != 0 {
        Payload::Remote(RemoteLength::new(length)?)
    } else {
        Payload::Data(Data::new(data.get(..usize::from(length))?)?)
    };
    let id = if id & CAN_EFF_FLAG != 0 {
        Id::Extended(ExtendedId::new(id & CAN_EFF_MASK)?)
    } else {
        Id::Standard(StandardId::new(u16::try_from(id & CAN_SFF_MASK).ok()?)?)
    };
    Some(What::Frame(Frame::new(id, payload)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drops_are_counted_once_and_across_the_wrap() {
        let mut drops = DropCounter::default();
        assert_eq!(drops.advance(0), None);
        assert_eq!(drops.advance(5), Some(5));
        assert_eq!(drops.advance(5), None);
        assert_eq!(drops.advance(3), None, "an older total");
        assert_eq!(drops.advance(6), Some(1));
        drops.0 = u32::MAX - 1;
        assert_eq!(drops.advance(2), Some(4));
        assert_eq!(drops.advance(2), None);
    }

    #[test]
    fn only_the_interface_going_away_is_waited_for() {
        for gone in [libc::ENETDOWN, libc::ENODEV, libc::ENXIO] {
            assert!(is_link_gone(&io::Error::from_raw_os_error(gone)));
        }
        assert!(!is_link_gone(&io::Error::from_raw_os_error(libc::ENOMEM)));
        assert!(!is_link_gone(&io::Error::other("something else")));
    }

    fn message(id: u32, length: u8, data: [u8; 8]) -> Vec<u8> {
        let mut bytes = id.to_ne_bytes().to_vec();
        bytes.extend([length, 0, 0, 0]);
        bytes.extend(data);
        bytes
    }

    const BYTES: [u8; 8] = [1, 2, 3, 4, 5, 6, 7, 8];

    #[test]
    fn every_kind_of_frame() {
        let standard = StandardId::new(0x45D).unwrap();
        let extended = ExtendedId::new(0x18FF_10AA).unwrap();
        let frame = |frame: Option<Frame>| Some(What::Frame(frame.unwrap()));
        assert_eq!(decode(&message(0x45D, 4, BYTES)), frame(Frame::data(standard, &BYTES[..4])));
        assert_eq!(
            decode(&message(0x98FF_10AA, 0, BYTES)),
            frame(Frame::data(extended, &[])),
            "what lies past the length is not data"
        );
        assert_eq!(decode(&message(0x4000_045D, 4, [0; 8])), frame(Frame::remote(standard, 4)));
        assert_eq!(decode(&message(0xD8FF_10AA, 8, [0; 8])), frame(Frame::remote(extended, 8)));
        assert_eq!(
            decode(&message(0x2000_0088, 8, BYTES)),
            Some(What::Error(ErrorFrame::new(0x88, BYTES).unwrap()))
        );
    }

    #[test]
    fn what_is_no_classical_frame_is_none() {
        assert_eq!(decode(&[]), None);
        assert_eq!(decode(&[0; 15]), None);
        assert_eq!(decode(&[0; 72]), None);
        assert_eq!(decode(&message(0x45D, 9, BYTES)), None);
        assert_eq!(decode(&message(0x4000_045D, 9, BYTES)), None);
        assert_eq!(decode(&message(0x45D, 8, BYTES)[..FRAME_SIZE - 1]), None);
    }
}
