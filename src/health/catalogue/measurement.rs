//! Findings about the measurement itself.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 9] = [
    Entry {
        code: Code::NothingHeard,
        name: "nothing-heard",
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
    Entry {
        code: Code::NothingUnderstood,
        name: "nothing-understood",
        rank: Rank::Origin,
        means: "There is traffic, but every frame ended in an error: most often the adapter's \
                bit rate is not the trunk's, or the data wires are swapped or one is broken.",
        or_else: &[],
        check: &[
            "Set the adapter to the trunk's bit rate (125, 250 or 500 kbit/s), listening only.",
            "Check that the two data wires are not swapped and that both make contact.",
            "With the trunk unpowered, measure between the data wires: about 60 ohms is right.",
        ],
    },
    Entry {
        code: Code::FramesLost,
        name: "frames-lost",
        rank: Rank::State,
        means: "The computer or the adapter did not keep up, so frames are missing here that \
                were on the wire. The counts are too low by these; exchanges that were open are \
                called uncertain.",
        or_else: &[],
        check: &[
            "Close other programs on this computer, or use a faster one.",
            "Connect the adapter directly, not through a hub.",
        ],
    },
    Entry {
        code: Code::LinkDown,
        name: "link-down",
        rank: Rank::State,
        means: "The interface went down or the adapter was unplugged; nothing was heard meanwhile.",
        or_else: &[],
        check: &["Was the adapter unplugged, or the interface set down? Check its cable."],
    },
    Entry {
        code: Code::CaptureCutOff,
        name: "capture-cut-off",
        rank: Rank::State,
        means: "The capture has no end record: power or the program was cut off. It was read to \
                its last whole line.",
        or_else: &[],
        check: &["Nothing on the trunk; check the computer that made the capture."],
    },
    Entry {
        code: Code::CaptureDamaged,
        name: "capture-damaged",
        rank: Rank::State,
        means: "The capture does not hold all that it held when it was made, or parts could not \
                be read. The counts are too low by these.",
        or_else: &[],
        check: &["Copy the capture again from where it was made."],
    },
    Entry {
        code: Code::ErrorsNotReported,
        name: "errors-not-reported",
        rank: Rank::State,
        means: "The adapter was set so that its driver keeps bus errors to itself: that none were \
                counted does not mean that there were none.",
        or_else: &[],
        check: &[
            "Set the interface down, add berr-reporting on to the command that sets its bit rate, \
             and listen again; dropline adapter gives the whole command.",
        ],
    },
    Entry {
        code: Code::ClockStepped,
        name: "clock-stepped",
        rank: Rank::State,
        means: "The clock was set back while capturing; times after that are not comparable with \
                those before, and spans across it were left out.",
        or_else: &[],
        check: &["Let the computer's clock be set before a capture, not during it."],
    },
    Entry {
        code: Code::BitRateUnknown,
        name: "bit-rate-unknown",
        rank: Rank::State,
        means: "The interface has no bit rate and none was given, so the load cannot be told, \
                only bits.",
        or_else: &[],
        check: &["Give the trunk's bit rate with --bitrate."],
    },
];
