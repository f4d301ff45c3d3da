//! The I/O of one node: what a frame does to its connection, whether it is a part of a message,
//! and what it says of a drive.

use super::connections::{Known, Origin, offer};
use super::io_channel::{IoChannel, IoFrame};
use super::node::Node;
use super::reassembly::{FragmentCounts, FragmentError, Stage};
use crate::fieldbus::{ConnectionKind, Fragment, Role};
use crate::wire::Nanos;

/// What a frame of I/O was.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct IoHeard {
    /// The part of a message that it is, where it is one, and what is wrong with that.
    pub(super) part: Option<(Fragment, Stage, Option<FragmentError>)>,
    /// That it is a part is concluded from the traffic.
    pub(super) inferred: bool,
    /// It says something of a drive, which the node's [`Drive`](super::Drive) knows.
    pub(super) drive: bool,
    /// The command before it was never answered.
    pub(super) missed: bool,
}

impl Node {
    /// The master's poll of it, or its change of state or cyclic data.
    #[inline]
    pub(super) fn poll_command(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        let kind = self.command_kind();
        self.connections.fed(t, kind);
        self.spoken_to();
        let size = &mut self.connections.get_mut(kind).consumed;
        let (mut heard, length) =
            take(&mut self.command_io, &mut self.io_fragments, t, data, *size);
        if let Some(length) = length {
            // No data is a master that is idle, not a size.
            if length > 0 {
                offer(size, length, Origin::Inferred);
            }
            self.commanded(length);
        }
        if heard.part.is_none() {
            heard.drive = self.drive.commanded(data);
        }
        // Once the node answered, a further command is a new one.
        let fresh = !self.poll.awaits_response();
        if self.command_sizes.take(data, fresh) {
            self.poll.command_continues(t);
        } else {
            heard.missed = self.poll.command(t);
        }
        heard
    }

    /// Its poll response, or its acknowledge of the master's change of state.
    #[inline]
    pub(super) fn poll_response(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        let kind = self.command_kind();
        self.spoke();
        self.connections.spoke(t, kind);
        // An address check that is over by now may have ended its connections.
        let kind_now = self.command_kind();
        let size = self.connections.get(kind_now).produced;
        let (mut heard, length) =
            take(&mut self.response_io, &mut self.io_fragments, t, data, size);
        if let Some(length) = length.filter(|&length| length > 0) {
            offer(&mut self.connections.get_mut(kind).produced, length, Origin::Inferred);
        }
        self.read_status(&mut heard, data);
        // The first response after a command is a new one.
        let fresh = self.poll.awaits_response();
        if !self.response_sizes.take(data, fresh)
            && let Some(latency) = self.poll.response(t)
        {
            self.pace.record(t, latency);
        }
        heard
    }

    /// Its change of state or cyclic data.
    pub(super) fn change_of_state(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        self.spoke();
        self.connections.spoke(t, ConnectionKind::ChangeOfState);
        self.change_of_state.command(t);
        let size = &mut self.connections.get_mut(ConnectionKind::ChangeOfState).produced;
        let (mut heard, length) = take(&mut self.change_io, &mut self.io_fragments, t, data, *size);
        if let Some(length) = length {
            offer(size, length, Origin::Inferred);
        }
        self.read_status(&mut heard, data);
        heard
    }

    /// The master's acknowledge of its change of state or cyclic data.
    pub(super) fn change_of_state_acknowledge(&mut self, t: Nanos) {
        self.fed(t, ConnectionKind::ChangeOfState);
        self.change_of_state.response(t);
    }

    /// Its response to a strobe.
    pub(super) fn strobe_response(&mut self, t: Nanos) {
        self.strobe.response(t);
        self.spoke();
        self.connections.spoke(t, ConnectionKind::Strobe);
    }

    /// Something came for it on a connection.
    pub(super) fn fed(&mut self, t: Nanos, kind: ConnectionKind) {
        self.connections.fed(t, kind);
        self.spoken_to();
    }

    #[inline]
    fn read_status(&mut self, heard: &mut IoHeard, data: &[u8]) {
        if heard.part.is_none() {
            let device_type = self.identity.device_type;
            heard.drive = self.drive.responded(data, device_type);
        }
    }

    /// The message of this role that was put together last.
    pub(super) fn message(&self, role: Role) -> Option<&[u8]> {
        let channel = match role {
            Role::PollCommand => &self.command_io,
            Role::PollResponse => &self.response_io,
            Role::ChangeOfState => &self.change_io,
            _ => return None,
        };
        Some(channel.message())
    }
}

/// The frame, and the length of the message that it ends or is.
#[inline]
fn take(
    channel: &mut IoChannel,
    counts: &mut FragmentCounts,
    t: Nanos,
    data: &[u8],
    size: Option<Known<u16>>,
) -> (IoHeard, Option<u16>) {
    let IoFrame::Part(fragment, stage, error) = channel.frame(t, data, size) else {
        return (IoHeard::default(), Some(data.len() as u16));
    };
    if let Some(error) = error {
        counts.count(error);
    }
    let whole = stage == Stage::Whole;
    counts.whole += u64::from(whole);
    let inferred = size.is_none_or(|size| size.origin == Origin::Inferred);
    let heard = IoHeard { part: Some((fragment, stage, error)), inferred, ..IoHeard::default() };
    (heard, whole.then(|| channel.message().len() as u16))
}
