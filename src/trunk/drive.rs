//! A node as an AC drive: by which assemblies it is driven, and whether that was given, learnt or
//! inferred from its I/O.
//!
//! Source of the inference: our own. A drive of the profile sends and takes data that are as long
//! as an assembly of the table, leaves unused bits at 0, and its running bit follows the run bit of the
//! command, or it runs for long at the speed that is asked for. What is inferred is
//! always marked so ([`Origin::Inferred`]).

use super::connections::{Known, Origin, offer};
use super::decoded::DriveIo;
use crate::fieldbus::{
    Assembly, AssemblyBits, DriveCommand, DriveStatus, InputAssembly, OutputAssembly, Profile,
    Role, Signal, Unread, bits_of, bits_of_signal,
};

/// So many responses are watched before anything is guessed.
const WATCHED: u32 = 50;
/// A drive that ran so often at the speed that was asked for is one.
const AT_SPEED: u32 = 100;
/// A drive that was asked to run must say that it runs within so many responses.
const FOLLOWS_WITHIN: u32 = 500;

/// Bits that ask a drive to run.
const RUN: AssemblyBits = bits_of_signal(Signal::RunForward) | bits_of_signal(Signal::RunReverse);
/// Bits that say that a drive runs.
const RUNNING_FORWARD: AssemblyBits = bits_of_signal(Signal::RunningForward);
const RUNNING_REVERSE: AssemblyBits = bits_of_signal(Signal::RunningReverse);

/// Where the speed stands in every assembly of the table.
const SPEED_SHIFT: u32 = 16;

/// What is known of a node as a drive.
#[derive(Debug, Clone, Default)]
pub struct NodeDrive {
    /// What it is sent.
    pub output: Option<Known<OutputAssembly>>,
    /// What it sends.
    pub input: Option<Known<InputAssembly>>,
    /// Its speeds are in rpm / 2^this (class 2A, attribute 22), where it was read or set.
    pub speed_scale: Option<i8>,
    /// What it does when the network is lost (class 29, attribute 16: 0 fault and stop, 1 ignore; drive
    /// manual 1329I, C-18), where it was read or set.
    pub network_fault_mode: Option<u8>,
    command: Option<Unread<OutputAssembly>>,
    status: Option<Unread<InputAssembly>>,
    watch: DriveEvidence,
    /// What the I/O looked like when its assemblies were last guessed.
    guessed_from: Option<(BitsSeen, BitsSeen)>,
}

/// What the I/O looked like so far.
#[derive(Debug, Clone, Copy, Default)]
struct DriveEvidence {
    /// It cannot be a drive of the profile.
    ruled_out: bool,
    commands: BitsSeen,
    run_asked: bool,
    responses: BitsSeen,
    watched: u32,
    /// Responses since the run bits changed; a drive takes some to follow.
    since_change: u32,
    followed_on: bool,
    followed_off: bool,
    /// The last command.
    asked: AssemblyBits,
    /// Responses that it runs at the speed asked for.
    at_speed: u32,
}

/// The length of the data one way, and the bits that were set in any of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct BitsSeen {
    bytes: usize,
    bits: AssemblyBits,
}

impl BitsSeen {
    /// The bits of these data; `None` if no assembly explains them together with those before.
    #[inline]
    fn take<A: Assembly>(&mut self, data: &[u8]) -> Option<AssemblyBits> {
        let allowed = A::BITS_BY_LENGTH.get(data.len()).copied().flatten()?;
        let bits = bits_of(data).filter(|bits| bits & !allowed == 0)?;
        if self.bytes != data.len() {
            if self.bytes != 0 {
                return None;
            }
            self.bytes = data.len();
        }
        self.bits |= bits;
        Some(bits)
    }
}

impl NodeDrive {
    /// The last command, where it could be read.
    pub fn command(&self) -> Option<DriveCommand> {
        self.command.map(|asked| asked.read())
    }

    /// The last response, where it could be read.
    pub fn status(&self) -> Option<DriveStatus> {
        self.status.map(|status| status.read())
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
        self.command.zip(self.status)
    }

    /// Whether it is known that commands and responses are of assemblies that do not go together:
    /// 20 with 70, 21 with 71, and so on (CIP AC/DC drive profile).
    pub fn pair_differs(&self) -> bool {
        let known = |origin| origin != Origin::Inferred;
        self.output.zip(self.input).is_some_and(|(output, input)| {
            known(output.origin)
                && known(input.origin)
                && output.value.number() + 50 != input.value.number()
        })
    }

    /// A command of the master, whole. Whether it is one for a drive.
    pub fn commanded(&mut self, data: &[u8]) -> bool {
        if data.is_empty() {
            // A master that is idle asks for nothing.
            self.command = self.output.map(|output| Unread::nothing(output.value));
            return false;
        }
        self.watch.command(data);
        let command = self.output.and_then(|output| Unread::new(output.value, data));
        self.command = command.or(self.command);
        command.is_some()
    }

    /// A response of the node, whole. Whether it is one of a drive.
    pub fn responded(&mut self, data: &[u8], device_type: Option<u16>) -> bool {
        self.watch.response(data);
        self.guess(device_type);
        let status = self.input.and_then(|input| Unread::new(input.value, data));
        self.status = status.or(self.status);
        status.is_some()
    }

    /// The plan or the wire names an assembly by its instance.
    pub fn set_output(&mut self, instance: u16, origin: Origin) {
        match OutputAssembly::from_number(instance) {
            Some(assembly) => offer(&mut self.output, assembly, origin),
            None => self.watch.ruled_out |= origin == Origin::Learnt,
        }
    }

    /// The plan or the wire names an assembly by its instance.
    pub fn set_input(&mut self, instance: u16, origin: Origin) {
        match InputAssembly::from_number(instance) {
            Some(assembly) => offer(&mut self.input, assembly, origin),
            None => self.watch.ruled_out |= origin == Origin::Learnt,
        }
    }

    fn guess(&mut self, device_type: Option<u16>) {
        let watch = &self.watch;
        let other_type = device_type.is_some_and(|kind| kind != Profile::AcDrive.device_type());
        if watch.ruled_out || other_type {
            self.output = self.output.filter(|known| known.origin != Origin::Inferred);
            self.input = self.input.filter(|known| known.origin != Origin::Inferred);
            self.guessed_from = None;
            return;
        }
        let behaves = watch.followed_on && watch.followed_off || watch.at_speed >= AT_SPEED;
        if watch.watched < WATCHED || !(behaves || device_type.is_some()) {
            return;
        }
        let (commands, responses) = (watch.commands, watch.responses);
        // Nothing new was set, so the guess is the same.
        if self.guessed_from.replace((commands, responses)) == Some((commands, responses)) {
            return;
        }
        // A master that never sent any data has said nothing that the poorest could not say.
        let bytes = if commands.bytes == 0 { responses.bytes } else { commands.bytes };
        if let Some(output) = OutputAssembly::first_with(Profile::AcDrive, bytes, commands.bits) {
            offer(&mut self.output, output, Origin::Inferred);
        }
        let (bytes, bits) = (responses.bytes, responses.bits);
        if let Some(input) = InputAssembly::first_with(Profile::AcDrive, bytes, bits) {
            offer(&mut self.input, input, Origin::Inferred);
        }
    }
}

impl DriveEvidence {
    /// Whether the speeds of the last command and of this response are nearly the same, and not 0.
    fn is_at_speed(&self, status: AssemblyBits) -> bool {
        let speed = |bits: AssemblyBits| i32::from((bits >> SPEED_SHIFT) as i16).abs();
        let (asked, is) = (speed(self.asked), speed(status));
        asked > 10 && 20 * (asked - is).abs() <= asked
    }

    fn command(&mut self, data: &[u8]) {
        let Some(bits) = self.commands.take::<OutputAssembly>(data) else {
            self.ruled_out = true;
            return;
        };
        self.asked = bits;
        let run = bits & RUN != 0;
        if run != self.run_asked {
            self.since_change = 0;
        }
        self.run_asked = run;
    }

    fn response(&mut self, data: &[u8]) {
        if data.is_empty() {
            return;
        }
        let Some(bits) = self.responses.take::<InputAssembly>(data) else {
            self.ruled_out = true;
            return;
        };
        self.watched = self.watched.saturating_add(1);
        self.since_change = self.since_change.saturating_add(1);
        let (forward, reverse) = (bits & RUNNING_FORWARD != 0, bits & RUNNING_REVERSE != 0);
        let running = forward || reverse;
        if running == self.run_asked && self.since_change <= FOLLOWS_WITHIN {
            self.followed_on |= running;
            self.followed_off |= self.followed_on && !running;
        }
        if self.at_speed < AT_SPEED && running && self.run_asked && self.is_at_speed(bits) {
            self.at_speed += 1;
        }
        // Both directions at once is no drive.
        self.ruled_out |= forward && reverse;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) fn output(number: u16) -> OutputAssembly {
        OutputAssembly::from_number(number).unwrap()
    }

    pub(super) fn input(number: u16) -> InputAssembly {
        InputAssembly::from_number(number).unwrap()
    }

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
        assert_eq!(drive.output, inferred(output(21)));
        let extended = Some(Known { value: input(71), origin: Origin::Inferred });
        assert_eq!(drive.input, extended);
        let mut drive = NodeDrive::default();
        run_and_stop(&mut drive, 0x01, 0, 0x04, 0);
        assert_eq!(drive.output, inferred(output(20)));
        let basic = Some(Known { value: input(70), origin: Origin::Inferred });
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
        still.responded(&[0; 4], Some(Profile::AcDrive.device_type()));
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
        assert_eq!(drive.output.map(|known| known.value), Some(output(20)));
        assert_eq!(drive.input.map(|known| known.origin), Some(Origin::Learnt));
        assert!(drive.commanded(&[1, 0, 10, 0]));
        assert_eq!(drive.command().map(|command| command.speed), Some(10));
    }
}
