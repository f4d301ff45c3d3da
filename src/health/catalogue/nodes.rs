//! The catalogue: findings about nodes, their connections, and what they should be.

use super::cautions::MACHINES_STOPPED;
use crate::health::finding::{CatalogueEntry, Code, Rank};

pub(super) static ENTRIES: &[CatalogueEntry] = &[
    // Single nodes.
    CatalogueEntry {
        code: Code::AddressClash,
        rank: Rank::Origin,
        means: "Two devices want the same address. Refused: the newcomer stays off line until it \
                gets a free address. Contested: nobody objected, so two devices may answer as one.",
        or_else: &[],
        check: &[
            "Compare the address switches or the stored address of the devices with these serial \
             numbers.",
            MACHINES_STOPPED,
            "Give the newcomer a free address, then cycle its power so that it takes it.",
        ],
    },
    CatalogueEntry {
        code: Code::NeverAnswered,
        rank: Rank::Cause,
        means: "The master asks a node that was never heard: it is off, not connected, at another \
                address or at another bit rate.",
        or_else: &["it is set to another address: look for a node that nobody polls"],
        check: &[
            "Look at the node's network light: is it on line at all?",
            "Check its address and bit rate settings against the scan list.",
            "Check that its drop line is plugged in and that it has supply.",
        ],
    },
    CatalogueEntry {
        code: Code::NodeLeft,
        rank: Rank::State,
        means: "The node answered, then fell silent while it was still polled. If it comes back by \
                itself: a loose connector, a supply that dips, or a device that restarts.",
        or_else: &["its own controller went bus-off", "somebody switched it off"],
        check: &[
            "Check the seating of the node's connectors and of the taps on both sides of it.",
            "Measure the supply at the node while the machine runs; it should not go under 11 V.",
            "Did other nodes leave at the same time? Then look at what they share.",
        ],
    },
    CatalogueEntry {
        code: Code::MissedPolls,
        rank: Rank::Symptom,
        means: "The node leaves single polls unanswered: it is too busy or too slow for the scan, \
                or the poll or its answer was destroyed on the wire.",
        or_else: &["errors on the wire that destroy its frames"],
        check: &[
            "Compare the node's response time with the scan interval.",
            "See whether bus errors fall on the same times.",
            "Check the seating of the node's connectors and its supply.",
        ],
    },
    CatalogueEntry {
        code: Code::NodeRestarted,
        rank: Rank::State,
        means: "The node ran its address check again after it had been on line: it lost power or \
                was reset.",
        or_else: &["somebody switched it off and on"],
        check: &[
            "Did somebody cycle its power or reset it? Then this is no fault.",
            "Measure the supply at the node while the machine runs; it should not go under 11 V.",
            "Check the seating of the node's connectors.",
        ],
    },
    CatalogueEntry {
        code: Code::DeviceReplaced,
        rank: Rank::State,
        means: "Another device took the address after the previous one had gone: usually a device \
                was exchanged.",
        or_else: &[],
        check: &["Is the new device the one that should be there, with the right parameters?"],
    },
    CatalogueEntry {
        code: Code::SlowAnswers,
        rank: Rank::Cause,
        means: "The node answers, but takes much longer than it did, or than its peers: it is \
                busy, its settings slow it down, or it waits for something else.",
        or_else: &["the bus is so full that its answers wait for others"],
        check: &[
            "Compare its settings and firmware with a node of the same kind that is fast.",
            "Is it busy with something else at these times, such as a second network or a program?",
            MACHINES_STOPPED,
            "Lengthen the scan interval if the answers come later than half of it.",
        ],
    },
    CatalogueEntry {
        code: Code::TwoAnswer,
        rank: Rank::Origin,
        means: "The node answers more often than it is asked: most often two devices share its \
                address and both answer.",
        or_else: &["a device that sends its data unasked as well as on a poll"],
        check: &[
            "Look for a second device with this address: compare address switches and stored \
             addresses.",
            MACHINES_STOPPED,
            "Unplug the node and see whether something still answers.",
            "Give each its own address, then cycle its power so that it takes it.",
        ],
    },
    CatalogueEntry {
        code: Code::ResponseSize,
        rank: Rank::Cause,
        means: "The node answers with another size than its connection was given, or with several \
                sizes: its I/O is set up differently from what the master expects.",
        or_else: &[],
        check: &[
            "Compare the node's I/O size or assembly with the master's scan list.",
            "Was the master set up with the data sheet file of exactly this revision?",
        ],
    },
    CatalogueEntry {
        code: Code::CommandSize,
        rank: Rank::Cause,
        means: "The master polls the node with another size than the node's connection has, or \
                with several sizes; a node need not answer what does not fit.",
        or_else: &[],
        check: &[
            "Compare the master's scan list with the node's I/O size or assembly.",
            "Was the master set up with the data sheet file of exactly this revision?",
        ],
    },
    CatalogueEntry {
        code: Code::SeveralAtOnce,
        rank: Rank::Root,
        means: "Several nodes left or restarted at the same time, so they share the cause: the \
                supply of their part of the trunk, or a connector before them.",
        or_else: &["somebody switched that part off and on"],
        check: &[
            "Measure the supply at the last of these nodes while the machine starts and runs; it \
             should not go under 11 V.",
            "Check the connector or tap that is common to them.",
            "Compare the current of that section with what its cable and supply may carry.",
        ],
    },
    CatalogueEntry {
        code: Code::NodeBusOff,
        rank: Rank::Root,
        means: "One node's frames were destroyed again and again and then it fell silent: its own \
                controller went bus-off, most often from a broken transmitter or a bad drop line.",
        or_else: &["its connector failed at that moment"],
        check: &[
            "Look at its network light: steady red fits.",
            MACHINES_STOPPED,
            "Check its drop line and connector for a broken or shorted conductor, unpowered.",
            "Exchange the node if its drop line is good.",
        ],
    },
    CatalogueEntry {
        code: Code::NodeFloods,
        rank: Rank::Origin,
        means: "One node sends so much that it fills the bus by itself: it is broken, or set to \
                report every change of something that never rests.",
        or_else: &[],
        check: &[
            "Check its change of state settings and inhibit time.",
            MACHINES_STOPPED,
            "Unplug the node and see whether the load falls.",
            "Exchange it if its settings are right.",
        ],
    },
    // What masters and nodes agree on.
    CatalogueEntry {
        code: Code::NeverAllocated,
        rank: Rank::Cause,
        means: "The node is on line and no master allocates it: it is not on the scan list, or \
                listed at another address.",
        or_else: &["it is a tool or a second master"],
        check: &[
            "Is it on the master's scan list, at this address?",
            "Does the master refuse it for its identity? Look at the master's own status.",
        ],
    },
    CatalogueEntry {
        code: Code::NotPolled,
        rank: Rank::Cause,
        means: "The master allocated the node's poll connection but does not poll it: its scan \
                list disables the node, or the master is not in run.",
        or_else: &["the node is on line and the master gave it up by mistake"],
        check: &["Is the master in run?", "Is the node enabled in its scan list?"],
    },
    CatalogueEntry {
        code: Code::PacketRateShort,
        rank: Rank::Cause,
        means: "The node's expected packet rate is set so short that its connection times out \
                between two polls: four times the rate is less than the scan takes.",
        or_else: &[],
        check: &[
            "Was the scan made slower since? Then the rates have to follow.",
            MACHINES_STOPPED,
            "Set the expected packet rate in the master's scan list to the scan interval or \
             more.",
        ],
    },
    CatalogueEntry {
        code: Code::ConnectionTimedOut,
        rank: Rank::Symptom,
        means: "The node heard nothing from its master for four times the expected packet rate and \
                gave its connection up.",
        or_else: &["the expected packet rate is shorter than the scan"],
        check: &[
            "Does the master scan at least as often as the expected packet rate says?",
            "See whether the master stopped, or errors destroyed its polls.",
        ],
    },
    CatalogueEntry {
        code: Code::AllocatedAgain,
        rank: Rank::Symptom,
        means: "A master allocates the node again and again: the node keeps leaving, or the two do \
                not agree on a connection.",
        or_else: &[],
        check: &[
            "Does the node restart or leave? Then start there.",
            "Compare I/O sizes and connection type with the master's scan list.",
        ],
    },
    CatalogueEntry {
        code: Code::RequestsRefused,
        rank: Rank::Symptom,
        means: "The node refuses explicit requests or leaves them unanswered: somebody asks for \
                what it does not have.",
        or_else: &[],
        check: &[
            "Look with `dropline frames` which requests are refused and with which status.",
            "Was the master set up with the data sheet file of exactly this revision?",
        ],
    },
    CatalogueEntry {
        code: Code::EmptyAnswers,
        rank: Rank::Cause,
        means: "The node answers its polls with no data at times though it has some: it is not ready \
                to be used, or is being set up.",
        or_else: &[],
        check: &[
            "Look at the node's module light and its display: does it wait for its configuration?",
            "Compare the node's I/O assembly with the master's scan list.",
        ],
    },
    // Where the wire differs from the plan.
    CatalogueEntry {
        code: Code::NodeMissing,
        rank: Rank::State,
        means: "The plan has a node that was not heard: it is off, not connected, at another \
                address or at another bit rate, or the master does not scan it.",
        or_else: &[],
        check: &[
            "Is the node in the master's scan list?",
            "Look at the node's network light: is it on line at all?",
            "Check its address and bit rate settings, its drop line and its supply.",
        ],
    },
    CatalogueEntry {
        code: Code::NodeUnplanned,
        rank: Rank::State,
        means: "An address is used or asked for that the plan does not have: a device that was \
                added or that is set to a wrong address, a configuration tool, or a plan that is \
                out of date.",
        or_else: &[],
        check: &[
            "Is a device missing in the plan at another address? Then compare its address \
             switches.",
            "Bring the plan up to date if the device belongs there.",
        ],
    },
    CatalogueEntry {
        code: Code::IoSizeDiffers,
        rank: Rank::Cause,
        means: "Master and node exchange I/O of another length than planned: the wrong assemblies, \
                or the wrong data sheet file in the configuration tool. Data then end up in the \
                wrong places.",
        or_else: &[],
        check: &[
            "Compare the I/O sizes and assemblies in the scan list with those set at the node.",
            "Both ends must be set to the same pair of assemblies.",
            "Bring the plan up to date if the sizes on the wire are the right ones.",
        ],
    },
    CatalogueEntry {
        code: Code::IdentityDiffers,
        rank: Rank::Cause,
        means: "The device at the address is not the one in the plan: another maker or product, or \
                another device of the same kind.",
        or_else: &[],
        check: &[
            "Read the name plate of the device and compare it with the plan.",
            "Was the device exchanged? Then check its parameters, and bring the plan up to date.",
        ],
    },
    CatalogueEntry {
        code: Code::RevisionDiffers,
        rank: Rank::Cause,
        means: "The device has another revision than the plan says. A configuration tool notices \
                another major revision, but often not another minor one, which can differ in its \
                parameters.",
        or_else: &[],
        check: &[
            "Use the data sheet file of exactly this revision in the configuration tool.",
            "Ask the maker what changed between the revisions.",
        ],
    },
    CatalogueEntry {
        code: Code::IntervalOverPlan,
        rank: Rank::Symptom,
        means: "The node is polled, or sends, less often than planned: the scan interval is set \
                longer, the scan does not fit, or the node is polled in the background.",
        or_else: &[],
        check: &[
            "Compare the master's scan interval with the plan.",
            "See whether missed polls or the bus load hold the scan up.",
        ],
    },
    CatalogueEntry {
        code: Code::LoadOverPlan,
        rank: Rank::Symptom,
        means: "The bus carries more than the plan can need: nodes that the plan does not have, a \
                scan faster than planned, more explicit messages than allowed for, or frames sent \
                again after errors.",
        or_else: &[],
        check: &[
            "Look at the nodes that are not in the plan.",
            "Compare the intervals on the wire with the plan.",
        ],
    },
    // Where devices differ from their data sheet files.
    CatalogueEntry {
        code: Code::DataSheetMissing,
        rank: Rank::Symptom,
        means: "The directory of data sheet files has none of this device's maker, so nothing is \
                compared.",
        or_else: &[],
        check: &["Get the data sheet file of this device and revision from its maker."],
    },
    CatalogueEntry {
        code: Code::DataSheetProduct,
        rank: Rank::Cause,
        means: "There are data sheet files of this device's maker, but none of this product: \
                another device than intended is connected, or its file is missing.",
        or_else: &["the file was made for another kind of device under the same product code"],
        check: &[
            "Read the name plate of the device: is it the one that was ordered for this place?",
            "If it is, get its data sheet file, and set the master up with that one.",
        ],
    },
    CatalogueEntry {
        code: Code::DataSheetRevision,
        rank: Rank::Cause,
        means: "The data sheet file of this product is for another revision than the device has. A \
                configuration tool notices another major revision, but often not another minor \
                one, and then parameters and I/O may differ from what it shows.",
        or_else: &["the device was exchanged for a newer one, and the file was not"],
        check: &[
            "Use the data sheet file of exactly this revision in the configuration tool.",
            "Compare the parameters that matter at the device's own display with those in the \
             configuration tool.",
            "Ask the maker what changed between the revisions.",
        ],
    },
    CatalogueEntry {
        code: Code::DataSheetFaulty,
        rank: Rank::Symptom,
        means: "The data sheet file of this device has faults of its own. It was read as far as it \
                could be; other tools may read the faulty lines differently.",
        or_else: &[],
        check: &["Get a sound file from the maker, or correct the lines named."],
    },
    CatalogueEntry {
        code: Code::DataSheetSize,
        rank: Rank::Cause,
        means: "Master and device exchange I/O of a size that the device's data sheet file does \
                not offer: the wrong file, or assemblies that were set by hand. Data may then end \
                up in the wrong places.",
        or_else: &["the device takes its sizes from its modules, and the file names only some"],
        check: &[
            "Compare the I/O sizes in the master's scan list with those set at the device.",
            "Is the file the one of exactly this device and revision?",
            "Before anything is moved to try it out: keep people clear of the machine.",
        ],
    },
];
