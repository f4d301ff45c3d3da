//! Findings about where errors come from.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 6] = [
    Entry {
        code: Code::ErrorsStrikeNode,
        name: "errors-strike-node",
        rank: Rank::Root,
        means: "The errors strike one node's frames far more often than its share of the \
                traffic: its transmitter, its drop line or its connector is bad.",
        or_else: &["noise that comes only while it answers"],
        check: &[
            "Check this node's connector and drop line, unpowered: seating, polarity, a broken \
             conductor or shield.",
            "Exchange the drop line, then the node.",
            "Is the drop line longer than 6 m?",
        ],
    },
    Entry {
        code: Code::ErrorsWithLength,
        name: "errors-with-length",
        rank: Rank::Cause,
        means: "Long frames are struck more often than their length explains: reflections, most \
                often of a missing terminator or too long a trunk or drop.",
        or_else: &["noise that lasts longer than single bits"],
        check: &[
            "With the trunk unpowered, measure between the data wires: about 60 ohms; 120 means \
             one terminator is missing, under 50 means too many.",
            "Are the terminators at the two ends of the trunk and nowhere else?",
            "Compare the lengths of trunk and drops with what the bit rate allows.",
        ],
    },
    Entry {
        code: Code::ErrorsWithDrive,
        name: "errors-with-drive",
        rank: Rank::Root,
        means: "Errors come while this drive runs far more often than while it stands: its \
                output or its earthing disturbs the trunk.",
        or_else: &["another machine that runs at the same times"],
        check: &[
            "Part the drive's motor cable from the trunk; cross at right angles.",
            "Is the motor cable shielded, with the shield on both ends as the drive's maker says?",
            "Is the trunk's shield grounded at one point only?",
            "Is the drive's earth connection short and sound?",
        ],
    },
    Entry {
        code: Code::ErrorsInRhythm,
        name: "errors-in-rhythm",
        rank: Rank::Root,
        means: "Errors come in a steady rhythm: something that switches or turns at this pace \
                disturbs the trunk.",
        or_else: &[],
        check: &[
            "What switches at this pace: a contactor, a valve, a heater control, a lamp, a welder?",
            "Fit suppressors to inductive loads; part their cables from the trunk.",
            "Is the trunk's shield grounded at one point only?",
        ],
    },
    Entry {
        code: Code::DenseBursts,
        name: "dense-bursts",
        rank: Rank::Root,
        means: "Errors come in dense bursts in which hardly a frame passes: as of a device at \
                another bit rate that tries to send, until its own controller takes it off.",
        or_else: &[
            "a short or loose contact on the data wires",
            "a node with a broken transmitter",
        ],
        check: &[
            "Was a device added or powered up at that time? Check its bit rate setting.",
            "Unplug doubtful devices one at a time.",
            "Check connectors for a short or loose conductor, unpowered.",
        ],
    },
    Entry {
        code: Code::AloneOnTheWire,
        name: "alone-on-the-wire",
        rank: Rank::Root,
        means: "Frames are sent and nobody acknowledges them: one node is alone on its piece of \
                wire.",
        or_else: &["the adapter, being set to listen only, does not acknowledge either"],
        check: &[
            "Are the other nodes powered and connected to this piece of the trunk?",
            "Look for an open connector or a broken trunk cable between them.",
            "Do the others run at this bit rate?",
        ],
    },
];
