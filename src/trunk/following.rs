//! Whether a drive does what the master asks: run asked, and running or not, and what it says.

use crate::fieldbus::{DriveCommand, DriveStatus};
use crate::wire::Nanos;

/// How one drive follows its run command.
#[derive(Debug, Clone, Default)]
pub struct Following {
    /// Since when run is asked and it does not run.
    waiting: Option<Nanos>,
    counted: bool,
    episodes: u64,
    first: Nanos,
    last: Nanos,
    longest: Nanos,
    reasons: Reasons,
    followed: bool,
}

/// What a drive said while it did not follow; more than one may hold.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Default,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
pub struct Reasons {
    /// It is faulted.
    pub faulted: bool,
    /// Its run and stop come from somewhere else.
    pub control_elsewhere: bool,
    /// Its speed comes from somewhere else.
    pub reference_elsewhere: bool,
    /// It is not ready.
    pub not_ready: bool,
    /// The speed asked for is zero.
    pub no_speed: bool,
}

impl Following {
    /// So long a drive may take to start: contactors, magnetising, ramps. Common practice, no
    /// source.
    pub const PATIENCE: Nanos = Nanos::from_millis(2000);

    /// A response of the drive, while the master's last command asked for this.
    #[inline]
    pub(super) fn response(&mut self, t: Nanos, asked: &DriveCommand, status: &DriveStatus) {
        let run = asked.run();
        if !run || status.running() {
            self.followed |= run;
            self.waiting = None;
            self.counted = false;
            return;
        }
        let since = *self.waiting.get_or_insert(t);
        let Some(span) = t.since(since) else {
            self.waiting = Some(t);
            return;
        };
        if span < Self::PATIENCE {
            return;
        }
        if !self.counted {
            self.counted = true;
            if self.episodes == 0 {
                self.first = since;
            }
            self.episodes += 1;
            self.last = since;
        }
        self.longest = self.longest.max(span);
        let Reasons { faulted, control_elsewhere, reference_elsewhere, not_ready, no_speed } =
            &mut self.reasons;
        *faulted |= status.faulted;
        *control_elsewhere |= status.control_from_network == Some(false);
        *reference_elsewhere |= status.reference_from_network == Some(false);
        *not_ready |= status.ready == Some(false);
        *no_speed |= asked.speed == 0;
    }

    /// Nobody knows what was asked or done meanwhile.
    pub(super) fn doubt(&mut self) {
        self.waiting = None;
        self.counted = false;
    }

    /// Times that it did not run within [`Following::PATIENCE`] though asked to.
    pub fn episodes(&self) -> u64 {
        self.episodes
    }

    /// When the first and the last of them began.
    pub fn times(&self) -> Option<(Nanos, Nanos)> {
        (self.episodes > 0).then_some((self.first, self.last))
    }

    /// How long it did not follow at most, so far.
    pub fn longest(&self) -> Nanos {
        self.longest
    }

    /// What it said meanwhile.
    pub fn reasons(&self) -> Reasons {
        self.reasons
    }

    /// Whether it ever ran when asked to.
    pub fn has_followed(&self) -> bool {
        self.followed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::{InputAssembly, OutputAssembly};

    fn play(responses: &[(i64, bool, u8)]) -> Following {
        let mut following = Following::default();
        for &(ms, run, bits) in responses {
            let command = [u8::from(run), 0, 0xB0, 4];
            let asked = DriveCommand::parse(OutputAssembly::Extended, &command).unwrap();
            let said = DriveStatus::parse(InputAssembly::Extended, &[bits, 3, 0, 0]).unwrap();
            following.response(Nanos::from_millis(ms), &asked, &said);
        }
        following
    }

    /// Bits of assembly 71: CIP AC/DC drive profile.
    #[test]
    fn a_drive_in_local_control_does_not_follow() {
        let following = play(&[(0, false, 0x10), (100, true, 0x10), (2200, true, 0x10)]);
        assert_eq!(following.episodes(), 1);
        let reasons = following.reasons();
        assert!(reasons.control_elsewhere && reasons.reference_elsewhere && !reasons.faulted);
        assert_eq!(following.times().unwrap().0, Nanos::from_millis(100));
        assert!(!following.has_followed());
    }

    #[test]
    fn a_drive_that_takes_its_time_follows() {
        let following = play(&[(0, true, 0x70), (1500, true, 0x70), (1600, true, 0x74)]);
        assert_eq!(following.episodes(), 0);
        assert!(following.has_followed());
    }
}
