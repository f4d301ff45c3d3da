//! What an adapter is and how it is set: everything that a person wants to know before clipping it
//! on to a live trunk.

use std::path::{Path, PathBuf};
use std::{fs, io};

use serde::Serialize;
use socketcan::nl::CanState;

use super::link::{Link, Traffic, Troubles, can_interfaces};
use super::permit::{Options, set_up_command};
use super::{SourceError, not_there};
use crate::wire::Bitrate;

/// Whether listening through an interface can disturb a trunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Safety {
    /// It only listens.
    ListensOnly,
    /// It is virtual: there is no bus that it could disturb.
    Virtual,
    /// It is able to send: on a wrong bit rate it destroys live traffic.
    AbleToSend,
    /// The driver does not say.
    Unknown,
}

impl Safety {
    /// Whether it is safe to clip on.
    pub fn is_safe(self) -> bool {
        matches!(self, Safety::ListensOnly | Safety::Virtual)
    }
}

/// An adapter as it is at this moment. What is `None` the driver does not say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Adapter {
    /// The interface's name.
    pub interface: String,
    /// What the driver calls the kind of link, `can` for a controller.
    pub kind: Option<String>,
    /// The driver's own name.
    pub driver: Option<String>,
    /// What carries it: usb, pci, platform.
    pub bus: Option<String>,
    /// What the hardware calls itself.
    pub product: Option<String>,
    /// Whether the interface is up.
    pub is_up: bool,
    /// Whether it can disturb a trunk.
    pub safety: Safety,
    /// Whether it has a listen-only mode.
    pub has_listen_only: Option<bool>,
    /// Whether each bus error becomes an error frame, where that can be switched.
    pub reports_errors: Option<bool>,
    /// The bit rate that it is set to, in bit/s.
    pub bitrate: Option<u32>,
    /// Where in the bit it looks, as a fraction.
    pub sample_point: Option<f64>,
    /// The controller's clock, in hertz.
    pub clock_hz: Option<u32>,
    /// The controller's state: active, warning, passive, bus-off, stopped, sleeping.
    pub state: Option<&'static str>,
    /// Its transmit error counter.
    pub transmit_errors: Option<u16>,
    /// Its receive error counter.
    pub receive_errors: Option<u16>,
    /// Frames received, sent and dropped.
    pub traffic: Traffic,
    /// Bus errors and changes of state so far.
    pub troubles: Option<Troubles>,
    /// The command that sets it right; none where it is right.
    pub set_up: Option<String>,
}

impl Adapter {
    /// Asks the kernel about the interface. `bitrate` is the trunk's, if it is known.
    ///
    /// # Errors
    /// One line: there is none of that name, or it is no CAN interface.
    pub fn read(name: &str, bitrate: Option<Bitrate>) -> Result<Adapter, SourceError> {
        let link = Link::read(name).map_err(|error| SourceError(not_there(name, &error)))?;
        if !link.is_can {
            return Err(SourceError(format!("{name} is not a CAN interface")));
        }
        let device = Path::new("/sys/class/net").join(name).join("device");
        Ok(Adapter::of(&link, bitrate, &device))
    }

    fn of(link: &Link, bitrate: Option<Bitrate>, device: &Path) -> Adapter {
        let controller = &link.controller;
        let safety = match controller.listen_only {
            _ if link.is_virtual() => Safety::Virtual,
            Some(true) => Safety::ListensOnly,
            Some(false) => Safety::AbleToSend,
            None => Safety::Unknown,
        };
        let options = Options { interface: link.name.clone(), bitrate, allow_active: false };
        let is_right = link.is_up
            && safety.is_safe()
            && controller.reports_errors != Some(false)
            && bitrate.is_none_or(|rate| controller.bitrate.is_none_or(|set| set == rate.get()));
        Adapter {
            interface: link.name.clone(),
            kind: link.kind.clone(),
            driver: target(&device.join("driver")),
            bus: target(&device.join("subsystem")),
            product: product(device),
            is_up: link.is_up,
            safety,
            has_listen_only: controller.has_listen_only,
            reports_errors: controller.reports_errors,
            bitrate: controller.bitrate,
            sample_point: (controller.timing.as_ref().map(|timing| timing.sample_point))
                .filter(|&point| point != 0)
                .map(|point| f64::from(point) / 1000.0),
            clock_hz: controller.clock_hz,
            state: controller.state.map(state),
            transmit_errors: controller.counters.map(|(transmit, _)| transmit),
            receive_errors: controller.counters.map(|(_, receive)| receive),
            traffic: link.traffic,
            troubles: link.troubles,
            set_up: (!is_right).then(|| set_up_command(link, &options)),
        }
    }

    /// The names of this machine's CAN interfaces, in order.
    pub fn all() -> Vec<String> {
        can_interfaces()
    }
}

fn state(state: CanState) -> &'static str {
    match state {
        CanState::ErrorActive => "active",
        CanState::ErrorWarning => "warning",
        CanState::ErrorPassive => "passive",
        CanState::BusOff => "bus-off",
        CanState::Stopped => "stopped",
        CanState::Sleeping => "sleeping",
    }
}

/// The last part of where a symbolic link points.
fn target(path: &Path) -> Option<String> {
    let target = fs::read_link(path).ok()?;
    Some(target.file_name()?.to_string_lossy().into_owned())
}

/// A USB interface's device, one level up, has the name that the maker gave it.
fn product(device: &Path) -> Option<String> {
    let read = |path: PathBuf| -> io::Result<String> { fs::read_to_string(path) };
    let text = read(device.join("../product")).or_else(|_| read(device.join("product"))).ok()?;
    let text = text.trim();
    (!text.is_empty()).then(|| text.chars().filter(|letter| !letter.is_control()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(listen_only: Option<bool>) -> Link {
        let mut link = Link::absent("can0");
        link.is_up = true;
        link.controller.listen_only = listen_only;
        link.controller.bitrate = Some(250_000);
        link
    }

    fn adapter(link: &Link, bitrate: Option<u32>) -> Adapter {
        Adapter::of(link, bitrate.and_then(Bitrate::new), Path::new("/nowhere"))
    }

    #[test]
    fn one_that_listens_is_right_as_it_is() {
        let adapter = adapter(&link(Some(true)), None);
        assert_eq!(adapter.safety, Safety::ListensOnly);
        assert_eq!(adapter.set_up, None);
    }

    #[test]
    fn one_that_could_send_comes_with_the_command_that_sets_it_right() {
        let adapter = adapter(&link(Some(false)), Some(500_000));
        assert!(!adapter.safety.is_safe());
        let command = adapter.set_up.unwrap();
        assert!(command.contains("bitrate 500000 listen-only on"), "{command}");
        assert!(!Adapter::of(&link(None), None, Path::new("/nowhere")).safety.is_safe());
    }

    #[test]
    fn what_is_not_right_yet_is_set_right() {
        assert!(adapter(&link(Some(true)), Some(125_000)).set_up.is_some(), "another bit rate");
        let mut down = link(Some(true));
        down.is_up = false;
        assert!(adapter(&down, None).set_up.is_some(), "down");
        let mut silent = link(Some(true));
        silent.controller.reports_errors = Some(false);
        let command = adapter(&silent, None).set_up.unwrap();
        assert!(command.contains("listen-only on berr-reporting on"), "{command}");
    }
}
