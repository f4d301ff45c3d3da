//! What a listen-only adapter on the trunk makes of it all: records, its own receive error
//! counter and state, and what it loses.
//!
//! Source of the error frames: linux/can/error.h.

use crate::wire::{ControllerState, ErrorFrame, Frame, Nanos, Record, Tally, What};

use super::controller::Confinement;
use super::frame_bits::{FrameField, Violation};

/// Class bits.
mod class {
    pub(super) const CONTROLLER: u32 = 0x004;
    pub(super) const PROTOCOL: u32 = 0x008;
    pub(super) const BUS_ERROR: u32 = 0x080;
    pub(super) const COUNTERS: u32 = 0x200;
}

/// Controller bits, in data byte 1.
mod controller {
    pub(super) const RECEIVE_OVERFLOW: u8 = 0x01;
    pub(super) const RECEIVE_WARNING: u8 = 0x04;
    pub(super) const RECEIVE_PASSIVE: u8 = 0x10;
    pub(super) const ACTIVE: u8 = 0x40;
}

/// The adapter: records in the order heard.
#[derive(Debug, Default)]
pub(super) struct Adapter {
    records: Vec<Record>,
    tally: Tally,
    confinement: Confinement,
    unplugged: bool,
    /// Frames still to be lost by the overflow that is going on.
    to_lose: u64,
    /// Frames lost and not yet told.
    lost: u64,
    counters_told: Option<[u8; 2]>,
}

/// What the adapter did with a frame or an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Heard {
    /// It is in the capture.
    pub(super) recorded: bool,
    /// A loss was told before it.
    pub(super) loss_told: u64,
    /// The controller's new state.
    pub(super) state: Option<ControllerState>,
    /// A frame of its own told that state, or an overflow.
    pub(super) extra_error_frames: u64,
    /// The buffer overflowed with this frame.
    pub(super) overflowed: bool,
}

impl Adapter {
    pub(super) fn frame(&mut self, t: Nanos, frame: Frame) -> Heard {
        let mut heard = Heard::default();
        if self.unplugged {
            return heard;
        }
        let before = self.confinement.state();
        self.confinement.received();
        if self.to_lose > 0 {
            if self.lost == 0 {
                heard.overflowed = true;
                heard.extra_error_frames += 1;
                let mut data = [0; 8];
                data[1] = controller::RECEIVE_OVERFLOW;
                self.push_error(t, class::CONTROLLER, data);
            }
            self.to_lose -= 1;
            self.lost += 1;
            return heard;
        }
        heard.loss_told = self.tell_loss(t);
        heard.recorded = true;
        self.push(t, What::Frame(frame));
        let state = self.confinement.state();
        if state != before {
            heard.state = Some(state);
            heard.extra_error_frames += 1;
            let mut data = [0; 8];
            data[1] = state_bit(state);
            self.push_error(t, class::CONTROLLER, data);
        }
        heard
    }

    pub(super) fn error(&mut self, t: Nanos, violation: Violation, place: FrameField) -> Heard {
        let mut heard = Heard::default();
        if self.unplugged {
            return heard;
        }
        heard.loss_told = self.tell_loss(t);
        heard.recorded = true;
        let before = self.confinement.state();
        self.confinement.receive_error();
        let mut data = [0; 8];
        data[2] = match violation {
            Violation::Form => 0x02,
            Violation::Stuff => 0x04,
            Violation::Crc => 0x00,
        };
        data[3] = place as u8;
        let mut bits = class::PROTOCOL | class::BUS_ERROR;
        let state = self.confinement.state();
        if state != before {
            heard.state = Some(state);
            bits |= class::CONTROLLER;
            data[1] = state_bit(state);
        }
        self.push_error(t, bits, data);
        heard
    }

    /// The receive buffer overflows: the next frames are lost.
    pub(super) fn overflow(&mut self, frames: u64) {
        self.to_lose += frames;
    }

    pub(super) fn unplug(&mut self, t: Nanos) {
        self.tell_loss(t);
        self.unplugged = true;
        self.to_lose = 0;
        self.push(t, What::LinkDown(Some("adapter unplugged".into())));
    }

    /// Plugged in again, with a controller that was reset.
    pub(super) fn plug(&mut self, t: Nanos) {
        self.unplugged = false;
        self.confinement.reset();
        self.push(t, What::LinkUp);
    }

    /// The capture ends. Gives the loss that was still to be told.
    pub(super) fn end(&mut self, t: Nanos) -> u64 {
        let lost = self.tell_loss(t);
        let tally = self.tally;
        self.push(t, What::End(Box::new(tally)));
        lost
    }

    pub(super) fn tally(&self) -> Tally {
        self.tally
    }

    /// The transmit and receive counters that the last error frame told.
    pub(super) fn counters_told(&self) -> Option<[u8; 2]> {
        self.counters_told
    }

    pub(super) fn take_records(&mut self, batch: &mut Vec<Record>) {
        batch.append(&mut self.records);
    }

    fn tell_loss(&mut self, t: Nanos) -> u64 {
        let lost = std::mem::take(&mut self.lost);
        if lost > 0 {
            self.push(t, What::Lost(lost));
        }
        lost
    }

    fn push_error(&mut self, t: Nanos, bits: u32, mut data: [u8; 8]) {
        let (transmit, receive) = self.confinement.counters();
        // Counters of a controller are eight bits wide.
        data[6] = transmit.min(255) as u8;
        data[7] = receive.min(255) as u8;
        self.counters_told = Some([data[6], data[7]]);
        if let Some(error) = ErrorFrame::new(bits | class::COUNTERS, data) {
            self.push(t, What::Error(error));
        }
    }

    fn push(&mut self, t: Nanos, what: What) {
        self.tally.add(&what);
        self.records.push(Record { t, what });
    }
}

fn state_bit(state: ControllerState) -> u8 {
    match state {
        ControllerState::Active => controller::ACTIVE,
        ControllerState::Warning => controller::RECEIVE_WARNING,
        // A controller that only listens never goes bus-off.
        ControllerState::Passive | ControllerState::BusOff => controller::RECEIVE_PASSIVE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Cause, StandardId};

    fn errors(adapter: &mut Adapter) -> Vec<ErrorFrame> {
        let mut records = Vec::new();
        adapter.take_records(&mut records);
        let errors = records.into_iter().filter_map(|record| match record.what {
            What::Error(error) => Some(error),
            _ => None,
        });
        errors.collect()
    }

    /// Numbers of linux/can/error.h; thresholds of ISO 11898-1.
    #[test]
    fn errors_count_up_to_warning_and_passive() {
        let mut adapter = Adapter::default();
        for _ in 0..128 {
            adapter.error(Nanos(1), Violation::Stuff, FrameField::Data);
        }
        let errors = errors(&mut adapter);
        assert_eq!((errors[0].class(), errors[0].data()), (0x288, [0, 0, 4, 0x0A, 0, 0, 0, 1]));
        let states: Vec<_> = errors
            .iter()
            .enumerate()
            .filter_map(|(i, e)| e.controller_state().map(|state| (i + 1, state)))
            .collect();
        assert_eq!(states, [(96, ControllerState::Warning), (128, ControllerState::Passive)]);
        assert!(errors.iter().all(|e| e.causes().contains(Cause::Stuff)));
    }

    #[test]
    fn an_overflow_loses_frames_and_tells_how_many() {
        let mut adapter = Adapter::default();
        let frame = Frame::data(StandardId::new(0x3C5).unwrap(), &[1]).unwrap();
        adapter.overflow(2);
        for t in 0..3 {
            adapter.frame(Nanos(t), frame);
        }
        adapter.end(Nanos(9));
        let mut records = Vec::new();
        adapter.take_records(&mut records);
        let what: Vec<_> = records.into_iter().map(|record| record.what).collect();
        assert!(matches!(&what[0], What::Error(e) if e.causes().contains(Cause::ReceiveOverflow)));
        assert_eq!(what[1..3], [What::Lost(2), What::Frame(frame)]);
        assert_eq!(
            what[3],
            What::End(Box::new(Tally { frames: 1, error_frames: 1, lost_frames: 2 }))
        );
    }
}
