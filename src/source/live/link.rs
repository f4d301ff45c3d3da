//! What the kernel says about a network interface, asked by netlink.

use std::{fs, io};

use neli::consts::nl::NlmF;
use neli::consts::rtnl::{Iff, Ifla, IflaInfo, RtAddrFamily, Rtm};
use neli::consts::socket::NlFamily;
use neli::nl::{NlPayload, NlmsghdrBuilder};
use neli::rtnl::{Ifinfomsg, IfinfomsgBuilder};
use neli::socket::synchronous::NlSocketHandle;
use neli::utils::Groups;
use nix::libc;
use nix::net::if_::if_nametoindex;
use serde::Serialize;
use socketcan::{CanCtrlMode, CanInterface, nl::CanState};

use super::error::{LiveError, NetlinkError};
use crate::source::SourceError;
use crate::words::did_you_mean;

/// An interface as it is at this moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Link {
    pub name: String,
    /// The kernel's number for it; another one after unplugging and plugging in.
    pub index: u32,
    pub is_can: bool,
    pub is_up: bool,
    /// The driver's kind: `can` for a controller with an interface to set it, `vcan` for a
    /// virtual bus; none where the driver does not say.
    pub kind: Option<String>,
    pub controller: ControllerSettings,
    /// Frames that were received by the driver and dropped before any socket, since it came up.
    pub dropped: u64,
    pub traffic: InterfaceCounts,
    /// Bus errors and changes of state that the driver counted; not every kind of link has them.
    pub troubles: Option<ControllerEvents>,
}

/// The interface's counts of frames, since the driver made it (linux/if_link.h).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct InterfaceCounts {
    /// Frames received, error frames among them.
    pub received: u64,
    /// Frames sent. Zero where a controller only ever listened.
    pub sent: u64,
    /// Errors at reception, as the driver counts them.
    pub receive_errors: u64,
    /// Frames received and dropped for want of room.
    pub dropped: u64,
}

/// What the driver counted of its controller, since it made the interface: `struct
/// can_device_stats` (linux/can/netlink.h).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct ControllerEvents {
    /// Bus errors.
    pub bus_errors: u32,
    /// Times that the controller came to the error-warning state.
    pub warnings: u32,
    /// Times that it came to the error-passive state.
    pub passives: u32,
    /// Times that it went bus-off.
    pub bus_offs: u32,
    /// Times that it was restarted.
    pub restarts: u32,
}

/// A CAN controller's settings, each unknown where the driver does not report it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct ControllerSettings {
    pub listen_only: Option<bool>,
    pub has_listen_only: Option<bool>,
    pub bitrate: Option<u32>,
    pub state: Option<CanState>,
    /// Whether each bus error makes an error frame. Unknown where that cannot be switched.
    pub reports_errors: Option<bool>,
    /// The error counters: transmit, receive.
    pub counters: Option<(u16, u16)>,
    pub timing: Option<BitTiming>,
    pub clock_hz: Option<u32>,
}

/// Where in a bit the controller looks, and how its clock makes the bit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct BitTiming {
    pub bitrate: u32,
    /// In tenths of a percent.
    pub sample_point: u32,
    pub quantum_ns: u32,
    pub propagation: u32,
    pub phase_1: u32,
    pub phase_2: u32,
    pub jump_width: u32,
    pub prescaler: u32,
}

/// Why nothing is known of an interface.
#[derive(Debug, thiserror::Error)]
pub(super) enum LinkError {
    /// There is none of that name.
    #[error("no such interface")]
    Missing,
    /// The kernel could not be asked.
    #[error(transparent)]
    Netlink(NetlinkError),
}

impl Link {
    /// Asks for the interface of that name, which the user gave.
    ///
    /// # Errors
    /// If there is none of that name, or the kernel cannot be asked.
    pub fn find(name: &str) -> Result<Link, LiveError> {
        Link::read(name).map_err(|error| match error {
            LinkError::Missing => {
                let known = can_interfaces();
                let hint = if known.is_empty() {
                    "there is no CAN interface here; is the adapter plugged in, and its driver \
                     loaded?"
                        .to_owned()
                } else {
                    let meant = did_you_mean(name, known.iter().map(String::as_str));
                    format!("CAN interfaces here: {}{meant}", known.join(", "))
                };
                LiveError::NoInterface { name: name.to_owned(), hint }
            }
            LinkError::Netlink(error) => LiveError::NoAnswer { name: name.to_owned(), error },
        })
    }

    /// Asks for the interface of that name.
    pub fn read(name: &str) -> Result<Link, LinkError> {
        let index = if_nametoindex(name).map_err(|_| LinkError::Missing)?;
        let info = query(index)?;
        let mut link = Link {
            name: name.to_owned(),
            index,
            is_can: u16::from(info.ifi_type()) == libc::ARPHRD_CAN,
            is_up: info.ifi_flags().contains(Iff::UP),
            kind: None,
            controller: ControllerSettings::default(),
            dropped: 0,
            traffic: InterfaceCounts::default(),
            troubles: None,
        };
        for attribute in info.rtattrs().iter() {
            let bytes = attribute.rta_payload().as_ref();
            match attribute.rta_type() {
                Ifla::Linkinfo => {
                    let parts = attribute.get_attr_handle::<IflaInfo>().map_err(netlink)?;
                    for part in parts.get_attrs().iter() {
                        let bytes = part.rta_payload().as_ref();
                        match part.rta_type() {
                            IflaInfo::Kind => link.kind = Some(text(bytes)),
                            IflaInfo::Xstats => link.troubles = troubles(bytes),
                            _ => {}
                        }
                    }
                }
                Ifla::Stats64 => {
                    link.traffic = traffic(bytes);
                    link.dropped = link.traffic.dropped;
                }
                _ => {}
            }
        }
        if link.is_can {
            link.controller = ControllerSettings::read(index)?;
        } else {
            link.troubles = None;
        }
        Ok(link)
    }

    /// An interface that is not there, as it would be with an ordinary controller.
    pub fn absent(name: &str) -> Link {
        Link {
            name: name.to_owned(),
            index: 0,
            is_can: true,
            is_up: false,
            kind: None,
            controller: ControllerSettings::default(),
            dropped: 0,
            traffic: InterfaceCounts::default(),
            troubles: None,
        }
    }

    /// Whether it is known to be a virtual bus, with no controller that could transmit.
    pub fn is_virtual(&self) -> bool {
        matches!(self.kind.as_deref(), Some("vcan" | "vxcan"))
    }
}

/// The kernel's number of an interface and the kind that its driver says: `can` for a
/// controller, `vcan` for a virtual bus, none where the driver does not say.
///
/// # Errors
/// If there is none of that name, or the kernel cannot be asked.
pub fn interface_kind(name: &str) -> Result<(u32, Option<String>), SourceError> {
    let link = Link::find(name)?;
    Ok((link.index, link.kind))
}

impl ControllerSettings {
    fn read(index: u32) -> Result<ControllerSettings, LinkError> {
        let details = CanInterface::open_iface(index).details().map_err(|error| match &error {
            socketcan::Error::Nl(nl) if nl.errno() == Some(libc::ENODEV) => LinkError::Missing,
            _ => netlink(error),
        })?;
        let can = details.can;
        let (modes, supported) = (can.ctrl_mode, can.ctrl_mode_supported);
        let has = |mode: CanCtrlMode| supported.map(|modes| modes & mode.mask() != 0);
        let reports_errors = modes.map(|modes| modes.has_mode(CanCtrlMode::BerrReporting));
        Ok(ControllerSettings {
            listen_only: can.ctrl_mode.map(|mode| mode.has_mode(CanCtrlMode::ListenOnly)),
            has_listen_only: has(CanCtrlMode::ListenOnly),
            reports_errors: match (reports_errors, has(CanCtrlMode::BerrReporting)) {
                (Some(true), _) => Some(true),
                (Some(false), Some(true)) => Some(false),
                // Off, and it is not known whether it can be switched on.
                _ => None,
            },
            counters: can.berr_counter.map(|counters| (counters.txerr, counters.rxerr)),
            timing: can.bit_timing.filter(|timing| timing.bitrate != 0).map(|timing| BitTiming {
                bitrate: timing.bitrate,
                sample_point: timing.sample_point,
                quantum_ns: timing.tq,
                propagation: timing.prop_seg,
                phase_1: timing.phase_seg1,
                phase_2: timing.phase_seg2,
                jump_width: timing.sjw,
                prescaler: timing.brp,
            }),
            clock_hz: can.clock.map(|clock| clock.freq).filter(|&hz| hz != 0),
            bitrate: can.bit_timing.map(|timing| timing.bitrate).filter(|&rate| rate != 0),
            state: can.state,
        })
    }
}

/// The names of the CAN interfaces of this machine, in order.
pub(super) fn can_interfaces() -> Vec<String> {
    // Names that cannot be read are left out: they are only for a hint.
    let mut names: Vec<String> = fs::read_dir("/sys/class/net")
        .into_iter()
        .flatten()
        .flatten()
        .filter(|entry| {
            fs::read_to_string(entry.path().join("type"))
                .is_ok_and(|kind| kind.trim() == libc::ARPHRD_CAN.to_string())
        })
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    names.sort();
    names
}

fn query(index: u32) -> Result<Ifinfomsg, LinkError> {
    let socket =
        NlSocketHandle::connect(NlFamily::Route, None, Groups::empty()).map_err(netlink)?;
    let question = IfinfomsgBuilder::default()
        .ifi_family(RtAddrFamily::Unspecified)
        .ifi_index(i32::try_from(index).map_err(netlink)?)
        .build()
        .map_err(netlink)?;
    let message = NlmsghdrBuilder::default()
        .nl_type(Rtm::Getlink)
        .nl_flags(NlmF::REQUEST)
        .nl_payload(NlPayload::Payload(question))
        .build()
        .map_err(netlink)?;
    socket.send(&message).map_err(netlink)?;
    let (mut answers, _) = socket.recv::<Rtm, Ifinfomsg>().map_err(netlink)?;
    let answer = answers.next().ok_or_else(|| netlink("no answer"))?.map_err(netlink)?;
    match answer.nl_payload() {
        NlPayload::Payload(info) => Ok(info.clone()),
        NlPayload::Err(error) if -*error.error() == libc::ENODEV => Err(LinkError::Missing),
        NlPayload::Err(error) => Err(netlink(io::Error::from_raw_os_error(-*error.error()))),
        _ => Err(netlink("an answer of another kind")),
    }
}

fn netlink(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> LinkError {
    LinkError::Netlink(NetlinkError::new(error))
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).trim_end_matches('\0').to_owned()
}

/// From `struct rtnl_link_stats64` (linux/if_link.h), by the place of each 64-bit word.
fn traffic(stats: &[u8]) -> InterfaceCounts {
    let word = |place| {
        let word = stats.chunks_exact(8).nth(place).and_then(|word| word.try_into().ok());
        word.map_or(0, u64::from_ne_bytes)
    };
    InterfaceCounts { received: word(0), sent: word(1), receive_errors: word(4), dropped: word(6) }
}

/// From `struct can_device_stats`, six 32-bit words; the fifth, lost arbitrations, says nothing
/// of one that only listens.
fn troubles(stats: &[u8]) -> Option<ControllerEvents> {
    let word = |place| {
        let word = stats.chunks_exact(4).nth(place).and_then(|word| word.try_into().ok());
        word.map(u32::from_ne_bytes)
    };
    Some(ControllerEvents {
        bus_errors: word(0)?,
        warnings: word(1)?,
        passives: word(2)?,
        bus_offs: word(3)?,
        restarts: word(5)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loopback_interface_is_there_and_is_not_can() {
        let link = Link::read("lo").unwrap();
        assert!(!link.is_can);
        assert!(!link.is_virtual());
        assert_eq!(link.controller, ControllerSettings::default());
    }

    #[test]
    fn an_interface_that_does_not_exist_is_missing() {
        assert!(matches!(Link::read("no-such-if0"), Err(LinkError::Missing)));
        assert!(matches!(Link::read("a name far too long for one"), Err(LinkError::Missing)));
    }

    #[test]
    fn counts_are_read_from_their_places() {
        let stats: Vec<u8> = (0..24_u64).flat_map(u64::to_ne_bytes).collect();
        let read = traffic(&stats);
        assert_eq!((read.received, read.sent, read.receive_errors, read.dropped), (0, 1, 4, 6));
        assert_eq!(traffic(&stats[..50]).dropped, 0);
        let stats: Vec<u8> = (10..16_u32).flat_map(u32::to_ne_bytes).collect();
        let read = troubles(&stats).unwrap();
        assert_eq!((read.bus_errors, read.warnings, read.passives), (10, 11, 12));
        assert_eq!((read.bus_offs, read.restarts), (13, 15));
        assert_eq!(troubles(&stats[..20]), None);
    }
}
