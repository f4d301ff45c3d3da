//! Command and response: how often, how fast, how often not.

use super::latency::LatencySeries;
use super::statistics::Distribution;
use super::statistics::Occurrences;
use crate::wire::Nanos;

/// The exchanges of one kind with one node: poll, bit-strobe, change of state.
///
/// An exchange opens with a command and closes with the first response after it. A further
/// command while one is open counts the open one as missed. So commands = responses + missed
/// + uncertain + the one still open.
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

    /// A further fragment of the last command: the command ends with its last one.
    pub fn command_continues(&mut self, t: Nanos) {
        if let ExchangeState::Open(end) = &mut self.state {
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
            ExchangeState::Open(command) => {
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
        if let ExchangeState::Open(_) = self.state {
            self.uncertain += 1;
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
}
