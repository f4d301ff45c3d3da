//! Devices that only talk: frames that come round on their own, babble, invalid identifiers.

use crate::wire::{Frame, StandardId};

use super::message::{Purpose, standard};
use super::station::{Desk, Timer};
use super::time::Time;

/// What it says.
#[derive(Debug, Clone)]
pub(super) enum Words {
    /// Always the same.
    Frame(Frame),
    /// Random data under one identifier.
    Random { id: StandardId, bytes: usize },
    /// Identifiers that are not allowed on the trunk: 7F0 to 7FF.
    Invalid,
}

/// When it says it.
#[derive(Debug, Clone, Copy)]
pub(super) enum Pace {
    /// This long apart.
    Every(Time),
    /// This long apart in the mean.
    AtRandom(Time),
    /// As soon as the one before is through.
    BackToBack,
}

/// A device that only talks.
#[derive(Debug)]
pub(super) struct Talker {
    pub(super) words: Words,
    pub(super) pace: Pace,
    pub(super) offset: Time,
}

impl Talker {
    pub(super) fn power_on(&mut self, desk: &mut Desk) {
        desk.after(self.offset, Timer::Talk);
    }

    pub(super) fn timer(&mut self, desk: &mut Desk, timer: Timer) {
        if timer != Timer::Talk {
            return;
        }
        let frame = match &self.words {
            Words::Frame(frame) => *frame,
            Words::Random { id, bytes } => {
                let mut data = [0; 8];
                desk.chance.fill(&mut data);
                standard(*id, &data[..(*bytes).min(8)])
            }
            Words::Invalid => {
                let raw = 0x7F0 | desk.chance.below(16) as u16;
                let mut data = [0; 8];
                desk.chance.fill(&mut data);
                let bytes = desk.chance.below(9) as usize;
                standard(StandardId::new(raw).unwrap_or(StandardId::MAX), &data[..bytes])
            }
        };
        desk.send(frame, Purpose::Stray);
        match self.pace {
            Pace::Every(span) => desk.after(span, Timer::Talk),
            Pace::AtRandom(mean) => {
                let span = desk.chance.exponential(mean);
                desk.after(span.max(Time(1)), Timer::Talk);
            }
            Pace::BackToBack => {}
        }
    }

    pub(super) fn sent(&mut self, desk: &mut Desk) {
        if matches!(self.pace, Pace::BackToBack) {
            desk.after(Time(1), Timer::Talk);
        }
    }
}
