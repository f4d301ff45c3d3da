//! The table of I/O assemblies that dropline can read: which signal stands in which bits.
//!
//! To add one, add a row to [`ASSEMBLIES`]. The codec of commands and responses, the inference of
//! a drive from its I/O, the sizes in a plan, the simulator and the comparison take it from there.
//!
//! Source: IEC 62026-3 by way of the CIP AC/DC drive profile. Bits of 20 and 21 as in drive manual
//! 1329I, C-6, of 70 and 71 C-8; 22, 23, 72, 73: drive adapter manual FDNA-01, p. 108. From memory: the
//! warning bit and the state byte of 71, and 24, 25, 74, 75.

/// Which way an assembly goes, by the words of the standard: an output assembly goes to the
/// device, an input assembly comes from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AssemblyDirection {
    /// From the master to the device.
    Output,
    /// From the device to the master.
    Input,
}

/// A device profile: what the I/O bytes of a node mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Profile {
    /// The AC drive profile.
    AcDrive,
}

impl Profile {
    /// Every profile, by the word for it in a plan.
    pub const WORDS: &[(&str, Profile)] = &[("ac-drive", Profile::AcDrive)];

    /// The device type in the identity object of a device of this profile (from memory).
    pub const fn device_type(self) -> u16 {
        match self {
            Profile::AcDrive => 2,
        }
    }
}

/// What a field of an assembly says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// The master asks to run forward.
    RunForward,
    /// The master asks to run in reverse.
    RunReverse,
    /// The master resets a fault, by the rising edge.
    FaultReset,
    /// The master asks that run and stop come from the network.
    AskNetworkControl,
    /// The master asks that the speed comes from the network.
    AskNetworkReference,
    /// The speed that the master asks for.
    SpeedReference,
    /// The drive is faulted.
    Faulted,
    /// The drive warns.
    Warning,
    /// The drive runs forward.
    RunningForward,
    /// The drive runs in reverse.
    RunningReverse,
    /// The drive is ready to run.
    Ready,
    /// Run and stop come from the network.
    NetworkControl,
    /// The speed comes from the network.
    NetworkReference,
    /// The drive runs at the speed asked for.
    AtReference,
    /// The state of the drive, see [`super::DriveState`].
    State,
    /// The speed at which the drive runs.
    SpeedActual,
    /// The master asks that the process value comes from the network.
    AskNetworkProcess,
    /// How the master wants the drive to work: open loop, closed loop, torque, process.
    Mode,
    /// The torque that the master asks for.
    TorqueReference,
    /// The torque of the drive.
    TorqueActual,
    /// The process value that the master asks for.
    ProcessReference,
    /// The process value that the drive has.
    ProcessActual,
}

impl Signal {
    pub(super) const COUNT: usize = Signal::ProcessActual as usize + 1;
}

/// How the bits of a field are to be read, and in which unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// One bit: 1 is yes.
    Flag,
    /// One byte that holds a code from 0 to 7.
    Code,
    /// Two bytes, the lower first, signed (from memory): a speed in the drive's unit, which is
    /// 1 rpm unless its speed scale (attribute of its AC/DC drive object) says otherwise.
    Speed,
    /// Two bytes, the lower first, signed: a torque or a process value in the drive's unit.
    Value,
}

impl Coding {
    /// The bits that such a field takes.
    pub(super) const fn width(self) -> u8 {
        match self {
            Coding::Flag => 1,
            Coding::Code => 8,
            Coding::Speed | Coding::Value => 16,
        }
    }

    /// The bits that may be set in it.
    pub(super) const fn mask(self) -> u64 {
        match self {
            Coding::Flag => 0x01,
            Coding::Code => 0x07,
            Coding::Speed | Coding::Value => 0xFFFF,
        }
    }
}

/// A field of an assembly.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AssemblyField {
    /// What it says.
    pub signal: Signal,
    /// The byte in which it begins.
    pub byte: u8,
    /// Its lowest bit in that byte.
    pub bit: u8,
    /// How it is read.
    pub coding: Coding,
}

/// A row of the table.
#[derive(Debug)]
pub struct AssemblyRow {
    /// The instance of class 04.
    pub number: u16,
    /// Which way it goes.
    pub direction: AssemblyDirection,
    /// Its length in bytes, at most 8.
    pub bytes: usize,
    /// Whose it is.
    pub profile: Profile,
    /// Its fields; every bit that is neither in these nor in `more` is 0.
    pub fields: &'static [AssemblyField],
    /// What it has beyond those.
    pub more: &'static [AssemblyField],
}

impl AssemblyRow {
    /// How many fields it has.
    pub(super) const fn field_count(&self) -> usize {
        self.fields.len() + self.more.len()
    }

    /// One of them.
    pub(super) const fn field(&self, n: usize) -> AssemblyField {
        let own = self.fields.len();
        if n < own { self.fields[n] } else { self.more[n - own] }
    }
}

const fn flag(signal: Signal, byte: u8, bit: u8) -> AssemblyField {
    AssemblyField { signal, byte, bit, coding: Coding::Flag }
}

const fn code(signal: Signal, byte: u8) -> AssemblyField {
    AssemblyField { signal, byte, bit: 0, coding: Coding::Code }
}

const fn speed(signal: Signal, byte: u8) -> AssemblyField {
    AssemblyField { signal, byte, bit: 0, coding: Coding::Speed }
}

const fn value(signal: Signal, byte: u8) -> AssemblyField {
    AssemblyField { signal, byte, bit: 0, coding: Coding::Value }
}

/// The fields of 20, which the longer ones have, too.
const BASIC_OUTPUT: &[AssemblyField] = &[
    flag(Signal::RunForward, 0, 0),
    flag(Signal::FaultReset, 0, 2),
    speed(Signal::SpeedReference, 2),
];

/// The fields of 21, which the longer ones have, too.
const EXTENDED_OUTPUT: &[AssemblyField] = &[
    flag(Signal::RunForward, 0, 0),
    flag(Signal::RunReverse, 0, 1),
    flag(Signal::FaultReset, 0, 2),
    flag(Signal::AskNetworkControl, 0, 5),
    flag(Signal::AskNetworkReference, 0, 6),
    speed(Signal::SpeedReference, 2),
];

/// The fields of 70, which the longer ones have, too.
const BASIC_INPUT: &[AssemblyField] = &[
    flag(Signal::Faulted, 0, 0),
    flag(Signal::RunningForward, 0, 2),
    speed(Signal::SpeedActual, 2),
];

/// The fields of 71, which the longer ones have, too.
const EXTENDED_INPUT: &[AssemblyField] = &[
    flag(Signal::Faulted, 0, 0),
    flag(Signal::Warning, 0, 1),
    flag(Signal::RunningForward, 0, 2),
    flag(Signal::RunningReverse, 0, 3),
    flag(Signal::Ready, 0, 4),
    flag(Signal::NetworkControl, 0, 5),
    flag(Signal::NetworkReference, 0, 6),
    flag(Signal::AtReference, 0, 7),
    code(Signal::State, 1),
    speed(Signal::SpeedActual, 2),
];

/// The assemblies. Of those that could explain what was heard the first is inferred, so the
/// one with fewer fields stands first.
pub const ASSEMBLIES: &[AssemblyRow] = &[
    // Basic speed control output.
    AssemblyRow {
        number: 20,
        direction: AssemblyDirection::Output,
        bytes: 4,
        profile: Profile::AcDrive,
        fields: BASIC_OUTPUT,
        more: &[],
    },
    // Extended speed control output.
    AssemblyRow {
        number: 21,
        direction: AssemblyDirection::Output,
        bytes: 4,
        profile: Profile::AcDrive,
        fields: EXTENDED_OUTPUT,
        more: &[],
    },
    // Speed and torque control output.
    AssemblyRow {
        number: 22,
        direction: AssemblyDirection::Output,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: BASIC_OUTPUT,
        more: &[value(Signal::TorqueReference, 4)],
    },
    // Extended speed and torque control output.
    AssemblyRow {
        number: 23,
        direction: AssemblyDirection::Output,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: EXTENDED_OUTPUT,
        more: &[value(Signal::TorqueReference, 4)],
    },
    // Process control output.
    AssemblyRow {
        number: 24,
        direction: AssemblyDirection::Output,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: BASIC_OUTPUT,
        more: &[value(Signal::ProcessReference, 4)],
    },
    // Extended process control output.
    AssemblyRow {
        number: 25,
        direction: AssemblyDirection::Output,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: EXTENDED_OUTPUT,
        more: &[
            flag(Signal::AskNetworkProcess, 0, 7),
            code(Signal::Mode, 1),
            value(Signal::ProcessReference, 4),
        ],
    },
    // Basic speed control input.
    AssemblyRow {
        number: 70,
        direction: AssemblyDirection::Input,
        bytes: 4,
        profile: Profile::AcDrive,
        fields: BASIC_INPUT,
        more: &[],
    },
    // Extended speed control input.
    AssemblyRow {
        number: 71,
        direction: AssemblyDirection::Input,
        bytes: 4,
        profile: Profile::AcDrive,
        fields: EXTENDED_INPUT,
        more: &[],
    },
    // Speed and torque control input.
    AssemblyRow {
        number: 72,
        direction: AssemblyDirection::Input,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: BASIC_INPUT,
        more: &[value(Signal::TorqueActual, 4)],
    },
    // Extended speed and torque control input.
    AssemblyRow {
        number: 73,
        direction: AssemblyDirection::Input,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: EXTENDED_INPUT,
        more: &[value(Signal::TorqueActual, 4)],
    },
    // Process control input.
    AssemblyRow {
        number: 74,
        direction: AssemblyDirection::Input,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: BASIC_INPUT,
        more: &[value(Signal::ProcessActual, 4)],
    },
    // Extended process control input.
    AssemblyRow {
        number: 75,
        direction: AssemblyDirection::Input,
        bytes: 6,
        profile: Profile::AcDrive,
        fields: EXTENDED_INPUT,
        more: &[value(Signal::ProcessActual, 4)],
    },
];
