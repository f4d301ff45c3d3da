//! Why an interface cannot be listened to, set, or played onto.

use std::io;

use crate::wire::Bitrate;
use crate::words::CLIP_ON;

/// Why a live interface cannot be listened to, or set to listen.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// There is none of that name.
    #[error("no interface is named {name:?}; {hint}")]
    NoInterface {
        /// The name that was given.
        name: String,
        /// Which there are.
        hint: String,
    },
    /// The kernel does not answer.
    #[error("the kernel cannot be asked about {name}: {error}")]
    NoAnswer {
        /// The interface's name.
        name: String,
        /// What went wrong.
        error: NetlinkError,
    },
    /// It is an interface of another kind.
    #[error("{0} is not a CAN interface")]
    NotCan(String),
    /// It is down.
    #[error("{name} is down; bring it up with: {command}")]
    Down {
        /// The interface's name.
        name: String,
        /// The command that sets it up.
        command: String,
    },
    /// Its driver has no listen-only mode.
    #[error(
        "the driver of {0} has no listen-only mode: {MAY_DISTURB}. Use an adapter that has it, or \
         make sure of the bit rate first; {INSIST}. {CLIP_ON}"
    )]
    NoListenOnly(String),
    /// Its driver does not tell whether it can send.
    #[error(
        "the driver of {0} does not say whether it only listens: if not, {MAY_DISTURB}. Make sure \
         of both in the adapter's own settings; {INSIST}. {CLIP_ON}"
    )]
    ListenOnlyUnknown(String),
    /// It can send.
    #[error(
        "{name} is not in listen-only mode: {MAY_DISTURB}. Set it with: {command}  ({INSIST}). {CLIP_ON}"
    )]
    AbleToSend {
        /// The interface's name.
        name: String,
        /// The command that sets it to listen only.
        command: String,
    },
    /// It is set to another bit rate than the one asked for.
    #[error(
        "{name} is set to {set}, not to the {asked} asked for; leave out --bitrate, or set it \
         with: {command}"
    )]
    OtherBitrate {
        /// The interface's name.
        name: String,
        /// The bit rate that it is set to.
        set: Bitrate,
        /// The bit rate asked for.
        asked: Bitrate,
        /// The command that sets it.
        command: String,
    },
    /// It came back with a bit rate and was begun without one.
    #[error("{0} has a bit rate now and had none at the start")]
    BitrateAppeared(String),
    /// No socket can be opened on it.
    #[error("{name} cannot be listened to: {error}")]
    CannotListen {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// The socket failed while it was read.
    #[error("{name} cannot be read any more: {error}")]
    Interrupted {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// Trunk time cannot count from now.
    #[error("the system clock is past the year 2262")]
    ClockTooLate,
    /// A virtual bus has no bit rate.
    #[error("{0} is virtual: it has no bit rate to find")]
    Virtual(String),
    /// To find a bit rate through it would disturb the trunk.
    #[error(
        "{0} has no listen-only mode: on a wrong bit rate it would destroy live traffic. Use an \
         adapter that has it"
    )]
    SearchNeedsListenOnly(String),
    /// Its driver has no settings.
    #[error("{0} cannot be set from here: its driver has no settings")]
    NoSettings(String),
    /// Somebody may be sending through it.
    #[error(
        "{0} is up and able to send, so that some program may be sending through it; take it down \
         first: ip link set {0} down"
    )]
    InUse(String),
    /// It was set to listen-only mode and is not in it.
    #[error("{0} was set to listen-only mode and is not in it; it is left down")]
    NotListenOnly(String),
    /// It went down during the search for the bit rate.
    #[error("{0} went down while it was listened to")]
    WentDown(String),
    /// The user may not set it.
    #[error("{name} cannot {action}: only root may; try it with sudo")]
    NotRoot {
        /// The interface's name.
        name: String,
        /// What was tried, as in "be brought up".
        action: String,
    },
    /// It went away.
    #[error("{name} cannot {action}: it is gone; was it unplugged?")]
    Gone {
        /// The interface's name.
        name: String,
        /// What was tried.
        action: String,
    },
    /// The kernel does not set it.
    #[error("{name} cannot {action}: {error}")]
    CannotSet {
        /// The interface's name.
        name: String,
        /// What was tried.
        action: String,
        /// The kernel's error.
        error: socketcan::Error,
    },
    /// The search failed, and the interface could not be set back either.
    #[error("{0}; {1}")]
    NotSetBack(Box<dyn std::error::Error + Send + Sync>, Box<LiveError>),
    /// Not the kind of interface that frames may be played onto.
    #[error(
        "{name}: not a virtual interface (its kind is {kind}); dropline never sends on a trunk, it \
         plays only onto one made with: ip link add dev vcan0 type vcan"
    )]
    NotVirtual {
        /// The interface's name.
        name: String,
        /// Its kind, in words.
        kind: String,
    },
    /// A virtual interface cannot be opened for playing.
    #[error("{name}: cannot be opened: {error}")]
    CannotPlay {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// A virtual interface takes no frame.
    #[error("{name}: takes no frame: {error}")]
    NotPlayed {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: socketcan::Error,
    },
}

const MAY_DISTURB: &str = "on a wrong bit rate it would destroy live traffic, and on the right one \
                           it acknowledges frames as if it belonged there";
const INSIST: &str = "--allow-active listens all the same";

/// Why the kernel cannot be asked about an interface.
#[derive(Debug, thiserror::Error)]
#[error(transparent)]
pub struct NetlinkError(Box<dyn std::error::Error + Send + Sync>);

impl NetlinkError {
    /// For any error of a netlink library.
    pub fn new(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> NetlinkError {
        NetlinkError(error.into())
    }
}
