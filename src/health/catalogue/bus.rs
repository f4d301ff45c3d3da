//! Findings about the bus and its master.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 7] = [
    Entry {
        code: Code::BusOff,
        name: "bus-off",
        rank: Rank::State,
        means: "The adapter's own controller gave up after too many errors; while it was off, \
                nothing was heard. A listening controller does so only on a badly disturbed \
                trunk.",
        or_else: &["a badly disturbed trunk"],
        check: &[
            "Is the adapter set to the trunk's bit rate, and to listen only?",
            "Look at the bus errors: what disturbs the trunk disturbs every node.",
            "With the trunk unpowered, measure between the data wires: about 60 ohms is right.",
        ],
    },
    Entry {
        code: Code::BusErrors,
        name: "bus-errors",
        rank: Rank::Symptom,
        means: "Frames were destroyed on the wire and sent again: noise, grounding, a \
                termination that is not right, a bad connection or a node at a wrong bit rate.",
        or_else: &[
            "a missing terminator, or too long a trunk or drop",
            "one node that hears badly and destroys what it does not like",
        ],
        check: &[
            "With the trunk unpowered, measure between the data wires: about 60 ohms; 120 means \
             one terminator is missing, under 50 means too many.",
            "Check that the shield and the supply's negative are grounded at one point only.",
            "Check connectors and taps, the newest work first.",
            "See whether the errors come when a drive or a contactor switches; part the cables.",
        ],
    },
    Entry {
        code: Code::LoadHigh,
        name: "load-high",
        rank: Rank::Symptom,
        means: "The bus is so full that low priorities wait long and a disturbance has no room.",
        or_else: &["one node that sends too much"],
        check: &[
            "Lengthen the scan interval, or poll slow nodes in the background.",
            "Use change of state instead of polling where data seldom changes.",
            "A higher bit rate needs the trunk and drop lengths to allow it.",
        ],
    },
    Entry {
        code: Code::InvalidIdentifier,
        name: "invalid-identifier",
        rank: Rank::Cause,
        means: "Somebody sends identifiers that no node may use (7F0 to 7FF): a device of \
                another kind, or one that is broken.",
        or_else: &["frames that noise changed; their check sequence makes that very rare"],
        check: &[
            "Find what else is connected to the trunk; unplug doubtful devices one at a time.",
        ],
    },
    Entry {
        code: Code::ForeignFrames,
        name: "foreign-frames",
        rank: Rank::Cause,
        means: "29-bit or remote frames do not belong on this kind of trunk: a device of another \
                kind is connected.",
        or_else: &[],
        check: &[
            "Find what else is connected to the trunk; unplug doubtful devices one at a time.",
        ],
    },
    Entry {
        code: Code::PollingStopped,
        name: "polling-stopped",
        rank: Rank::Root,
        means: "No node was polled any more: the master stopped, was taken out of run, lost \
                power or left the trunk.",
        or_else: &["the adapter heard nothing, for a broken wire of its own"],
        check: &[
            "Is the master powered and in run? Look at its status and network lights.",
            "Check the master's connector.",
            "Are other nodes still heard? If nothing is, check the adapter's own connection.",
        ],
    },
    Entry {
        code: Code::ScanTooShort,
        name: "scan-too-short",
        rank: Rank::Cause,
        means: "The scan asks for more than the bus can carry: commands and answers wait for \
                each other and nodes come too late.",
        or_else: &["one node that sends too much", "many frames sent again after errors"],
        check: &[
            "Lengthen the scan interval, or poll slow nodes in the background.",
            "`dropline plan` tells the shortest interval that fits.",
            "A higher bit rate needs the trunk and drop lengths to allow it.",
        ],
    },
];
