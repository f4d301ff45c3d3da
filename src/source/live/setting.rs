//! An interface set to another bit rate for a while, always listen-only, and set back after.

use nix::libc;
use socketcan::nl::{CanBitTiming, CanCtrlModes, InterfaceCanParams};
use socketcan::{CanCtrlMode, CanInterface};

use super::link::{Controller, Link, Timing};
use crate::source::SourceError;
use crate::wire::Bitrate;

/// An interface that is ours to set until it is given back or kept.
#[derive(Debug)]
pub(super) struct Borrowed {
    name: String,
    interface: CanInterface,
    before: Controller,
    was_up: bool,
    is_ours: bool,
}

impl Borrowed {
    /// Takes an interface that nobody can be sending through.
    ///
    /// # Errors
    /// One line: it has no bit rate to set, no listen-only mode, or is up and able to send, so
    /// that somebody may be using it.
    pub fn take(link: &Link) -> Result<Borrowed, SourceError> {
        let name = &link.name;
        let refuse = |why: String| Err(SourceError(format!("{name} {why}")));
        if !link.is_can {
            return refuse("is not a CAN interface".into());
        }
        if link.is_virtual() {
            return refuse("is virtual: it has no bit rate to find".into());
        }
        let controller = &link.controller;
        match (controller.listen_only, controller.has_listen_only) {
            (_, Some(false)) => {
                return refuse(
                    "has no listen-only mode: on a wrong bit rate it would destroy live traffic. \
                     Use an adapter that has it"
                        .into(),
                );
            }
            (None, _) => {
                return refuse("cannot be set from here: its driver has no settings".into());
            }
            (Some(false), _) if link.is_up => {
                return refuse(format!(
                    "is up and able to send, so that some program may be sending through it; take \
                     it down first: ip link set {name} down"
                ));
            }
            _ => {}
        }
        Ok(Borrowed {
            name: name.clone(),
            interface: CanInterface::open_iface(link.index),
            before: controller.clone(),
            was_up: link.is_up,
            is_ours: true,
        })
    }

    /// Sets it to listen only at this bit rate, and up. It is not brought up before it is known
    /// to be listen-only.
    ///
    /// # Errors
    /// One line: the right to set it is missing, it cannot have that bit rate, or it does not
    /// listen only although it was told to.
    pub fn listen_at(&self, bitrate: Bitrate) -> Result<(), SourceError> {
        self.down()?;
        let mut modes = CanCtrlModes::from_mode(CanCtrlMode::ListenOnly, true);
        if self.before.reports_errors.is_some() {
            modes.add(CanCtrlMode::BerrReporting, true);
        }
        self.set(rate_only(bitrate.get()), modes)
            .map_err(|error| self.failed(&format!("be set to {bitrate}"), &error))?;
        let link = Link::read(&self.name)
            .map_err(|error| SourceError(format!("{}: {error}", self.name)))?;
        if link.controller.listen_only != Some(true) {
            return Err(SourceError(format!(
                "{} was set to listen-only mode and is not in it; it is left down",
                self.name
            )));
        }
        self.interface.bring_up().map_err(|error| self.failed("be brought up", &error))
    }

    /// Leaves it as it is now.
    pub fn keep(mut self) {
        self.is_ours = false;
    }

    /// Sets it back to what it was.
    ///
    /// # Errors
    /// One line: what could not be set back.
    pub fn give_back(mut self) -> Result<(), SourceError> {
        self.is_ours = false;
        self.restore()
    }

    fn restore(&self) -> Result<(), SourceError> {
        self.down()?;
        let mut modes = CanCtrlModes::from_mode(
            CanCtrlMode::ListenOnly,
            self.before.listen_only.unwrap_or(true),
        );
        if let Some(on) = self.before.reports_errors {
            modes.add(CanCtrlMode::BerrReporting, on);
        }
        let Some(timing) = &self.before.timing else {
            // It never had a bit rate, and the kernel cannot take one away.
            return self
                .interface
                .set_ctrlmodes(modes)
                .map_err(|error| self.failed("be set back", &error));
        };
        self.set(exactly(timing), modes).map_err(|error| self.failed("be set back", &error))?;
        if self.was_up {
            self.interface.bring_up().map_err(|error| self.failed("be brought up", &error))?;
        }
        Ok(())
    }

    fn set(&self, timing: CanBitTiming, modes: CanCtrlModes) -> socketcan::Result<()> {
        self.interface.set_can_params(&InterfaceCanParams {
            bit_timing: Some(timing),
            ctrl_mode: Some(modes),
            ..InterfaceCanParams::default()
        })
    }

    fn down(&self) -> Result<(), SourceError> {
        self.interface.bring_down().map_err(|error| self.failed("be taken down", &error))
    }

    fn failed(&self, what: &str, error: &socketcan::Error) -> SourceError {
        let name = &self.name;
        let errno = match error {
            socketcan::Error::Nl(nl) => nl.errno(),
            socketcan::Error::Io(io) => io.raw_os_error(),
            _ => None,
        };
        SourceError(match errno {
            Some(libc::EPERM | libc::EACCES) => {
                format!("{name} cannot {what}: only root may; try it with sudo")
            }
            Some(libc::ENODEV) => format!("{name} cannot {what}: it is gone; was it unplugged?"),
            _ => format!("{name} cannot {what}: {error}"),
        })
    }
}

impl Drop for Borrowed {
    /// Also after a panic it is not left set to something else.
    fn drop(&mut self) {
        if self.is_ours
            && let Err(error) = self.restore()
        {
            tracing::error!("{error}");
        }
    }
}

/// The kernel works the rest out.
fn rate_only(bitrate: u32) -> CanBitTiming {
    CanBitTiming { bitrate, ..CanBitTiming::default() }
}

/// Where the driver tells how it makes the bit, the kernel takes that instead of the rate; a
/// driver with a list of rates tells the rate alone.
fn exactly(timing: &Timing) -> CanBitTiming {
    if timing.quantum_ns == 0 {
        return rate_only(timing.bitrate);
    }
    CanBitTiming {
        bitrate: 0,
        sample_point: timing.sample_point,
        tq: timing.quantum_ns,
        prop_seg: timing.propagation,
        phase_seg1: timing.phase_1,
        phase_seg2: timing.phase_2,
        sjw: timing.jump_width,
        brp: timing.prescaler,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(listen_only: Option<bool>, is_up: bool) -> Link {
        let mut link = Link::absent("can0");
        link.is_up = is_up;
        link.kind = Some("can".into());
        link.controller.listen_only = listen_only;
        link.controller.has_listen_only = listen_only.map(|_| true);
        link
    }

    fn refusal(link: &Link) -> String {
        let error = Borrowed::take(link).map(Borrowed::keep).unwrap_err().to_string();
        assert_eq!(error.lines().count(), 1);
        error
    }

    #[test]
    fn what_somebody_may_send_through_is_not_taken() {
        assert!(refusal(&link(Some(false), true)).contains("ip link set can0 down"));
        for (listen_only, is_up) in [(Some(false), false), (Some(true), false), (Some(true), true)]
        {
            Borrowed::take(&link(listen_only, is_up)).unwrap().keep();
        }
    }

    #[test]
    fn what_cannot_listen_only_is_not_taken() {
        assert!(refusal(&link(None, false)).contains("no settings"));
        let mut without = link(Some(false), false);
        without.controller.has_listen_only = Some(false);
        assert!(refusal(&without).contains("destroy live traffic"));
        let mut other = link(Some(true), false);
        other.kind = Some("vcan".into());
        assert!(refusal(&other).contains("virtual"));
        other.is_can = false;
        assert!(refusal(&other).contains("not a CAN interface"));
    }

    #[test]
    fn the_timing_goes_back_as_it_was_where_the_driver_told_it() {
        let mut timing = Timing {
            bitrate: 125_000,
            sample_point: 875,
            quantum_ns: 500,
            propagation: 6,
            phase_1: 7,
            phase_2: 2,
            jump_width: 1,
            prescaler: 4,
        };
        let back = exactly(&timing);
        assert_eq!((back.bitrate, back.tq, back.phase_seg2, back.sjw), (0, 500, 2, 1));
        timing.quantum_ns = 0;
        let back = exactly(&timing);
        assert_eq!((back.bitrate, back.tq), (125_000, 0));
    }
}
