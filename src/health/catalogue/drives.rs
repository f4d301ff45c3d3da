//! The catalogue: findings about drives. Nearly all of them exist only while a drive is asked to run,
//! so each begins with what keeps people safe.

use super::cautions::STAND_CLEAR;
use crate::health::finding::{CatalogueEntry, Code, Rank};

pub(super) static ENTRIES: &[CatalogueEntry] = &[
    CatalogueEntry {
        code: Code::DriveFaulted,
        rank: Rank::Cause,
        means: "The drive says that it is faulted: it tripped, and does not run until the fault is \
                mended and reset.",
        or_else: &["an external fault or trip input at the drive's terminals"],
        check: &[
            STAND_CLEAR,
            "Read the fault code on the drive's own display, and look it up in its manual.",
            "Mend the cause before the fault is reset; where resets are automatic, turn them off \
             first.",
        ],
    },
    CatalogueEntry {
        code: Code::DriveControlElsewhere,
        rank: Rank::Cause,
        means: "The master asks for control and asks the drive to run; the drive says that its run \
                and stop do not come from the network: its source is set to its terminals or its \
                keypad.",
        or_else: &["a local/remote switch or a key at the drive stands at local"],
        check: &[
            STAND_CLEAR,
            "Is a local/remote key or switch at local? Somebody may have put it there to work \
             safely: ask before it is turned back.",
            "Set the drive's run source, and where wanted its speed source, to the network.",
        ],
    },
    CatalogueEntry {
        code: Code::DriveControlNotAsked,
        rank: Rank::Cause,
        means: "The master asks the drive to run and does not ask for control from the network (bits \
                5 and 6 of assembly 21), so the drive leaves it where it is set to. It is the \
                master's program or its choice of assembly, not the drive.",
        or_else: &["the master sends assembly 20 to a drive that is set to 21"],
        check: &[
            STAND_CLEAR,
            "Are master and drive set to the same pair of assemblies (20 with 70, 21 with 71)?",
            "Has the master's program set bits 5 (control) and 6 (speed) of the command's first \
             byte?",
        ],
    },
    CatalogueEntry {
        code: Code::DriveAssemblyPair,
        rank: Rank::Cause,
        means: "Command and status are assemblies that do not go together (20 goes with 70, 21 with \
                71), so bits are read that mean something else, or nothing.",
        or_else: &[],
        check: &[
            STAND_CLEAR,
            "Set both ends to the same pair: the master's scan list, and the drive's own \
             parameters.",
            "Was the master set up with the data sheet file of exactly this revision?",
        ],
    },
    CatalogueEntry {
        code: Code::DriveSpeedElsewhere,
        rank: Rank::Cause,
        means: "The master asks that the speed comes from the network, and the drive says that it \
                does not: it runs, if at all, at a speed that is set at the drive.",
        or_else: &["a local/remote switch at the drive stands at local"],
        check: &[
            STAND_CLEAR,
            "Set the drive's speed source to the network.",
            "Which speed is set at its keypad or its analogue input?",
        ],
    },
    CatalogueEntry {
        code: Code::DriveBothDirections,
        rank: Rank::Cause,
        means: "The master asks for both directions at once, which asks for nothing.",
        or_else: &[],
        check: &[
            STAND_CLEAR,
            "Does the master's program set run forward and run reverse together?",
        ],
    },
    CatalogueEntry {
        code: Code::DriveRunHeld,
        rank: Rank::Cause,
        means: "Run was asked while the drive could not run, and is still asked. Run acts when it \
                begins, so the drive waits until it is taken away and given again.",
        or_else: &[],
        check: &[
            STAND_CLEAR,
            "Does the master's program take run away on a fault, and wait for somebody to start \
             again? It should.",
        ],
    },
    CatalogueEntry {
        code: Code::DriveNotReady,
        rank: Rank::Cause,
        means: "The master asks the drive to run, and the drive says that it is not ready: its enable \
                or stop input is open, or its power part is off.",
        or_else: &["a safety circuit has stopped it, as it should"],
        check: &[
            STAND_CLEAR,
            "Is an emergency stop, a guard or a safe-torque-off input open? Find out why before it is \
             closed.",
            "Check the enable and stop inputs at the drive's terminals, and its mains.",
        ],
    },
    CatalogueEntry {
        code: Code::DriveNotFollowing,
        rank: Rank::Cause,
        means: "The master asks the drive to run, it does not, and nothing that it reports explains \
                it.",
        or_else: &[
            "a stop or enable input at the drive's terminals",
            "run was asked before the drive was ready, so that it waits for run to begin again",
        ],
        check: &[
            STAND_CLEAR,
            "Are master and drive set to the same pair of assemblies (20 with 70, 21 with 71)?",
            "Read the drive's own display.",
            "Check the enable and stop inputs at the drive's terminals.",
            "Are the drive's run and speed sources set to the network?",
        ],
    },
];
