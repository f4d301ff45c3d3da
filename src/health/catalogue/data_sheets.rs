//! Findings about where the devices differ from their data sheet files.

use super::{Entry, Rank};
use crate::health::Code;

pub(super) static ENTRIES: [Entry; 5] = [
    Entry {
        code: Code::DataSheetMissing,
        name: "data-sheet-missing",
        rank: Rank::Symptom,
        means: "The directory of data sheet files has none of this device's maker, so nothing is \
                compared.",
        or_else: &[],
        check: &["Get the data sheet file of this device and revision from its maker."],
    },
    Entry {
        code: Code::DataSheetProduct,
        name: "data-sheet-product",
        rank: Rank::Cause,
        means: "There are data sheet files of this device's maker, but none of this product: \
                another device than meant is connected, or its file is missing.",
        or_else: &["the file was made for another kind of device under the same product code"],
        check: &[
            "Read the name plate of the device: is it the one that was ordered for this place?",
            "If it is, get its data sheet file, and set the master up with that one.",
        ],
    },
    Entry {
        code: Code::DataSheetRevision,
        name: "data-sheet-revision",
        rank: Rank::Cause,
        means: "The data sheet file of this product is for another revision than the device has. \
                A configuration tool notices another major revision, but often not another minor \
                one, and then parameters and I/O may differ from what it shows.",
        or_else: &["the device was exchanged for a newer one, and the file was not"],
        check: &[
            "Use the data sheet file of exactly this revision in the configuration tool.",
            "Compare the parameters that matter at the device's own display with those in the \
             configuration tool.",
            "Ask the maker what changed between the revisions.",
        ],
    },
    Entry {
        code: Code::DataSheetFaulty,
        name: "data-sheet-faulty",
        rank: Rank::Symptom,
        means: "The data sheet file of this device has faults of its own. It was read as far as \
                it could be; what stands in the faulty lines may be read differently by others.",
        or_else: &[],
        check: &["Get a sound file from the maker, or correct the lines named."],
    },
    Entry {
        code: Code::DataSheetSize,
        name: "data-sheet-size",
        rank: Rank::Cause,
        means: "Master and device exchange I/O of a size that the device's data sheet file does \
                not offer: the wrong file, or assemblies that were set by hand. Data may then \
                stand in the wrong places.",
        or_else: &["the device takes its sizes from its modules, and the file names only some"],
        check: &[
            "Compare the I/O sizes in the master's scan list with those set at the device.",
            "Is the file the one of exactly this device and revision?",
            "Before anything is moved to try it out: keep people clear of the machine.",
        ],
    },
];
