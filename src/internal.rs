//! What the program, the tests, the benches and the fuzz targets of this package use beyond the
//! public interface. It may change at any time.

pub use crate::cli::main;

pub mod wire {
    pub use crate::wire::{
        Packet, capture_schemas, crc15, parse_header, parse_record, quick_frame, stuff_bits,
        write_header, write_record,
    };
}

pub mod fieldbus {
    pub use crate::fieldbus::eds::{DataSheet, SheetIndex, SheetMatch, decode_text};
    pub use crate::fieldbus::{
        AddressCheck, AddressCheckKind, Choice, Fragment, FragmentKind, Identifier, IdentityObject,
    };
}

pub mod health {
    pub use crate::health::{Context, catalogue};
}

pub mod source {
    pub use crate::source::reader_from;
}

pub mod output {
    pub use crate::output::{
        Conversion, capture, comparison_page, event_log, metrics, page, report, view, web,
    };
}

pub mod words {
    pub use crate::words::CAUTIONS;
}
