//! The whole path from record to summary, without I/O: what live and replay share.

use crate::fieldbus::MacId;
use crate::fieldbus::eds::SheetIndex;
use crate::health::Summary;
use crate::health::summary::SourceKind;
use crate::health::{self, Context, Expectation, Finding, References};
use crate::trunk::{Event, Trunk};
use crate::wire::{Header, Nanos, Record};

/// What is given beside the records: what the trunk is meant to be.
#[derive(Debug, Clone, Default)]
pub struct Given {
    /// The plan, which the summary compares with the wire.
    pub plan: Option<Expectation>,
    /// The data sheet files, with which it compares the devices.
    pub sheets: Option<SheetIndex>,
}

/// Takes records in the order received and ends in a summary.
#[derive(Debug)]
pub struct Analysis {
    header: Header,
    trunk: Trunk,
    plan: Option<Expectation>,
    sheets: Option<SheetIndex>,
}

impl Analysis {
    /// Begins with what the source says about itself.
    pub fn new(header: &Header) -> Analysis {
        Analysis { header: header.clone(), trunk: Trunk::default(), plan: None, sheets: None }
    }

    /// The same analysis with the plan of the trunk, which the summary then compares with the
    /// wire. To be called before the first record.
    pub fn with_plan(mut self, plan: Option<Expectation>) -> Analysis {
        if let Some(plan) = &plan {
            plan.apply_to(&mut self.trunk);
        }
        self.plan = plan;
        self
    }

    /// The same analysis with all that is given. To be called before the first record.
    pub fn with(mut self, given: Given) -> Analysis {
        self.sheets = given.sheets;
        self.with_plan(given.plan)
    }

    /// What was given, for another analysis of the same trunk.
    pub fn into_given(self) -> Given {
        Given { plan: self.plan, sheets: self.sheets }
    }

    /// Takes the next record; `events` hears what changed on the trunk.
    pub fn take(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
        self.trunk.take(record, events);
    }

    /// What the source said about itself.
    pub fn header(&self) -> &Header {
        &self.header
    }

    fn references(&self) -> References<'_> {
        References { plan: self.plan.as_ref(), sheets: self.sheets.as_ref() }
    }

    /// Everything found so far, the gravest first, as a summary would have it now.
    pub fn findings(&self) -> Vec<Finding> {
        let context = Context::new(&self.header, 0);
        health::findings(&self.trunk, &context, self.references())
    }

    /// What the trunk is meant to be, where that was given.
    pub fn plan(&self) -> Option<&Expectation> {
        self.plan.as_ref()
    }

    /// The data sheet files, where they were given.
    pub fn sheets(&self) -> Option<&SheetIndex> {
        self.sheets.as_ref()
    }

    /// What a node is called: in the plan, else by itself, else in its data sheet file.
    pub fn name(&self, mac_id: MacId) -> Option<String> {
        self.references().name(mac_id, self.trunk.node(mac_id))
    }

    /// The state so far.
    pub fn trunk(&self) -> &Trunk {
        &self.trunk
    }

    /// The summary as it would be if nothing more came.
    pub fn summary_so_far(&self, kind: SourceKind, name: &str) -> Summary {
        Summary::new(&self.trunk, &self.header, self.references(), kind, name, 0)
    }

    /// The same with the state so far, as if this were the end.
    pub fn so_far(&self, kind: SourceKind, name: &str) -> Finished {
        Finished {
            summary: self.summary_so_far(kind, name),
            trunk: self.trunk.clone(),
            plan: self.plan.clone(),
        }
    }

    /// Nothing more will come. `kind` and `name` say what was listened to, `unreadable` how
    /// many lines or blocks of it could not be read.
    pub fn finish(
        self,
        kind: SourceKind,
        name: &str,
        unreadable: u64,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Summary {
        self.finish_with_state(kind, name, unreadable, events).summary
    }

    /// The same, with the state in which it ended, for what shows more than a summary holds.
    pub fn finish_with_state(
        mut self,
        kind: SourceKind,
        name: &str,
        unreadable: u64,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Finished {
        self.trunk.finish(events);
        let summary =
            Summary::new(&self.trunk, &self.header, self.references(), kind, name, unreadable);
        Finished { summary, trunk: self.trunk, plan: self.plan }
    }
}

/// An analysis that has come to its end.
#[derive(Debug, Clone)]
pub struct Finished {
    /// What was found and counted.
    pub summary: Summary,
    /// The state in which the trunk ended.
    pub trunk: Trunk,
    /// The plan that the wire was compared with.
    pub plan: Option<Expectation>,
}
