//! What each finding means and what to check, in order: the one table of them.

use super::Code;

/// One line of the catalogue.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    /// What it is about.
    pub code: Code,
    /// Its name in the summary.
    pub name: &'static str,
    /// What it means, in a sentence.
    pub means: &'static str,
    /// What to check, the likeliest or easiest first.
    pub check: &'static [&'static str],
}

impl Entry {
    pub(super) fn of(code: Code) -> &'static Entry {
        // The table is in the order of the enumeration; a test holds it there.
        &CATALOGUE[code as usize]
    }
}

/// The cautions that go with every check at a cabinet, a conductor or a drive.
pub const CAUTIONS: [&str; 3] = [
    "Work inside cabinets and on drives is for qualified people only. Isolate, lock off and prove \
     dead before touching a conductor; drives hold dangerous energy after power is off.",
    "Local codes and the makers' manuals come first.",
    "dropline listens and reports. It is not a safety device and nothing may rely on it as one.",
];

const fn entry(
    code: Code,
    name: &'static str,
    means: &'static str,
    check: &'static [&'static str],
) -> Entry {
    Entry { code, name, means, check }
}

/// Every finding.
pub static CATALOGUE: [Entry; 19] = [
    entry(
        Code::NothingHeard,
        "nothing-heard",
        "Not one frame or error was received: the adapter is not on a live trunk, or the trunk is \
         idle.",
        &[
            "Is the trunk powered and is its master scanning?",
            "Are both data wires of the adapter connected, and to the right terminals?",
            "Is the adapter set to the trunk's bit rate?",
        ],
    ),
    entry(
        Code::NothingUnderstood,
        "nothing-understood",
        "There is traffic, but every frame ended in an error: most often the adapter's bit rate is \
         not the trunk's, or the data wires are swapped or one is broken.",
        &[
            "Set the adapter to the trunk's bit rate (125, 250 or 500 kbit/s), listening only.",
            "Check that the two data wires are not swapped and that both make contact.",
            "With the trunk unpowered, measure between the data wires: about 60 ohms is right.",
        ],
    ),
    entry(
        Code::BusOff,
        "bus-off",
        "The adapter's own controller gave up after too many errors; while it was off, nothing was \
         heard. A listening controller does so only on a badly disturbed trunk.",
        &[
            "Is the adapter set to the trunk's bit rate, and to listen only?",
            "Look at the bus errors: what disturbs the trunk disturbs every node.",
            "With the trunk unpowered, measure between the data wires: about 60 ohms is right.",
        ],
    ),
    entry(
        Code::AddressClash,
        "address-clash",
        "Two devices want the same address. Refused: the newcomer stays off line until it gets a \
         free address. Contested: nobody objected, so two devices may answer as one.",
        &[
            "Compare the address switches or the stored address of the devices with these serial \
             numbers.",
            "Give the newcomer a free address, then cycle its power so that it takes it.",
        ],
    ),
    entry(
        Code::NeverAnswered,
        "never-answered",
        "The master asks a node that was never heard: it is off, not connected, at another address \
         or at another bit rate.",
        &[
            "Look at the node's network light: is it on line at all?",
            "Check its address and bit rate settings against the scan list.",
            "Check that its drop line is plugged in and that it has supply.",
        ],
    ),
    entry(
        Code::NodeLeft,
        "node-left",
        "The node answered, then fell silent while it was still polled. If it comes back by itself: \
         a loose connector, a supply that dips, or a device that restarts.",
        &[
            "Check the seating of the node's connectors and of the taps on both sides of it.",
            "Measure the supply at the node while the machine runs; it should not go under 11 V.",
            "Did other nodes leave at the same time? Then look at what they share.",
        ],
    ),
    entry(
        Code::MissedPolls,
        "missed-polls",
        "The node leaves single polls unanswered: it is too busy or too slow for the scan, or the \
         poll or its answer was destroyed on the wire.",
        &[
            "Compare the node's response time with the scan interval.",
            "See whether bus errors fall on the same times.",
            "Check the seating of the node's connectors and its supply.",
        ],
    ),
    entry(
        Code::NodeRestarted,
        "node-restarted",
        "The node ran its address check again after it had been on line: it lost power or was reset.",
        &[
            "Did somebody cycle its power or reset it? Then this is no fault.",
            "Measure the supply at the node while the machine runs; it should not go under 11 V.",
            "Check the seating of the node's connectors.",
        ],
    ),
    entry(
        Code::DeviceReplaced,
        "device-replaced",
        "The address was taken by another device after the one before had gone: usually a device \
         was exchanged.",
        &["Is the new device the one that should be there, with the right parameters?"],
    ),
    entry(
        Code::BusErrors,
        "bus-errors",
        "Frames were destroyed on the wire and sent again: noise, grounding, a termination that is \
         not right, a bad connection or a node at a wrong bit rate.",
        &[
            "With the trunk unpowered, measure between the data wires: about 60 ohms; 120 means one \
             terminator is missing, under 50 means too many.",
            "Check that the shield and the supply's negative are grounded at one point only.",
            "Check connectors and taps, the newest work first.",
            "See whether the errors come when a drive or a contactor switches; part the cables.",
        ],
    ),
    entry(
        Code::LoadHigh,
        "load-high",
        "The bus is so full that low priorities wait long and a disturbance has no room.",
        &[
            "Lengthen the scan interval, or poll slow nodes in the background.",
            "Use change of state instead of polling where data seldom changes.",
            "A higher bit rate needs the trunk and drop lengths to allow it.",
        ],
    ),
    entry(
        Code::InvalidIdentifier,
        "invalid-identifier",
        "Somebody sends identifiers that no node may use (7F0 to 7FF): a device of another kind, or \
         one that is broken.",
        &["Find what else is connected to the trunk; unplug doubtful devices one at a time."],
    ),
    entry(
        Code::ForeignFrames,
        "foreign-frames",
        "29-bit or remote frames do not belong on this kind of trunk: a device of another kind is \
         connected.",
        &["Find what else is connected to the trunk; unplug doubtful devices one at a time."],
    ),
    entry(
        Code::FramesLost,
        "frames-lost",
        "The computer or the adapter did not keep up, so frames are missing here that were on the \
         wire. The counts are too low by these; exchanges that were open are called uncertain.",
        &[
            "Close other programs on this computer, or use a faster one.",
            "Connect the adapter directly, not through a hub.",
        ],
    ),
    entry(
        Code::LinkDown,
        "link-down",
        "The interface went down or the adapter was unplugged; nothing was heard meanwhile.",
        &["Was the adapter unplugged, or the interface set down? Check its cable."],
    ),
    entry(
        Code::CaptureCutOff,
        "capture-cut-off",
        "The capture has no end record: power or the program was cut off. It was read to its last \
         whole line.",
        &["Nothing on the trunk; check the computer that made the capture."],
    ),
    entry(
        Code::CaptureDamaged,
        "capture-damaged",
        "The capture does not hold all that it held when it was made, or parts could not be read. \
         The counts are too low by these.",
        &["Copy the capture again from where it was made."],
    ),
    entry(
        Code::ClockStepped,
        "clock-stepped",
        "The clock was set back while capturing; times after that are not comparable with those \
         before, and spans across it were left out.",
        &["Let the computer's clock be set before a capture, not during it."],
    ),
    entry(
        Code::BitRateUnknown,
        "bit-rate-unknown",
        "The interface has no bit rate and none was given, so the load cannot be told, only bits.",
        &["Give the trunk's bit rate with --bitrate."],
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_catalogue_is_in_order_and_whole() {
        for (index, entry) in CATALOGUE.iter().enumerate() {
            assert_eq!(entry.code as usize, index, "{}", entry.name);
            let serialized = serde_json::to_value(entry.code).unwrap();
            assert_eq!(serialized, entry.name);
            assert!(!entry.means.is_empty() && !entry.check.is_empty());
        }
        assert_eq!(CATALOGUE.len(), Code::BitRateUnknown as usize + 1);
    }
}
