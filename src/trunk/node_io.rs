//! The I/O of one node: what a frame does to its connection, to its exchanges and to its drive.

use super::connections::{Known, Origin, offer};
use super::io::IoFrame;
use super::node::Node;
use super::reassembly::{FragmentCounts, FragmentError, FragmentStage};
use crate::fieldbus::{ConnectionKind, Fragment, Role};
use crate::wire::Nanos;

/// What a frame of I/O was.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct IoHeard {
    /// The part of a message that it is, where it is one, and what is wrong with that.
    pub(super) part: Option<(Fragment, FragmentStage, Option<FragmentError>)>,
    /// That it is a part is concluded from the traffic.
    pub(super) inferred: bool,
    /// It says something of a drive, which the node's [`Drive`](super::Drive) knows.
    pub(super) drive: bool,
    /// The command before it was never answered.
    pub(super) missed: bool,
}

impl IoHeard {
    /// Counts the fragment that the frame is, if it is one.
    #[inline]
    fn new(frame: &IoFrame, size: Option<Known<u16>>, counts: &mut FragmentCounts) -> IoHeard {
        let mut heard = IoHeard { part: frame.part, ..IoHeard::default() };
        if let Some((_, stage, error)) = frame.part {
            counts.whole += u64::from(stage == FragmentStage::Whole);
            if let Some(error) = error {
                counts.count(error);
            }
            heard.inferred = size.is_none_or(|size| size.origin == Origin::Inferred);
        }
        heard
    }
}

impl Node {
    /// The master's poll of it, or its change of state or cyclic data.
    #[inline]
    pub(super) fn poll_command(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        let kind = self.command_kind();
        self.connections.fed(t, kind);
        self.spoken_to();
        let size = &mut self.connections.get_mut(kind).consumed;
        // Once the node answered, a further command is a new one.
        let fresh = !self.poll.awaits_response();
        let frame = self.command_io.frame(t, data, *size, fresh);
        if let Some(length) = frame.length {
            // No data is a master that is idle, not a size.
            if length > 0 {
                offer(size, length, Origin::Inferred);
            }
            self.idle = length == 0;
        }
        let mut heard = IoHeard::new(&frame, *size, &mut self.io_fragments);
        if heard.part.is_none() {
            heard.drive = self.drive.commanded(data);
        }
        if frame.continues {
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
        let size = &mut self.connections.get_mut(kind).produced;
        // The first response after a command is a new one.
        let fresh = self.poll.awaits_response();
        let frame = self.response_io.frame(t, data, *size, fresh);
        if let Some(length) = frame.length.filter(|&length| length > 0) {
            offer(size, length, Origin::Inferred);
        }
        let mut heard = IoHeard::new(&frame, *size, &mut self.io_fragments);
        self.read_status(&mut heard, data);
        if !frame.continues
            && let Some(latency) = self.poll.response(t)
        {
            self.latency_drift.record(t, latency);
        }
        heard
    }

    /// Its change of state or cyclic data.
    pub(super) fn change_of_state(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        self.spoke();
        self.connections.spoke(t, ConnectionKind::ChangeOfState);
        let size = &mut self.connections.get_mut(ConnectionKind::ChangeOfState).produced;
        // Once the master acknowledged, it is a new message.
        let fresh = !self.change_of_state.awaits_response();
        let frame = self.change_io.frame(t, data, *size, fresh);
        if let Some(length) = frame.length {
            offer(size, length, Origin::Inferred);
        }
        let mut heard = IoHeard::new(&frame, *size, &mut self.io_fragments);
        self.read_status(&mut heard, data);
        if frame.continues {
            self.change_of_state.command_continues(t);
        } else {
            self.change_of_state.command(t);
        }
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
