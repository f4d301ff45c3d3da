//! The simulated trunk as a source of records, like a live interface or a capture.

use crate::source::{Reader, SourceError};
use crate::wire::{Clock, Frame, Header, Nanos, Record};

use super::scenario::Scenario;
use super::simulation::Simulation;
use super::truth::Truth;

/// A simulated trunk, heard by a listen-only adapter.
#[derive(Debug)]
pub struct SimSource {
    header: Header,
    duration: Nanos,
    world: Simulation,
}

/// The cider bottling line that `demo` shows.
const DEMO: &str = include_str!("demo.toml");

impl SimSource {
    /// A run of a scenario. The same seed gives the same records on every machine; without one
    /// the scenario's own is taken.
    pub fn new(scenario: Scenario, seed: Option<u64>) -> SimSource {
        let header = Header {
            started: scenario.trunk.started,
            bitrate: Some(scenario.trunk.bitrate),
            interface: None,
            listen_only: Some(true),
            reports_errors: None,
            clock: Some(Clock::Simulated),
            tool: Some(Header::TOOL.to_string()),
        };
        let seed = seed.unwrap_or(scenario.trunk.seed);
        let duration = Nanos((scenario.trunk.duration_s.0 * 1e9) as i64);
        SimSource { header, duration, world: Simulation::new(scenario, seed, Frame::wire_bits) }
    }

    /// Orchard Lane, a cider bottling line: a master and eight nodes at 125 kbit/s for about a
    /// minute, with a node that misses polls, a newcomer that is refused, and a burst of errors.
    pub fn demo() -> SimSource {
        match Scenario::parse(DEMO) {
            Ok(scenario) => SimSource::new(scenario, None),
            Err(error) => unreachable!("the demo scenario is tested: {error}"),
        }
    }

    /// What the source says about itself.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// How long the scenario lasts.
    pub fn duration(&self) -> Nanos {
        self.duration
    }

    /// Appends the next records. `false`: the simulation is over.
    pub fn next_records(&mut self, batch: &mut Vec<Record>) -> bool {
        self.world.advance(batch)
    }

    /// What really happened: complete once the simulation is over.
    pub fn truth(&self) -> &Truth {
        self.world.ledger.truth()
    }
}

impl Reader for SimSource {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        // More than one step a call: each batch has its costs.
        const BATCH: usize = 256;
        let mut some = Vec::new();
        for _ in 0..BATCH {
            let more = self.next_records(&mut some);
            batch.append(&mut some);
            if !more {
                return Ok(false);
            }
        }
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::What;

    fn run(mut source: SimSource) -> Vec<Record> {
        let (mut all, mut some) = (Vec::new(), Vec::new());
        loop {
            let more = source.next_records(&mut some);
            all.append(&mut some);
            if !more {
                return all;
            }
        }
    }

    #[test]
    fn the_demo_runs_its_minute_and_ends_cleanly() {
        let records = run(SimSource::demo());
        assert!(records.is_sorted_by_key(|record| record.t), "in the order of time");
        assert!(matches!(&records.last().unwrap().what, What::End(tally) if tally.frames > 10_000));
        assert_eq!(records, run(SimSource::demo()));
    }
}
