//! The bus: who wins arbitration, what comes of the frame, and what each controller counts.
//!
//! Source: ISO 11898-1: arbitration by the lower identifier, never interrupted once begun;
//! 3 bits interframe space; error flag, echo and 8 bits of delimiter; suspended transmission.

use crate::wire::Frame;

use super::controller::RECOVERY_BITS;
use super::disturber::{Passing, Strike};
use super::exchanges::Purpose;
use super::frame_bits::{
    Damage, FrameField, Pattern, Violation, arbitration_key, flagged, misread, struck,
};
use super::program::{Program, Station};
use super::scenario::Recovery;
use super::simulation::{Current, FrameOutcome, Sending, Simulation};
use super::station::ScheduledEvent;
use super::time::Time;
use super::truth::TrueCause;

const INTERFRAME: u64 = 3;
const ERROR_DELIMITER: u64 = 8;
const ERROR_FLAG: u64 = 6;
const SUSPENSION: Time = Time(8);

impl Simulation {
    /// The bus is free and at least one controller has a frame: arbitration and outcome.
    pub(super) fn start_frame(&mut self, now: Time) {
        self.count_silence(now);
        self.bus.frames += 1;
        let mut offers: Vec<(u32, usize)> = Vec::new();
        for (index, station) in self.stations.iter().enumerate() {
            if let Some(pending) = station.controller.offer()
                && station.controller.ready_at() <= now
            {
                offers.push((arbitration_key(&pending.frame), index));
            }
        }
        if let Some(&(_, foreign)) =
            offers.iter().find(|&&(_, index)| self.stations[index].controller.foreign.is_some())
        {
            self.start_gibberish(now, foreign);
            return;
        }
        let Some(key) = offers.iter().map(|&(key, _)| key).min() else { return };
        let mut senders: Vec<usize> =
            offers.iter().filter(|&&(k, _)| k == key).map(|&(_, index)| index).collect();
        let collision = self.collide(&mut senders);
        let Some(&first) = senders.first() else { return };
        let Some(pending) = self.stations[first].controller.offer() else { return };
        let (frame, purpose) = (pending.frame, pending.purpose);
        let bits = (self.bus.length)(&frame).0;
        let outcome = match collision {
            Some((damage, losers)) => {
                senders.extend(&losers);
                let cause = TrueCause::Collision;
                FrameOutcome::Destroyed { damage, cause, first: None, at_fault: losers }
            }
            None => self.outcome(now, &frame, bits, &senders),
        };
        let pattern_end = bits - INTERFRAME;
        let (heard, free) = match &outcome {
            FrameOutcome::Good { .. } => (pattern_end, bits),
            // Up to the ACK slot, then flag, delimiter, interframe space.
            FrameOutcome::Alone { damage: None } => {
                let flag = pattern_end - 8;
                (pattern_end, flag + ERROR_FLAG + ERROR_DELIMITER + INTERFRAME)
            }
            FrameOutcome::Alone { damage: Some(damage) }
            | FrameOutcome::Destroyed { damage, .. } => {
                let flags = damage.flags_end as u64;
                (damage.heard as u64 + 1, flags + ERROR_DELIMITER + INTERFRAME)
            }
        };
        let senders = senders.iter().map(|&station| self.sending(station)).collect();
        self.bus.current = Some(Current { start: now, senders, frame, purpose, outcome });
        self.bus.free = now + Time(free);
        self.queue.plan(now + Time(heard), ScheduledEvent::Finished);
    }

    /// Controllers that begin the same identifier at once. Where their frames differ, those
    /// that send recessive notice: the error-active among them destroy the frame, the
    /// error-passive give way. Leaves those that go on.
    fn collide(&mut self, senders: &mut Vec<usize>) -> Option<(Damage, Vec<usize>)> {
        while senders.len() > 1 {
            let patterns: Vec<Pattern> = senders
                .iter()
                .filter_map(|&s| self.stations[s].controller.offer())
                .map(|pending| Pattern::of(&pending.frame))
                .collect();
            let longest = patterns.iter().map(|p| p.bits.len()).max()?;
            let differs = |&i: &usize| {
                let mut levels = patterns.iter().map(|p| p.bits.get(i).map(|b| b.recessive));
                let first = levels.next();
                levels.any(|level| Some(level) != first)
            };
            let bit = (0..longest).find(differs)?;
            let recessive = |p: &Pattern| p.bits.get(bit).is_none_or(|b| b.recessive);
            let losers: Vec<usize> = (senders.iter().zip(&patterns))
                .filter(|(_, p)| recessive(p))
                .map(|(&s, _)| s)
                .collect();
            let winner = patterns.iter().find(|p| !recessive(p))?;
            let active = |&s: &usize| self.stations[s].controller.confinement.is_active();
            if losers.iter().any(active) {
                let others = self.active_receivers(senders);
                let damage = flagged(winner, bit, others)?;
                senders.retain(|s| !losers.contains(s));
                return Some((damage, losers));
            }
            senders.retain(|s| !losers.contains(s));
            for loser in losers {
                self.count_send_error(loser);
            }
        }
        None
    }

    /// What comes of a frame that one controller sends, or several bit for bit alike.
    fn outcome(&mut self, now: Time, frame: &Frame, bits: u64, senders: &[usize]) -> FrameOutcome {
        let acknowledged = self
            .stations
            .iter()
            .enumerate()
            .any(|(i, s)| !senders.contains(&i) && s.controller.acknowledges());
        let sender = senders[0];
        let sender_active = self.stations[sender].controller.confinement.is_active();
        if !acknowledged {
            let pattern = Pattern::of(frame);
            let slot = pattern.ack_slot();
            let damage = Damage {
                heard: slot + 1,
                violation: Violation::Form,
                place: FrameField::AckDelimiter,
                flags_end: slot + 1 + ERROR_FLAG as usize,
                sender_yielded: false,
            };
            return FrameOutcome::Alone { damage: sender_active.then_some(damage) };
        }
        let others = self.active_receivers(senders);
        if let Some(strike) = self.strike(now, bits, senders) {
            let pattern = Pattern::of(frame);
            let cause = TrueCause::Fault(strike.fault);
            match strike.only {
                None => {
                    if let Some(damage) = struck(&pattern, strike.bit, sender_active, others) {
                        let at_fault = Vec::new();
                        return FrameOutcome::Destroyed { damage, cause, first: None, at_fault };
                    }
                }
                Some(receiver) => {
                    if !self.stations[receiver].controller.confinement.is_active() {
                        return FrameOutcome::Good { deaf: Some(receiver) };
                    }
                    let noticed = misread(&pattern, strike.bit);
                    if let Some(damage) = flagged(&pattern, noticed, true) {
                        let (first, at_fault) = (Some(receiver), Vec::new());
                        return FrameOutcome::Destroyed { damage, cause, first, at_fault };
                    }
                }
            }
        }
        FrameOutcome::Good { deaf: None }
    }

    /// The first bit that a fault strikes. Every fault is asked, so that each draws the same
    /// chance whatever the others do.
    fn strike(&mut self, now: Time, bits: u64, senders: &[usize]) -> Option<Strike> {
        let foreign = self.foreign_flag(bits, senders);
        if self.disturbers.iter().all(|d| !d.on) {
            return foreign;
        }
        let mut disturbers = std::mem::take(&mut self.disturbers);
        let (stations, clock) = (&self.stations, self.clock);
        let at = |station: usize| (stations[station].position_m.max(0.0) * 100.0) as u64;
        let here = at(senders[0]);
        let hears = |station: usize| stations[station].controller.acknowledges();
        let farthest =
            (0..stations.len()).filter(|&s| hears(s)).map(|s| at(s).abs_diff(here)).max();
        let trunk = (self.scenario.trunk.length_m.0.max(0.01) * 100.0) as u64;
        let speed = |station: usize| match &stations[station].program {
            Program::Slave(slave) => slave
                .drive
                .as_ref()
                .filter(|_| stations[station].controller.powered)
                .map_or(0, |drive| drive.speed_at(now, clock).unsigned_abs()),
            _ => 0,
        };
        let passing = Passing {
            start: now,
            bits: (bits - INTERFRAME) as usize,
            sender: senders[0],
            distance: (farthest.unwrap_or(0), trunk),
            speed: &speed,
            hears: &hears,
        };
        let strikes: Vec<Strike> =
            disturbers.iter_mut().filter_map(|d| d.strike(&passing)).collect();
        std::mem::swap(&mut self.disturbers, &mut disturbers);
        strikes.into_iter().chain(foreign).min_by_key(|strike| strike.bit)
    }

    /// A newcomer at another bit rate understands nothing and, while it is error-active, says
    /// so with an error flag: after 16 to 40 of its own bits, if the frame is not over by then.
    fn foreign_flag(&mut self, bits: u64, senders: &[usize]) -> Option<Strike> {
        let station = self.stations.iter().position(|s| {
            s.controller.foreign.is_some()
                && s.controller.takes_part()
                && s.controller.confinement.is_active()
        })?;
        let own = u64::from(self.stations[station].controller.foreign?.get());
        let trunk = u64::from(self.bitrate().get());
        let in_trunk_bits = |own_bits: u64| own_bits * trunk / own;
        let bit =
            self.stations[station].chance.between(in_trunk_bits(16), in_trunk_bits(40)) as usize;
        if bit as u64 > bits - INTERFRAME - 2 {
            return None;
        }
        let fault = self.newcomers.iter().position(|&s| s == Some(station))?;
        let only = (!senders.contains(&station)).then_some(station);
        Some(Strike { bit, only, fault })
    }

    /// A newcomer at another bit rate sends: all others hear a violation at once.
    fn start_gibberish(&mut self, now: Time, station: usize) {
        let Some(pending) = self.stations[station].controller.offer() else { return };
        let (frame, purpose) = (pending.frame, pending.purpose);
        let fault = self.newcomers.iter().position(|&s| s == Some(station)).unwrap_or(0);
        // Six equal bits are a violation. The slower the sender, the longer its equal levels.
        let own = self.stations[station].controller.foreign.unwrap_or(self.bitrate()).get();
        let within = (3 * u64::from(own) / u64::from(self.bitrate().get())).max(1);
        let heard = 6 + self.stations[station].chance.below(within) as usize;
        let damage = Damage {
            heard,
            violation: Violation::Stuff,
            place: FrameField::Id28To21,
            flags_end: heard + 1 + ERROR_FLAG as usize,
            sender_yielded: false,
        };
        let outcome = FrameOutcome::Destroyed {
            damage,
            cause: TrueCause::Fault(fault),
            first: None,
            at_fault: Vec::new(),
        };
        let senders = vec![self.sending(station)];
        self.bus.current = Some(Current { start: now, senders, frame, purpose, outcome });
        let over = damage.flags_end as u64 + ERROR_DELIMITER + INTERFRAME;
        self.bus.free = now + Time(over);
        self.queue.plan(now + Time(heard as u64 + 1), ScheduledEvent::Finished);
    }

    fn active_receivers(&self, senders: &[usize]) -> bool {
        self.stations.iter().enumerate().any(|(i, s)| {
            !senders.contains(&i)
                && s.controller.acknowledges()
                && s.controller.confinement.is_active()
        })
    }

    /// The frame was heard to its end, or was heard to be destroyed.
    pub(super) fn frame_over(&mut self) {
        let Some(current) = self.bus.current.take() else { return };
        let Current { senders, frame, purpose, outcome, start } = current;
        match outcome {
            FrameOutcome::Good { deaf } => {
                self.hear_frame(senders[0].station, &frame, &purpose);
                if let Some(station) = deaf {
                    self.stations[station].controller.confinement.receive_error();
                }
                for &sending in &senders {
                    self.sent(sending, &purpose);
                }
                self.deliver(&senders, deaf, &frame, &purpose);
            }
            FrameOutcome::Alone { damage } => {
                for &Sending { station, .. } in &senders {
                    let confinement = &mut self.stations[station].controller.confinement;
                    confinement.acknowledge_error();
                    self.suspend(station);
                }
                match damage {
                    Some(damage) => {
                        self.hear_error(start, damage, TrueCause::NoAcknowledge, &senders, &purpose)
                    }
                    None => self.hear_frame(senders[0].station, &frame, &purpose),
                }
            }
            FrameOutcome::Destroyed { damage, cause, first, at_fault } => {
                self.hear_error(start, damage, cause, &senders, &purpose);
                self.count_destruction(&senders, damage, first, &at_fault);
            }
        }
        for station in 0..self.stations.len() {
            self.note_state(station);
            if let Some(left) = self.stations[station].controller.confinement.recovery_left() {
                let frames = self.bus.frames;
                self.queue.plan(self.bus.free + left, ScheduledEvent::Recovery { station, frames });
            }
        }
    }

    fn sending(&self, station: usize) -> Sending {
        let Station { controller, epoch, .. } = &self.stations[station];
        let order = controller.offer().map_or(u64::MAX, |pending| pending.order);
        Sending { station, epoch: *epoch, order }
    }

    fn sent(&mut self, sending: Sending, purpose: &Purpose) {
        let Sending { station: sender, epoch, order } = sending;
        // One that lost its power meanwhile is none the wiser.
        if self.stations[sender].epoch != epoch {
            return;
        }
        let controller = &mut self.stations[sender].controller;
        controller.take(order);
        controller.confinement.sent();
        self.suspend(sender);
        self.work(sender, |program, desk| match program {
            Program::Master(master) => master.sent(desk, purpose),
            Program::Slave(slave) => slave.sent(desk, purpose),
            Program::Tool(tool) => tool.sent(desk, purpose),
            Program::BackgroundSender(talker) => talker.sent(desk),
        });
    }

    fn suspend(&mut self, sender: usize) {
        let controller = &mut self.stations[sender].controller;
        if !controller.confinement.is_active() {
            controller.suspended_until = self.bus.free + SUSPENSION;
        }
    }

    /// What everybody counts for a destroyed frame.
    fn count_destruction(
        &mut self,
        senders: &[Sending],
        damage: Damage,
        first: Option<usize>,
        at_fault: &[usize],
    ) {
        for station in 0..self.stations.len() {
            let sends = senders.iter().any(|sending| sending.station == station);
            if sends && (!damage.sender_yielded || at_fault.contains(&station)) {
                self.count_send_error(station);
            } else if self.stations[station].controller.takes_part() {
                let confinement = &mut self.stations[station].controller.confinement;
                confinement.receive_error();
                if first == Some(station) {
                    confinement.dominant_after_flag();
                }
            }
        }
    }

    fn count_send_error(&mut self, station: usize) {
        let device = &mut self.stations[station];
        device.controller.confinement.transmit_error();
        if device.controller.confinement.is_off() {
            device.controller.clear();
            if device.recovery == Recovery::Automatic {
                device.controller.confinement.recover();
            }
            if let Program::Slave(slave) = &mut device.program {
                slave.bus_off();
            }
            self.transmitter_is_off(station);
            self.note_state(station);
        } else {
            self.suspend(station);
        }
    }

    fn hear_frame(&mut self, sender: usize, frame: &Frame, purpose: &Purpose) {
        let (t, length) = (self.t(), (self.bus.length)(frame));
        let heard = self.adapter.frame(t, *frame);
        self.ledger.adapter(t, &heard);
        let device = self.stations[sender].program.device();
        if heard.recorded {
            self.ledger.frame(t, frame, length, purpose);
        } else {
            self.ledger.unheard(t, device, purpose);
        }
    }

    fn hear_error(
        &mut self,
        start: Time,
        damage: Damage,
        cause: TrueCause,
        senders: &[Sending],
        purpose: &Purpose,
    ) {
        let t = (start + Time(damage.heard as u64 + 1)).nanos(self.bitrate());
        let heard = self.adapter.error(t, damage.violation, damage.place);
        self.ledger.adapter(t, &heard);
        let victims = senders.iter().map(|s| self.stations[s.station].program.device()).collect();
        self.ledger.error(t, &damage, cause, victims, purpose, heard.recorded);
    }

    /// Counts the recessive bits since the last frame towards recovery from bus-off: eleven at
    /// its end, then each eleven of silence.
    fn count_silence(&mut self, now: Time) {
        let occurrences = 1 + now.since(self.bus.free).0 / RECOVERY_BITS;
        for station in 0..self.stations.len() {
            if self.stations[station].controller.confinement.saw_recessive(occurrences) {
                self.note_state(station);
            }
        }
    }

    /// Nothing was sent while a controller waited to leave bus-off.
    pub(super) fn silent_long_enough(&mut self, station: usize, frames: u64) {
        if self.bus.frames == frames {
            let confinement = &mut self.stations[station].controller.confinement;
            if let Some(left) = confinement.recovery_left() {
                confinement.saw_recessive(left.0 / RECOVERY_BITS);
                self.note_state(station);
            }
        }
    }
}
