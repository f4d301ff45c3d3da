//! What an adapter is and how it is set: what a person wants to know before clipping it on to a
//! live trunk. And whether it may be listened through: it must be one that cannot disturb the
//! trunk, and what was asked for must agree with what it is set to.

use std::path::{Path, PathBuf};
use std::{fs, io};

use serde::Serialize;
use socketcan::nl::CanState;

use super::LiveError;
use super::link::{ControllerEvents, InterfaceCounts, Link, can_interfaces};
use crate::source::{LiveOptions, SourceError};
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

/// An adapter at this moment. What the driver does not say is `None`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdapterStatus {
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
    pub traffic: InterfaceCounts,
    /// Bus errors and changes of state so far.
    pub troubles: Option<ControllerEvents>,
    /// The command that sets it right; none where it is right.
    pub set_up: Option<String>,
}

impl AdapterStatus {
    /// Asks the kernel about the interface. `bitrate` is the trunk's, if it is known.
    ///
    /// # Errors
    /// One line: there is none of that name, or it is no CAN interface.
    pub fn read(name: &str, bitrate: Option<Bitrate>) -> Result<AdapterStatus, SourceError> {
        let link = Link::find(name)?;
        if !link.is_can {
            return Err(LiveError::NotCan(name.to_owned()).into());
        }
        let device = Path::new("/sys/class/net").join(name).join("device");
        Ok(AdapterStatus::from_link(&link, bitrate, &device))
    }

    fn from_link(link: &Link, bitrate: Option<Bitrate>, device: &Path) -> AdapterStatus {
        let controller = &link.controller;
        let safety = match controller.listen_only {
            _ if link.is_virtual() => Safety::Virtual,
            Some(true) => Safety::ListensOnly,
            Some(false) => Safety::AbleToSend,
            None => Safety::Unknown,
        };
        let options = LiveOptions { interface: link.name.clone(), bitrate, allow_active: false };
        let is_right = link.is_up
            && safety.is_safe()
            && controller.reports_errors != Some(false)
            && bitrate.is_none_or(|rate| controller.bitrate.is_none_or(|set| set == rate.get()));
        AdapterStatus {
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

/// How an interface that may be listened to is set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ListenSettings {
    pub bitrate: Option<Bitrate>,
    /// Unknown for a virtual bus, which has no controller.
    pub listen_only: Option<bool>,
    pub reports_errors: Option<bool>,
    /// The state of the controller, where it is not error-active.
    pub trouble: Option<&'static str>,
}

/// How an interface is set that may be listened to as it is now.
///
/// # Errors
/// Why it may not, and what to do.
pub(super) fn listen_settings(
    link: &Link,
    options: &LiveOptions,
) -> Result<ListenSettings, LiveError> {
    if !link.is_can {
        return Err(LiveError::NotCan(link.name.clone()));
    }
    let listen_only = if link.is_virtual() { None } else { link.controller.listen_only };
    if !link.is_virtual() && listen_only != Some(true) && !options.allow_active {
        return Err(may_send(link, options));
    }
    let bitrate = agreed_bitrate(link, options)?;
    if !link.is_up {
        return Err(LiveError::Down {
            name: link.name.clone(),
            command: set_up_command(link, options),
        });
    }
    let trouble = match link.controller.state {
        Some(CanState::ErrorWarning) => Some("warning"),
        Some(CanState::ErrorPassive) => Some("error-passive"),
        Some(CanState::BusOff) => Some("bus-off"),
        Some(CanState::Stopped) => Some("stopped"),
        Some(CanState::Sleeping) => Some("sleeping"),
        Some(CanState::ErrorActive) | None => None,
    };
    Ok(ListenSettings {
        bitrate,
        listen_only,
        reports_errors: link.controller.reports_errors,
        trouble,
    })
}

fn may_send(link: &Link, options: &LiveOptions) -> LiveError {
    let name = link.name.clone();
    match (link.controller.listen_only, link.controller.has_listen_only) {
        (_, Some(false)) => LiveError::NoListenOnly(name),
        (None, _) => LiveError::ListenOnlyUnknown(name),
        _ => LiveError::AbleToSend { name, command: set_up_command(link, options) },
    }
}

/// The command that makes the interface fit to be listened to, from whatever it is set to.
pub(super) fn set_up_command(link: &Link, options: &LiveOptions) -> String {
    let name = &link.name;
    if link.is_virtual() {
        return format!("ip link set {name} up");
    }
    let bitrate = options.bitrate.map(Bitrate::get).or(link.controller.bitrate).unwrap_or(125_000);
    let mode = match link.controller.has_listen_only {
        Some(false) => "",
        _ => " listen-only on",
    };
    // Where it can be switched, bus errors make error frames only if it is.
    let errors = link.controller.reports_errors.map_or("", |_| " berr-reporting on");
    format!(
        "ip link set {name} down; ip link set {name} type can bitrate {bitrate}{mode}{errors}; \
         ip link set {name} up"
    )
}

/// The interface's own bit rate, or the one asked for where it has none.
fn agreed_bitrate(link: &Link, options: &LiveOptions) -> Result<Option<Bitrate>, LiveError> {
    let Some(set) = link.controller.bitrate.and_then(Bitrate::new) else {
        return Ok(options.bitrate);
    };
    match options.bitrate {
        // A controller's clock may not divide to the nominal rate exactly.
        Some(asked) if asked.get().abs_diff(set.get()) > asked.get() / 200 => {
            Err(LiveError::OtherBitrate {
                name: link.name.clone(),
                set,
                asked,
                command: set_up_command(link, options),
            })
        }
        Some(asked) => Ok(Some(asked)),
        None => Ok(Some(set)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::link::ControllerSettings;
    use super::*;

    fn link(listen_only: Option<bool>) -> Link {
        let mut link = Link::absent("can0");
        link.is_up = true;
        link.controller.listen_only = listen_only;
        link.controller.bitrate = Some(250_000);
        link
    }

    fn adapter(link: &Link, bitrate: Option<u32>) -> AdapterStatus {
        AdapterStatus::from_link(link, bitrate.and_then(Bitrate::new), Path::new("/nowhere"))
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
        assert!(
            !AdapterStatus::from_link(&link(None), None, Path::new("/nowhere")).safety.is_safe()
        );
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

    fn options(bitrate: Option<u32>, allow_active: bool) -> LiveOptions {
        let bitrate = bitrate.map(|rate| Bitrate::new(rate).unwrap());
        LiveOptions { interface: "can0".into(), bitrate, allow_active }
    }

    fn set_link(kind: Option<&str>, listen_only: Option<bool>, bitrate: Option<u32>) -> Link {
        Link {
            name: "can0".into(),
            index: 3,
            is_can: true,
            is_up: true,
            kind: kind.map(Into::into),
            controller: ControllerSettings {
                listen_only,
                has_listen_only: listen_only.map(|_| true),
                bitrate,
                state: Some(CanState::ErrorActive),
                ..ControllerSettings::default()
            },
            ..Link::absent("can0")
        }
    }

    #[test]
    fn a_controller_that_only_listens_is_permitted() {
        let settings = listen_settings(
            &set_link(Some("can"), Some(true), Some(125_000)),
            &options(None, false),
        )
        .unwrap();
        assert_eq!(settings.bitrate, Bitrate::new(125_000));
        assert_eq!(settings.listen_only, Some(true));
        assert_eq!(settings.trouble, None);
    }

    #[test]
    fn an_active_controller_is_refused_with_the_reason_and_the_command() {
        let active = set_link(Some("can"), Some(false), Some(250_000));
        let refusal = listen_settings(&active, &options(None, false)).unwrap_err().to_string();
        assert!(refusal.contains("destroy live traffic"), "{refusal}");
        assert!(refusal.contains("acknowledges"), "{refusal}");
        assert!(
            refusal.contains(
                "ip link set can0 down; ip link set can0 type can bitrate 250000 listen-only on; \
             ip link set can0 up"
            ),
            "{refusal}"
        );
        assert_eq!(refusal.lines().count(), 1);
        let settings = listen_settings(&active, &options(None, true)).unwrap();
        assert_eq!(settings.listen_only, Some(false));
    }

    #[test]
    fn what_the_driver_does_not_say_is_not_taken_for_listening() {
        let silent = set_link(None, None, None);
        assert!(
            listen_settings(&silent, &options(None, false))
                .unwrap_err()
                .to_string()
                .contains("does not say")
        );
        let settings = listen_settings(&silent, &options(Some(125_000), true)).unwrap();
        assert_eq!(settings.listen_only, None);
        assert_eq!(settings.bitrate, Bitrate::new(125_000));

        let mut without = set_link(Some("can"), Some(false), Some(125_000));
        without.controller.has_listen_only = Some(false);
        let refusal = listen_settings(&without, &options(None, false)).unwrap_err().to_string();
        assert!(refusal.contains("has no listen-only mode"), "{refusal}");
    }

    #[test]
    fn a_virtual_bus_needs_no_listen_only_and_has_no_bit_rate() {
        for kind in ["vcan", "vxcan"] {
            let settings =
                listen_settings(&set_link(Some(kind), None, None), &options(None, false)).unwrap();
            assert_eq!((settings.listen_only, settings.bitrate), (None, None));
        }
    }

    #[test]
    fn the_bit_rate_asked_for_must_be_the_one_that_is_set() {
        let listening = set_link(Some("can"), Some(true), Some(124_999));
        let settings = listen_settings(&listening, &options(Some(125_000), false)).unwrap();
        assert_eq!(settings.bitrate, Bitrate::new(125_000));
        let refusal =
            listen_settings(&listening, &options(Some(250_000), false)).unwrap_err().to_string();
        assert!(
            refusal.contains("can0 is set to 124999 bit/s, not to the 250 kbit/s"),
            "{refusal}"
        );
        assert!(refusal.contains("bitrate 250000"), "{refusal}");
    }

    #[test]
    fn an_interface_that_is_down_or_no_can_interface_is_refused() {
        let mut down = set_link(Some("can"), Some(true), Some(125_000));
        down.is_up = false;
        let refusal = listen_settings(&down, &options(None, false)).unwrap_err().to_string();
        assert!(refusal.starts_with("can0 is down; bring it up with: ip link"), "{refusal}");
        let mut other = set_link(None, None, None);
        other.is_can = false;
        assert_eq!(
            listen_settings(&other, &options(None, true)).unwrap_err().to_string(),
            "can0 is not a CAN interface"
        );
    }

    #[test]
    fn a_controller_in_trouble_is_said() {
        let mut off = set_link(Some("can"), Some(true), Some(125_000));
        off.controller.state = Some(CanState::BusOff);
        assert_eq!(listen_settings(&off, &options(None, false)).unwrap().trouble, Some("bus-off"));
    }
}
