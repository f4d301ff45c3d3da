//! Findings about where the wire differs from the plan.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 7] = [
    Entry {
        code: Code::NodeMissing,
        name: "node-missing",
        rank: Rank::State,
        means: "The plan has a node that was not heard: it is off, not connected, at another address or at \
         another bit rate, or the master does not scan it.",
        or_else: &[],
        check: &[
            "Is the node in the master's scan list?",
            "Look at the node's network light: is it on line at all?",
            "Check its address and bit rate settings, its drop line and its supply.",
        ],
    },
    Entry {
        code: Code::NodeUnplanned,
        name: "node-unplanned",
        rank: Rank::State,
        means: "An address is used or asked for that the plan does not have: a device that was added or \
         that is set to a wrong address, a configuration tool, or a plan that is out of date.",
        or_else: &[],
        check: &[
            "Is a device missing in the plan at another address? Then compare its address switches.",
            "Bring the plan up to date if the device belongs there.",
        ],
    },
    Entry {
        code: Code::IoSizeDiffers,
        name: "io-size-differs",
        rank: Rank::Cause,
        means: "Master and node exchange I/O of another length than the plan says: the wrong assemblies, or \
         the wrong data sheet file in the configuration tool. Data then stand in the wrong places.",
        or_else: &[],
        check: &[
            "Compare the I/O sizes and assemblies in the scan list with those set at the node.",
            "Both ends must be set to the same pair of assemblies.",
            "Bring the plan up to date if the sizes on the wire are the right ones.",
        ],
    },
    Entry {
        code: Code::IdentityDiffers,
        name: "identity-differs",
        rank: Rank::Cause,
        means: "The device at the address is not the one in the plan: another maker or product, or another \
         device of the same kind.",
        or_else: &[],
        check: &[
            "Read the name plate of the device and compare it with the plan.",
            "Was the device exchanged? Then check its parameters, and bring the plan up to date.",
        ],
    },
    Entry {
        code: Code::RevisionDiffers,
        name: "revision-differs",
        rank: Rank::Cause,
        means: "The device has another revision than the plan says. A configuration tool notices another \
         major revision, but often not another minor one, which can differ in its parameters.",
        or_else: &[],
        check: &[
            "Use the data sheet file of exactly this revision in the configuration tool.",
            "Ask the maker what changed between the revisions.",
        ],
    },
    Entry {
        code: Code::IntervalOverPlan,
        name: "interval-over-plan",
        rank: Rank::Symptom,
        means: "The node has its turn less often than meant: the scan interval is set longer, the scan does \
         not fit, or the node is polled in the background.",
        or_else: &[],
        check: &[
            "Compare the master's scan interval with the plan.",
            "See whether missed polls or the bus load hold the scan up.",
        ],
    },
    Entry {
        code: Code::LoadOverPlan,
        name: "load-over-plan",
        rank: Rank::Symptom,
        means: "The bus carries more than the plan can need: nodes that the plan does not have, a scan \
         faster than meant, more explicit messages than allowed for, or frames sent again after \
         errors.",
        or_else: &[],
        check: &[
            "Look at the nodes that are not in the plan.",
            "Compare the intervals on the wire with the plan.",
        ],
    },
];
