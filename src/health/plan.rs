//! Plan and wire compared: who is missing, who is not meant to be there, what differs.

use super::evidence::{IdentityDifference, IdentityPart, SizeDifference, SizeSource};
use super::{Code, Context, Evidence, Finding, Severity};
use crate::fieldbus::{ConnectionKind, MacId};
use crate::plan::{Connection, Node as Planned, Plan, Traffic};
use crate::trunk::{Exchange, IoSizes, Known, Node, Origin, Trunk};
use crate::wire::Nanos;

/// A plan with what it predicts, ready to be held against the wire.
#[derive(Debug, Clone)]
pub struct Expectation {
    plan: Plan,
    traffic: Traffic,
}

/// An interval this much longer than meant is longer, not unsteady. Common practice, no source.
const INTERVAL_MARGIN: f64 = 1.1;

/// So many intervals make a median worth comparing.
const LEAST_INTERVALS: u64 = 10;

/// A node is missing once so many of its intervals have passed without a frame of it.
const SILENT_INTERVALS: i64 = 10;

/// The load must be over the prediction by more than the frames that a measurement cuts at its
/// ends.
const LOAD_MARGIN: f64 = 1.02;

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

    /// Tells a trunk what the plan knows of sizes and drives.
    pub fn tell(&self, trunk: &mut Trunk) {
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

    /// The master of all nodes: with several in the plan nobody can tell whose a node is.
    fn only_master(&self) -> Option<MacId> {
        let mut masters =
            self.plan.nodes().iter().filter(|node| node.connection == Connection::Master);
        masters.next().filter(|_| masters.next().is_none()).map(|master| master.mac_id)
    }

    /// Everything in which the wire differs from the plan.
    pub(super) fn find(&self, trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
        if trunk.tally().frames == 0 {
            // Nothing was heard at all, which is a finding of its own.
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

    /// A master is not missed: most of what it sends carries its slaves' addresses.
    fn missing(&self, planned: &Planned, node: &Node, now: Nanos) -> Option<Finding> {
        let severity = match planned.connection {
            Connection::Poll | Connection::Strobe | Connection::Cyclic => Severity::Fault,
            // It may have had nothing to say.
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
            found(Code::NodeMissing, severity, planned.mac_id, evidence)
        })
    }

    fn interval(&self, planned: &Planned, node: &Node) -> Option<Finding> {
        let (exchange, meant): (&Exchange, _) = match planned.connection {
            Connection::Poll => (&node.poll, self.plan.trunk.scan_interval),
            Connection::Strobe => (&node.strobe, self.plan.trunk.scan_interval),
            Connection::Cyclic => (&node.change_of_state, planned.interval?),
            _ => return None,
        };
        let intervals = exchange.interval().filter(|spans| spans.count() >= LEAST_INTERVALS)?;
        let median = intervals.quantile(0.5)?;
        (median.as_secs() > INTERVAL_MARGIN * meant.as_secs()).then(|| {
            let evidence = Evidence::Interval {
                median_ns: median,
                intervals: intervals.count(),
                planned_ns: meant,
            };
            found(Code::IntervalOverPlan, Severity::Warning, planned.mac_id, evidence)
        })
    }

    /// The mean over the whole time against the most that the plan can need.
    fn load(&self, trunk: &Trunk, context: &Context) -> Option<Finding> {
        let rate = f64::from(context.bitrate?.get());
        let seconds = Some(trunk.now()).filter(|now| *now >= Nanos::SECOND)?.as_secs();
        let mean = trunk.load.total().0 as f64 / (rate * seconds);
        (mean > LOAD_MARGIN * self.traffic.worst_load).then(|| Finding {
            mac_id: None,
            ..found(
                Code::LoadOverPlan,
                Severity::Warning,
                MacId::MAX,
                Evidence::MeanLoad {
                    share: mean,
                    planned_share: self.traffic.mean_load,
                    planned_worst_share: self.traffic.worst_load,
                },
            )
        })
    }
}

fn unplanned(mac_id: MacId, node: &Node) -> Finding {
    let sent = &node.sent;
    let seen = if sent.count() == 0 { node.poll.missed() } else { sent };
    let (frames, polls) = (sent.count(), node.poll.commands());
    let evidence = Evidence::Unplanned { mac_id, frames, polls };
    Finding::new(Code::NodeUnplanned, Severity::Warning, seen, evidence).at(mac_id)
}

/// What is found already about sizes that were seen is not said again.
fn sizes(planned: &Planned, node: &Node, found_already: &[Finding]) -> Option<Finding> {
    let told =
        |code| found_already.iter().any(|f| f.code == code && f.mac_id == Some(planned.mac_id));
    let commands = || {
        let other = other_size(SizeSource::Commands, &node.command_sizes, planned.command_bytes);
        other.filter(|_| !told(Code::CommandSize))
    };
    let responses = || {
        let other = other_size(SizeSource::Responses, &node.response_sizes, planned.response_bytes);
        other.filter(|_| !told(Code::ResponseSize))
    };
    let (command, response) = (planned.command_bytes, planned.response_bytes);
    let different = match planned.connection {
        Connection::Poll => [
            commands(),
            responses(),
            other_learnt(SizeSource::ConnectionCommands, node.command_size(), command),
            other_learnt(SizeSource::ConnectionResponses, node.response_size(), response),
        ],
        Connection::ChangeOfState | Connection::Cyclic => [
            commands(),
            other_learnt(SizeSource::ConnectionChanges, node.change_size(), response),
            None,
            None,
        ],
        _ => return None,
    };
    let differences: Vec<_> = different.into_iter().flatten().collect();
    (!differences.is_empty()).then(|| {
        let evidence = Evidence::PlannedSizes { differences };
        found(Code::IoSizeDiffers, Severity::Fault, planned.mac_id, evidence)
    })
}

/// A size that was seen and is not the planned one. An empty message says that there are no
/// data now, and counts as no size.
fn other_size(at: SizeSource, seen: &IoSizes, planned_bytes: u16) -> Option<SizeDifference> {
    let mut bytes = seen.sizes();
    bytes.retain(|&bytes| bytes != 0 && bytes != planned_bytes);
    (!bytes.is_empty()).then_some(SizeDifference { at, bytes, planned_bytes })
}

/// A size that was read or set on the wire.
fn other_learnt(
    at: SizeSource,
    known: Option<Known<u16>>,
    planned_bytes: u16,
) -> Option<SizeDifference> {
    let known =
        known.filter(|known| known.origin == Origin::Learnt && known.value != planned_bytes)?;
    Some(SizeDifference { at, bytes: vec![known.value], planned_bytes })
}

fn identity(planned: &Planned, node: &Node) -> Option<Finding> {
    let (meant, is) = (&planned.identity, &node.identity);
    let number = |number: Option<u16>| number.map(u32::from);
    let kind = [
        (IdentityPart::Vendor, number(meant.vendor_id), number(is.vendor_id)),
        (IdentityPart::DeviceType, number(meant.device_type), number(is.device_type)),
        (IdentityPart::ProductCode, number(meant.product_code), number(is.product_code)),
    ];
    let mut differences: Vec<_> = kind.into_iter().filter_map(differs).collect();
    // Another one of the same kind is less than another kind.
    let severity = if differences.is_empty() { Severity::Note } else { Severity::Fault };
    differences.extend(differs((IdentityPart::Serial, meant.serial, is.serial)));
    (!differences.is_empty()).then(|| {
        let evidence = Evidence::Identity { differences };
        found(Code::IdentityDiffers, severity, planned.mac_id, evidence)
    })
}

fn revision(planned: &Planned, node: &Node) -> Option<Finding> {
    let (major, minor) = node.identity.revision?;
    let meant = &planned.identity;
    let other_major = meant.major_revision.is_some_and(|meant| meant != major);
    let other_minor = meant.minor_revision.is_some_and(|meant| meant != minor);
    (other_major || other_minor).then(|| {
        let evidence = Evidence::Revision {
            revision: (major, minor),
            planned_major: meant.major_revision,
            planned_minor: meant.minor_revision,
        };
        let severity = if other_major { Severity::Fault } else { Severity::Warning };
        found(Code::RevisionDiffers, severity, planned.mac_id, evidence)
    })
}

fn differs(
    (part, planned, value): (IdentityPart, Option<u32>, Option<u32>),
) -> Option<IdentityDifference> {
    let (planned, value) = planned.zip(value)?;
    (planned != value).then_some(IdentityDifference { part, value, planned })
}

/// A finding about the whole of a measurement, not about a moment in it.
fn found(code: Code, severity: Severity, mac_id: MacId, evidence: Evidence) -> Finding {
    Finding { code, severity, mac_id: Some(mac_id), count: 1, first: None, last: None, evidence }
}
