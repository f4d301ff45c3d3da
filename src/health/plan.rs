//! Plan and wire compared: who is missing, who is not meant to be there, what differs.

use super::nodes::times;
use super::{Code, Context, Finding, Severity};
use crate::fieldbus::{self, ConnectionKind, Known, MacId, Origin};
use crate::plan::{Connection, Node as Planned, Plan, Traffic};
use crate::trunk::{Exchange, IoSizes, Node, Occurrences, Trunk};
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
            let (mac_id, node) = (planned.mac_id, trunk.node(planned.mac_id));
            found.extend(self.missing(planned, node, trunk.now()));
            found.extend(self.interval(planned, node));
            let said = trunk.decoder().node(mac_id);
            found.extend(sizes(planned, node, said, found));
            found.extend(identity(planned, said));
            found.extend(revision(planned, said));
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
            let evidence = format!(
                "{} is in the plan ({}) and was not heard in {:.1} s",
                planned.label(),
                planned.connection.word(),
                now.as_secs()
            );
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
            let evidence = format!(
                "every {:.2} ms (median of {}); the plan says every {:.2} ms",
                median.as_secs() * 1e3,
                intervals.count(),
                meant.as_secs() * 1e3
            );
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
                format!(
                    "{:.1} % of the wire used on average; the plan predicts {:.1} % with random \
                     data and {:.1} % at most",
                    100.0 * mean,
                    100.0 * self.traffic.mean_load,
                    100.0 * self.traffic.worst_load
                ),
            )
        })
    }
}

fn unplanned(mac_id: MacId, node: &Node) -> Finding {
    let (seen, what): (&Occurrences, _) = match node.sent.count() {
        0 => {
            let missed = node.poll.missed();
            (missed, format!("polled {}, never heard", times(node.poll.commands())))
        }
        1 => (&node.sent, "1 frame".into()),
        count => (&node.sent, format!("{count} frames")),
    };
    let evidence = format!("address {mac_id} is not in the plan: {what}");
    Finding::new(Code::NodeUnplanned, Severity::Warning, seen, evidence).at(mac_id)
}

/// What is found already about sizes that were seen is not said again.
fn sizes(
    planned: &Planned,
    node: &Node,
    said: &fieldbus::Node,
    found_already: &[Finding],
) -> Option<Finding> {
    let told =
        |code| found_already.iter().any(|f| f.code == code && f.mac_id == Some(planned.mac_id));
    let commands = || {
        let other = other_size("the master sends", &node.command_sizes, planned.command_bytes);
        other.filter(|_| !told(Code::CommandSize))
    };
    let responses = || {
        let other = other_size("it answers with", &node.response_sizes, planned.response_bytes);
        other.filter(|_| !told(Code::ResponseSize))
    };
    let (command, response) = (planned.command_bytes, planned.response_bytes);
    let different = match planned.connection {
        Connection::Poll => [
            commands(),
            responses(),
            other_learnt("the master to send", said.command_size(), command),
            other_learnt("it to answer with", said.response_size(), response),
        ],
        Connection::ChangeOfState | Connection::Cyclic => {
            [commands(), other_learnt("it to send", said.change_size(), response), None, None]
        }
        _ => return None,
    };
    let different: Vec<_> = different.into_iter().flatten().collect();
    (!different.is_empty())
        .then(|| found(Code::IoSizeDiffers, Severity::Fault, planned.mac_id, different.join("; ")))
}

/// A size that was seen and is not the planned one. An empty message says that there are no
/// data now, and counts as no size.
fn other_size(who: &str, seen: &IoSizes, planned: u16) -> Option<String> {
    let others: Vec<_> = seen
        .sizes()
        .into_iter()
        .filter(|&bytes| bytes != 0 && bytes != planned)
        .map(|bytes| bytes.to_string())
        .collect();
    (!others.is_empty())
        .then(|| format!("{who} {} bytes, planned are {planned}", others.join(" and ")))
}

/// A size that was read or set on the wire.
fn other_learnt(who: &str, known: Option<Known<u16>>, planned: u16) -> Option<String> {
    let known = known.filter(|known| known.origin == Origin::Learnt && known.value != planned)?;
    Some(format!("the connection is set up for {who} {} bytes, planned are {planned}", known.value))
}

fn identity(planned: &Planned, said: &fieldbus::Node) -> Option<Finding> {
    let (meant, is) = (&planned.identity, &said.identity);
    let parts = [
        differs("vendor", meant.vendor_id, is.vendor_id),
        differs("device type", meant.device_type, is.device_type),
        differs("product code", meant.product_code, is.product_code),
    ];
    let serial = differs("serial", meant.serial, is.serial);
    // Another one of the same kind is less than another kind.
    let other_kind = parts.iter().any(Option::is_some);
    let severity = if other_kind { Severity::Fault } else { Severity::Note };
    let parts: Vec<_> = parts.into_iter().chain([serial]).flatten().collect();
    (!parts.is_empty())
        .then(|| found(Code::IdentityDiffers, severity, planned.mac_id, parts.join(", ")))
}

fn revision(planned: &Planned, said: &fieldbus::Node) -> Option<Finding> {
    let (major, minor) = said.identity.revision?;
    let meant = &planned.identity;
    let other_major = meant.major_revision.is_some_and(|meant| meant != major);
    let other_minor = meant.minor_revision.is_some_and(|meant| meant != minor);
    (other_major || other_minor).then(|| {
        let part = |part: Option<u8>| part.map_or("any".to_owned(), |part| part.to_string());
        let evidence = format!(
            "revision {major}.{minor}, planned is {}.{}",
            part(meant.major_revision),
            part(meant.minor_revision)
        );
        let severity = if other_major { Severity::Fault } else { Severity::Warning };
        found(Code::RevisionDiffers, severity, planned.mac_id, evidence)
    })
}

fn differs<T: PartialEq + std::fmt::Display>(
    what: &str,
    meant: Option<T>,
    is: Option<T>,
) -> Option<String> {
    let (meant, is) = meant.zip(is)?;
    (meant != is).then(|| format!("{what} is {is}, planned is {meant}"))
}

/// A finding about the whole of a measurement, not about a moment in it.
fn found(code: Code, severity: Severity, mac_id: MacId, evidence: String) -> Finding {
    Finding { code, severity, mac_id: Some(mac_id), count: 1, first: None, last: None, evidence }
}
