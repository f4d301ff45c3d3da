//! Every exchange of command and response that the master and the nodes had, and how it ended.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::fieldbus::MacId;
use crate::wire::Nanos;

use super::message::Part;
use super::scenario::ConnectionKind;

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
pub struct Series {
    /// Commands in the capture.
    pub commands: u64,
    /// Responses that closed an exchange.
    pub responses: u64,
    /// Exchanges that the next command found open.
    pub missed: u64,
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
    Change,
}

impl From<ConnectionKind> for IoKind {
    fn from(kind: ConnectionKind) -> IoKind {
        match kind {
            ConnectionKind::Poll => IoKind::Poll,
            ConnectionKind::Strobe => IoKind::Strobe,
            ConnectionKind::ChangeOfState | ConnectionKind::Cyclic => IoKind::Change,
        }
    }
}

/// All exchanges.
#[derive(Debug, Default)]
pub(super) struct Exchanges {
    series: BTreeMap<(MacId, IoKind), Series>,
    all: Vec<ExchangeTruth>,
    /// By the number of the exchange and the node, what was left out on purpose.
    skipped: Vec<(MacId, u64)>,
}

impl Exchanges {
    pub(super) fn command(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        kind: ConnectionKind,
        number: u64,
        part: Part,
    ) {
        let series = self.series.entry((mac_id, kind.into())).or_default();
        if part.first {
            series.cut_commands += u64::from(series.amid_command);
        }
        series.amid_command = !part.last;
        let going_on = series.current.filter(|&i| self.all[i].number == number);
        match going_on {
            Some(index) => self.all[index].command_ns = t.0,
            None => {
                if let Some(index) = series.current.replace(self.all.len()) {
                    series.missed += 1;
                    self.all[index].ending = Ending::Missed;
                }
                series.doubtful = false;
                series.commands += 1;
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
            if let Some(last) = series.last_command.replace(t.0) {
                series.interval_ns.push(t.0 - last);
            }
            note(&mut series.command_bytes, part.bytes);
        }
    }

    pub(super) fn response(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        kind: ConnectionKind,
        answers: Option<u64>,
        part: Part,
    ) {
        let series = self.series.entry((mac_id, kind.into())).or_default();
        if part.last {
            note(&mut series.response_bytes, part.bytes);
        }
        if part.first {
            series.cut_responses += u64::from(series.amid_response);
        }
        series.amid_response = !part.last;
        if !part.first {
            return;
        }
        match series.current.take() {
            Some(index) => {
                let exchange = &mut self.all[index];
                exchange.ending = Ending::Answered;
                exchange.response_ns = Some(t.0);
                exchange.answered_by_an_earlier_response =
                    answers.is_some_and(|number| number < exchange.number);
                series.responses += 1;
                series.latency_ns.push(t.0 - exchange.command_ns);
            }
            None if series.doubtful => series.doubtful = false,
            None => series.unsolicited += 1,
        }
    }

    /// A node left a response out on purpose.
    pub(super) fn skipped(&mut self, mac_id: MacId, number: u64) {
        self.skipped.push((mac_id, number));
    }

    /// Frames were lost, or the link went down.
    pub(super) fn doubt(&mut self) {
        for series in self.series.values_mut() {
            series.last_command = None;
            if let Some(index) = series.current.take() {
                series.uncertain += 1;
                series.doubtful = true;
                self.all[index].ending = Ending::Uncertain;
            }
        }
    }

    pub(super) fn finish(mut self) -> (BTreeMap<(MacId, IoKind), Series>, Vec<ExchangeTruth>) {
        self.skipped.sort_unstable();
        for exchange in &mut self.all {
            let key = (exchange.mac_id, exchange.number);
            exchange.skipped = self.skipped.binary_search(&key).is_ok();
        }
        for series in self.series.values_mut() {
            series.open = u64::from(series.current.is_some());
            series.cut_commands += u64::from(series.amid_command);
            series.cut_responses += u64::from(series.amid_response);
        }
        (self.series, self.all)
    }
}

fn note(sizes: &mut Vec<usize>, bytes: usize) {
    if let Err(place) = sizes.binary_search(&bytes) {
        sizes.insert(place, bytes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: Part = Part { first: true, last: true, bytes: 4 };
    const POLL: ConnectionKind = ConnectionKind::Poll;

    #[test]
    fn a_late_response_closes_the_later_exchange_and_is_told_apart() {
        let mut e = Exchanges::default();
        e.command(Nanos(0), MacId::MAX, POLL, 1, WHOLE);
        e.command(Nanos(100), MacId::MAX, POLL, 2, WHOLE);
        e.response(Nanos(110), MacId::MAX, POLL, Some(1), WHOLE);
        e.skipped(MacId::MAX, 1);
        let (series, all) = e.finish();
        let series = &series[&(MacId::MAX, IoKind::Poll)];
        assert_eq!((series.commands, series.responses, series.missed), (2, 1, 1));
        assert_eq!((&series.latency_ns[..], &series.interval_ns[..]), (&[10][..], &[100][..]));
        assert!(all[1].answered_by_an_earlier_response && all[0].skipped);
    }

    #[test]
    fn open_at_a_loss_is_uncertain() {
        let mut e = Exchanges::default();
        e.command(Nanos(0), MacId::MAX, POLL, 1, WHOLE);
        e.doubt();
        e.response(Nanos(5), MacId::MAX, POLL, Some(1), WHOLE);
        e.response(Nanos(6), MacId::MAX, POLL, None, WHOLE);
        let (series, all) = e.finish();
        let series = &series[&(MacId::MAX, IoKind::Poll)];
        assert_eq!((series.uncertain, series.responses, series.unsolicited), (1, 0, 1));
        assert_eq!(all[0].ending, Ending::Uncertain);
    }
}
