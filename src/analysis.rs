//! The whole path from record to summary, without I/O: what live and replay share.

use crate::output::Summary;
use crate::output::summary::Kind;
use crate::trunk::{Event, Trunk};
use crate::wire::{Header, Nanos, Record};

/// Takes records in the order received and ends in a summary.
#[derive(Debug)]
pub struct Analysis {
    header: Header,
    trunk: Trunk,
}

impl Analysis {
    /// Begins with what the source says about itself.
    pub fn new(header: &Header) -> Analysis {
        Analysis { header: header.clone(), trunk: Trunk::default() }
    }

    /// Takes the next record; `events` hears what changed on the trunk.
    pub fn take(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
        self.trunk.take(record, events);
    }

    /// The state so far.
    pub fn trunk(&self) -> &Trunk {
        &self.trunk
    }

    /// Nothing more will come. `kind` and `name` say what was listened to, `unreadable` how
    /// many lines or blocks of it could not be read.
    pub fn finish(
        mut self,
        kind: Kind,
        name: &str,
        unreadable: u64,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Summary {
        self.trunk.finish(events);
        Summary::of(&self.trunk, &self.header, kind, name, unreadable)
    }
}
