//! Findings about what masters and nodes agree on.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 7] = [
    Entry {
        code: Code::NeverAllocated,
        name: "never-allocated",
        rank: Rank::Cause,
        means: "The node is on line and no master allocates it: it is not on the scan list, or \
                listed at another address.",
        or_else: &["it is a tool or a second master"],
        check: &[
            "Is it on the master's scan list, at this address?",
            "Does the master refuse it for its identity? Look at the master's own status.",
        ],
    },
    Entry {
        code: Code::NotPolled,
        name: "not-polled",
        rank: Rank::Cause,
        means: "The master allocated the node's poll connection but does not poll it: its scan \
                list disables the node, or the master is not in run.",
        or_else: &["the node is on line and the master gave it up for a mistake of its own"],
        check: &["Is the master in run?", "Is the node enabled in its scan list?"],
    },
    Entry {
        code: Code::PacketRateShort,
        name: "packet-rate-short",
        rank: Rank::Cause,
        means: "The node's expected packet rate is set so short that its connection times out \
                between two polls: four times the rate is less than the scan takes.",
        or_else: &[],
        check: &[
            "Set the expected packet rate in the master's scan list to the scan interval or more.",
            "Was the scan made slower since? Then the rates have to follow.",
        ],
    },
    Entry {
        code: Code::ConnectionTimedOut,
        name: "connection-timed-out",
        rank: Rank::Symptom,
        means: "The node heard nothing from its master for four times the expected packet rate \
                and gave its connection up.",
        or_else: &["the expected packet rate is shorter than the scan"],
        check: &[
            "Does the master scan at least as often as the expected packet rate says?",
            "See whether the master stopped, or errors destroyed its polls.",
        ],
    },
    Entry {
        code: Code::AllocatedAgain,
        name: "allocated-again",
        rank: Rank::Symptom,
        means: "A master allocates the node again and again: the node keeps leaving, or the two \
                do not agree on a connection.",
        or_else: &[],
        check: &[
            "Does the node restart or leave? Then begin there.",
            "Compare I/O sizes and connection type with the master's scan list.",
        ],
    },
    Entry {
        code: Code::RequestsRefused,
        name: "requests-refused",
        rank: Rank::Symptom,
        means: "The node refuses explicit requests or leaves them unanswered: somebody asks for \
                what it does not have.",
        or_else: &[],
        check: &[
            "Look with `dropline frames` which requests are refused and with which status.",
            "Is the data sheet file that the master was set up with the one of this very revision?",
        ],
    },
    Entry {
        code: Code::DriveNotFollowing,
        name: "drive-not-following",
        rank: Rank::Cause,
        means: "The master asks the drive to run and it does not; what it said meanwhile tells \
                why.",
        or_else: &["a stop or enable input at the drive's terminals"],
        check: &[
            "Control or speed not from the network: set the drive's run and speed sources to the \
             network.",
            "Faulted or not ready: read the drive's own display first.",
            "Nothing that explains it: are master and drive set to the same pair of assemblies \
             (20 with 70, 21 with 71)?",
            "Check the enable and stop inputs at the drive's terminals.",
        ],
    },
];
