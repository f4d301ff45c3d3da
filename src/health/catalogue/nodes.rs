//! Findings about single nodes.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 13] = [
    Entry {
        code: Code::AddressClash,
        name: "address-clash",
        rank: Rank::Origin,
        means: "Two devices want the same address. Refused: the newcomer stays off line until it \
                gets a free address. Contested: nobody objected, so two devices may answer as \
                one.",
        or_else: &[],
        check: &[
            "Compare the address switches or the stored address of the devices with these serial \
             numbers.",
            "Give the newcomer a free address, then cycle its power so that it takes it.",
        ],
    },
    Entry {
        code: Code::NeverAnswered,
        name: "never-answered",
        rank: Rank::Cause,
        means: "The master asks a node that was never heard: it is off, not connected, at \
                another address or at another bit rate.",
        or_else: &["it is set to another address: look for a node that nobody polls"],
        check: &[
            "Look at the node's network light: is it on line at all?",
            "Check its address and bit rate settings against the scan list.",
            "Check that its drop line is plugged in and that it has supply.",
        ],
    },
    Entry {
        code: Code::NodeLeft,
        name: "node-left",
        rank: Rank::State,
        means: "The node answered, then fell silent while it was still polled. If it comes back \
                by itself: a loose connector, a supply that dips, or a device that restarts.",
        or_else: &["its own controller went bus-off", "somebody switched it off"],
        check: &[
            "Check the seating of the node's connectors and of the taps on both sides of it.",
            "Measure the supply at the node while the machine runs; it should not go under 11 V.",
            "Did other nodes leave at the same time? Then look at what they share.",
        ],
    },
    Entry {
        code: Code::MissedPolls,
        name: "missed-polls",
        rank: Rank::Symptom,
        means: "The node leaves single polls unanswered: it is too busy or too slow for the \
                scan, or the poll or its answer was destroyed on the wire.",
        or_else: &["errors on the wire that destroy its frames"],
        check: &[
            "Compare the node's response time with the scan interval.",
            "See whether bus errors fall on the same times.",
            "Check the seating of the node's connectors and its supply.",
        ],
    },
    Entry {
        code: Code::NodeRestarted,
        name: "node-restarted",
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
    Entry {
        code: Code::DeviceReplaced,
        name: "device-replaced",
        rank: Rank::State,
        means: "The address was taken by another device after the one before had gone: usually a \
                device was exchanged.",
        or_else: &[],
        check: &["Is the new device the one that should be there, with the right parameters?"],
    },
    Entry {
        code: Code::SlowAnswers,
        name: "slow-answers",
        rank: Rank::Cause,
        means: "The node answers, but takes much longer than it did, or than its peers: it is \
                busy, its settings slow it down, or it waits for something of its own.",
        or_else: &["the bus is so full that its answers wait for others"],
        check: &[
            "Compare its settings and firmware with a node of the same kind that is fast.",
            "Is it busy with something else at these times, such as a second network or a program?",
            "Lengthen the scan interval if the answers come later than half of it.",
        ],
    },
    Entry {
        code: Code::TwoAnswer,
        name: "two-answer",
        rank: Rank::Origin,
        means: "The node answers more often than it is asked: most often two devices share its \
                address and both answer.",
        or_else: &["a device that sends its data unasked as well as on a poll"],
        check: &[
            "Look for a second device with this address; unplug the node and see whether \
             something still answers.",
            "Give each its own address, then cycle its power so that it takes it.",
        ],
    },
    Entry {
        code: Code::ResponseSize,
        name: "response-size",
        rank: Rank::Cause,
        means: "The node answers with another size than its connection was given, or with \
                several sizes: its I/O is set up differently from what the master expects.",
        or_else: &[],
        check: &[
            "Compare the node's I/O size or assembly with the master's scan list.",
            "Is the data sheet file that the master was set up with the one of this very revision?",
        ],
    },
    Entry {
        code: Code::CommandSize,
        name: "command-size",
        rank: Rank::Cause,
        means: "The master polls the node with another size than the node's connection has, or \
                with several sizes; a node need not answer what does not fit.",
        or_else: &[],
        check: &[
            "Compare the master's scan list with the node's I/O size or assembly.",
            "Is the data sheet file that the master was set up with the one of this very revision?",
        ],
    },
    Entry {
        code: Code::SeveralAtOnce,
        name: "several-at-once",
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
    Entry {
        code: Code::NodeBusOff,
        name: "node-bus-off",
        rank: Rank::Root,
        means: "One node's frames were destroyed again and again and then it fell silent: its \
                own controller went bus-off, most often from a broken transmitter or a bad drop \
                line.",
        or_else: &["its connector failed at that moment"],
        check: &[
            "Look at its network light: steady red fits.",
            "Check its drop line and connector for a broken or shorted conductor, unpowered.",
            "Exchange the node if its drop line is good.",
        ],
    },
    Entry {
        code: Code::NodeFloods,
        name: "node-floods",
        rank: Rank::Origin,
        means: "One node sends so much that it fills the bus by itself: it is broken, or set to \
                report every change of something that never rests.",
        or_else: &[],
        check: &[
            "Unplug the node and see whether the load falls.",
            "Check its change of state settings and inhibit time.",
            "Exchange it if its settings are right.",
        ],
    },
];
