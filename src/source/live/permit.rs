//! Whether an interface may be listened to: it must be one that cannot disturb the trunk, and
//! what was asked for must agree with what it is set to.

use socketcan::nl::CanState;

use super::link::Link;
use crate::wire::Bitrate;

/// What the user asked for.
#[derive(Debug, Clone)]
pub struct Options {
    /// The interface's name.
    pub interface: String,
    /// The trunk's bit rate, where the interface has none of its own.
    pub bitrate: Option<Bitrate>,
    /// Listen also through a controller that is able to send.
    pub allow_active: bool,
}

/// How an interface that may be listened to is set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Settings {
    pub bitrate: Option<Bitrate>,
    /// Unknown for a virtual bus, which has no controller.
    pub listen_only: Option<bool>,
    pub reports_errors: Option<bool>,
    /// The state of the controller, where it is not error-active.
    pub trouble: Option<&'static str>,
}

/// Decides on an interface as it is now. The error is one line: why not, and what to do.
pub(super) fn permit(link: &Link, options: &Options) -> Result<Settings, String> {
    let name = &link.name;
    if !link.is_can {
        return Err(format!("{name} is not a CAN interface"));
    }
    let listen_only = if link.is_virtual() { None } else { link.controller.listen_only };
    if !link.is_virtual() && listen_only != Some(true) && !options.allow_active {
        return Err(may_send(link, options));
    }
    let bitrate = agreed_bitrate(link, options)?;
    if !link.is_up {
        return Err(format!("{name} is down; bring it up with: {}", set_up_command(link, options)));
    }
    let trouble = match link.controller.state {
        Some(CanState::ErrorWarning) => Some("warning"),
        Some(CanState::ErrorPassive) => Some("error-passive"),
        Some(CanState::BusOff) => Some("bus-off"),
        Some(CanState::Stopped) => Some("stopped"),
        Some(CanState::Sleeping) => Some("sleeping"),
        Some(CanState::ErrorActive) | None => None,
    };
    Ok(Settings { bitrate, listen_only, reports_errors: link.controller.reports_errors, trouble })
}

fn may_send(link: &Link, options: &Options) -> String {
    let name = &link.name;
    let why = "on a wrong bit rate it would destroy live traffic, and on the right one it \
               acknowledges frames as if it belonged there";
    let insist = "--allow-active listens all the same";
    match (link.controller.listen_only, link.controller.has_listen_only) {
        (_, Some(false)) => format!(
            "the driver of {name} has no listen-only mode: {why}. Use an adapter that has it, or \
             make sure of the bit rate first; {insist}"
        ),
        (None, _) => format!(
            "the driver of {name} does not say whether it only listens: if not, {why}. Make sure \
             of both in the adapter's own settings; {insist}"
        ),
        _ => format!(
            "{name} is not in listen-only mode: {why}. Set it with: {}  ({insist})",
            set_up_command(link, options)
        ),
    }
}

/// The command that makes the interface fit to be listened to, from whatever it is set to.
pub(super) fn set_up_command(link: &Link, options: &Options) -> String {
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
fn agreed_bitrate(link: &Link, options: &Options) -> Result<Option<Bitrate>, String> {
    let Some(set) = link.controller.bitrate.and_then(Bitrate::new) else {
        return Ok(options.bitrate);
    };
    match options.bitrate {
        // A controller's clock may not divide to the nominal rate exactly.
        Some(asked) if asked.get().abs_diff(set.get()) > asked.get() / 200 => Err(format!(
            "{} is set to {set}, not to the {asked} asked for; leave out --bitrate, or set it \
             with: {}",
            link.name,
            set_up_command(link, options)
        )),
        Some(asked) => Ok(Some(asked)),
        None => Ok(Some(set)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::link::Controller;
    use super::*;

    fn options(bitrate: Option<u32>, allow_active: bool) -> Options {
        let bitrate = bitrate.map(|rate| Bitrate::new(rate).unwrap());
        Options { interface: "can0".into(), bitrate, allow_active }
    }

    fn link(kind: Option<&str>, listen_only: Option<bool>, bitrate: Option<u32>) -> Link {
        Link {
            name: "can0".into(),
            index: 3,
            is_can: true,
            is_up: true,
            kind: kind.map(Into::into),
            controller: Controller {
                listen_only,
                has_listen_only: listen_only.map(|_| true),
                bitrate,
                state: Some(CanState::ErrorActive),
                ..Controller::default()
            },
            ..Link::absent("can0")
        }
    }

    #[test]
    fn a_controller_that_only_listens_is_permitted() {
        let settings =
            permit(&link(Some("can"), Some(true), Some(125_000)), &options(None, false)).unwrap();
        assert_eq!(settings.bitrate, Bitrate::new(125_000));
        assert_eq!(settings.listen_only, Some(true));
        assert_eq!(settings.trouble, None);
    }

    #[test]
    fn an_active_controller_is_refused_with_the_reason_and_the_command() {
        let active = link(Some("can"), Some(false), Some(250_000));
        let refusal = permit(&active, &options(None, false)).unwrap_err();
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
        let settings = permit(&active, &options(None, true)).unwrap();
        assert_eq!(settings.listen_only, Some(false));
    }

    #[test]
    fn what_the_driver_does_not_say_is_not_taken_for_listening() {
        let silent = link(None, None, None);
        assert!(permit(&silent, &options(None, false)).unwrap_err().contains("does not say"));
        let settings = permit(&silent, &options(Some(125_000), true)).unwrap();
        assert_eq!(settings.listen_only, None);
        assert_eq!(settings.bitrate, Bitrate::new(125_000));

        let mut without = link(Some("can"), Some(false), Some(125_000));
        without.controller.has_listen_only = Some(false);
        let refusal = permit(&without, &options(None, false)).unwrap_err();
        assert!(refusal.contains("has no listen-only mode"), "{refusal}");
    }

    #[test]
    fn a_virtual_bus_needs_no_listen_only_and_has_no_bit_rate() {
        for kind in ["vcan", "vxcan"] {
            let settings = permit(&link(Some(kind), None, None), &options(None, false)).unwrap();
            assert_eq!((settings.listen_only, settings.bitrate), (None, None));
        }
    }

    #[test]
    fn the_bit_rate_asked_for_must_be_the_one_that_is_set() {
        let listening = link(Some("can"), Some(true), Some(124_999));
        let settings = permit(&listening, &options(Some(125_000), false)).unwrap();
        assert_eq!(settings.bitrate, Bitrate::new(125_000));
        let refusal = permit(&listening, &options(Some(250_000), false)).unwrap_err();
        assert!(
            refusal.contains("can0 is set to 124999 bit/s, not to the 250 kbit/s"),
            "{refusal}"
        );
        assert!(refusal.contains("bitrate 250000"), "{refusal}");
    }

    #[test]
    fn an_interface_that_is_down_or_no_can_interface_is_refused() {
        let mut down = link(Some("can"), Some(true), Some(125_000));
        down.is_up = false;
        let refusal = permit(&down, &options(None, false)).unwrap_err();
        assert!(refusal.starts_with("can0 is down; bring it up with: ip link"), "{refusal}");
        let mut other = link(None, None, None);
        other.is_can = false;
        assert_eq!(
            permit(&other, &options(None, true)).unwrap_err(),
            "can0 is not a CAN interface"
        );
    }

    #[test]
    fn a_controller_in_trouble_is_said() {
        let mut off = link(Some("can"), Some(true), Some(125_000));
        off.controller.state = Some(CanState::BusOff);
        assert_eq!(permit(&off, &options(None, false)).unwrap().trouble, Some("bus-off"));
    }
}
