//! A master's end of explicit messages with one slave: a list of requests, one after the
//! other, each waiting for its response.

use std::collections::VecDeque;

use crate::fieldbus::MacId;

use super::explicit::{choice, fragment, service, status};
use super::message::{Purpose, group2};
use super::scenario::{Millis, NodePlan};
use super::station::{Desk, Timer};

/// How long a request waits for its response.
const TIMEOUT_MS: f64 = 500.0;

/// One request.
#[derive(Debug, Clone, Copy)]
enum Step {
    Allocate { choice: u8 },
    Release { choice: u8 },
    SetRate { instance: u8, ms: u16 },
    Read { attribute: u8 },
}

/// What a dialog is for: its requests in order.
#[derive(Debug, Clone, Default)]
pub(super) struct Goal(VecDeque<Step>);

impl Goal {
    /// Allocate a slave, read who it is, set its rate.
    pub(super) fn allocation(plan: &NodePlan, rate: Millis) -> Goal {
        let (io, instance) = choice(plan.connection);
        let ms = rate.0 as u16;
        let reads = [1, 2, 3, 4, 6, 7].map(|attribute| Step::Read { attribute });
        let mut steps = VecDeque::from([Step::Allocate { choice: io | 0x01 }]);
        steps.extend(reads);
        steps.push_back(Step::SetRate { instance, ms });
        Goal(steps)
    }

    /// Read one attribute of the identity object.
    pub(super) fn read(attribute: u8) -> Goal {
        Goal(VecDeque::from([Step::Read { attribute }]))
    }
}

/// What came of a response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer {
    /// There is more to ask, or it was not for this.
    GoesOn,
    /// Everything was asked and answered.
    Done,
    /// The slave refused.
    Failed,
}

/// A dialog with one slave.
#[derive(Debug, Default)]
pub(super) struct Dialog {
    steps: VecDeque<Step>,
    /// The number of the request that waits for its response.
    waiting: Option<u64>,
    requests: u64,
}

impl Dialog {
    /// A new one, whose requests are numbered on.
    pub(super) fn after(other: &Dialog) -> Dialog {
        Dialog { requests: other.requests, ..Dialog::default() }
    }

    pub(super) fn is_busy(&self) -> bool {
        self.waiting.is_some()
    }

    pub(super) fn is_waiting_for(&self, request: u64) -> bool {
        self.waiting == Some(request)
    }

    pub(super) fn begin(
        &mut self,
        desk: &mut Desk,
        slot: usize,
        master: MacId,
        node: MacId,
        goal: Goal,
    ) {
        self.steps = goal.0;
        self.ask(desk, slot, master, node);
    }

    fn ask(&mut self, desk: &mut Desk, slot: usize, master: MacId, node: MacId) {
        let Some(&step) = self.steps.front() else { return };
        let head = master.get();
        let (message, data) = match step {
            Step::Allocate { choice } => (6, vec![head, service::ALLOCATE, 3, 1, choice, head]),
            Step::Release { choice } => (6, vec![head, service::RELEASE, 3, 1, choice]),
            Step::SetRate { instance, ms } => {
                let [low, high] = ms.to_le_bytes();
                (4, vec![head, service::SET, 5, instance, 9, low, high])
            }
            Step::Read { attribute } => (4, vec![head, service::GET, 1, 1, attribute]),
        };
        desk.send(group2(message, node, &data), Purpose::Request { node });
        self.requests += 1;
        self.waiting = Some(self.requests);
        let request = self.requests;
        desk.after(desk.clock.millis(TIMEOUT_MS), Timer::RequestTimeout { slot, request });
    }

    /// A response of the slave came.
    pub(super) fn answer(
        &mut self,
        desk: &mut Desk,
        slot: usize,
        master: MacId,
        node: MacId,
        data: &[u8],
    ) -> Answer {
        let (&[head, service, ref rest @ ..], Some(&step)) = (data, self.steps.front()) else {
            return Answer::GoesOn;
        };
        if self.waiting.is_none() || head & 0x3F != master.get() {
            return Answer::GoesOn;
        }
        if head & fragment::IN_HEADER != 0 {
            let acknowledge = [head, fragment::ACKNOWLEDGE | service & 0x3F, 0];
            desk.send(group2(4, node, &acknowledge), Purpose::Request { node });
            if service & fragment::ACKNOWLEDGE != fragment::LAST {
                return Answer::GoesOn;
            }
        } else if service & service::RESPONSE == 0 {
            return Answer::GoesOn;
        } else if service == service::ERROR | service::RESPONSE {
            match (step, rest.first()) {
                (Step::Allocate { choice }, Some(&status::ALREADY)) => {
                    self.steps.push_front(Step::Release { choice });
                    self.ask(desk, slot, master, node);
                    return Answer::GoesOn;
                }
                // What cannot be read is left out.
                (Step::Read { .. }, _) => {}
                _ => return Answer::Failed,
            }
        }
        self.waiting = None;
        self.steps.pop_front();
        if self.steps.is_empty() {
            return Answer::Done;
        }
        self.ask(desk, slot, master, node);
        Answer::GoesOn
    }
}
