//! Finds a trunk's bit rate by listening: at a wrong one no frame passes its checks, and the
//! controller hears only errors. Meanwhile the interface is set to another bit rate, always
//! listen-only, and set back after.

use std::time::Duration;

use nix::libc;
use socketcan::nl::{CanBitTiming, CanCtrlModes, InterfaceCanParams};
use socketcan::{CanCtrlMode, CanInterface};
use tokio::time::{Instant, timeout_at};

use super::LiveError;
use super::link::{BitTiming, ControllerSettings, Link};
use super::socketcan::SocketCanSource;
use crate::source::{LiveOptions, LiveSource, SourceError};
use crate::wire::{Bitrate, What};

/// The bit rates that a DeviceNet trunk can have (IEC 62026-3).
pub const RATES: [u32; 3] = [125_000, 250_000, 500_000];

/// This many frames with a correct CRC do not come by chance.
const ENOUGH: u64 = 3;

/// This many frames without an error end the trial early.
const PLENTY: u64 = 20;

/// What was received at one bit rate.
#[derive(Debug, Clone, PartialEq)]
pub struct BitrateTrial {
    /// The bit rate listened at.
    pub bitrate: Bitrate,
    /// How long.
    pub listened: Duration,
    /// Good frames.
    pub frames: u64,
    /// Error frames.
    pub errors: u64,
}

impl BitrateTrial {
    /// Whether this is the trunk's bit rate: frames come whole, and more often than not.
    pub fn fits(&self) -> bool {
        self.frames >= ENOUGH && self.frames > self.errors
    }
}

/// Listens at each bit rate for so long, never able to send, until one fits; `tell` is told of
/// each trial. Where one fits the interface stays up at it, listen-only. Else, also if `stop`
/// ends it before, the interface is set back as it was found: `None`.
///
/// # Errors
/// One line: the interface cannot be taken or set, or it could not be set back.
pub async fn find_bitrate(
    name: &str,
    each: Duration,
    stop: impl Future<Output = ()>,
    tell: &mut impl FnMut(&BitrateTrial),
) -> Result<Option<Bitrate>, SourceError> {
    let link = Link::find(name)?;
    let borrowed = BorrowedInterface::take(&link)?;
    let search = async {
        for bitrate in RATES.into_iter().filter_map(Bitrate::new) {
            let trial = listen(&borrowed, name, bitrate, each).await?;
            tell(&trial);
            if trial.fits() {
                return Ok(Some(bitrate));
            }
        }
        Ok(None)
    };
    let outcome = tokio::select! {
        biased;
        () = stop => Ok(None),
        outcome = search => outcome,
    };
    match outcome {
        Ok(Some(bitrate)) => {
            borrowed.keep();
            Ok(Some(bitrate))
        }
        Ok(None) => Ok(borrowed.give_back().map(|()| None)?),
        Err(error) => match borrowed.give_back() {
            Ok(()) => Err(error),
            Err(worse) => Err(LiveError::NotSetBack(Box::new(error), Box::new(worse)).into()),
        },
    }
}

async fn listen(
    borrowed: &BorrowedInterface,
    name: &str,
    bitrate: Bitrate,
    each: Duration,
) -> Result<BitrateTrial, SourceError> {
    borrowed.listen_at(bitrate)?;
    let mut source = SocketCanSource::open(LiveOptions {
        interface: name.to_owned(),
        bitrate: Some(bitrate),
        allow_active: false,
    })?;
    let begun = Instant::now();
    let mut trial = BitrateTrial { bitrate, listened: Duration::ZERO, frames: 0, errors: 0 };
    let mut batch = Vec::new();
    while trial.errors > 0 || trial.frames < PLENTY {
        let Ok(received) = timeout_at(begun + each, source.receive(&mut batch)).await else {
            break;
        };
        received?;
        for record in batch.drain(..) {
            match record.what {
                What::Frame(_) => trial.frames += 1,
                What::Error(_) => trial.errors += 1,
                What::LinkDown(_) => {
                    return Err(LiveError::WentDown(name.to_owned()).into());
                }
                _ => {}
            }
        }
    }
    trial.listened = begun.elapsed();
    Ok(trial)
}

/// An interface that is ours to set until it is given back or kept.
#[derive(Debug)]
pub(super) struct BorrowedInterface {
    name: String,
    interface: CanInterface,
    before: ControllerSettings,
    was_up: bool,
    is_ours: bool,
}

impl BorrowedInterface {
    /// Takes an interface that nobody can be sending through.
    ///
    /// # Errors
    /// One line: it has no bit rate to set, no listen-only mode, or is up and able to send, so
    /// that somebody may be using it.
    pub fn take(link: &Link) -> Result<BorrowedInterface, LiveError> {
        let name = link.name.clone();
        if !link.is_can {
            return Err(LiveError::NotCan(name));
        }
        if link.is_virtual() {
            return Err(LiveError::Virtual(name));
        }
        let controller = &link.controller;
        match (controller.listen_only, controller.has_listen_only) {
            (_, Some(false)) => return Err(LiveError::SearchNeedsListenOnly(name)),
            (None, _) => return Err(LiveError::NoSettings(name)),
            (Some(false), _) if link.is_up => return Err(LiveError::InUse(name)),
            _ => {}
        }
        Ok(BorrowedInterface {
            name,
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
    pub fn listen_at(&self, bitrate: Bitrate) -> Result<(), LiveError> {
        self.down()?;
        let mut modes = CanCtrlModes::from_mode(CanCtrlMode::ListenOnly, true);
        if self.before.reports_errors.is_some() {
            modes.add(CanCtrlMode::BerrReporting, true);
        }
        self.set(rate_only(bitrate.get()), modes)
            .map_err(|error| self.failed(&format!("be set to {bitrate}"), error))?;
        let link = Link::find(&self.name)?;
        if link.controller.listen_only != Some(true) {
            return Err(LiveError::NotListenOnly(self.name.clone()));
        }
        self.interface.bring_up().map_err(|error| self.failed("be brought up", error))
    }

    /// Leaves it as it is set now.
    pub fn keep(mut self) {
        self.is_ours = false;
    }

    /// Sets it back to what it was.
    ///
    /// # Errors
    /// One line: what could not be set back.
    pub fn give_back(mut self) -> Result<(), LiveError> {
        self.is_ours = false;
        self.restore()
    }

    fn restore(&self) -> Result<(), LiveError> {
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
                .map_err(|error| self.failed("be set back", error));
        };
        self.set(exact_timing(timing), modes).map_err(|error| self.failed("be set back", error))?;
        if self.was_up {
            self.interface.bring_up().map_err(|error| self.failed("be brought up", error))?;
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

    fn down(&self) -> Result<(), LiveError> {
        self.interface.bring_down().map_err(|error| self.failed("be taken down", error))
    }

    fn failed(&self, action: &str, error: socketcan::Error) -> LiveError {
        let (name, action) = (self.name.clone(), action.to_owned());
        let errno = match &error {
            socketcan::Error::Nl(nl) => nl.errno(),
            socketcan::Error::Io(io) => io.raw_os_error(),
            _ => None,
        };
        match errno {
            Some(libc::EPERM | libc::EACCES) => LiveError::NotRoot { name, action },
            Some(libc::ENODEV) => LiveError::Gone { name, action },
            _ => LiveError::CannotSet { name, action, error },
        }
    }
}

impl Drop for BorrowedInterface {
    /// Sets it back also after a panic.
    fn drop(&mut self) {
        if self.is_ours
            && let Err(error) = self.restore()
        {
            tracing::error!("{error}");
        }
    }
}

/// The bit rate alone: the kernel derives the rest.
fn rate_only(bitrate: u32) -> CanBitTiming {
    CanBitTiming { bitrate, ..CanBitTiming::default() }
}

/// Where the driver tells how it makes the bit, the kernel takes that instead of the rate; a
/// driver with a list of rates tells the rate alone.
fn exact_timing(timing: &BitTiming) -> CanBitTiming {
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

    #[test]
    fn a_rate_fits_where_more_is_heard_whole_than_not() {
        let trial = |frames, errors| BitrateTrial {
            bitrate: Bitrate::new(125_000).unwrap(),
            listened: Duration::from_secs(1),
            frames,
            errors,
        };
        assert!(trial(3, 0).fits() && trial(500, 499).fits());
        assert!(!trial(0, 0).fits() && !trial(2, 0).fits() && !trial(500, 500).fits());
    }

    fn link(listen_only: Option<bool>, is_up: bool) -> Link {
        let mut link = Link::absent("can0");
        link.is_up = is_up;
        link.kind = Some("can".into());
        link.controller.listen_only = listen_only;
        link.controller.has_listen_only = listen_only.map(|_| true);
        link
    }

    fn refusal(link: &Link) -> String {
        let error =
            BorrowedInterface::take(link).map(BorrowedInterface::keep).unwrap_err().to_string();
        assert_eq!(error.lines().count(), 1);
        error
    }

    #[test]
    fn what_somebody_may_send_through_is_not_taken() {
        assert!(refusal(&link(Some(false), true)).contains("ip link set can0 down"));
        for (listen_only, is_up) in [(Some(false), false), (Some(true), false), (Some(true), true)]
        {
            BorrowedInterface::take(&link(listen_only, is_up)).unwrap().keep();
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
        let mut timing = BitTiming {
            bitrate: 125_000,
            sample_point: 875,
            quantum_ns: 500,
            propagation: 6,
            phase_1: 7,
            phase_2: 2,
            jump_width: 1,
            prescaler: 4,
        };
        let back = exact_timing(&timing);
        assert_eq!((back.bitrate, back.tq, back.phase_seg2, back.sjw), (0, 500, 2, 1));
        timing.quantum_ns = 0;
        let back = exact_timing(&timing);
        assert_eq!((back.bitrate, back.tq), (125_000, 0));
    }
}
