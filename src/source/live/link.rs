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
use socketcan::{CanCtrlMode, CanInterface, nl::CanState};

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
    pub controller: Controller,
    /// Frames that were received by the driver and dropped before any socket, since it came up.
    pub dropped: u64,
}

/// A CAN controller's settings, each unknown where the driver does not report it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Controller {
    pub listen_only: Option<bool>,
    pub has_listen_only: Option<bool>,
    pub bitrate: Option<u32>,
    pub state: Option<CanState>,
}

/// Why nothing is known of an interface.
#[derive(Debug, thiserror::Error)]
pub(super) enum LinkError {
    /// There is none of that name.
    #[error("no such interface")]
    Missing,
    /// The kernel could not be asked.
    #[error("{0}")]
    Netlink(String),
}

impl Link {
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
            controller: Controller::default(),
            dropped: 0,
        };
        for attribute in info.rtattrs().iter() {
            let bytes = attribute.rta_payload().as_ref();
            match attribute.rta_type() {
                Ifla::Linkinfo => {
                    let parts = attribute.get_attr_handle::<IflaInfo>().map_err(netlink)?;
                    link.kind = parts
                        .get_attrs()
                        .iter()
                        .find(|part| *part.rta_type() == IflaInfo::Kind)
                        .map(|part| text(part.rta_payload().as_ref()));
                }
                Ifla::Stats64 => link.dropped = received_but_dropped(bytes),
                _ => {}
            }
        }
        if link.is_can {
            link.controller = Controller::read(index)?;
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
            controller: Controller::default(),
            dropped: 0,
        }
    }

    /// Whether it is known to be a virtual bus, with no controller that could transmit.
    pub fn is_virtual(&self) -> bool {
        matches!(self.kind.as_deref(), Some("vcan" | "vxcan"))
    }
}

impl Controller {
    fn read(index: u32) -> Result<Controller, LinkError> {
        let details = CanInterface::open_iface(index).details().map_err(|error| match &error {
            socketcan::Error::Nl(nl) if nl.errno() == Some(libc::ENODEV) => LinkError::Missing,
            _ => netlink(error),
        })?;
        let can = details.can;
        Ok(Controller {
            listen_only: can.ctrl_mode.map(|mode| mode.has_mode(CanCtrlMode::ListenOnly)),
            has_listen_only: can
                .ctrl_mode_supported
                .map(|modes| modes & CanCtrlMode::ListenOnly.mask() != 0),
            bitrate: can.bit_timing.map(|timing| timing.bitrate).filter(|&rate| rate != 0),
            state: can.state,
        })
    }
}

/// The names of the CAN interfaces of this machine, in order.
pub(super) fn can_interfaces() -> Vec<String> {
    // A name that cannot be read only shortens a hint.
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

fn netlink(error: impl ToString) -> LinkError {
    LinkError::Netlink(error.to_string())
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).trim_end_matches('\0').to_owned()
}

/// `rx_dropped` of `struct rtnl_link_stats64`: its seventh 64-bit word (linux/if_link.h).
fn received_but_dropped(stats: &[u8]) -> u64 {
    let word = stats.chunks_exact(8).nth(6).and_then(|word| word.try_into().ok());
    word.map_or(0, u64::from_ne_bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loopback_interface_is_there_and_is_not_can() {
        let link = Link::read("lo").unwrap();
        assert!(!link.is_can);
        assert!(!link.is_virtual());
        assert_eq!(link.controller, Controller::default());
    }

    #[test]
    fn an_interface_that_does_not_exist_is_missing() {
        assert!(matches!(Link::read("no-such-if0"), Err(LinkError::Missing)));
        assert!(matches!(Link::read("a name far too long for one"), Err(LinkError::Missing)));
    }

    #[test]
    fn the_dropped_counter_is_the_seventh_word() {
        let stats: Vec<u8> = (0..24_u64).flat_map(u64::to_ne_bytes).collect();
        assert_eq!(received_but_dropped(&stats), 6);
        assert_eq!(received_but_dropped(&stats[..50]), 0);
    }
}
