//! Finding a trunk's bit rate by listening: at a wrong one no frame passes its checks, and the
//! controller hears only errors.

use std::time::Duration;

use tokio::time::{Instant, timeout_at};

use super::link::Link;
use super::setting::Borrowed;
use super::{Options, SocketCanSource, not_there};
use crate::source::{LiveSource, SourceError};
use crate::wire::{Bitrate, What};

/// The bit rates that a DeviceNet trunk can have (IEC 62026-3).
pub const RATES: [u32; 3] = [125_000, 250_000, 500_000];

/// So many frames, whole and checked by the controller's CRC, are no chance.
const ENOUGH: u64 = 3;

/// So many without one error end the listening early.
const PLENTY: u64 = 20;

/// What was heard at one bit rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// The bit rate listened at.
    pub bitrate: Bitrate,
    /// How long.
    pub listened: Duration,
    /// Frames heard whole.
    pub frames: u64,
    /// Error frames that the driver made of what was not.
    pub errors: u64,
}

impl Trial {
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
    tell: &mut impl FnMut(&Trial),
) -> Result<Option<Bitrate>, SourceError> {
    let link = Link::read(name).map_err(|error| SourceError(not_there(name, &error)))?;
    let borrowed = Borrowed::take(&link)?;
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
        Ok(None) => borrowed.give_back().map(|()| None),
        Err(error) => match borrowed.give_back() {
            Ok(()) => Err(error),
            Err(worse) => Err(SourceError(format!("{error}; {worse}"))),
        },
    }
}

async fn listen(
    borrowed: &Borrowed,
    name: &str,
    bitrate: Bitrate,
    each: Duration,
) -> Result<Trial, SourceError> {
    borrowed.listen_at(bitrate)?;
    let mut source = SocketCanSource::open(Options {
        interface: name.to_owned(),
        bitrate: Some(bitrate),
        allow_active: false,
    })?;
    let begun = Instant::now();
    let mut trial = Trial { bitrate, listened: Duration::ZERO, frames: 0, errors: 0 };
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
                    return Err(SourceError(format!("{name} went down while it was listened to")));
                }
                _ => {}
            }
        }
    }
    trial.listened = begun.elapsed();
    Ok(trial)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_fits_where_more_is_heard_whole_than_not() {
        let trial = |frames, errors| Trial {
            bitrate: Bitrate::new(125_000).unwrap(),
            listened: Duration::from_secs(1),
            frames,
            errors,
        };
        assert!(trial(3, 0).fits() && trial(500, 499).fits());
        assert!(!trial(0, 0).fits() && !trial(2, 0).fits() && !trial(500, 500).fits());
    }
}
