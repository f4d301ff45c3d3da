//! One kind of I/O exchange of a node, command and response: how many, how fast, and response times
//! over time: a series in windows, and whether they get slower.

use super::statistics::{Distribution, Occurrences};
use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::Nanos;

/// The exchanges of one kind with one node: poll, bit-strobe, change of state.
///
/// An exchange opens with a command and closes with the first response after it. A further
/// command while one is open counts the open one as missed. So commands = responses + missed
/// + uncertain + the one still open, but for commands that need no response.
///
/// One that spans a step back of the clock has no latency and no interval. Where frames were lost,
/// the link was down or the adapter was bus-off, commands may have come that nobody heard: from
/// the last before to the first after is no interval.
#[derive(Debug, Clone, Default)]
pub struct Exchange {
    commands: u64,
    responses: u64,
    uncertain: u64,
    missed: Occurrences,
    unsolicited: Occurrences,
    state: ExchangeState,
    latency: Option<Box<Distribution>>,
    interval: Option<Box<Distribution>>,
    over_time: Option<Box<LatencySeries>>,
    /// End of the command before the last one: the interval is known once the last one has
    /// certainly ended, which a fragmented command does only with its last fragment.
    previous: Option<Nanos>,
    last: Option<Nanos>,
    /// Since then commands may have come that nobody heard.
    gap: bool,
}

#[derive(Debug, Clone, Copy, Default)]
enum ExchangeState {
    #[default]
    Closed,
    /// Open since the end of the command.
    Open(Nanos),
    /// The command ended then, and may be answered or not.
    Optional(Nanos),
    /// Counted as uncertain already; a response that still comes is neither counted nor
    /// unsolicited.
    Doubtful,
}

impl Exchange {
    /// A command. `true`: the exchange before it was missed.
    pub fn command(&mut self, t: Nanos) -> bool {
        let missed = matches!(self.state, ExchangeState::Open(_));
        if missed {
            self.missed.add(t);
            self.over_time.get_or_insert_default().missed(t);
        }
        self.commands += 1;
        self.state = ExchangeState::Open(t);
        self.record_interval();
        self.previous = if std::mem::take(&mut self.gap) { None } else { self.last };
        self.last = Some(t);
        missed
    }

    /// A command that need not be answered: the one before it was not missed.
    pub fn unanswered_command(&mut self, t: Nanos) {
        self.state = ExchangeState::Closed;
        self.command(t);
        self.state = ExchangeState::Optional(t);
    }

    /// A further fragment of the last command: the command ends with its last one.
    pub fn command_continues(&mut self, t: Nanos) {
        if let ExchangeState::Open(end) | ExchangeState::Optional(end) = &mut self.state {
            *end = t;
        }
        if std::mem::take(&mut self.gap) {
            self.previous = None;
        }
        self.last = Some(t);
    }

    /// A response, or the first fragment of one. Gives its latency, if it closes an exchange
    /// and the clock did not step back meanwhile.
    pub fn response(&mut self, t: Nanos) -> Option<Nanos> {
        let state = std::mem::take(&mut self.state);
        match state {
            ExchangeState::Open(command) | ExchangeState::Optional(command) => {
                self.responses += 1;
                let span = t.since(command)?;
                self.latency.get_or_insert_default().record(span);
                self.over_time.get_or_insert_default().measured(t, span);
                Some(span)
            }
            ExchangeState::Doubtful => None,
            ExchangeState::Closed => {
                self.unsolicited.add(t);
                None
            }
        }
    }

    /// Frames were lost or the link went down: whether the open exchange was answered, nobody
    /// can tell.
    pub fn doubt(&mut self) {
        if let ExchangeState::Open(_) | ExchangeState::Optional(_) = self.state {
            self.uncertain += u64::from(self.is_open());
            self.state = ExchangeState::Doubtful;
        }
        self.gap();
    }

    /// Nothing was heard for a while: from the last command to the next is no interval.
    pub fn gap(&mut self) {
        self.gap = true;
    }

    /// Nothing more will come: the last interval is known.
    pub fn finish(&mut self) {
        self.record_interval();
        self.previous = self.last;
        self.last = None;
    }

    fn record_interval(&mut self) {
        if let (Some(previous), Some(last)) = (self.previous, self.last)
            && let Some(span) = last.since(previous)
        {
            self.interval.get_or_insert_default().record(span);
        }
    }

    /// When the last command ended.
    pub fn last_command(&self) -> Option<Nanos> {
        self.last.or(self.previous)
    }

    /// Whether a command waits for its response.
    pub fn is_open(&self) -> bool {
        matches!(self.state, ExchangeState::Open(_))
    }

    /// Whether the next response would be the first one after a command.
    pub fn awaits_response(&self) -> bool {
        !matches!(self.state, ExchangeState::Closed)
    }

    /// Whether there was neither command nor response.
    pub fn is_unused(&self) -> bool {
        self.commands == 0 && self.unsolicited.count() == 0
    }

    /// Commands seen.
    pub fn commands(&self) -> u64 {
        self.commands
    }

    /// Responses that closed an exchange.
    pub fn responses(&self) -> u64 {
        self.responses
    }

    /// Exchanges that the next command found still open; the times are those of that command.
    pub fn missed(&self) -> &Occurrences {
        &self.missed
    }

    /// Responses with no exchange open.
    pub fn unsolicited(&self) -> &Occurrences {
        &self.unsolicited
    }

    /// Exchanges that were open when frames were lost or the link went down.
    pub fn uncertain(&self) -> u64 {
        self.uncertain
    }

    /// From the end of the command to the end of the response.
    pub fn latency(&self) -> Option<&Distribution> {
        self.latency.as_deref()
    }

    /// The latency and what was missed, over time.
    pub fn latency_series(&self) -> Option<&LatencySeries> {
        self.over_time.as_deref()
    }

    /// From the end of one command to the end of the next.
    pub fn interval(&self) -> Option<&Distribution> {
        self.interval.as_deref()
    }
}

/// Commands of one kind for several nodes at once.
#[derive(Debug, Clone, Default)]
pub(super) struct GroupCommand {
    /// When the last one was.
    pub(super) last: Option<Nanos>,
    /// The nodes that have responded.
    pub(super) responders: MacIdSet,
}

impl GroupCommand {
    /// When the last command was, if the response of this node is its first: nothing but a response
    /// tells that a node is meant.
    pub(super) fn first_response(&mut self, mac_id: MacId) -> Option<Nanos> {
        let is_new = !self.responders.contains(mac_id);
        self.responders.insert(mac_id);
        self.last.filter(|_| is_new)
    }

    /// Commands may have come that nobody heard.
    pub(super) fn doubt(&mut self) {
        self.last = None;
    }
}

/// The most windows that are kept.
const MOST: usize = 256;

/// Spans of time by when they were measured, over any length of watch: whenever there are too
/// many windows, they are merged in pairs and are twice as long from then on.
#[derive(Debug, Clone)]
pub struct LatencySeries {
    window: i64,
    windows: Vec<LatencyWindow>,
    /// What is before this belongs to the last window.
    next: i64,
}

/// One window that held something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LatencyWindow {
    /// The window, counted from 0 at t = 0.
    pub index: i64,
    /// How many spans were measured.
    pub count: u64,
    /// Their sum, in nanoseconds.
    pub sum_ns: i128,
    /// The worst of them.
    pub max: Nanos,
    /// How many were missed: no span could be measured where one was due.
    pub missed: u64,
}

impl LatencyWindow {
    fn merge(&mut self, other: &LatencyWindow) {
        self.count += other.count;
        self.sum_ns += other.sum_ns;
        self.max = self.max.max(other.max);
        self.missed += other.missed;
    }
}

impl Default for LatencySeries {
    fn default() -> LatencySeries {
        LatencySeries { window: Nanos::SECOND.0, windows: Vec::new(), next: i64::MIN }
    }
}

impl LatencySeries {
    /// A span that was measured at this time.
    pub(super) fn measured(&mut self, t: Nanos, span: Nanos) {
        let window = self.at(t);
        window.count += 1;
        window.sum_ns += i128::from(span.0);
        window.max = window.max.max(span);
    }

    /// A span was due at this time and none could be measured.
    pub(super) fn missed(&mut self, t: Nanos) {
        self.at(t).missed += 1;
    }

    fn at(&mut self, t: Nanos) -> &mut LatencyWindow {
        // After a step back of the clock the newest window takes what comes until it is past.
        if t.0 >= self.next {
            self.begin(t.0.div_euclid(self.window));
        }
        let last = self.windows.len() - 1;
        &mut self.windows[last]
    }

    fn begin(&mut self, index: i64) {
        if self.windows.last().is_none_or(|last| last.index < index) {
            self.windows.push(LatencyWindow { index, ..LatencyWindow::default() });
            while self.windows.len() > MOST {
                self.halve();
            }
        }
        let last = self.windows.last().map_or(index, |last| last.index);
        self.next = last.saturating_add(1).saturating_mul(self.window);
    }

    fn halve(&mut self) {
        self.window = self.window.saturating_mul(2);
        for window in &mut self.windows {
            window.index = window.index.div_euclid(2);
        }
        self.windows.dedup_by(|later, earlier| {
            let same = later.index == earlier.index;
            if same {
                earlier.merge(later);
            }
            same
        });
    }

    /// How long a window is.
    pub fn window(&self) -> Nanos {
        Nanos(self.window)
    }

    /// The windows that held something, oldest first.
    pub fn windows(&self) -> &[LatencyWindow] {
        &self.windows
    }
}

/// The fastest and the slowest stretch of a node's response times.
#[derive(Debug, Clone, Default)]
pub struct LatencyDrift {
    spans: Vec<i64>,
    from: Nanos,
    fastest: Option<DriftStretch>,
    slowest: Option<DriftStretch>,
    stretches: u64,
    /// Those whose median is more than twice the fastest so far.
    slow: u64,
}

/// So many responses in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DriftStretch {
    /// When it began.
    pub from: Nanos,
    /// The median of its response times.
    pub median: Nanos,
}

impl LatencyDrift {
    /// Responses in a stretch.
    pub const STRETCH: usize = 64;

    /// A response.
    pub(super) fn record(&mut self, t: Nanos, span: Nanos) {
        if self.spans.is_empty() {
            self.from = t;
        }
        self.spans.push(span.0);
        if self.spans.len() < Self::STRETCH {
            return;
        }
        let (_, &mut median, _) = self.spans.select_nth_unstable(Self::STRETCH / 2);
        self.spans.clear();
        let stretch = DriftStretch { from: self.from, median: Nanos(median) };
        self.stretches += 1;
        if self.fastest.is_none_or(|fastest| stretch.median < fastest.median) {
            self.fastest = Some(stretch);
        }
        if self.slowest.is_none_or(|slowest| stretch.median > slowest.median) {
            self.slowest = Some(stretch);
        }
        self.slow += u64::from(self.fastest.is_some_and(|f| median > 2 * f.median.0));
    }

    /// The stretch with the shortest median.
    pub fn fastest(&self) -> Option<DriftStretch> {
        self.fastest
    }

    /// The stretch with the longest median.
    pub fn slowest(&self) -> Option<DriftStretch> {
        self.slowest
    }

    /// Whole stretches, and how many of them took more than twice as long as the fastest one
    /// before.
    pub fn stretches(&self) -> (u64, u64) {
        (self.stretches, self.slow)
    }
}

#[cfg(test)]
mod pace_tests {
    use super::*;

    #[test]
    fn a_slow_spell_shows() {
        let mut drift = LatencyDrift::default();
        for i in 0..1000i64 {
            let ms = if (400..600).contains(&i) { 9 } else { 2 };
            drift.record(Nanos::from_millis(20 * i), Nanos::from_millis(ms));
        }
        assert_eq!(drift.fastest().unwrap().median, Nanos::from_millis(2));
        let slowest = drift.slowest().unwrap();
        assert_eq!(
            (slowest.median, slowest.from),
            (Nanos::from_millis(9), Nanos::from_millis(7680))
        );
        assert_eq!(drift.stretches(), (15, 3));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(e: &Exchange) -> [u64; 5] {
        [e.commands, e.responses, e.missed.count(), e.unsolicited.count(), e.uncertain]
    }

    #[test]
    fn answered_missed_unsolicited() {
        let mut e = Exchange::default();
        e.command(Nanos(0));
        e.response(Nanos(10));
        assert!(!e.command(Nanos(100)));
        assert!(e.command(Nanos(200)));
        e.response(Nanos(230));
        e.response(Nanos(240));
        assert_eq!(counts(&e), [3, 2, 1, 1, 0]);
        assert_eq!(e.latency().unwrap().max(), Some(Nanos(30)));
        e.finish();
        assert_eq!(e.interval().unwrap().count(), 2);
    }

    #[test]
    fn an_exchange_open_at_a_loss_is_uncertain_whatever_comes() {
        let mut e = Exchange::default();
        e.command(Nanos(0));
        e.doubt();
        e.response(Nanos(10));
        assert_eq!(counts(&e), [1, 0, 0, 0, 1]);
        e.command(Nanos(20));
        e.doubt();
        e.doubt();
        e.command(Nanos(40));
        assert_eq!(counts(&e), [3, 0, 0, 0, 2]);
        assert!(e.is_open());
        assert!(e.latency().is_none());
    }

    #[test]
    fn what_needs_no_response_is_neither_missed_nor_uncertain() {
        let mut e = Exchange::default();
        e.unanswered_command(Nanos(0));
        e.unanswered_command(Nanos(100));
        e.doubt();
        e.unanswered_command(Nanos(200));
        e.unanswered_command(Nanos(300));
        assert_eq!(counts(&e), [4, 0, 0, 0, 0]);
        // It may be answered all the same.
        assert_eq!(e.response(Nanos(310)), Some(Nanos(10)));
        assert_eq!(counts(&e), [4, 1, 0, 0, 0]);
    }

    #[test]
    fn a_gap_is_no_interval() {
        let mut e = Exchange::default();
        for t in [0, 20, 40] {
            e.command(Nanos(t));
        }
        e.doubt();
        for t in [5_000, 5_020] {
            e.command(Nanos(t));
        }
        e.gap();
        e.command(Nanos(9_000));
        // The last fragment comes after a loss: nobody knows which command it ends.
        e.command(Nanos(9_020));
        e.doubt();
        e.command_continues(Nanos(9_500));
        e.command(Nanos(9_520));
        e.finish();
        let interval = e.interval().unwrap();
        assert_eq!((interval.count(), interval.max()), (4, Some(Nanos(20))));
    }

    #[test]
    fn a_fragmented_command_ends_with_its_last_fragment() {
        let mut e = Exchange::default();
        for start in [0, 100] {
            e.command(Nanos(start));
            e.command_continues(Nanos(start + 7));
            e.response(Nanos(start + 10));
        }
        e.finish();
        assert_eq!(e.latency().unwrap().max(), Some(Nanos(3)));
        assert_eq!(e.interval().unwrap().min(), Some(Nanos(100)));
    }

    #[test]
    fn a_clock_that_steps_back_leaves_no_measurement() {
        let mut e = Exchange::default();
        e.command(Nanos(100));
        e.response(Nanos(50));
        e.command(Nanos(60));
        e.finish();
        assert_eq!(counts(&e), [2, 1, 0, 0, 0]);
        assert!(e.latency().is_none() && e.interval().is_none());
    }

    #[test]
    fn nothing_is_lost_when_windows_merge() {
        let mut series = LatencySeries::default();
        for second in 0..5_000 {
            let t = Nanos::from_millis(second * 1000);
            series.measured(t, Nanos(second + 1));
            if second % 10 == 0 {
                series.missed(t);
            }
        }
        assert!(series.windows().len() <= MOST);
        assert_eq!(series.window(), Nanos(Nanos::SECOND.0 * 32));
        assert_eq!(series.windows().iter().map(|p| p.count).sum::<u64>(), 5_000);
        assert_eq!(series.windows().iter().map(|p| p.missed).sum::<u64>(), 500);
        assert_eq!(series.windows().last().unwrap().max, Nanos(5_000));
        assert_eq!(series.windows()[0].sum_ns, (1..=32).sum::<i128>());
    }

    #[test]
    fn leaps_of_the_clock_cost_nothing() {
        let mut series = LatencySeries::default();
        for n in 0..10_000_i64 {
            series.measured(Nanos(i64::MIN + n * 900_000_000_000_000), Nanos(1));
            series.measured(Nanos(n % 7), Nanos(1));
        }
        assert!(series.windows().len() <= MOST);
        assert_eq!(series.windows().iter().map(|p| p.count).sum::<u64>(), 20_000);
        assert!(series.windows().is_sorted_by(|a, b| a.index < b.index));
    }
}
