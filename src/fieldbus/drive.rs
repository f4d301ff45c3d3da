//! The I/O of an AC drive: what the master asks for and what the drive says it does.
//!
//! Which bits say what stands in the table of assemblies. Source of the drive's states: CIP AC/DC
//! drive profile, as in function manual E6581268, p. 22.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::assembly::{Assembly, AssemblyBits, InputAssembly, OutputAssembly, bits_of};
use super::assembly_table::Signal;

/// The I/O data of a drive, to be taken apart where somebody wants to know: there are hundreds a
/// second, and most of them only follow others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unread<A> {
    assembly: A,
    bits: AssemblyBits,
}

impl<A: Assembly> Unread<A> {
    /// `None` if the data are not as long as the assembly.
    #[inline]
    pub(crate) fn new(assembly: A, data: &[u8]) -> Option<Unread<A>> {
        let fits = data.len() == assembly.row().bytes;
        fits.then(|| bits_of(data)).flatten().map(|bits| Unread { assembly, bits })
    }

    /// Data in which nothing is set.
    pub(crate) fn nothing(assembly: A) -> Unread<A> {
        Unread { assembly, bits: 0 }
    }

    #[inline]
    fn flag(&self, signal: Signal) -> bool {
        self.assembly.value(self.bits, signal) != 0
    }

    /// `None` where the assembly does not carry it.
    #[inline]
    fn flag_if_carried(&self, signal: Signal) -> Option<bool> {
        self.assembly.carries(signal).then(|| self.flag(signal))
    }

    #[inline]
    fn speed(&self, signal: Signal) -> i16 {
        self.assembly.value(self.bits, signal) as i16
    }
}

impl Unread<OutputAssembly> {
    /// What they ask for.
    #[inline]
    pub fn read(&self) -> DriveCommand {
        DriveCommand {
            run_forward: self.flag(Signal::RunForward),
            run_reverse: self.flag(Signal::RunReverse),
            fault_reset: self.flag(Signal::FaultReset),
            control_from_network: self.flag_if_carried(Signal::AskNetworkControl),
            reference_from_network: self.flag_if_carried(Signal::AskNetworkReference),
            speed: self.speed(Signal::SpeedReference),
        }
    }
}

impl Unread<InputAssembly> {
    /// What they say.
    #[inline]
    pub fn read(&self) -> DriveStatus {
        let state = || DriveState(self.assembly.value(self.bits, Signal::State) as u8);
        DriveStatus {
            faulted: self.flag(Signal::Faulted),
            warning: self.flag_if_carried(Signal::Warning),
            running_forward: self.flag(Signal::RunningForward),
            running_reverse: self.flag_if_carried(Signal::RunningReverse),
            ready: self.flag_if_carried(Signal::Ready),
            control_from_network: self.flag_if_carried(Signal::NetworkControl),
            reference_from_network: self.flag_if_carried(Signal::NetworkReference),
            at_reference: self.flag_if_carried(Signal::AtReference),
            state: self.assembly.carries(Signal::State).then(state),
            speed: self.speed(Signal::SpeedActual),
        }
    }
}

/// The I/O data that say all of `values` which the assembly carries.
fn to_bytes<A: Assembly>(assembly: A, values: &[(Signal, u64)]) -> Vec<u8> {
    let bits = values.iter().fold(0, |bits, &(signal, value)| bits | assembly.place(signal, value));
    bits.to_le_bytes()[..assembly.row().bytes].to_vec()
}

/// What the master asks of a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DriveCommand {
    /// Run forward.
    pub run_forward: bool,
    /// Run in reverse (21).
    pub run_reverse: bool,
    /// Reset a fault.
    pub fault_reset: bool,
    /// Take run and stop from the network; not in 20.
    pub control_from_network: Option<bool>,
    /// Take the speed from the network; not in 20.
    pub reference_from_network: Option<bool>,
    /// Speed reference, in the drive's unit.
    pub speed: i16,
}

impl DriveCommand {
    /// From the I/O data; `None` if they are not as long as the assembly.
    pub fn from_bytes(assembly: OutputAssembly, data: &[u8]) -> Option<DriveCommand> {
        Unread::new(assembly, data).map(|unread| unread.read())
    }

    /// The I/O data that ask for this, as far as the assembly can.
    pub fn to_bytes(&self, assembly: OutputAssembly) -> Vec<u8> {
        let flag = |flag: Option<bool>| u64::from(flag == Some(true));
        to_bytes(
            assembly,
            &[
                (Signal::RunForward, self.run_forward.into()),
                (Signal::RunReverse, self.run_reverse.into()),
                (Signal::FaultReset, self.fault_reset.into()),
                (Signal::AskNetworkControl, flag(self.control_from_network)),
                (Signal::AskNetworkReference, flag(self.reference_from_network)),
                (Signal::SpeedReference, u64::from(self.speed as u16)),
            ],
        )
    }

    /// Whether it is to run, in either direction.
    pub fn run(&self) -> bool {
        self.run_forward || self.run_reverse
    }
}

impl fmt::Display for DriveCommand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match (self.run_forward, self.run_reverse) {
            (false, false) => "stop",
            (true, false) => "run forward",
            (false, true) => "run reverse",
            (true, true) => "run both ways",
        })?;
        write!(f, ", speed {}", self.speed)?;
        if self.fault_reset {
            f.write_str(", fault reset")?;
        }
        match (self.control_from_network, self.reference_from_network) {
            (Some(true), Some(true)) => f.write_str(", control and reference from network"),
            (Some(true), Some(false)) => f.write_str(", control from network"),
            (Some(false), Some(true)) => f.write_str(", reference from network"),
            _ => Ok(()),
        }
    }
}

/// The state of a drive (assembly 71, byte 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct DriveState(pub u8);

impl DriveState {
    /// It cannot run: its enable input is open, say.
    pub const NOT_READY: DriveState = DriveState(2);
    /// It can run.
    pub const READY: DriveState = DriveState(3);
    /// It runs.
    pub const ENABLED: DriveState = DriveState(4);
    /// It comes to a stop.
    pub const STOPPING: DriveState = DriveState(5);
    /// It is faulted.
    pub const FAULTED: DriveState = DriveState(7);
}

impl fmt::Display for DriveState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            0 => "vendor specific",
            1 => "startup",
            2 => "not ready",
            3 => "ready",
            4 => "enabled",
            5 => "stopping",
            6 => "fault stop",
            7 => "faulted",
            other => return write!(f, "state {other}"),
        })
    }
}

/// What a drive says of itself. What 70 does not carry is `None`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DriveStatus {
    /// Faulted.
    pub faulted: bool,
    /// Warns.
    pub warning: Option<bool>,
    /// Runs forward.
    pub running_forward: bool,
    /// Runs in reverse.
    pub running_reverse: Option<bool>,
    /// Ready to run.
    pub ready: Option<bool>,
    /// It takes run and stop from the network.
    pub control_from_network: Option<bool>,
    /// It takes its speed from the network.
    pub reference_from_network: Option<bool>,
    /// It runs at the speed asked for.
    pub at_reference: Option<bool>,
    /// Its state.
    pub state: Option<DriveState>,
    /// Actual speed, in the drive's unit.
    pub speed: i16,
}

impl DriveStatus {
    /// From the I/O data; `None` if they are not as long as the assembly.
    pub fn from_bytes(assembly: InputAssembly, data: &[u8]) -> Option<DriveStatus> {
        Unread::new(assembly, data).map(|unread| unread.read())
    }

    /// The I/O data that say this, as far as the assembly can.
    pub fn to_bytes(&self, assembly: InputAssembly) -> Vec<u8> {
        let flag = |flag: Option<bool>| u64::from(flag == Some(true));
        to_bytes(
            assembly,
            &[
                (Signal::Faulted, self.faulted.into()),
                (Signal::Warning, flag(self.warning)),
                (Signal::RunningForward, self.running_forward.into()),
                (Signal::RunningReverse, flag(self.running_reverse)),
                (Signal::Ready, flag(self.ready)),
                (Signal::NetworkControl, flag(self.control_from_network)),
                (Signal::NetworkReference, flag(self.reference_from_network)),
                (Signal::AtReference, flag(self.at_reference)),
                (Signal::State, self.state.map_or(0, |state| state.0.into())),
                (Signal::SpeedActual, u64::from(self.speed as u16)),
            ],
        )
    }

    /// Whether it runs, in either direction.
    #[inline]
    pub fn running(&self) -> bool {
        self.running_forward || self.running_reverse == Some(true)
    }
}

impl fmt::Display for DriveStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match (self.running_forward, self.running_reverse) {
            (false, None | Some(false)) => "not running",
            (true, None | Some(false)) => "running forward",
            (false, Some(true)) => "running reverse",
            (true, Some(true)) => "running both ways",
        })?;
        write!(f, ", speed {}", self.speed)?;
        if let Some(state) = self.state {
            write!(f, ", {state}")?;
        }
        let signals = [
            (self.faulted, "FAULTED"),
            (self.warning == Some(true), "warning"),
            (self.at_reference == Some(true), "at reference"),
            (self.control_from_network == Some(false), "control not from network"),
            (self.reference_from_network == Some(false), "reference not from network"),
        ];
        for (_, words) in signals.iter().filter(|(holds, _)| *holds) {
            write!(f, ", {words}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn output(number: u16) -> OutputAssembly {
        OutputAssembly::from_number(number).unwrap()
    }

    fn input(number: u16) -> InputAssembly {
        InputAssembly::from_number(number).unwrap()
    }

    /// Bits: CIP AC/DC drive profile, as in drive manual 1329I, C-6.
    #[test]
    fn what_the_master_asks() {
        let command = |assembly, data: &[u8]| DriveCommand::from_bytes(assembly, data).unwrap();
        let asked = command(output(21), &[0x61, 0, 0xDC, 5]);
        let words = "run forward, speed 1500, control and reference from network";
        assert_eq!(asked.to_string(), words);
        let asked = command(output(20), &[0x66, 0, 0xDC, 5]);
        assert_eq!(asked.to_string(), "stop, speed 1500, fault reset");
        assert_eq!(asked.control_from_network, None);
        let asked = command(output(21), &[0x02, 0, 0x24, 0xFA]);
        assert_eq!(asked.to_string(), "run reverse, speed -1500");
        assert_eq!(DriveCommand::from_bytes(output(20), &[1, 0]), None);
    }

    /// Bits: CIP AC/DC drive profile, as in drive manual 1329I, C-8; drive states: function manual
    /// E6581268, p. 22.
    #[test]
    fn what_the_drive_says() {
        let status = |assembly, data: &[u8]| DriveStatus::from_bytes(assembly, data).unwrap();
        let decoded = status(input(71), &[0xF4, 4, 0xDC, 5]);
        assert_eq!(decoded.to_string(), "running forward, speed 1500, enabled, at reference");
        assert!(decoded.running() && decoded.ready == Some(true));
        let decoded = status(input(71), &[0x01, 7, 0, 0]);
        let words = "not running, speed 0, faulted, FAULTED, control not from network, \
                     reference not from network";
        assert_eq!(decoded.to_string(), words);
        let decoded = status(input(70), &[0xFC, 9, 1, 0]);
        assert_eq!(decoded.to_string(), "running forward, speed 1");
        assert_eq!((decoded.state, decoded.ready), (None, None));
        let states = [
            "vendor specific",
            "startup",
            "not ready",
            "ready",
            "enabled",
            "stopping",
            "fault stop",
            "faulted",
        ];
        for (value, name) in states.iter().enumerate() {
            assert_eq!(&DriveState(value as u8).to_string(), name);
        }
    }

    proptest! {
        /// What an assembly carries goes round; all bits that it may set are used, but for torque and
        /// process values, which no command or status has.
        #[test]
        fn commands_go_round(bits: u64) {
            for assembly in OutputAssembly::all() {
                let length = assembly.row().bytes;
                let used = OutputAssembly::BITS_BY_LENGTH[length].unwrap_or(0) & bits;
                let command = Unread { assembly, bits: used }.read();
                let bytes = command.to_bytes(assembly);
                prop_assert_eq!(bytes.len(), length);
                prop_assert_eq!(DriveCommand::from_bytes(assembly, &bytes), Some(command));
                if length == 4 && OutputAssembly::first_with(assembly.row().profile, length, used).is_some_and(|a| a == assembly) {
                    prop_assert_eq!(bits_of(&bytes), Some(used));
                }
            }
        }

        #[test]
        fn statuses_go_round(bits: u64) {
            for assembly in InputAssembly::all() {
                let length = assembly.row().bytes;
                let used = InputAssembly::BITS_BY_LENGTH[length].unwrap_or(0) & bits;
                let status = Unread { assembly, bits: used }.read();
                let bytes = status.to_bytes(assembly);
                prop_assert_eq!(bytes.len(), length);
                prop_assert_eq!(DriveStatus::from_bytes(assembly, &bytes), Some(status));
                if length == 4 && InputAssembly::first_with(assembly.row().profile, length, used).is_some_and(|a| a == assembly) {
                    prop_assert_eq!(bits_of(&bytes), Some(used));
                }
            }
        }
    }
}
