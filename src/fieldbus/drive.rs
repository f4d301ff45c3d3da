//! The I/O of an AC drive: what the master asks for and what the drive says it does.
//!
//! Source: IEC 62026-3 by way of the CIP AC/DC drive profile, assemblies 20, 21, 70, 71; bits
//! as in published manuals. The speed is taken as a signed number (from memory).

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An assembly that a master sends to a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum OutputAssembly {
    /// 20: run forward and a speed.
    #[serde(rename = "20")]
    Basic,
    /// 21: both directions and where control and reference come from.
    #[serde(rename = "21")]
    Extended,
}

/// An assembly that a drive sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum InputAssembly {
    /// 70: faulted, running and a speed.
    #[serde(rename = "70")]
    Basic,
    /// 71: everything.
    #[serde(rename = "71")]
    Extended,
}

impl OutputAssembly {
    /// From the instance of class 04.
    pub const fn from_instance(instance: u16) -> Option<OutputAssembly> {
        Some(match instance {
            20 => OutputAssembly::Basic,
            21 => OutputAssembly::Extended,
            _ => return None,
        })
    }

    /// The instance of class 04.
    pub const fn instance(self) -> u16 {
        match self {
            OutputAssembly::Basic => 20,
            OutputAssembly::Extended => 21,
        }
    }
}

impl InputAssembly {
    /// From the instance of class 04.
    pub const fn from_instance(instance: u16) -> Option<InputAssembly> {
        Some(match instance {
            70 => InputAssembly::Basic,
            71 => InputAssembly::Extended,
            _ => return None,
        })
    }

    /// The instance of class 04.
    pub const fn instance(self) -> u16 {
        match self {
            InputAssembly::Basic => 70,
            InputAssembly::Extended => 71,
        }
    }
}

/// The I/O data of a drive, to be taken apart where somebody wants to know: there are hundreds a
/// second, and most of them only follow others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unread<A> {
    assembly: A,
    bytes: [u8; 4],
}

impl<A> Unread<A> {
    /// `None` if the data are not four bytes.
    pub(crate) fn new(assembly: A, data: &[u8]) -> Option<Unread<A>> {
        Some(Unread { assembly, bytes: data.try_into().ok()? })
    }
}

impl Unread<OutputAssembly> {
    /// What they ask for.
    #[inline]
    pub fn read(&self) -> DriveCommand {
        DriveCommand::of(self.assembly, self.bytes)
    }
}

impl Unread<InputAssembly> {
    /// What they say.
    #[inline]
    pub fn read(&self) -> DriveStatus {
        DriveStatus::of(self.assembly, self.bytes)
    }
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
    /// Reads the I/O data; `None` if they are not four bytes.
    pub fn parse(assembly: OutputAssembly, data: &[u8]) -> Option<DriveCommand> {
        Unread::new(assembly, data).map(|unread| unread.read())
    }

    #[inline]
    fn of(assembly: OutputAssembly, [bits, _, low, high]: [u8; 4]) -> DriveCommand {
        let bit = |n: u8| bits & 1 << n != 0;
        let extended = assembly == OutputAssembly::Extended;
        DriveCommand {
            run_forward: bit(0),
            run_reverse: extended && bit(1),
            fault_reset: bit(2),
            control_from_network: extended.then_some(bit(5)),
            reference_from_network: extended.then_some(bit(6)),
            speed: i16::from_le_bytes([low, high]),
        }
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
    /// Reads the I/O data; `None` if they are not four bytes.
    pub fn parse(assembly: InputAssembly, data: &[u8]) -> Option<DriveStatus> {
        Unread::new(assembly, data).map(|unread| unread.read())
    }

    #[inline]
    fn of(assembly: InputAssembly, [bits, state, low, high]: [u8; 4]) -> DriveStatus {
        let bit = |n: u8| bits & 1 << n != 0;
        let extended = |n: u8| (assembly == InputAssembly::Extended).then_some(bit(n));
        DriveStatus {
            faulted: bit(0),
            warning: extended(1),
            running_forward: bit(2),
            running_reverse: extended(3),
            ready: extended(4),
            control_from_network: extended(5),
            reference_from_network: extended(6),
            at_reference: extended(7),
            state: (assembly == InputAssembly::Extended).then_some(DriveState(state)),
            speed: i16::from_le_bytes([low, high]),
        }
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
        let said = [
            (self.faulted, "FAULTED"),
            (self.warning == Some(true), "warning"),
            (self.at_reference == Some(true), "at reference"),
            (self.control_from_network == Some(false), "control not from network"),
            (self.reference_from_network == Some(false), "reference not from network"),
        ];
        for (_, words) in said.iter().filter(|(holds, _)| *holds) {
            write!(f, ", {words}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bits: CIP AC/DC drive profile, as in published manuals.
    #[test]
    fn what_the_master_asks() {
        let command = |assembly, data: &[u8]| DriveCommand::parse(assembly, data).unwrap();
        let asked = command(OutputAssembly::Extended, &[0x61, 0, 0xDC, 5]);
        let words = "run forward, speed 1500, control and reference from network";
        assert_eq!(asked.to_string(), words);
        let asked = command(OutputAssembly::Basic, &[0x66, 0, 0xDC, 5]);
        assert_eq!(asked.to_string(), "stop, speed 1500, fault reset");
        assert_eq!(asked.control_from_network, None);
        let asked = command(OutputAssembly::Extended, &[0x02, 0, 0x24, 0xFA]);
        assert_eq!(asked.to_string(), "run reverse, speed -1500");
        assert_eq!(DriveCommand::parse(OutputAssembly::Basic, &[1, 0]), None);
    }

    /// Bits and drive states: CIP AC/DC drive profile, as in published manuals.
    #[test]
    fn what_the_drive_says() {
        let status = |assembly, data: &[u8]| DriveStatus::parse(assembly, data).unwrap();
        let said = status(InputAssembly::Extended, &[0xF4, 4, 0xDC, 5]);
        assert_eq!(said.to_string(), "running forward, speed 1500, enabled, at reference");
        assert!(said.running() && said.ready == Some(true));
        let said = status(InputAssembly::Extended, &[0x01, 7, 0, 0]);
        let words = "not running, speed 0, faulted, FAULTED, control not from network, \
                     reference not from network";
        assert_eq!(said.to_string(), words);
        let said = status(InputAssembly::Basic, &[0xFC, 9, 1, 0]);
        assert_eq!(said.to_string(), "running forward, speed 1");
        assert_eq!((said.state, said.ready), (None, None));
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

    /// The numbers of the assemblies: CIP AC/DC drive profile.
    #[test]
    fn assemblies_go_round() {
        for n in 0..100 {
            let output = OutputAssembly::from_instance(n).map(OutputAssembly::instance);
            assert_eq!(output, [20, 21].contains(&n).then_some(n));
            let input = InputAssembly::from_instance(n).map(InputAssembly::instance);
            assert_eq!(input, [70, 71].contains(&n).then_some(n));
        }
    }
}
