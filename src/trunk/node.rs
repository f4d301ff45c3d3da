//! One node, as the wire shows it.

use super::{AddressState, Exchange, Following, IoSizes, Occurrences, Pace, Presence};
use crate::wire::Nanos;

/// What is known of the node at one address.
#[derive(Debug, Clone, Default)]
pub struct Node {
    /// Frames whose identifier names the node as their sender.
    pub sent: Occurrences,
    /// The master's polls and the node's responses. The same identifiers carry the master's
    /// change of state or cyclic data and the node's acknowledge.
    pub poll: Exchange,
    /// Whether its poll responses get slower.
    pub pace: Pace,
    /// The master's bit-strobes, from the node's first response on, and its responses.
    pub strobe: Exchange,
    /// The node's change of state or cyclic data and the master's acknowledges. Where the
    /// acknowledge is suppressed, all of them count as missed.
    pub change_of_state: Exchange,
    /// Sizes of the master's polls to the node.
    pub command_sizes: IoSizes,
    /// Sizes of the node's poll responses.
    pub response_sizes: IoSizes,
    /// Whether it follows its run command, if it is a drive.
    pub following: Following,
    /// Who holds the address and who wants it.
    pub address: AddressState,
    /// Address check messages that could not be read.
    pub malformed_checks: Occurrences,
    /// Whether the node is there.
    pub presence: Presence,
}

impl Node {
    /// Whether anything is known of a node at this address: it sent, or somebody polls it.
    pub fn is_known(&self) -> bool {
        self.sent.count() > 0 || self.poll.commands() > 0
    }

    /// Whether it answers to a master: it is polled, strobed or sends on change of state.
    pub fn has_io(&self) -> bool {
        self.exchanges().iter().any(|exchange| !exchange.is_unused())
    }

    fn exchanges(&self) -> [&Exchange; 3] {
        [&self.poll, &self.strobe, &self.change_of_state]
    }

    fn exchanges_mut(&mut self) -> [&mut Exchange; 3] {
        [&mut self.poll, &mut self.strobe, &mut self.change_of_state]
    }

    pub(super) fn poll_command(&mut self, t: Nanos, data: &[u8]) -> bool {
        // Once the node answered, a further command is a new one.
        let fresh = !self.poll.awaits_response();
        if self.command_sizes.take(data, fresh) {
            self.poll.command_continues(t);
            return false;
        }
        self.poll.command(t)
    }

    pub(super) fn poll_response(&mut self, t: Nanos, data: &[u8]) {
        // The first response after a command is a new one.
        let fresh = self.poll.awaits_response();
        if !self.response_sizes.take(data, fresh)
            && let Some(latency) = self.poll.response(t)
        {
            self.pace.record(t, latency);
        }
    }

    pub(super) fn doubt(&mut self) {
        for exchange in self.exchanges_mut() {
            exchange.doubt();
        }
        self.following.doubt();
        self.command_sizes.doubt();
        self.response_sizes.doubt();
    }

    /// Nothing was heard for a while.
    pub(super) fn gap(&mut self) {
        for exchange in self.exchanges_mut() {
            exchange.gap();
        }
    }

    pub(super) fn finish(&mut self) {
        for exchange in self.exchanges_mut() {
            exchange.finish();
        }
        self.command_sizes.flush();
        self.response_sizes.flush();
    }
}
