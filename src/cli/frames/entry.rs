//! A record with what it means, and the choice of those that are shown.

use std::collections::BTreeMap;

use anyhow::anyhow;
use clap::{Args, ValueEnum};
use serde::Serialize;

use crate::cli::arguments::address;
use crate::fieldbus::{Identifier, MacId, Role};
use crate::health::{Expectation, References};
use crate::plan::Plan;
use crate::trunk::{Decoded, Event, Meaning, Note, Trunk};
use crate::wire::{Frame, Id, Nanos, Record, What};

/// What kind of line it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Kind {
    /// Poll commands and responses
    Poll,
    /// Multicast poll commands and responses
    MulticastPoll,
    /// Bit-strobe commands and responses
    Strobe,
    /// Change of state or cyclic data, and its acknowledges
    ChangeOfState,
    /// I/O on connections that two nodes agreed on
    OtherIo,
    /// Explicit messages, and what goes over the unconnected ports
    Explicit,
    /// Duplicate address checks
    AddressCheck,
    /// Heartbeats and shutdowns
    Heartbeat,
    /// The off-line connection set
    OffLine,
    /// Identifiers that are never allowed
    Invalid,
    /// 29-bit identifiers
    Extended,
    /// Remote frames
    Remote,
    /// Error frames
    Error,
    /// Lost frames, and the interface going down or up
    Loss,
    /// Marks of the person who watched, and the end
    Mark,
}

/// One record with what it means.
pub(super) struct DecodedRecord<'a> {
    pub(super) t: Nanos,
    pub(super) kind: Kind,
    pub(super) what: &'a What,
    /// What a frame means.
    pub(super) decoded: Option<Decoded<'a>>,
    /// The clock stepped back before it.
    pub(super) stepped_back: bool,
    /// What changed with a node by it, or was due by then.
    pub(super) events: Vec<Event>,
    /// What the nodes are called.
    pub(super) names: &'a NodeNames,
}

impl DecodedRecord<'_> {
    pub(super) fn frame(&self) -> Option<&Frame> {
        match self.what {
            What::Frame(frame) => Some(frame),
            _ => None,
        }
    }

    pub(super) fn identifier(&self) -> Option<Identifier> {
        match self.frame()?.id() {
            Id::Standard(id) => Some(Identifier::from(id)),
            Id::Extended(_) => None,
        }
    }

    /// Whether a node is at one of its ends.
    pub(super) fn concerns(&self, mac_id: MacId) -> bool {
        self.decoded
            .as_ref()
            .is_some_and(|decoded| [decoded.node, decoded.other].contains(&Some(mac_id)))
            || self.events.iter().any(|event| event.mac_id() == Some(mac_id))
    }

    /// Whether something about it is worth noticing.
    pub(super) fn noted(&self) -> bool {
        // How something is known is said on every such line; it is nothing amiss.
        let amiss = |note| !matches!(note, Note::Guessed | Note::FragmentsInferred);
        let noted = self.decoded.as_ref().is_some_and(|decoded| decoded.notes.iter().any(amiss));
        noted
            || !self.events.is_empty()
            || self.stepped_back
            || matches!(self.kind, Kind::Error | Kind::Loss)
    }
}

/// What nodes are called, where that is known.
pub(super) type NodeNames = BTreeMap<MacId, String>;

/// How often names are looked for.
const NAMES_EVERY: Nanos = Nanos::SECOND;

/// Reads the records in their order.
#[derive(Default)]
pub(super) struct RecordDecoder {
    trunk: Trunk,
    plan: Option<Expectation>,
    names: NodeNames,
    named: Option<Nanos>,
    last: Option<Nanos>,
}

impl RecordDecoder {
    /// What the plan says of the I/O.
    pub(super) fn plan(&mut self, plan: Plan) {
        let plan = Expectation::new(plan);
        plan.apply_to(&mut self.trunk);
        self.plan = Some(plan);
    }

    pub(super) fn take<'a>(&'a mut self, record: &'a Record) -> DecodedRecord<'a> {
        let t = record.t;
        let stepped_back = self.last.is_some_and(|last| t < last);
        self.last = Some(t);
        self.look_for_names(t);
        let mut events = Vec::new();
        let decoded = self.trunk.take_decoded(record, &mut |_, event: Event| {
            // Of the trunk the record itself tells; that a node is heard first is nothing amiss.
            if event.mac_id().is_some() && !matches!(event, Event::NodeAppeared(_)) {
                events.push(event);
            }
        });
        let kind = match &record.what {
            What::Frame(_) => decoded.as_ref().map_or(Kind::Invalid, kind_of),
            What::Error(_) => Kind::Error,
            What::Lost(_) | What::LinkDown(_) | What::LinkUp => Kind::Loss,
            What::Mark(_) | What::End(_) => Kind::Mark,
        };
        let names = &self.names;
        DecodedRecord { t, kind, what: &record.what, decoded, stepped_back, events, names }
    }

    fn look_for_names(&mut self, t: Nanos) {
        let passed = |last: Nanos| t.since(last).is_none_or(|span| span >= NAMES_EVERY);
        if !self.named.is_none_or(passed) {
            return;
        }
        self.named = Some(t);
        let references = References { plan: self.plan.as_ref(), sheets: None };
        let named =
            |(mac_id, node)| references.name(mac_id, node).map(|name: String| (mac_id, name));
        self.names = self.trunk.nodes().filter_map(named).collect();
    }
}

fn kind_of(decoded: &Decoded) -> Kind {
    match (&decoded.meaning, decoded.role) {
        (Meaning::Remote, _) => Kind::Remote,
        (Meaning::Heartbeat(_) | Meaning::Shutdown(_), _) => Kind::Heartbeat,
        (_, None) => Kind::Extended,
        (_, Some(role)) => match role {
            Role::PollCommand | Role::PollResponse => Kind::Poll,
            Role::MulticastPollCommand | Role::MulticastPollResponse => Kind::MulticastPoll,
            Role::StrobeCommand | Role::StrobeResponse => Kind::Strobe,
            Role::ChangeOfState | Role::ChangeOfStateAcknowledge => Kind::ChangeOfState,
            Role::OtherIo => Kind::OtherIo,
            Role::ExplicitRequest
            | Role::ExplicitResponse
            | Role::UnconnectedRequest
            | Role::UnconnectedRequestGroup3
            | Role::UnconnectedResponseGroup3
            | Role::OtherExplicit
            | Role::OpenedExplicit => Kind::Explicit,
            Role::AddressCheck => Kind::AddressCheck,
            Role::FaultedRequest
            | Role::FaultedResponse
            | Role::OwnershipRequest
            | Role::OwnershipResponse
            | Role::OtherOffline => Kind::OffLine,
            Role::Invalid => Kind::Invalid,
        },
    }
}

/// Which lines are wanted: all, unless something is asked for. Of one option that is given
/// several times any may hold; different options must all hold.
#[derive(Debug, Args, Default)]
#[command(next_help_heading = "Which lines")]
pub(super) struct Filter {
    /// Frames to or from this address, 0 to 63; may be repeated
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    node: Vec<MacId>,

    /// Lines of this kind; may be repeated
    #[arg(long, value_name = "KIND")]
    kind: Vec<Kind>,

    /// Frames of this identifier group; may be repeated
    #[arg(long, value_name = "GROUP")]
    group: Vec<GroupFilter>,

    /// From this time on: seconds, or such as 1m30s
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<Nanos>,

    /// Up to this time
    #[arg(long, value_name = "TIME", value_parser = time)]
    to: Option<Nanos>,

    /// Lines with this text in them, capitals or not
    #[arg(long, value_name = "TEXT")]
    text: Option<String>,

    /// Only lines with something worth noticing
    #[arg(long)]
    noted: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum GroupFilter {
    /// 000 to 3FF
    #[value(name = "1")]
    Group1,
    /// 400 to 5FF
    #[value(name = "2")]
    Group2,
    /// 600 to 7BF
    #[value(name = "3")]
    Group3,
    /// 7C0 to 7EF
    #[value(name = "4")]
    Group4,
    /// 7F0 to 7FF
    Invalid,
    /// 29-bit identifiers
    Extended,
}

/// Trunk time: a number is seconds, anything else a span such as "1m30s".
fn time(text: &str) -> anyhow::Result<Nanos> {
    let wrong = || anyhow!("{text:?} is neither seconds nor a time such as 1m30s");
    if let Ok(seconds) = text.parse::<f64>() {
        let nanos = seconds * 1e9;
        // Beyond this a float no longer counts single nanoseconds, and no capture lasts so long.
        return if nanos.abs() < 9e18 { Ok(Nanos(nanos.round() as i64)) } else { Err(wrong()) };
    }
    let span: jiff::SignedDuration = text.parse().map_err(|_| wrong())?;
    i64::try_from(span.as_nanos()).map(Nanos).map_err(|_| wrong())
}

impl Filter {
    /// Whether all but the text holds.
    pub(super) fn wants(&self, entry: &DecodedRecord) -> bool {
        self.from.is_none_or(|from| entry.t >= from)
            && self.to.is_none_or(|to| entry.t <= to)
            && (self.kind.is_empty() || self.kind.contains(&entry.kind))
            && (self.node.is_empty() || self.node.iter().any(|&node| entry.concerns(node)))
            && (self.group.is_empty() || group(entry).is_some_and(|g| self.group.contains(&g)))
            && (!self.noted || entry.noted())
    }

    /// Whether the line has the text that is asked for.
    pub(super) fn wants_text(&self, line: &str) -> bool {
        let Some(text) = &self.text else { return true };
        line.to_lowercase().contains(&text.to_lowercase())
    }
}

fn group(entry: &DecodedRecord) -> Option<GroupFilter> {
    if let Id::Extended(_) = entry.frame()?.id() {
        return Some(GroupFilter::Extended);
    }
    Some(match entry.identifier()? {
        Identifier::Group1 { .. } => GroupFilter::Group1,
        Identifier::Group2 { .. } => GroupFilter::Group2,
        Identifier::Group3 { .. } => GroupFilter::Group3,
        Identifier::Group4 { .. } => GroupFilter::Group4,
        Identifier::Invalid { .. } => GroupFilter::Invalid,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Frame, Record, StandardId, What};

    #[test]
    fn times_and_addresses() {
        assert_eq!(time("1.5").ok(), Some(Nanos(1_500_000_000)));
        assert_eq!(time("1m30s").ok(), Some(Nanos(90_000_000_000)));
        assert_eq!(time("250ms").ok(), Some(Nanos::from_millis(250)));
        assert!(time("noon").is_err() && time("1e300").is_err() && time("NaN").is_err());
        assert!(address("63").is_ok() && address("64").is_err() && address("x").is_err());
    }

    fn wants(filter: &Filter, ms: i64, id: u16) -> bool {
        let frame = Frame::data(StandardId::new(id).unwrap(), &[0; 4]).unwrap();
        let record = Record { t: Nanos::from_millis(ms), what: What::Frame(frame) };
        filter.wants(&RecordDecoder::default().take(&record))
    }

    #[test]
    fn options_narrow_and_repetitions_widen() {
        let mac = |address| MacId::new(address).unwrap();
        let poll_of_12 = 0x465;
        assert!(wants(&Filter::default(), 0, poll_of_12));
        let mut filter = Filter { node: vec![mac(3), mac(12)], ..Filter::default() };
        assert!(wants(&filter, 0, poll_of_12) && !wants(&filter, 0, 0x46D));
        filter.kind = vec![Kind::Strobe];
        assert!(!wants(&filter, 0, poll_of_12));
        filter.kind.push(Kind::Poll);
        assert!(wants(&filter, 0, poll_of_12));
        filter.group = vec![GroupFilter::Group1];
        assert!(!wants(&filter, 0, poll_of_12) && wants(&filter, 0, 0x3CC));
        filter.to = Some(Nanos::from_millis(5));
        filter.from = Some(Nanos::from_millis(5));
        assert!(wants(&filter, 5, 0x3CC) && !wants(&filter, 4, 0x3CC) && !wants(&filter, 6, 0x3CC));
        filter.noted = true;
        assert!(!wants(&filter, 5, 0x3CC));
    }

    #[test]
    fn text_is_found_in_any_case() {
        let filter = Filter { text: Some("RevISION".into()), ..Filter::default() };
        assert!(filter.wants_text("identity 1 revision is 2.3"));
        assert!(!filter.wants_text("identity 1 vendor id"));
    }
}
