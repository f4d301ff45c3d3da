//! The messages that simulated devices send, and what each is for: the truth is counted from that,
//! not from reading the frames again. Every exchange of command and response, and how it ended.

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use super::scenario::IoConnection;
use crate::fieldbus::{AddressCheck, Identifier, MacId};
use crate::wire::{Frame, Nanos, StandardId};

/// How an exchange ended, by the definitions of the summary.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// A response came.
    Answered,
    /// The next command came first.
    Missed,
    /// Frames were lost meanwhile.
    Uncertain,
    /// The capture ended first.
    Open,
}

/// One exchange that the capture shows.
#[derive(Debug, Clone, Serialize)]
pub struct ExchangeTruth {
    /// The node.
    pub mac_id: MacId,
    /// The end of the command.
    pub command_ns: i64,
    /// The end of the response that closed it on the wire.
    pub response_ns: Option<i64>,
    /// How it ended on the wire.
    pub ending: Ending,
    /// The node was told by a fault to leave this response out.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub skipped: bool,
    /// The response on the wire was in truth that to an earlier command.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub answered_by_an_earlier_response: bool,
    #[serde(skip)]
    number: u64,
}

/// The exchanges of one kind with one node, counted.
#[derive(Debug, Clone, Default, Serialize)]
pub struct ExchangeTotals {
    /// Commands in the capture.
    pub commands: u64,
    /// Responses that closed an exchange.
    pub responses: u64,
    /// Exchanges that the next command found open.
    pub missed: u64,
    /// Messages that no acknowledge was agreed for.
    pub unacknowledged: u64,
    /// Responses with no exchange open.
    pub unsolicited: u64,
    /// Exchanges open when frames were lost.
    pub uncertain: u64,
    /// One that was open at the end.
    pub open: u64,
    /// Commands of which only the first fragments were sent, or were before the end. What they
    /// count for, the definitions leave open.
    pub cut_commands: u64,
    /// Responses of which only the first fragments were.
    pub cut_responses: u64,
    /// Each size of a command.
    pub command_bytes: Vec<usize>,
    /// Each size of a response.
    pub response_bytes: Vec<usize>,
    /// Each latency, in the order of the responses.
    pub latency_ns: Vec<i64>,
    /// Each time from one command to the next, where nothing was lost between.
    pub interval_ns: Vec<i64>,
    #[serde(skip)]
    current: Option<usize>,
    #[serde(skip)]
    last_command: Option<i64>,
    #[serde(skip)]
    doubtful: bool,
    #[serde(skip)]
    amid_command: bool,
    #[serde(skip)]
    amid_response: bool,
}

/// The kinds of exchange that are counted apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum IoKind {
    Poll,
    Strobe,
    MulticastPoll,
    Change,
}

impl From<IoConnection> for IoKind {
    fn from(kind: IoConnection) -> IoKind {
        match kind {
            IoConnection::Poll => IoKind::Poll,
            IoConnection::Strobe => IoKind::Strobe,
            IoConnection::MulticastPoll => IoKind::MulticastPoll,
            IoConnection::ChangeOfState | IoConnection::Cyclic => IoKind::Change,
        }
    }
}

/// All exchanges.
#[derive(Debug, Default)]
pub(super) struct Exchanges {
    totals: BTreeMap<(MacId, IoKind), ExchangeTotals>,
    all: Vec<ExchangeTruth>,
    /// By the number of the exchange and the node, what was left out on purpose.
    skipped: Vec<(MacId, u64)>,
}

impl Exchanges {
    pub(super) fn command(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        kind: IoConnection,
        number: u64,
        part: FragmentPart,
    ) {
        let totals = self.totals.entry((mac_id, kind.into())).or_default();
        if part.first {
            totals.cut_commands += u64::from(totals.amid_command);
        }
        totals.amid_command = !part.last;
        let going_on = totals.current.filter(|&i| self.all[i].number == number);
        match going_on {
            Some(index) => self.all[index].command_ns = t.0,
            None => {
                if let Some(index) = totals.current.replace(self.all.len()) {
                    totals.missed += 1;
                    self.all[index].ending = Ending::Missed;
                }
                totals.doubtful = false;
                totals.commands += 1;
                self.all.push(ExchangeTruth {
                    mac_id,
                    command_ns: t.0,
                    response_ns: None,
                    ending: Ending::Open,
                    skipped: false,
                    answered_by_an_earlier_response: false,
                    number,
                });
            }
        }
        if part.last {
            if let Some(last) = totals.last_command.replace(t.0) {
                totals.interval_ns.push(t.0 - last);
            }
            note(&mut totals.command_bytes, part.bytes);
        }
    }

    /// A message of a node that sends by itself, and for which nothing comes back.
    pub(super) fn unacknowledged(&mut self, t: Nanos, mac_id: MacId, part: FragmentPart) {
        let totals = self.totals.entry((mac_id, IoKind::Change)).or_default();
        totals.commands += u64::from(part.first);
        totals.unacknowledged += u64::from(part.first);
        totals.cut_commands += u64::from(part.first && totals.amid_command);
        totals.amid_command = !part.last;
        if part.last {
            if let Some(last) = totals.last_command.replace(t.0) {
                totals.interval_ns.push(t.0 - last);
            }
            note(&mut totals.command_bytes, part.bytes);
        }
    }

    pub(super) fn response(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        kind: IoConnection,
        answers: Option<u64>,
        part: FragmentPart,
    ) {
        let totals = self.totals.entry((mac_id, kind.into())).or_default();
        if part.last {
            note(&mut totals.response_bytes, part.bytes);
        }
        if part.first {
            totals.cut_responses += u64::from(totals.amid_response);
        }
        totals.amid_response = !part.last;
        // The rest of an earlier response that comes after the next command is heard as its answer.
        if !part.first && totals.current.is_none() {
            return;
        }
        match totals.current.take() {
            Some(index) => {
                let exchange = &mut self.all[index];
                exchange.ending = Ending::Answered;
                exchange.response_ns = Some(t.0);
                exchange.answered_by_an_earlier_response =
                    answers.is_some_and(|number| number < exchange.number);
                totals.responses += 1;
                totals.latency_ns.push(t.0 - exchange.command_ns);
            }
            None if totals.doubtful => totals.doubtful = false,
            None => totals.unsolicited += 1,
        }
    }

    /// A node left a response out on purpose.
    pub(super) fn skipped(&mut self, mac_id: MacId, number: u64) {
        self.skipped.push((mac_id, number));
    }

    /// Frames were lost, or the link went down.
    pub(super) fn doubt(&mut self) {
        for totals in self.totals.values_mut() {
            totals.last_command = None;
            if let Some(index) = totals.current.take() {
                totals.uncertain += 1;
                totals.doubtful = true;
                self.all[index].ending = Ending::Uncertain;
            }
        }
    }

    pub(super) fn finish(
        mut self,
    ) -> (BTreeMap<(MacId, IoKind), ExchangeTotals>, Vec<ExchangeTruth>) {
        self.skipped.sort_unstable();
        for exchange in &mut self.all {
            let key = (exchange.mac_id, exchange.number);
            exchange.skipped = self.skipped.binary_search(&key).is_ok();
        }
        for totals in self.totals.values_mut() {
            totals.open = u64::from(totals.current.is_some());
            totals.cut_commands += u64::from(totals.amid_command);
            totals.cut_responses += u64::from(totals.amid_response);
        }
        (self.totals, self.all)
    }
}

fn note(sizes: &mut Vec<usize>, bytes: usize) {
    if let Err(place) = sizes.binary_search(&bytes) {
        sizes.insert(place, bytes);
    }
}

/// What a frame is for, as its sender knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Purpose {
    /// A duplicate address check, request or response.
    Check(AddressCheck),
    /// I/O from the master; `node` is `None` for one to several.
    Command { kind: IoConnection, node: Option<MacId>, exchange: u64, part: FragmentPart },
    /// I/O from a node that answers that exchange, or none.
    Response { kind: IoConnection, node: MacId, answers: Option<u64>, part: FragmentPart },
    /// The master's acknowledge of a change of state or cyclic message.
    ChangeAcknowledge { node: MacId },
    /// An explicit message of the master to a node.
    Request { node: MacId },
    /// An explicit message of a node.
    Reply { node: MacId },
    /// An explicit message of a tool to a node, by Group 3.
    ToolRequest { tool: MacId, node: MacId },
    /// An explicit message of a node to a tool, by Group 3.
    ToolReply { node: MacId },
    /// A heartbeat of a node.
    Heartbeat { node: MacId },
    /// A frame that belongs to nobody.
    Stray,
}

/// In words, for the truth.
impl fmt::Display for Purpose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let part_of = |part: &FragmentPart| match (part.first, part.last) {
            (true, true) => String::new(),
            (true, false) => format!(", first fragment of {} bytes", part.bytes),
            (false, false) => format!(", middle fragment of {} bytes", part.bytes),
            (false, true) => format!(", last fragment of {} bytes", part.bytes),
        };
        match self {
            Purpose::Check(check) => write!(f, "duplicate address check for {}", check.mac_id),
            Purpose::Command { kind, node, exchange, part } => {
                let to = node.map_or("several".to_string(), |node| format!("node {node}"));
                write!(f, "{kind} command {exchange} to {to}{}", part_of(part))
            }
            Purpose::Response { kind, node, answers, part } => {
                write!(f, "{kind} response of node {node}")?;
                match answers {
                    Some(exchange) => write!(f, " to command {exchange}")?,
                    None => write!(f, " to no command")?,
                }
                f.write_str(&part_of(part))
            }
            Purpose::ChangeAcknowledge { node } => {
                write!(f, "acknowledge of node {node}'s change of state")
            }
            Purpose::Request { node } => write!(f, "explicit request to node {node}"),
            Purpose::Reply { node } => write!(f, "explicit response of node {node}"),
            Purpose::ToolRequest { tool, node } => {
                write!(f, "explicit request of the tool {tool} to node {node}")
            }
            Purpose::ToolReply { node } => {
                write!(f, "explicit response of node {node} to a tool")
            }
            Purpose::Heartbeat { node } => write!(f, "heartbeat of node {node}"),
            Purpose::Stray => f.write_str("a frame that belongs to nobody"),
        }
    }
}

/// Which part of a message a frame carries, and how long the whole message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FragmentPart {
    pub(super) first: bool,
    pub(super) last: bool,
    pub(super) bytes: usize,
}

/// Bytes of an I/O message that fit a frame whole.
const WHOLE: usize = 8;
/// Bytes that a fragment carries after its fragment byte.
const FRAGMENT: usize = 7;

/// An I/O message as the data of one frame or several (IEC 62026-3: fragment byte with type in
/// bits 7–6, first 0, middle 1, last 2, and count in bits 5–0).
pub(super) fn io_frames(bytes: &[u8]) -> Vec<(Vec<u8>, FragmentPart)> {
    let total = bytes.len();
    if total <= WHOLE {
        return vec![(bytes.to_vec(), FragmentPart { first: true, last: true, bytes: total })];
    }
    let count = total.div_ceil(FRAGMENT);
    bytes
        .chunks(FRAGMENT)
        .enumerate()
        .map(|(i, chunk)| {
            let (first, last) = (i == 0, i + 1 == count);
            let kind = if first {
                0x00
            } else if last {
                0x80
            } else {
                0x40
            };
            let mut data = vec![kind | (i as u8 & 0x3F)];
            data.extend_from_slice(chunk);
            (data, FragmentPart { first, last, bytes: total })
        })
        .collect()
}

/// Puts I/O messages together again.
#[derive(Debug, Default)]
pub(super) struct IoAssembler(Vec<u8>);

impl IoAssembler {
    /// Takes a frame's data; gives the message when it is whole. `fragmented`: whether the
    /// connection's size says so.
    pub(super) fn take(&mut self, data: &[u8], fragmented: bool) -> Option<Vec<u8>> {
        // No data is whole as it is: an idle master sends none.
        if !fragmented || data.is_empty() {
            self.0.clear();
            return Some(data.to_vec());
        }
        let (head, rest) = data.split_first()?;
        if head >> 6 == 0 {
            self.0.clear();
        }
        self.0.extend_from_slice(rest);
        (head >> 6 == 2).then(|| std::mem::take(&mut self.0))
    }
}

/// Whether I/O of this size is fragmented.
pub(super) fn is_fragmented(bytes: usize) -> bool {
    bytes > WHOLE
}

/// A Group 1 frame from a node.
pub(super) fn group1(message: u8, source: MacId, data: &[u8]) -> Frame {
    standard(Identifier::Group1 { message, source }.id(), data)
}

/// A Group 2 frame to or from a node.
pub(super) fn group2(message: u8, node: MacId, data: &[u8]) -> Frame {
    standard(Identifier::Group2 { message, node }.id(), data)
}

/// A Group 3 frame from a node.
pub(super) fn group3(message: u8, source: MacId, data: &[u8]) -> Frame {
    standard(Identifier::Group3 { message, source }.id(), data)
}

/// An address check.
pub(super) fn check_frame(check: &AddressCheck) -> Frame {
    group2(7, check.mac_id, &check.bytes())
}

/// A frame with an 11-bit identifier; more than eight bytes are cut.
pub(super) fn standard(id: StandardId, data: &[u8]) -> Frame {
    let data = &data[..data.len().min(8)];
    match Frame::data(id, data) {
        Some(frame) => frame,
        None => unreachable!("eight bytes fit"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: FragmentPart = FragmentPart { first: true, last: true, bytes: 4 };
    const POLL: IoConnection = IoConnection::Poll;

    #[test]
    fn a_late_response_closes_the_later_exchange_and_is_told_apart() {
        let mut e = Exchanges::default();
        e.command(Nanos(0), MacId::MAX, POLL, 1, WHOLE);
        e.command(Nanos(100), MacId::MAX, POLL, 2, WHOLE);
        e.response(Nanos(110), MacId::MAX, POLL, Some(1), WHOLE);
        e.skipped(MacId::MAX, 1);
        let (totals, all) = e.finish();
        let totals = &totals[&(MacId::MAX, IoKind::Poll)];
        assert_eq!((totals.commands, totals.responses, totals.missed), (2, 1, 1));
        assert_eq!((&totals.latency_ns[..], &totals.interval_ns[..]), (&[10][..], &[100][..]));
        assert!(all[1].answered_by_an_earlier_response && all[0].skipped);
    }

    #[test]
    fn open_at_a_loss_is_uncertain() {
        let mut e = Exchanges::default();
        e.command(Nanos(0), MacId::MAX, POLL, 1, WHOLE);
        e.doubt();
        e.response(Nanos(5), MacId::MAX, POLL, Some(1), WHOLE);
        e.response(Nanos(6), MacId::MAX, POLL, None, WHOLE);
        let (totals, all) = e.finish();
        let totals = &totals[&(MacId::MAX, IoKind::Poll)];
        assert_eq!((totals.uncertain, totals.responses, totals.unsolicited), (1, 0, 1));
        assert_eq!(all[0].ending, Ending::Uncertain);
    }

    /// A poll of ten bytes, by IEC 62026-3.
    #[test]
    fn ten_bytes_are_two_fragments() {
        let bytes = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10];
        let frames = io_frames(&bytes);
        assert_eq!(frames[0].0, [0x00, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(frames[1].0, [0x81, 8, 9, 10]);
        let mut assembler = IoAssembler::default();
        assert_eq!(assembler.take(&frames[0].0, true), None);
        assert_eq!(assembler.take(&frames[1].0, true).as_deref(), Some(&bytes[..]));
    }

    #[test]
    fn long_messages_go_round() {
        for len in [0, 8, 9, 14, 15, 448] {
            let bytes: Vec<u8> = (0..len).map(|i| i as u8).collect();
            let mut assembler = IoAssembler::default();
            let frames = io_frames(&bytes);
            let (last, others) = frames.split_last().unwrap();
            for (data, _) in others {
                assert_eq!(assembler.take(data, is_fragmented(len)), None);
            }
            assert_eq!(assembler.take(&last.0, is_fragmented(len)), Some(bytes));
        }
    }
}
