//! Who holds an address, who wants it, and who refused whom.
//!
//! Source of the procedure: IEC 62026-3, duplicate MAC ID check: request, 1 s, request, 1 s,
//! then on line; a node on line answers a request for its address.

use super::occurrences::Occurrences;
use crate::fieldbus::{AddressCheck, AddressCheckKind, DeviceId, MacId};
use crate::wire::Nanos;

/// How a clash ended.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Hash,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum ClashOutcome {
    /// The holder answered the newcomer's address check.
    Refused,
    /// Another device asked for an address that was in use or being claimed, and nobody
    /// refused it.
    Contested,
}

/// Two devices wanted one address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clash {
    /// When the newcomer first asked.
    pub t: Nanos,
    /// The address.
    pub mac_id: MacId,
    /// How it ended.
    pub outcome: ClashOutcome,
    /// Who held or claimed the address; unknown if it never told.
    pub holder: Option<DeviceId>,
    /// Who asked for it.
    pub newcomer: DeviceId,
}

/// The claims on one address.
#[derive(Debug, Clone, Default)]
pub struct AddressState {
    requests: u64,
    responses: u64,
    restarts: Occurrences,
    refused: Occurrences,
    contested: Occurrences,
    replaced: Occurrences,
    holder: Option<DeviceId>,
    stage: Stage,
    /// A request by somebody else that may still be refused.
    pending: Option<Check>,
    /// A check that was refused: its second request is no clash of its own.
    refused_check: Option<Check>,
}

#[derive(Debug, Clone, Copy, Default)]
enum Stage {
    /// Nothing is known to hold the address.
    #[default]
    Free,
    /// The holder runs its check.
    Claiming { requests: u8, last: Nanos },
    /// The holder finished its check or was heard otherwise.
    OnLine,
}

/// One address check by a device: its first and its latest request.
#[derive(Debug, Clone, Copy)]
struct Check {
    device: DeviceId,
    first: Nanos,
    last: Nanos,
}

impl Check {
    fn new(device: DeviceId, t: Nanos) -> Check {
        Check { device, first: t, last: t }
    }

    /// Whether a request by this device at this time belongs to the same check.
    fn includes(&self, device: DeviceId, t: Nanos) -> bool {
        self.device == device && within(self.last, t, CHECK_STEP)
    }
}

/// The longest time that a step of the check may take: 1 s and a quarter for slow clocks.
const CHECK_STEP: Nanos = Nanos::from_millis(1250);

/// The shortest time after the second request at which a node may have come on line: 1 s less
/// a tenth for fast clocks.
const ON_LINE_AFTER: Nanos = Nanos::from_millis(900);

fn within(earlier: Nanos, later: Nanos, span: Nanos) -> bool {
    later.since(earlier).is_some_and(|elapsed| elapsed <= span)
}

/// What an address check message or the passing of time brought about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outcome {
    Clash(Clash),
    Restarted,
    Replaced { before: DeviceId, now: DeviceId },
}

impl AddressState {
    /// Takes an address check message. `gone`: the holder left and has not returned.
    pub(super) fn check(&mut self, t: Nanos, check: &AddressCheck, gone: bool) -> Option<Outcome> {
        match check.kind {
            AddressCheckKind::Request => {
                self.requests += 1;
                self.request(t, check.device, gone)
            }
            AddressCheckKind::Response => {
                self.responses += 1;
                self.response(t, check)
            }
        }
    }

    fn request(&mut self, t: Nanos, device: DeviceId, gone: bool) -> Option<Outcome> {
        for open in [&mut self.pending, &mut self.refused_check].into_iter().flatten() {
            if open.includes(device, t) {
                open.last = t;
                return None;
            }
        }
        // Whoever left, a claim that runs is by somebody who is there.
        let free = !self.in_use(t) || gone && !self.is_claimed(t);
        match self.holder {
            Some(holder) if holder == device => return self.own_request(t),
            Some(before) if free => {
                self.claim(device, t);
                self.replaced.add(t);
                return Some(Outcome::Replaced { before, now: device });
            }
            None if free => self.claim(device, t),
            // Either somebody else is there, or a node whose identity nobody has heard
            // restarts: an answer will tell.
            _ => self.pending = Some(Check::new(device, t)),
        }
        None
    }

    fn own_request(&mut self, t: Nanos) -> Option<Outcome> {
        match self.stage {
            Stage::Claiming { requests: 1, last } if within(last, t, CHECK_STEP) => {
                self.stage = Stage::Claiming { requests: 2, last: t };
                None
            }
            _ => {
                let was_on_line = self.is_on_line(t);
                self.stage = Stage::Claiming { requests: 1, last: t };
                was_on_line.then(|| self.restarted(t))
            }
        }
    }

    fn response(&mut self, t: Nanos, check: &AddressCheck) -> Option<Outcome> {
        let holder = check.device;
        let claim = match self.stage {
            Stage::Claiming { last, .. } if within(last, t, CHECK_STEP) => {
                self.holder.map(|device| Check::new(device, last))
            }
            _ => None,
        };
        let refused = self.pending.take().or(claim);
        self.holder = Some(holder);
        self.stage = Stage::OnLine;
        let refused = refused?;
        self.refused_check = Some(refused);
        self.refused.add(refused.first);
        Some(Outcome::Clash(Clash {
            t: refused.first,
            mac_id: check.mac_id,
            outcome: ClashOutcome::Refused,
            holder: Some(holder),
            newcomer: refused.device,
        }))
    }

    /// Any other frame that the node sent: it is on line.
    pub(super) fn heard(&mut self) {
        self.stage = Stage::OnLine;
    }

    /// Whether a request waits for its refusal.
    pub(super) fn is_pending(&self) -> bool {
        self.pending.is_some()
    }

    /// Decides a request that nobody refused in time; `None` as the time: nothing more will
    /// come.
    pub(super) fn settle(&mut self, now: Option<Nanos>, mac_id: MacId) -> Option<Outcome> {
        let pending = self.pending?;
        if now.is_some_and(|now| within(pending.last, now, CHECK_STEP)) {
            return None;
        }
        self.pending = None;
        let before = self.holder;
        self.holder = Some(pending.device);
        self.stage = Stage::Claiming { requests: 2, last: pending.last };
        // A node of unknown identity that asks again, unrefused, is most likely the same one.
        if before.is_none() {
            return Some(self.restarted(pending.first));
        }
        self.contested.add(pending.first);
        Some(Outcome::Clash(Clash {
            t: pending.first,
            mac_id,
            outcome: ClashOutcome::Contested,
            holder: before,
            newcomer: pending.device,
        }))
    }

    fn restarted(&mut self, t: Nanos) -> Outcome {
        self.restarts.add(t);
        Outcome::Restarted
    }

    fn claim(&mut self, device: DeviceId, t: Nanos) {
        self.holder = Some(device);
        self.stage = Stage::Claiming { requests: 1, last: t };
    }

    fn is_on_line(&self, t: Nanos) -> bool {
        match self.stage {
            Stage::Free => false,
            Stage::Claiming { requests, last } => requests >= 2 && !within(last, t, ON_LINE_AFTER),
            Stage::OnLine => true,
        }
    }

    /// In use or being claimed. A claim that broke off after its first request is neither.
    fn in_use(&self, t: Nanos) -> bool {
        self.is_on_line(t) || self.is_claimed(t)
    }

    fn is_claimed(&self, t: Nanos) -> bool {
        matches!(self.stage, Stage::Claiming { last, .. } if within(last, t, CHECK_STEP))
    }

    /// Who holds or last claimed the address, as far as it told.
    pub fn holder(&self) -> Option<DeviceId> {
        self.holder
    }

    /// Address check requests seen for this address.
    pub fn requests(&self) -> u64 {
        self.requests
    }

    /// Address check responses seen for this address.
    pub fn responses(&self) -> u64 {
        self.responses
    }

    /// Times that the node ran its check again after it had been on line.
    pub fn restarts(&self) -> &Occurrences {
        &self.restarts
    }

    /// Newcomers that were refused.
    pub fn refused(&self) -> &Occurrences {
        &self.refused
    }

    /// Times that another device took the address after its holder had gone.
    pub fn replaced(&self) -> &Occurrences {
        &self.replaced
    }

    /// Newcomers that nobody refused though the address was taken.
    pub fn contested(&self) -> &Occurrences {
        &self.contested
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: u32 = 1;
    const B: u32 = 2;

    /// Plays (milliseconds, request or response, serial) and gives what came of it.
    fn play(state: &mut AddressState, steps: &[(i64, char, u32)]) -> Vec<Outcome> {
        let mac_id = MacId::new(12).unwrap();
        let mut outcomes = Vec::new();
        for &(ms, kind, serial) in steps {
            let t = Nanos::from_millis(ms);
            outcomes.extend(state.settle(Some(t), mac_id));
            let kind = match kind {
                '?' => AddressCheckKind::Request,
                '!' => AddressCheckKind::Response,
                _ => {
                    state.heard();
                    continue;
                }
            };
            let device = DeviceId { vendor_id: 900, serial };
            let check = AddressCheck { mac_id, kind, port: 0, device };
            outcomes.extend(state.check(t, &check, false));
        }
        outcomes.extend(state.settle(None, mac_id));
        outcomes
    }

    fn clashes(outcomes: &[Outcome]) -> Vec<(i64, ClashOutcome, Option<u32>, u32)> {
        outcomes
            .iter()
            .filter_map(|o| match o {
                Outcome::Clash(c) => Some((
                    c.t.0 / 1_000_000,
                    c.outcome,
                    c.holder.map(|d| d.serial),
                    c.newcomer.serial,
                )),
                _ => None,
            })
            .collect()
    }

    #[test]
    fn a_claim_on_a_free_address_is_no_clash() {
        let mut state = AddressState::default();
        assert!(play(&mut state, &[(0, '?', A), (1000, '?', A), (2000, '.', A)]).is_empty());
        assert_eq!((state.requests(), state.responses()), (2, 0));
        assert_eq!(state.holder().unwrap().serial, A);
    }

    #[test]
    fn the_holder_refuses() {
        let mut state = AddressState::default();
        let steps = [(0, '?', A), (1000, '?', A), (9000, '?', B), (9002, '!', A)];
        let outcomes = play(&mut state, &steps);
        assert_eq!(clashes(&outcomes), [(9000, ClashOutcome::Refused, Some(A), B)]);
        assert_eq!(state.holder().unwrap().serial, A);
        // a second request of the same check is no second clash, a later check is
        assert!(clashes(&play(&mut state, &[(10_000, '?', B)])).is_empty());
        let again = play(&mut state, &[(20_000, '?', B), (20_001, '!', A)]);
        assert_eq!(clashes(&again).len(), 1);
    }

    #[test]
    fn a_holder_that_never_told_refuses() {
        let mut state = AddressState::default();
        let outcomes = play(&mut state, &[(0, '.', 0), (500, '?', B), (502, '!', A)]);
        assert_eq!(clashes(&outcomes), [(500, ClashOutcome::Refused, Some(A), B)]);
        let mut silent = AddressState::default();
        let outcomes = play(&mut silent, &[(500, '?', B), (502, '!', A)]);
        assert_eq!(clashes(&outcomes), [(500, ClashOutcome::Refused, Some(A), B)]);
    }

    #[test]
    fn nobody_refuses() {
        let mut state = AddressState::default();
        let steps = [(0, '?', A), (1000, '?', A), (2000, '.', A), (9000, '?', B), (10_000, '?', B)];
        let outcomes = play(&mut state, &steps);
        assert_eq!(clashes(&outcomes), [(9000, ClashOutcome::Contested, Some(A), B)]);
    }

    #[test]
    fn two_claim_at_once() {
        let mut state = AddressState::default();
        let outcomes = play(&mut state, &[(0, '?', A), (400, '?', B)]);
        assert_eq!(clashes(&outcomes), [(400, ClashOutcome::Contested, Some(A), B)]);
    }

    #[test]
    fn a_restart_is_counted_once_a_check() {
        let mut state = AddressState::default();
        let steps = [
            (0, '?', A),
            (1000, '?', A),
            (2000, '.', A),
            (5000, '?', A),
            (6000, '?', A),
            // on line again by time alone
            (8000, '?', A),
            (9000, '?', A),
        ];
        let outcomes = play(&mut state, &steps);
        assert_eq!(outcomes, [Outcome::Restarted, Outcome::Restarted]);
    }

    #[test]
    fn a_node_heard_before_its_check_restarts() {
        let mut state = AddressState::default();
        let outcomes = play(&mut state, &[(0, '.', A), (500, '?', A), (1500, '?', A)]);
        assert_eq!(outcomes, [Outcome::Restarted]);
        assert_eq!(state.holder().unwrap().serial, A);
    }

    #[test]
    fn power_that_comes_and_goes_is_no_restart_until_on_line() {
        let mut state = AddressState::default();
        let steps = [(0, '?', A), (3000, '?', A), (6000, '?', A), (7000, '?', A)];
        assert!(play(&mut state, &steps).is_empty());
    }

    #[test]
    fn a_new_device_on_the_address_of_one_that_is_gone_replaces_it() {
        let mut state = AddressState::default();
        play(&mut state, &[(0, '?', A), (1000, '?', A), (2000, '.', A)]);
        let mac_id = MacId::new(12).unwrap();
        let device = DeviceId { vendor_id: 900, serial: B };
        let check = AddressCheck { mac_id, kind: AddressCheckKind::Request, port: 0, device };
        let outcome = state.check(Nanos::from_millis(60_000), &check, true);
        assert!(matches!(outcome, Some(Outcome::Replaced { .. })));
        assert_eq!(state.contested().count(), 0);
        // the old one comes back while the new one claims
        let device = DeviceId { vendor_id: 900, serial: A };
        let again = AddressCheck { device, ..check };
        assert_eq!(state.check(Nanos::from_millis(60_500), &again, true), None);
        let outcome = state.settle(Some(Nanos::from_millis(62_000)), mac_id);
        assert_eq!(clashes(&[outcome.unwrap()]), [(60_500, ClashOutcome::Contested, Some(B), A)]);
    }
}
