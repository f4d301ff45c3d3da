//! Whether a drive does what its master asks, whether it is faulted, and what it says meanwhile.
//!
//! Source: no control without the bits that ask for it, run acts by its rising edge, both
//! directions at once are no action: drive adapter manual FDNA-01, p. 80; the same events in drive manual
//! 1329I, C-19. Which output goes with
//! which input assembly: CIP AC/DC drive profile.

use super::statistics::Occurrences;
use crate::fieldbus::{DriveCommand, DriveStatus};
use crate::wire::Nanos;

/// Why a drive does not do what it is asked, as far as command and status tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, strum::VariantArray)]
pub enum DriveObstacle {
    /// It is faulted.
    Faulted,
    /// Both directions are asked at once.
    BothDirections,
    /// Command and status are assemblies that do not go together.
    AssemblyPair,
    /// The command does not ask for control from the network, and the drive has it elsewhere.
    ControlNotAsked,
    /// Its run and stop come from somewhere else, though the command asks for them.
    ControlElsewhere,
    /// Its speed comes from somewhere else, though the command asks for it.
    SpeedElsewhere,
    /// It is not ready.
    NotReady,
    /// Run was asked while it could not run, and is still asked: it waits for the edge.
    RunEdge,
    /// It says nothing that explains it.
    Unexplained,
}

/// How one drive follows its run command.
#[derive(Debug, Clone, Default)]
pub struct Following {
    waiting: Option<Waiting>,
    /// That it does not follow was told.
    told: bool,
    /// Run is asked since a time at which it could not run.
    held_over: bool,
    episodes: [Episodes; <DriveObstacle as strum::VariantArray>::VARIANTS.len()],
    asked: bool,
    followed: bool,
    faults: Occurrences,
    faulted: Option<Nanos>,
}

/// A time in which run is asked and it does not run.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    since: Nanos,
    obstacle: DriveObstacle,
    counted: bool,
}

/// Times that it did not follow for one reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Episodes {
    /// How many.
    pub count: u64,
    /// When the first began.
    pub first: Nanos,
    /// When the last began.
    pub last: Nanos,
    /// How long the longest was, so far.
    pub longest: Nanos,
    /// What it said meanwhile.
    pub reported: DriveReasons,
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
pub struct DriveReasons {
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

/// What changed with a response of the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DriveChange {
    /// It has not followed for [`Following::PATIENCE`].
    NotFollowing,
    /// It follows again, or is no longer asked.
    Follows,
}

impl Following {
    /// So long a drive may take to start: contactors, magnetising, ramps. Common practice, no
    /// source.
    pub const PATIENCE: Nanos = Nanos::from_millis(2000);

    /// What the drive says of a fault; whether that changed.
    #[inline]
    pub(super) fn fault(&mut self, t: Nanos, status: &DriveStatus) -> Option<bool> {
        if status.faulted == self.faulted.is_some() {
            return None;
        }
        if status.faulted {
            self.faults.add(t);
            self.faulted = Some(t);
        } else {
            self.faulted = None;
        }
        Some(status.faulted)
    }

    /// A response of the drive, while the master's last command asked for this. `pair_differs`: whether
    /// the two are known to be of assemblies that do not go together.
    #[inline]
    pub(super) fn response(
        &mut self,
        t: Nanos,
        asked: &DriveCommand,
        status: &DriveStatus,
        pair_differs: impl FnOnce() -> bool,
    ) -> Option<DriveChange> {
        let run = asked.run();
        if !run && self.waiting.is_none() && !self.told {
            self.held_over = false;
            return None;
        }
        self.asked |= run;
        let could_not = status.faulted
            || status.ready == Some(false)
            || status.control_from_network == Some(false);
        self.held_over = run && (self.held_over || could_not);
        let obstacle = if run { self.obstacle(asked, status, pair_differs) } else { None };
        let Some(obstacle) = obstacle else {
            if run {
                self.followed |= status.running();
                self.held_over &= !status.running();
            }
            self.waiting = None;
            return std::mem::take(&mut self.told).then_some(DriveChange::Follows);
        };
        self.wait(t, obstacle, asked, status)
    }

    /// What keeps it from doing what is asked; `None`: it does it.
    #[inline]
    fn obstacle(
        &self,
        asked: &DriveCommand,
        status: &DriveStatus,
        pair_differs: impl FnOnce() -> bool,
    ) -> Option<DriveObstacle> {
        let speed_elsewhere = status.reference_from_network == Some(false)
            && asked.reference_from_network == Some(true);
        if status.running() {
            return speed_elsewhere.then_some(DriveObstacle::SpeedElsewhere);
        }
        let no_control = status.control_from_network == Some(false);
        Some(match () {
            () if status.faulted => DriveObstacle::Faulted,
            () if asked.run_forward && asked.run_reverse => DriveObstacle::BothDirections,
            () if pair_differs() => DriveObstacle::AssemblyPair,
            () if no_control && asked.control_from_network != Some(true) => {
                DriveObstacle::ControlNotAsked
            }
            () if no_control => DriveObstacle::ControlElsewhere,
            () if speed_elsewhere => DriveObstacle::SpeedElsewhere,
            () if status.ready == Some(false) => DriveObstacle::NotReady,
            // At a reference of zero there is nothing to follow.
            () if asked.speed == 0 => return None,
            () if self.held_over => DriveObstacle::RunEdge,
            () => DriveObstacle::Unexplained,
        })
    }

    fn wait(
        &mut self,
        t: Nanos,
        obstacle: DriveObstacle,
        asked: &DriveCommand,
        status: &DriveStatus,
    ) -> Option<DriveChange> {
        let begins = Waiting { since: t, obstacle, counted: false };
        let waiting = self.waiting.get_or_insert(begins);
        if waiting.obstacle != obstacle {
            *waiting = begins;
        }
        let Some(span) = t.since(waiting.since) else {
            *waiting = begins;
            return None;
        };
        if span < Self::PATIENCE {
            return None;
        }
        let episodes = &mut self.episodes[obstacle as usize];
        if !std::mem::replace(&mut waiting.counted, true) {
            if episodes.count == 0 {
                episodes.first = waiting.since;
            }
            episodes.count += 1;
            episodes.last = waiting.since;
        }
        episodes.longest = episodes.longest.max(span);
        let DriveReasons { faulted, control_elsewhere, reference_elsewhere, not_ready, no_speed } =
            &mut episodes.reported;
        *faulted |= status.faulted;
        *control_elsewhere |= status.control_from_network == Some(false);
        *reference_elsewhere |= status.reference_from_network == Some(false);
        *not_ready |= status.ready == Some(false);
        *no_speed |= asked.speed == 0;
        (!std::mem::replace(&mut self.told, true)).then_some(DriveChange::NotFollowing)
    }

    /// Nobody knows what was asked or done meanwhile.
    pub(super) fn doubt(&mut self) {
        self.waiting = None;
        self.told = false;
    }

    /// Times that it did not follow within [`Following::PATIENCE`], by what kept it from that.
    pub fn episodes(&self, obstacle: DriveObstacle) -> &Episodes {
        &self.episodes[obstacle as usize]
    }

    /// Whether this keeps it from following now, for [`Following::PATIENCE`] at least.
    pub fn is_kept_by(&self, obstacle: DriveObstacle) -> bool {
        self.waiting.is_some_and(|waiting| waiting.counted && waiting.obstacle == obstacle)
    }

    /// When it said that it became faulted.
    pub fn faults(&self) -> &Occurrences {
        &self.faults
    }

    /// Since when it is faulted.
    pub fn faulted_since(&self) -> Option<Nanos> {
        self.faulted
    }

    /// Whether it was ever asked to run.
    pub fn was_asked(&self) -> bool {
        self.asked
    }

    /// Whether it ever ran when asked to.
    pub fn has_followed(&self) -> bool {
        self.followed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::{Assembly, InputAssembly, OutputAssembly};
    use strum::VariantArray;

    /// Commands (byte 0, speed) of assembly 21 and responses (byte 0) of 71, by time in ms.
    fn play(responses: &[(i64, (u8, i16), u8)]) -> Following {
        let output = OutputAssembly::from_number(21).unwrap();
        let input = InputAssembly::from_number(71).unwrap();
        let mut following = Following::default();
        for &(ms, (bits, speed), status) in responses {
            let [low, high] = speed.to_le_bytes();
            let asked = DriveCommand::from_bytes(output, &[bits, 0, low, high]).unwrap();
            let status = DriveStatus::from_bytes(input, &[status, 3, 0, 0]).unwrap();
            following.fault(Nanos::from_millis(ms), &status);
            following.response(Nanos::from_millis(ms), &asked, &status, || false);
        }
        following
    }

    fn obstacles(following: &Following) -> Vec<DriveObstacle> {
        let seen = |obstacle: &&DriveObstacle| following.episodes(**obstacle).count > 0;
        DriveObstacle::VARIANTS.iter().filter(seen).copied().collect()
    }

    const RUN: (u8, i16) = (0x61, 1200);

    #[test]
    fn a_drive_that_takes_its_time_follows() {
        let following = play(&[(0, RUN, 0x70), (1500, RUN, 0x70), (1600, RUN, 0x74)]);
        assert!(obstacles(&following).is_empty());
        assert!(following.has_followed());
    }

    #[test]
    fn a_drive_whose_control_is_elsewhere_does_not() {
        let following = play(&[(100, RUN, 0x10), (1000, RUN, 0x10), (2200, RUN, 0x10)]);
        assert_eq!(obstacles(&following), [DriveObstacle::ControlElsewhere]);
        let episodes = following.episodes(DriveObstacle::ControlElsewhere);
        assert!(episodes.reported.control_elsewhere && episodes.reported.reference_elsewhere);
        assert_eq!(episodes.first, Nanos::from_millis(100));
        assert!(!following.has_followed());
    }

    /// Drive adapter manual FDNA-01, p. 80.
    #[test]
    fn what_is_not_asked_for_is_not_given() {
        let run = (0x01, 1200);
        let following = play(&[(0, run, 0x10), (3000, run, 0x10)]);
        assert_eq!(obstacles(&following), [DriveObstacle::ControlNotAsked]);
        let both = (0x63, 1200);
        let following = play(&[(0, both, 0x70), (3000, both, 0x70)]);
        assert_eq!(obstacles(&following), [DriveObstacle::BothDirections]);
    }

    /// Drive adapter manual FDNA-01, p. 80: run acts by its rising edge.
    #[test]
    fn run_that_is_kept_over_a_fault_waits_for_its_edge() {
        let fault = [(0, RUN, 0x74), (100, RUN, 0x61), (500, RUN, 0x61)];
        let kept = [(600, RUN, 0x70), (3000, RUN, 0x70)];
        let following = play(&[fault.as_slice(), &kept].concat());
        assert_eq!(obstacles(&following), [DriveObstacle::RunEdge]);
        assert_eq!((following.faults().count(), following.faulted_since()), (1, None));
        let again = [(600, (0x60, 1200), 0x70), (700, RUN, 0x70), (900, RUN, 0x74)];
        assert!(obstacles(&play(&[fault.as_slice(), &again].concat())).is_empty());
    }

    #[test]
    fn a_drive_at_a_speed_of_its_own_is_told_apart() {
        let following = play(&[(0, RUN, 0x34), (2500, RUN, 0x34)]);
        assert_eq!(obstacles(&following), [DriveObstacle::SpeedElsewhere]);
        // Not asked for, it is no trouble.
        let run = (0x21, 1200);
        assert!(obstacles(&play(&[(0, run, 0x34), (2500, run, 0x34)])).is_empty());
    }

    #[test]
    fn a_speed_of_zero_is_followed_by_standing() {
        let zero = (0x61, 0);
        assert!(obstacles(&play(&[(0, zero, 0x70), (5000, zero, 0x70)])).is_empty());
        let local = play(&[(0, zero, 0x10), (5000, zero, 0x10)]);
        assert_eq!(obstacles(&local), [DriveObstacle::ControlElsewhere]);
    }
}
