//! One scan as it is likely to look: who is on the wire when, played by identifier.
//!
//! Assumed: a clear bus; all commands ready together at the start, as far as the master's own
//! order can be known; answers ready a fixed reaction time after the command's end; change of
//! state and cyclic data sent once, at the start; mean wire times; no explicit messages.

use super::messages::PlannedMessage;
use super::model::Plan;
use super::traffic::Traffic;
use crate::fieldbus::MacId;
use crate::wire::StandardId;

/// One frame of the predicted scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanFrame {
    /// Its identifier.
    pub id: StandardId,
    /// The node that it belongs to; `None` for the bit-strobe command.
    pub node: Option<MacId>,
    /// Whether a slave sends it, or else the master.
    pub from_slave: bool,
    /// When it begins, in bit times from the start of the scan.
    pub begin_bits: f64,
    /// When it ends.
    pub end_bits: f64,
}

/// The frames of one scan in the order in which they go over the wire.
pub fn predict_scan(plan: &Plan, traffic: &Traffic) -> Vec<ScanFrame> {
    let rate = f64::from(plan.trunk.bitrate.get());
    let reaction = plan.trunk.reaction.as_secs() * rate;
    // By priority, so the first that is ready wins.
    let mut waiting: Vec<Waiting> = traffic
        .messages
        .iter()
        .filter(|times| !times.message.explicit)
        .map(|times| Waiting {
            times: times.frames.iter().map(|frame| frame.mean).rev().collect(),
            ready: if times.message.answers.is_none() { Some(0.0) } else { None },
            message: &times.message,
        })
        .collect();
    let mut frames = Vec::new();
    let mut now = 0.0f64;
    while let Some(earliest) = waiting.iter().filter_map(|w| w.ready).reduce(f64::min) {
        now = now.max(earliest);
        let ready = |w: &&mut Waiting| w.ready.is_some_and(|ready| ready <= now);
        let Some(sender) = waiting.iter_mut().find(ready) else { break };
        let end_bits = now + sender.times.pop().unwrap_or(0.0);
        let message = sender.message;
        frames.push(ScanFrame {
            id: message.id,
            node: message.node,
            from_slave: message.from_slave,
            begin_bits: now,
            end_bits,
        });
        now = end_bits;
        if sender.times.is_empty() {
            sender.ready = None;
            for answer in waiting.iter_mut().filter(|w| w.message.answers == Some(message.id)) {
                answer.ready = Some(now + reaction);
            }
        }
    }
    frames
}

struct Waiting<'a> {
    message: &'a PlannedMessage,
    /// Its frames still to send, the last one first.
    times: Vec<f64>,
    ready: Option<f64>,
}
