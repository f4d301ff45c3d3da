//! What each finding means, what else would explain it and what to check, in order.

mod cautions;
mod drives;
mod nodes;

use cautions::MACHINES_STOPPED;

use crate::health::finding::{CatalogueEntry, Code, Rank};

/// The entry of every code.
pub fn catalogue() -> impl Iterator<Item = &'static CatalogueEntry> {
    [TRUNK_ENTRIES, nodes::ENTRIES, drives::ENTRIES].into_iter().flatten()
}

impl Code {
    /// What it means and what to check.
    pub fn entry(self) -> &'static CatalogueEntry {
        catalogue()
            .find(|entry| entry.code == self)
            .unwrap_or_else(|| unreachable!("{self:?} has no entry, which a test would have found"))
    }
}

/// Findings about the trunk, its errors, and the measurement.
static TRUNK_ENTRIES: &[CatalogueEntry] = &[
    // The measurement.
    CatalogueEntry {
        code: Code::NothingHeard,
        rank: Rank::Origin,
        means: "Not one frame or error was received: the adapter is not on a live trunk, or the \
                trunk is idle.",
        or_else: &[],
        check: &[
            "Is the trunk powered and is its master scanning?",
            "Are both data wires of the adapter connected, and to the right terminals?",
            "Is the adapter set to the trunk's bit rate?",
        ],
    },
    CatalogueEntry {
        code: Code::NothingUnderstood,
        rank: Rank::Origin,
        means: "There is traffic, but every frame ended in an error: most often the adapter's bit \
                rate is not the trunk's, or the data wires are swapped or one is broken.",
        or_else: &[],
        check: &[
            "Set the adapter to the trunk's bit rate (125, 250 or 500 kbit/s), listening only.",
            "Check that the two data wires are not swapped and that both make contact.",
            MACHINES_STOPPED,
            "With the trunk unpowered, measure between the data wires: about 60 ohms is right.",
        ],
    },
    CatalogueEntry {
        code: Code::FramesLost,
        rank: Rank::State,
        means: "The computer or the adapter did not keep up, so frames are missing here that were \
                on the wire. The counts are too low by these; exchanges that were open then cannot \
                be judged.",
        or_else: &[],
        check: &[
            "Close other programs on this computer, or use a faster one.",
            "Connect the adapter directly, not through a hub.",
        ],
    },
    CatalogueEntry {
        code: Code::LinkDown,
        rank: Rank::State,
        means: "The interface went down, the adapter was unplugged or the computer slept; nothing was \
                heard meanwhile. The log says which.",
        or_else: &[],
        check: &[
            "Check the adapter's own cable: something took the interface down.",
            "If the computer slept, keep it awake as long as it listens.",
        ],
    },
    CatalogueEntry {
        code: Code::CaptureCutOff,
        rank: Rank::State,
        means: "The capture has no end record: power or the program was cut off. It was read to \
                its last whole line.",
        or_else: &[],
        check: &["Nothing on the trunk; check the computer that made the capture."],
    },
    CatalogueEntry {
        code: Code::CaptureDamaged,
        rank: Rank::State,
        means: "The capture does not hold all that it held when it was made, or parts of it could \
                not be read. The counts are too low by what is missing.",
        or_else: &[],
        check: &["Copy the capture again from where it was made."],
    },
    CatalogueEntry {
        code: Code::ErrorsNotReported,
        rank: Rank::State,
        means: "The adapter's driver was set not to report bus errors: none were counted, but \
                there may have been some.",
        or_else: &[],
        check: &["Set the interface down, add berr-reporting on to the command that sets its bit \
             rate, and listen again; dropline adapter gives the whole command."],
    },
    CatalogueEntry {
        code: Code::ClockStepped,
        rank: Rank::State,
        means: "The clock was set back while capturing; times after that are not comparable with \
                those before, and spans across it were left out.",
        or_else: &[],
        check: &["Set the computer's clock before a capture, not during it."],
    },
    CatalogueEntry {
        code: Code::BitRateUnknown,
        rank: Rank::State,
        means: "The interface names no bit rate and none was given, so the load is known in bits \
                only, not as a share of the wire.",
        or_else: &[],
        check: &["Give the trunk's bit rate with --bitrate."],
    },
    // The bus and its master.
    CatalogueEntry {
        code: Code::BusOff,
        rank: Rank::State,
        means: "The adapter's own controller gave up after too many errors; while it was off, \
                nothing was heard. A listening controller does so only on a badly disturbed trunk.",
        or_else: &["a badly disturbed trunk"],
        check: &[
            "Is the adapter set to the trunk's bit rate, and to listen only?",
            "Look at the bus errors: what disturbs the trunk disturbs every node.",
            MACHINES_STOPPED,
            "With the trunk unpowered, measure between the data wires: about 60 ohms is right.",
        ],
    },
    CatalogueEntry {
        code: Code::BusErrors,
        rank: Rank::Symptom,
        means: "Frames were destroyed on the wire and sent again: noise, grounding, a termination \
                that is not right, a bad connection or a node at a wrong bit rate.",
        or_else: &[
            "a missing terminator, or too long a trunk or drop",
            "one node that hears badly and destroys what it does not like",
        ],
        check: &[
            "See whether the errors come when a drive or a contactor switches; then lay their \
             cables apart from the trunk.",
            "Check connectors and taps, the newest work first.",
            "Check that the shield and the supply's negative are grounded at one point only.",
            MACHINES_STOPPED,
            "With the trunk unpowered, measure between the data wires: about 60 ohms; 120 means \
             one terminator is missing, under 50 means too many.",
        ],
    },
    CatalogueEntry {
        code: Code::LoadHigh,
        rank: Rank::Symptom,
        means: "The bus is so full that low priorities wait long and a disturbance has no room.",
        or_else: &["one node that sends too much"],
        check: &[
            "Which nodes take most of the wire, and do they need to? The report lists them.",
            MACHINES_STOPPED,
            "Lengthen the scan interval, or poll slow nodes in the background.",
            "Use change of state instead of polling where data seldom changes.",
            "A higher bit rate needs the trunk and drop lengths to allow it.",
        ],
    },
    CatalogueEntry {
        code: Code::InvalidIdentifier,
        rank: Rank::Cause,
        means: "Somebody sends identifiers that no node may use (7F0 to 7FF): a device of another \
                kind, or one that is broken.",
        or_else: &["frames that noise changed; their check sequence makes that very rare"],
        check: &[
            "Find what else is connected to the trunk, the newest work first.",
            MACHINES_STOPPED,
            "Unplug doubtful devices one at a time.",
        ],
    },
    CatalogueEntry {
        code: Code::ForeignFrames,
        rank: Rank::Cause,
        means: "29-bit or remote frames do not belong on this kind of trunk: a device of another \
                kind is connected.",
        or_else: &[],
        check: &[
            "Find what else is connected to the trunk, the newest work first.",
            MACHINES_STOPPED,
            "Unplug doubtful devices one at a time.",
        ],
    },
    CatalogueEntry {
        code: Code::PollingStopped,
        rank: Rank::Root,
        means: "No node was polled, strobed or acknowledged any more: the master stopped, was taken out of run, lost power \
                or left the trunk.",
        or_else: &["the adapter heard nothing: its own connection is broken"],
        check: &[
            "Is the master powered and in run? Look at its status and network lights.",
            "Check the master's connector.",
            "Are other nodes still heard? If nothing is, check the adapter's own connection.",
        ],
    },
    CatalogueEntry {
        code: Code::MasterIdle,
        rank: Rank::Cause,
        means: "The master polls its nodes with no data: it is in program mode or stopped, so outputs \
                do what they are set to do without a master, and drives are asked for nothing.",
        or_else: &[],
        check: &[
            "Did somebody put the master into program mode? Then this is no fault: ask before it is \
             changed, since going to run starts machines.",
            "Does the master show a fault of its program?",
        ],
    },
    CatalogueEntry {
        code: Code::ScanTooShort,
        rank: Rank::Cause,
        means: "The scan asks for more than the bus can carry: commands and answers wait for each \
                other and nodes come too late.",
        or_else: &["one node that sends too much", "many frames sent again after errors"],
        check: &[
            "`dropline plan` shows the shortest interval that fits.",
            MACHINES_STOPPED,
            "Lengthen the scan interval, or poll slow nodes in the background.",
            "A higher bit rate needs the trunk and drop lengths to allow it.",
        ],
    },
    // Where errors come from.
    CatalogueEntry {
        code: Code::ErrorsStrikeNode,
        rank: Rank::Root,
        means: "Errors hit one node's frames far more often than its share of the traffic: its \
                transmitter, its drop line or its connector is bad.",
        or_else: &["noise that comes only while it answers"],
        check: &[
            "Is the drop line longer than 6 m?",
            MACHINES_STOPPED,
            "Check this node's connector and drop line, unpowered: seating, polarity, a broken \
             conductor or shield.",
            "Exchange the drop line, then the node.",
        ],
    },
    CatalogueEntry {
        code: Code::ErrorsWithLength,
        rank: Rank::Cause,
        means: "Long frames are hit more often than their length explains: reflections, most often \
                from a missing terminator or too long a trunk or drop.",
        or_else: &["noise that lasts longer than single bits"],
        check: &[
            "Are the terminators at the two ends of the trunk and nowhere else?",
            "Compare the lengths of trunk and drops with what the bit rate allows.",
            MACHINES_STOPPED,
            "With the trunk unpowered, measure between the data wires: about 60 ohms; 120 means \
             one terminator is missing, under 50 means too many.",
        ],
    },
    CatalogueEntry {
        code: Code::ErrorsWithDrive,
        rank: Rank::Root,
        means: "Errors come while this drive runs far more often than while it stands: its output \
                or its earthing disturbs the trunk.",
        or_else: &["another machine that runs at the same times"],
        check: &[
            "Lay the drive's motor cable apart from the trunk; cross at right angles.",
            "Is the motor cable shielded, with the shield on both ends as the drive's maker says?",
            "Is the trunk's shield grounded at one point only?",
            "Is the drive's earth connection short and sound?",
        ],
    },
    CatalogueEntry {
        code: Code::ErrorsInRhythm,
        rank: Rank::Root,
        means: "Errors come in a steady rhythm: something that switches or turns at this pace \
                disturbs the trunk.",
        or_else: &[],
        check: &[
            "What switches at this pace: a contactor, a valve, a heater control, a lamp, a \
             welder?",
            "Is the trunk's shield grounded at one point only?",
            MACHINES_STOPPED,
            "Fit suppressors to inductive loads; lay their cables apart from the trunk.",
        ],
    },
    CatalogueEntry {
        code: Code::DenseBursts,
        rank: Rank::Root,
        means: "Errors come in dense bursts in which hardly a frame passes: typical of a device at \
                another bit rate that tries to send until its own controller takes it off.",
        or_else: &[
            "a short or loose contact on the data wires",
            "a node with a broken transmitter",
        ],
        check: &[
            "Was a device added or powered up at that time? Check its bit rate setting.",
            MACHINES_STOPPED,
            "Unplug doubtful devices one at a time.",
            "Check connectors for a short or loose conductor, unpowered.",
        ],
    },
    CatalogueEntry {
        code: Code::AloneOnTheWire,
        rank: Rank::Root,
        means: "A node sends and nobody acknowledges, so it sends the same frame again and again: it is \
                alone on its piece of wire with the adapter, which only listens. The node that sends \
                is not the one at fault.",
        or_else: &[
            "all others lost their power",
            "the trunk is cut or unplugged between it and the others",
        ],
        check: &[
            "Are the other nodes powered and connected to this piece of the trunk?",
            "Look for an open connector or a broken trunk cable between it and the others.",
            "Do the others run at this bit rate?",
        ],
    },
];

#[cfg(test)]
mod tests {
    use super::cautions::{EFFECTS, STAND_CLEAR};
    use super::*;
    use std::collections::BTreeSet;
    use strum::VariantArray;

    /// Whoever reads a check that stops a machine or starts a motor has read the caution before.
    #[test]
    fn a_caution_stands_before_every_check_with_an_effect() {
        for entry in catalogue() {
            let is_caution = |check: &str| [MACHINES_STOPPED, STAND_CLEAR].contains(&check);
            let cautioned = entry.check.iter().position(|check| is_caution(check));
            for (place, check) in entry.check.iter().enumerate() {
                // Whether somebody has done it already is only a question.
                let check = check.to_lowercase();
                if check.starts_with("did somebody") {
                    continue;
                }
                let effect = EFFECTS.iter().find(|effect| check.contains(**effect));
                if effect.is_some() && !is_caution(entry.check[place]) {
                    let before = cautioned.is_some_and(|cautioned| cautioned < place);
                    assert!(before, "{:?}: {effect:?} in: {check}", entry.code);
                }
            }
        }
    }

    #[test]
    fn every_code_has_one_entry_by_its_own_name() {
        let mut seen = BTreeSet::new();
        for entry in catalogue() {
            assert!(seen.insert(entry.code), "{:?} twice", entry.code);
            assert_eq!(serde_json::to_value(entry.code).unwrap(), entry.code.name());
            assert!(!entry.means.is_empty() && !entry.check.is_empty());
        }
        assert_eq!(seen, Code::VARIANTS.iter().copied().collect());
    }
}
