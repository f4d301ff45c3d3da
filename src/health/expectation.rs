//! What plan and data sheets say, compared with the wire: who is missing, who is unplanned, what
//! differs.

use super::evidence::{IdentityDifference, IdentityPart, NotOffered, SizeDifference, SizeSource};
use super::{Code, Context, Evidence, Finding, Severity};
use crate::fieldbus::eds::{DataSheet, SheetIndex, SheetMatch, SizeNotOffered};
use crate::fieldbus::{ConnectionKind, IdentityObject, MacId};
use crate::plan::{Connection, Plan, PlannedNode, Traffic};
use crate::trunk::{Exchange, IoSizes, Known, Node, Origin, Trunk};
use crate::wire::Nanos;

/// What the wire is compared with.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct References<'a> {
    /// The plan of the trunk.
    pub plan: Option<&'a Expectation>,
    /// The data sheet files.
    pub sheets: Option<&'a SheetIndex>,
}

impl References<'_> {
    /// What a node is called: in the plan, else by itself, else in its data sheet file.
    pub fn name(&self, mac_id: MacId, node: &Node) -> Option<String> {
        let planned = || self.plan?.plan.node(mac_id)?.name.clone();
        let own = || node.identity.name.as_deref().map(str::to_string);
        let in_sheet = || self.sheets?.find(&node.identity).sheet()?.product_name.clone();
        planned().or_else(own).or_else(in_sheet)
    }
}

/// A plan with what it predicts, ready to be compared with the wire.
#[derive(Debug, Clone)]
pub struct Expectation {
    plan: Plan,
    traffic: Traffic,
}

/// An interval this much longer than planned is no jitter. Common practice, no source.
const INTERVAL_MARGIN: f64 = 1.1;

/// So many intervals make a median worth comparing.
const LEAST_INTERVALS: u64 = 10;

/// A node is missing once so many of its intervals have passed without a frame of it.
const SILENT_INTERVALS: i64 = 10;

/// The load must exceed the prediction by more than the frames that a measurement cuts off at its
/// ends.
const LOAD_MARGIN: f64 = 1.02;

/// So many faults of a data sheet file are named.
const FAULTS_NAMED: usize = 3;

impl Expectation {
    /// Works out what a plan predicts.
    pub fn new(plan: Plan) -> Expectation {
        let traffic = Traffic::of(&plan);
        Expectation { plan, traffic }
    }

    /// The plan.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// What it predicts.
    pub fn traffic(&self) -> &Traffic {
        &self.traffic
    }

    /// Gives a trunk the sizes, drives and masters of the plan.
    pub fn apply_to(&self, trunk: &mut Trunk) {
        for node in self.plan.nodes() {
            let kind = match node.connection {
                Connection::Poll => ConnectionKind::Poll,
                Connection::Strobe => ConnectionKind::Strobe,
                Connection::ChangeOfState | Connection::Cyclic => ConnectionKind::ChangeOfState,
                Connection::Explicit | Connection::Master => continue,
            };
            trunk.plan_sizes(node.mac_id, kind, node.command_bytes, node.response_bytes);
            trunk.plan_drive(node.mac_id, node.output_assembly, node.input_assembly);
            if let Some(master) = self.only_master() {
                trunk.plan_owner(node.mac_id, master);
            }
        }
    }

    /// The master of all nodes; none where the plan has several, since it does not say whose a
    /// node is.
    fn only_master(&self) -> Option<MacId> {
        let mut masters =
            self.plan.nodes().iter().filter(|node| node.connection == Connection::Master);
        masters.next().filter(|_| masters.next().is_none()).map(|master| master.mac_id)
    }

    /// Everything in which the wire differs from the plan.
    pub(super) fn compare(&self, trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
        if trunk.tally().frames == 0 {
            // That nothing was heard is a finding of its own.
            return;
        }
        for planned in self.plan.nodes() {
            let node = trunk.node(planned.mac_id);
            found.extend(self.missing(planned, node, trunk.now()));
            found.extend(self.interval(planned, node));
            found.extend(sizes(planned, node, found));
            found.extend(identity(planned, node));
            found.extend(revision(planned, node));
        }
        for (mac_id, node) in trunk.nodes().filter(|(mac_id, _)| self.plan.node(*mac_id).is_none())
        {
            found.push(unplanned(mac_id, node));
        }
        found.extend(self.load(trunk, context));
    }

    /// A planned node without a frame. A master is left out: most of what it sends carries its
    /// slaves' addresses.
    fn missing(&self, planned: &PlannedNode, node: &Node, now: Nanos) -> Option<Finding> {
        let severity = match planned.connection {
            Connection::Poll | Connection::Strobe | Connection::Cyclic => Severity::Fault,
            // Its data may not have changed.
            Connection::ChangeOfState => Severity::Warning,
            Connection::Explicit | Connection::Master => return None,
        };
        let interval = planned.interval.unwrap_or(self.plan.trunk.scan_interval);
        let patience = Nanos(interval.0.saturating_mul(SILENT_INTERVALS)).max(Nanos::SECOND);
        (node.sent.count() == 0 && now >= patience).then(|| {
            let evidence = Evidence::NotHeard {
                mac_id: planned.mac_id,
                name: planned.name.clone(),
                connection: planned.connection,
                duration_ns: now,
            };
            once(Code::NodeMissing, severity, evidence).at(planned.mac_id)
        })
    }

    fn interval(&self, planned: &PlannedNode, node: &Node) -> Option<Finding> {
        let (exchange, planned_ns): (&Exchange, Nanos) = match planned.connection {
            Connection::Poll => (&node.poll, self.plan.trunk.scan_interval),
            Connection::Strobe => (&node.strobe, self.plan.trunk.scan_interval),
            Connection::Cyclic => (&node.change_of_state, planned.interval?),
            _ => return None,
        };
        let intervals = exchange.interval().filter(|spans| spans.count() >= LEAST_INTERVALS)?;
        let median = intervals.quantile(0.5)?;
        (median.as_secs() > INTERVAL_MARGIN * planned_ns.as_secs()).then(|| {
            let evidence =
                Evidence::Interval { median_ns: median, intervals: intervals.count(), planned_ns };
            once(Code::IntervalOverPlan, Severity::Warning, evidence).at(planned.mac_id)
        })
    }

    /// The mean over the whole time against the most that the plan can need.
    fn load(&self, trunk: &Trunk, context: &Context) -> Option<Finding> {
        let rate = f64::from(context.bitrate?.get());
        let seconds = Some(trunk.now()).filter(|now| *now >= Nanos::SECOND)?.as_secs();
        let mean = trunk.load.total().0 as f64 / (rate * seconds);
        let (planned_share, planned_worst_share) =
            (self.traffic.mean_load, self.traffic.worst_load);
        (mean > LOAD_MARGIN * planned_worst_share).then(|| {
            let evidence = Evidence::MeanLoad { share: mean, planned_share, planned_worst_share };
            once(Code::LoadOverPlan, Severity::Warning, evidence)
        })
    }
}

fn unplanned(mac_id: MacId, node: &Node) -> Finding {
    let sent = &node.sent;
    let seen = if sent.count() == 0 { node.poll.missed() } else { sent };
    let (frames, polls) = (sent.count(), node.poll.commands());
    let evidence = Evidence::Unplanned { mac_id, frames, polls };
    Finding::new(Code::NodeUnplanned, Severity::Warning, evidence).with_occurrences(seen).at(mac_id)
}

/// A size that is a finding by itself already is not reported again.
fn sizes(planned: &PlannedNode, node: &Node, found_already: &[Finding]) -> Option<Finding> {
    let is_found =
        |code| found_already.iter().any(|f| f.code == code && f.mac_id == Some(planned.mac_id));
    let commands = || {
        let other =
            seen_difference(SizeSource::Commands, node.command_sizes(), planned.command_bytes);
        other.filter(|_| !is_found(Code::CommandSize))
    };
    let responses = || {
        let other =
            seen_difference(SizeSource::Responses, node.response_sizes(), planned.response_bytes);
        other.filter(|_| !is_found(Code::ResponseSize))
    };
    let (command, response) = (planned.command_bytes, planned.response_bytes);
    let different = match planned.connection {
        Connection::Poll => [
            commands(),
            responses(),
            connection_difference(SizeSource::ConnectionCommands, node.command_size(), command),
            connection_difference(SizeSource::ConnectionResponses, node.response_size(), response),
        ],
        Connection::ChangeOfState | Connection::Cyclic => [
            commands(),
            connection_difference(SizeSource::ConnectionChanges, node.change_size(), response),
            None,
            None,
        ],
        _ => return None,
    };
    let differences: Vec<_> = different.into_iter().flatten().collect();
    (!differences.is_empty()).then(|| {
        let evidence = Evidence::PlannedSizes { differences };
        once(Code::IoSizeDiffers, Severity::Fault, evidence).at(planned.mac_id)
    })
}

/// A size that was seen and is not the planned one. An empty message means that there is no data
/// now; it is no size.
fn seen_difference(at: SizeSource, seen: &IoSizes, planned_bytes: u16) -> Option<SizeDifference> {
    let mut bytes = seen.as_slice().to_vec();
    bytes.retain(|&bytes| bytes != 0 && bytes != planned_bytes);
    (!bytes.is_empty()).then_some(SizeDifference { at, bytes, planned_bytes })
}

/// A size of the connection, as read or set on the wire, that is not the planned one.
fn connection_difference(
    at: SizeSource,
    known: Option<Known<u16>>,
    planned_bytes: u16,
) -> Option<SizeDifference> {
    let known =
        known.filter(|known| known.origin == Origin::Learnt && known.value != planned_bytes)?;
    Some(SizeDifference { at, bytes: vec![known.value], planned_bytes })
}

fn identity(planned: &PlannedNode, node: &Node) -> Option<Finding> {
    let (identity, planned_identity) = (&node.identity, &planned.identity);
    let number = |number: Option<u16>| number.map(u32::from);
    let kind = [
        (IdentityPart::Vendor, number(planned_identity.vendor_id), number(identity.vendor_id)),
        (
            IdentityPart::DeviceType,
            number(planned_identity.device_type),
            number(identity.device_type),
        ),
        (
            IdentityPart::ProductCode,
            number(planned_identity.product_code),
            number(identity.product_code),
        ),
    ];
    let mut differences: Vec<_> = kind.into_iter().filter_map(differs).collect();
    // Another device of the same product works in its place.
    let severity = if differences.is_empty() { Severity::Note } else { Severity::Fault };
    differences.extend(differs((IdentityPart::Serial, planned_identity.serial, identity.serial)));
    (!differences.is_empty()).then(|| {
        let evidence = Evidence::Identity { differences };
        once(Code::IdentityDiffers, severity, evidence).at(planned.mac_id)
    })
}

fn revision(planned: &PlannedNode, node: &Node) -> Option<Finding> {
    let (major, minor) = node.identity.revision?;
    let planned_identity = &planned.identity;
    let other_major = planned_identity.major_revision.is_some_and(|planned| planned != major);
    let other_minor = planned_identity.minor_revision.is_some_and(|planned| planned != minor);
    (other_major || other_minor).then(|| {
        let evidence = Evidence::Revision {
            revision: (major, minor),
            planned_major: planned_identity.major_revision,
            planned_minor: planned_identity.minor_revision,
        };
        let severity = if other_major { Severity::Fault } else { Severity::Warning };
        once(Code::RevisionDiffers, severity, evidence).at(planned.mac_id)
    })
}

fn differs(
    (part, planned, value): (IdentityPart, Option<u32>, Option<u32>),
) -> Option<IdentityDifference> {
    let (planned, value) = planned.zip(value)?;
    (planned != value).then_some(IdentityDifference { part, value, planned })
}

/// A finding about the whole of a measurement, not about a moment in it.
fn once(code: Code, severity: Severity, evidence: Evidence) -> Finding {
    Finding::new(code, severity, evidence).with_count(1)
}

/// Everything in which the devices differ from their data sheet files.
pub(super) fn compare_data_sheets(sheets: &SheetIndex, trunk: &Trunk, found: &mut Vec<Finding>) {
    for (mac_id, node) in trunk.nodes() {
        let matched = sheets.find(&node.identity);
        let sizes = matched.sheet().and_then(|sheet| sheet_sizes(sheet, node));
        let faulty = matched.sheet().and_then(faulty_sheet);
        let about_node = [wrong_sheet(&matched, &node.identity), sizes, faulty];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
    }
}

fn wrong_sheet(matched: &SheetMatch, identity: &IdentityObject) -> Option<Finding> {
    let (code, severity, evidence) = match *matched {
        SheetMatch::IdentityUnknown | SheetMatch::RevisionUnknown(_) | SheetMatch::Right(_) => {
            return None;
        }
        SheetMatch::NoFileOfVendor => {
            (Code::DataSheetMissing, Severity::Note, no_data_sheet(identity, 0))
        }
        SheetMatch::WrongProduct { of_vendor } => {
            (Code::DataSheetProduct, Severity::Warning, no_data_sheet(identity, of_vendor))
        }
        SheetMatch::WrongType(sheet) => {
            let evidence = Evidence::DataSheetType {
                file: sheet.file.clone(),
                device_type: identity.device_type,
                file_device_type: sheet.device_type,
            };
            (Code::DataSheetProduct, Severity::Warning, evidence)
        }
        SheetMatch::WrongMajor(sheet) | SheetMatch::WrongMinor(sheet) => {
            let evidence = Evidence::DataSheetRevision {
                file: sheet.file.clone(),
                revision: identity.revision,
                file_major: sheet.major_revision,
                file_minor: sheet.minor_revision,
                major_differs: matches!(matched, SheetMatch::WrongMajor(_)),
            };
            (Code::DataSheetRevision, Severity::Warning, evidence)
        }
    };
    Some(once(code, severity, evidence))
}

fn no_data_sheet(identity: &IdentityObject, files_of_vendor: usize) -> Evidence {
    let (vendor_id, product_code) = (identity.vendor_id, identity.product_code);
    Evidence::NoDataSheet { vendor_id, product_code, files_of_vendor }
}

fn sheet_sizes(sheet: &DataSheet, node: &Node) -> Option<Finding> {
    let sizes = not_offered(sheet, node);
    (!sizes.is_empty()).then(|| {
        let evidence = Evidence::DataSheetSizes { file: sheet.file.clone(), sizes };
        once(Code::DataSheetSize, Severity::Warning, evidence)
    })
}

/// The I/O sizes on the wire that a file does not offer. A size that only the plan names is not
/// on the wire.
pub(super) fn not_offered(sheet: &DataSheet, node: &Node) -> Vec<NotOffered> {
    let mut not_offered = Vec::new();
    for kind in ConnectionKind::ALL {
        let connection = node.connections.get(kind);
        let on_wire = |known: Option<Known<u16>>| {
            known.filter(|known| known.origin != Origin::Planned).map(|known| known.value)
        };
        let polled = |sizes: &IoSizes| match kind {
            // An empty message means that there is no data now; it is no size.
            ConnectionKind::Poll => {
                sizes.as_slice().iter().copied().filter(|&bytes| bytes > 0).collect()
            }
            _ => Vec::new(),
        };
        let mut note = |produced, connection: Option<u16>, mut sizes: Vec<u16>| {
            sizes.extend(connection.filter(|bytes| !sizes.contains(bytes)));
            not_offered.extend(sizes.into_iter().filter_map(|bytes| {
                let offer = match produced {
                    true => sheet.produced_not_offered(kind, bytes),
                    false => sheet.consumed_not_offered(kind, bytes),
                };
                let SizeNotOffered { bytes, offered } = offer?;
                Some(NotOffered { connection: kind, produced, bytes, offered })
            }));
        };
        note(true, on_wire(connection.produced), polled(node.response_sizes()));
        note(false, on_wire(connection.consumed), polled(node.command_sizes()));
    }
    not_offered
}

fn faulty_sheet(sheet: &DataSheet) -> Option<Finding> {
    let faults: Vec<_> = sheet.problems.iter().take(FAULTS_NAMED).cloned().collect();
    (!faults.is_empty()).then(|| {
        let more = sheet.problems.len() - faults.len();
        let evidence = Evidence::DataSheetFaults { file: sheet.file.clone(), faults, more };
        once(Code::DataSheetFaulty, Severity::Note, evidence)
    })
}
