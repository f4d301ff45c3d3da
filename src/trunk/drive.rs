//! A node as an AC drive: by which assemblies it is driven, whether that was given, learnt or
//! inferred from its I/O, and whether it follows its run command.
//!
//! Source of the inference: our own. A drive of the profile has four bytes each way, leaves its
//! unused bits at 0, and its running bit follows the run bit of the command. What is inferred is
//! always marked so ([`Origin::Inferred`]).

use super::connections::{Known, Origin, offer};
use super::decoded::DriveIo;
use crate::fieldbus::{DriveCommand, DriveStatus, InputAssembly, OutputAssembly, Role, Unread};
use crate::wire::Nanos;

/// So many responses are watched before anything is guessed.
const WATCHED: u32 = 50;
/// A drive that was asked to run must say that it runs within so many responses.
const FOLLOWS_WITHIN: u32 = 500;

/// Bits that a command may have set: those of assembly 21.
const OUTPUT_BITS: u8 = 0b0110_0111;
/// Bits of a command that assembly 20 does not have.
const EXTENDED_OUTPUT: u8 = 0b0110_0010;
/// Bits of a response that assembly 70 has.
const BASIC_INPUT: u8 = 0b0000_0101;
/// Device type of an AC drive in the identity object (from memory).
const AC_DRIVE: u16 = 2;

/// What is known of a node as a drive.
#[derive(Debug, Clone, Default)]
pub struct NodeDrive {
    /// What it is sent.
    pub output: Option<Known<OutputAssembly>>,
    /// What it sends.
    pub input: Option<Known<InputAssembly>>,
    asked: Option<Unread<OutputAssembly>>,
    said: Option<Unread<InputAssembly>>,
    watch: DriveEvidence,
}

/// What the I/O looked like so far.
#[derive(Debug, Clone, Copy, Default)]
struct DriveEvidence {
    /// It cannot be a drive of the profile.
    ruled_out: bool,
    commands: u8,
    run_asked: bool,
    responses: u8,
    state_seen: bool,
    watched: u32,
    /// Responses since the run bits changed; a drive takes some to follow.
    since_change: u32,
    followed_on: bool,
    followed_off: bool,
}

impl NodeDrive {
    /// The last command, where it could be read.
    pub fn command(&self) -> Option<DriveCommand> {
        self.asked.map(|asked| asked.read())
    }

    /// The last response, where it could be read.
    pub fn status(&self) -> Option<DriveStatus> {
        self.said.map(|said| said.read())
    }

    /// The last of them that has this role.
    pub(super) fn io(&self, role: Role) -> Option<DriveIo> {
        if role == Role::PollCommand {
            let (value, origin) = (self.command()?, self.output?.origin);
            Some(DriveIo::Command(Known { value, origin }))
        } else {
            let (value, origin) = (self.status()?, self.input?.origin);
            Some(DriveIo::Status(Known { value, origin }))
        }
    }

    /// The last command and the last response.
    pub fn exchange(&self) -> Option<(Unread<OutputAssembly>, Unread<InputAssembly>)> {
        self.asked.zip(self.said)
    }

    /// A command of the master, whole. Whether it is one for a drive.
    pub fn commanded(&mut self, data: &[u8]) -> bool {
        self.watch.command(data);
        let asked = self.output.and_then(|output| Unread::new(output.value, data));
        self.asked = asked.or(self.asked);
        asked.is_some()
    }

    /// A response of the node, whole. Whether it is one of a drive.
    pub fn responded(&mut self, data: &[u8], device_type: Option<u16>) -> bool {
        self.watch.response(data);
        self.guess(device_type);
        let said = self.input.and_then(|input| Unread::new(input.value, data));
        self.said = said.or(self.said);
        said.is_some()
    }

    /// The plan or the wire names an assembly by its instance.
    pub fn set_output(&mut self, instance: u16, origin: Origin) {
        match OutputAssembly::from_instance(instance) {
            Some(assembly) => offer(&mut self.output, assembly, origin),
            None => self.watch.ruled_out |= origin == Origin::Learnt,
        }
    }

    /// The plan or the wire names an assembly by its instance.
    pub fn set_input(&mut self, instance: u16, origin: Origin) {
        match InputAssembly::from_instance(instance) {
            Some(assembly) => offer(&mut self.input, assembly, origin),
            None => self.watch.ruled_out |= origin == Origin::Learnt,
        }
    }

    fn guess(&mut self, device_type: Option<u16>) {
        let watch = &self.watch;
        let other_type = device_type.is_some_and(|kind| kind != AC_DRIVE);
        if watch.ruled_out || other_type {
            self.output = self.output.filter(|known| known.origin != Origin::Inferred);
            self.input = self.input.filter(|known| known.origin != Origin::Inferred);
            return;
        }
        let behaves = watch.followed_on && watch.followed_off;
        if watch.watched < WATCHED || !(behaves || device_type == Some(AC_DRIVE)) {
            return;
        }
        let extended = watch.commands & EXTENDED_OUTPUT != 0;
        let output = if extended { OutputAssembly::Extended } else { OutputAssembly::Basic };
        let extended = watch.responses & !BASIC_INPUT != 0 || watch.state_seen;
        let input = if extended { InputAssembly::Extended } else { InputAssembly::Basic };
        offer(&mut self.output, output, Origin::Inferred);
        offer(&mut self.input, input, Origin::Inferred);
    }
}

impl DriveEvidence {
    fn command(&mut self, data: &[u8]) {
        match *data {
            // A master that is idle polls with no data.
            [] => {}
            [bits, 0, _, _] if bits & !OUTPUT_BITS == 0 => {
                self.commands |= bits;
                let run = bits & 0b11 != 0;
                if run != self.run_asked {
                    self.since_change = 0;
                }
                self.run_asked = run;
            }
            _ => self.ruled_out = true,
        }
    }

    fn response(&mut self, data: &[u8]) {
        let &[bits, state @ 0..=7, _, _] = data else {
            self.ruled_out |= !data.is_empty();
            return;
        };
        self.watched = self.watched.saturating_add(1);
        self.since_change = self.since_change.saturating_add(1);
        self.responses |= bits;
        self.state_seen |= state != 0;
        let running = bits & 0b1100 != 0;
        if running == self.run_asked && self.since_change <= FOLLOWS_WITHIN {
            self.followed_on |= running;
            self.followed_off |= self.followed_on && !running;
        }
        // Both directions at once is no drive.
        self.ruled_out |= bits & 0b1100 == 0b1100;
    }
}

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
    reasons: DriveReasons,
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
        let DriveReasons { faulted, control_elsewhere, reference_elsewhere, not_ready, no_speed } =
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
    pub fn reasons(&self) -> DriveReasons {
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

    fn exchange(drive: &mut NodeDrive, command: [u8; 4], response: [u8; 4]) {
        drive.commanded(&command);
        drive.responded(&response, None);
    }

    fn run_and_stop(drive: &mut NodeDrive, asked: u8, idle: u8, running: u8, state: u8) {
        for _ in 0..30 {
            exchange(drive, [asked & !3, 0, 0, 0], [idle, state, 0, 0]);
        }
        for _ in 0..30 {
            exchange(drive, [asked, 0, 100, 0], [running, state, 90, 0]);
        }
        for _ in 0..30 {
            exchange(drive, [asked & !3, 0, 0, 0], [idle, state, 0, 0]);
        }
    }

    #[test]
    fn a_drive_is_guessed_from_how_it_follows() {
        let mut drive = NodeDrive::default();
        run_and_stop(&mut drive, 0x61, 0x70, 0xF4, 3);
        let inferred = |value| Some(Known { value, origin: Origin::Inferred });
        assert_eq!(drive.output, inferred(OutputAssembly::Extended));
        let extended = Some(Known { value: InputAssembly::Extended, origin: Origin::Inferred });
        assert_eq!(drive.input, extended);
        let mut drive = NodeDrive::default();
        run_and_stop(&mut drive, 0x01, 0, 0x04, 0);
        assert_eq!(drive.output, inferred(OutputAssembly::Basic));
        let basic = Some(Known { value: InputAssembly::Basic, origin: Origin::Inferred });
        assert_eq!(drive.input, basic);
    }

    #[test]
    fn other_four_byte_devices_are_not() {
        // Counters, and bits that follow nothing.
        let mut valves = NodeDrive::default();
        for n in 0..1000u32 {
            let [a, b, ..] = n.to_le_bytes();
            exchange(&mut valves, [a, b, 0, 0], [b, a, 0, 0]);
        }
        assert_eq!((valves.output, valves.input), (None, None));
        // Never runs: nothing to tell it by, unless its identity does.
        let mut still = NodeDrive::default();
        for _ in 0..1000 {
            exchange(&mut still, [0; 4], [0; 4]);
        }
        assert_eq!(still.input, None);
        still.responded(&[0; 4], Some(AC_DRIVE));
        assert!(still.input.is_some());
        still.responded(&[0; 4], Some(7));
        assert_eq!(still.input, None);
    }

    #[test]
    fn what_is_given_is_not_guessed_over() {
        let mut drive = NodeDrive::default();
        drive.set_output(20, Origin::Planned);
        drive.set_input(70, Origin::Learnt);
        run_and_stop(&mut drive, 0x61, 0x70, 0xF4, 3);
        assert_eq!(drive.output.map(|known| known.value), Some(OutputAssembly::Basic));
        assert_eq!(drive.input.map(|known| known.origin), Some(Origin::Learnt));
        assert!(drive.commanded(&[1, 0, 10, 0]));
        assert_eq!(drive.command().map(|command| command.speed), Some(10));
    }
}

#[cfg(test)]
mod following_tests {
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
