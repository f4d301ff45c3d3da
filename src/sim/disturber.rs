//! Faults that strike frames on the wire: noise, bad drops, reflections, broken transmitters.

use super::frame_bits::Pattern;
use super::random::{Chance, Likely};
use super::time::Time;

/// A bit that is struck.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Strike {
    /// From the start of frame.
    pub(super) bit: usize,
    /// The only station that reads it wrong; `None`: everybody does.
    pub(super) only: Option<usize>,
    /// The fault that did it.
    pub(super) fault: usize,
}

/// How a fault strikes.
#[derive(Debug, Clone, Copy)]
pub(super) enum Manner {
    /// At times of its own, this long apart in the mean; while a drive runs or by its speed.
    Noise { mean: Time, drive: Option<DriveTie> },
    /// Again and again after the same time.
    Periodic { period: Time },
    /// So many of the frames that this station sends.
    Sends { station: usize, share: Likely },
    /// So many of the frames that this station receives, for it alone.
    Receives { station: usize, share: Likely },
    /// Each bit of a frame as likely, this much over the whole trunk.
    Reflection { per_bit: Likely },
}

/// A drive whose running makes noise.
#[derive(Debug, Clone, Copy)]
pub(super) struct DriveTie {
    pub(super) station: usize,
    /// In proportion to the speed, up to this in thousandths of a revolution a minute; else
    /// whenever it turns.
    pub(super) full_speed: Option<u64>,
}

/// One fault on the wire.
#[derive(Debug)]
pub(super) struct Disturber {
    pub(super) fault: usize,
    pub(super) on: bool,
    pub(super) manner: Manner,
    chance: Chance,
    next: Time,
}

/// A frame that is about to go over the wire.
pub(super) struct Passing<'a> {
    pub(super) start: Time,
    /// Bits from start of frame to end of frame.
    pub(super) bits: usize,
    pub(super) sender: usize,
    /// How far the farthest receiver is, and the length of the trunk, in centimetres.
    pub(super) distance: (u64, u64),
    /// The speed of a drive, in thousandths of a revolution a minute.
    pub(super) speed: &'a dyn Fn(usize) -> u64,
    /// Whether a station hears the frame.
    pub(super) hears: &'a dyn Fn(usize) -> bool,
}

impl Disturber {
    pub(super) fn new(fault: usize, manner: Manner, chance: Chance) -> Disturber {
        Disturber { fault, on: false, manner, chance, next: Time(0) }
    }

    /// Begins to strike.
    pub(super) fn begin(&mut self, now: Time) {
        self.on = true;
        self.next = now;
        self.plan_next();
    }

    fn plan_next(&mut self) {
        let span = match self.manner {
            Manner::Noise { mean, .. } => self.chance.exponential(mean),
            Manner::Periodic { period } => period,
            _ => return,
        };
        self.next += span.max(Time(1));
    }

    /// Whether it strikes this frame, and which bit. The last bit of end of frame is left out:
    /// there a sender and its receivers would disagree on whether the frame was good.
    pub(super) fn strike(&mut self, frame: &Passing) -> Option<Strike> {
        if !self.on {
            return None;
        }
        let last = frame.bits as u64 - 2;
        let (bit, only) = match self.manner {
            Manner::Noise { .. } | Manner::Periodic { .. } => (self.by_time(frame)?, None),
            Manner::Sends { station, share } => {
                let hit = frame.sender == station && self.chance.happens(share);
                (hit.then(|| self.chance.between(1, last))?, None)
            }
            Manner::Receives { station, share } => {
                let hears = frame.sender != station && (frame.hears)(station);
                let hit = hears && self.chance.happens(share);
                (hit.then(|| self.chance.between(1, last))?, Some(station))
            }
            Manner::Reflection { per_bit } => {
                let (distance, trunk) = frame.distance;
                let likely = per_bit.times(distance, trunk);
                ((1..=last).find(|_| self.chance.happens(likely))?, None)
            }
        };
        Some(Strike { bit: bit as usize, only, fault: self.fault })
    }

    /// Noise between frames does nothing: short pulses on an idle bus are over before they
    /// are sampled.
    fn by_time(&mut self, frame: &Passing) -> Option<u64> {
        let end = frame.start + Time(frame.bits as u64 - 1);
        let mut hit = None;
        while self.next < end {
            let bit = self.next.since(frame.start).0;
            if self.next > frame.start && hit.is_none() && self.is_live(frame) {
                hit = Some(bit);
            }
            self.plan_next();
        }
        hit
    }

    fn is_live(&mut self, frame: &Passing) -> bool {
        let Manner::Noise { drive: Some(tie), .. } = self.manner else { return true };
        let speed = (frame.speed)(tie.station);
        match tie.full_speed {
            Some(full) => self.chance.happens(Likely::ALWAYS.times(speed, full)),
            None => speed > 0,
        }
    }
}

/// The likelihood for each bit, from a share of frames of eight bytes.
pub(super) fn per_bit(share: f64, frame: &Pattern) -> Likely {
    Likely::share(share / frame.bits.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passing<'a>(start: u64, speed: &'a dyn Fn(usize) -> u64) -> Passing<'a> {
        let (start, distance) = (Time(start), (50, 100));
        Passing { start, bits: 100, sender: 1, distance, speed, hears: &|_| true }
    }

    fn hits(manner: Manner, speed: u64) -> usize {
        let mut disturber = Disturber::new(0, manner, Chance::new(5, 5));
        disturber.begin(Time(0));
        let speed = |_: usize| speed;
        // back to back
        (0..20_000).filter(|i| disturber.strike(&passing(i * 100, &speed)).is_some()).count()
    }

    #[test]
    fn noise_strikes_as_often_as_it_says() {
        let noise = |drive| Manner::Noise { mean: Time(10_000), drive };
        // 2,000,000 bits, one in 10,000
        assert!((150..250).contains(&hits(noise(None), 0)));
        let running = DriveTie { station: 2, full_speed: None };
        assert_eq!(hits(noise(Some(running)), 0), 0);
        assert!(hits(noise(Some(running)), 1) > 150);
        let speed = DriveTie { station: 2, full_speed: Some(1000) };
        let (half, full) = (hits(noise(Some(speed)), 500), hits(noise(Some(speed)), 1000));
        assert!(half * 10 > full * 3 && half * 10 < full * 7, "{half} of {full}");
    }

    #[test]
    fn shares_strike_only_the_station_meant() {
        let share = Likely::share(0.1);
        assert!((1_800..2_200).contains(&hits(Manner::Sends { station: 1, share }, 0)));
        assert_eq!(hits(Manner::Sends { station: 2, share }, 0), 0);
        assert_eq!(hits(Manner::Receives { station: 1, share }, 0), 0);
        assert!((1_800..2_200).contains(&hits(Manner::Receives { station: 2, share }, 0)));
    }

    #[test]
    fn periodic_strikes_are_periodic() {
        let period = Time(5_037);
        // 2,000,000 bits; a pulse in the first or last bits of a frame does not count
        assert!((380..=397).contains(&hits(Manner::Periodic { period }, 0)));
    }
}
