//! Who holds an address, who wants it, and who refused whom.
//!
//! Source of the procedure: IEC 62026-3, duplicate MAC ID check: request, 1 s, request, 1 s,
//! then on line; a node on line answers a request for its address.

use super::statistics::Occurrences;
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

/// The claims on one address, followed as the only account of address checks.
///
/// A check is refused if its answer comes within 1.25 s of a request. It has succeeded
/// when that time is over, or when the address is heard on line once the check can be over. A
/// frame of the address before that comes from somebody else who holds it.
///
/// A restart is a request while the node is on line: it sent anything but an address check, or 0.9
/// s passed since the second request of its check. A request by another identity for an address
/// whose holder missed four polls in a row and was not heard since is a replacement, no clash. A
/// request for the address of a node that never told its identity is its restart unless somebody
/// refuses it, or the address is heard while who asked runs its check. A clash that nobody refused within 1.25 s of the last request of the newcomer is
/// contested; its time is that of the first request.
#[derive(Debug, Clone, Default)]
pub struct AddressState {
    requests: u64,
    responses: u64,
    restarts: Occurrences,
    refused: Occurrences,
    contested: Occurrences,
    replaced: Occurrences,
    holder: Option<DeviceId>,
    claim: ClaimStage,
    /// Somebody else whose request may still be refused.
    newcomer: Option<Newcomer>,
    /// A check that was refused: its second request is no clash of its own.
    refused_check: Option<CheckRun>,
}

/// How far the holder is with its claim.
#[derive(Debug, Clone, Copy, Default)]
enum ClaimStage {
    /// Nothing is known to hold the address.
    #[default]
    Free,
    /// The holder runs its check. `started`: it has been taken as started anew.
    Claiming { check: CheckRun, started: bool },
    /// The holder finished its check or was heard otherwise.
    OnLine,
}

/// One address check by a device: its first and its latest request.
#[derive(Debug, Clone, Copy)]
struct CheckRun {
    device: DeviceId,
    first: Nanos,
    last: Nanos,
    repeated: bool,
}

impl CheckRun {
    fn new(device: DeviceId, t: Nanos) -> CheckRun {
        CheckRun { device, first: t, last: t, repeated: false }
    }

    /// Whether a request by this device at this time belongs to the same check.
    fn includes(&self, device: DeviceId, t: Nanos) -> bool {
        self.device == device && self.may_be_refused(t)
    }

    fn repeat(&mut self, t: Nanos) {
        self.last = t;
        self.repeated = true;
    }

    fn may_be_refused(&self, t: Nanos) -> bool {
        within(self.last, t, CHECK_STEP)
    }

    /// Whether the device may have come on line after its second request.
    fn is_over(&self, t: Nanos) -> bool {
        self.repeated && !within(self.last, t, ON_LINE_AFTER)
    }
}

/// A check for an address that is in use, or was.
#[derive(Debug, Clone, Copy)]
struct Newcomer {
    check: CheckRun,
    /// The address was heard on line since, so it is known whose connections these are.
    settled: bool,
    /// It was heard while the newcomer, who runs its check, is silent: somebody else has it.
    answered: bool,
}

/// What a node sent before it lost its power may still be heard for so long.
const BEFORE_RESTART: Nanos = Nanos::from_millis(50);

/// The longest time that a step of the check may take: 1 s and a quarter for slow clocks.
const CHECK_STEP: Nanos = Nanos::from_millis(1250);

/// The shortest time after a request at which a node may take its next step: 1 s less a tenth
/// for fast clocks.
const ON_LINE_AFTER: Nanos = Nanos::from_millis(900);

/// The shortest time that a whole check takes: two steps.
const CHECK_LASTS: Nanos = Nanos::from_millis(1900);

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

/// The node at an address starts anew: what was agreed with it before is void.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NewStart {
    /// The device that is the node from now on.
    pub(super) device: DeviceId,
    /// Its latest request: what came after that was for it.
    pub(super) since: Nanos,
}

impl From<CheckRun> for NewStart {
    fn from(check: CheckRun) -> NewStart {
        NewStart { device: check.device, since: check.last }
    }
}

impl AddressState {
    /// Takes an address check message. `gone`: the holder left and has not returned.
    pub(super) fn check(
        &mut self,
        t: Nanos,
        check: &AddressCheck,
        gone: bool,
    ) -> (Option<Outcome>, Option<NewStart>) {
        match check.kind {
            AddressCheckKind::Request => {
                self.requests += 1;
                self.request(t, check.device, gone)
            }
            AddressCheckKind::Response => {
                self.responses += 1;
                (self.response(t, check), None)
            }
        }
    }

    fn request(
        &mut self,
        t: Nanos,
        device: DeviceId,
        gone: bool,
    ) -> (Option<Outcome>, Option<NewStart>) {
        let newcomer = self.newcomer.as_mut().map(|newcomer| &mut newcomer.check);
        for open in [newcomer, self.refused_check.as_mut()].into_iter().flatten() {
            if open.includes(device, t) {
                open.repeat(t);
                return (None, None);
            }
        }
        // Whoever left, a claim that runs is by somebody who is there.
        let free = !self.in_use(t) || gone && !self.is_claimed(t);
        match self.holder {
            Some(holder) if holder == device => self.own_request(t, device),
            before if free => {
                let check = CheckRun::new(device, t);
                self.holder = Some(device);
                self.claim = ClaimStage::Claiming { check, started: true };
                let replaced = before.map(|before| {
                    self.replaced.add(t);
                    Outcome::Replaced { before, now: device }
                });
                (replaced, Some(check.into()))
            }
            // Either somebody else is there, or a node whose identity nobody has heard
            // restarts: an answer will tell.
            _ => {
                self.newcomer = Some(Newcomer {
                    check: CheckRun::new(device, t),
                    settled: false,
                    answered: false,
                });
                (None, None)
            }
        }
    }

    fn own_request(&mut self, t: Nanos, device: DeviceId) -> (Option<Outcome>, Option<NewStart>) {
        if let ClaimStage::Claiming { check, started } = &mut self.claim
            && !check.repeated
            && check.may_be_refused(t)
        {
            check.repeat(t);
            // Nothing was heard between the two requests, so it is the holder itself.
            let start = (!std::mem::replace(started, true)).then_some(NewStart::from(*check));
            return (None, start);
        }
        let check = CheckRun::new(device, t);
        let was_on_line = self.is_on_line(t);
        self.claim = ClaimStage::Claiming { check, started: !was_on_line };
        if was_on_line { (Some(self.restarted(t)), None) } else { (None, Some(check.into())) }
    }

    fn response(&mut self, t: Nanos, check: &AddressCheck) -> Option<Outcome> {
        let holder = check.device;
        let claim = match self.claim {
            ClaimStage::Claiming { check, .. } if check.may_be_refused(t) => Some(check),
            _ => None,
        };
        let refused = self.newcomer.take().map(|newcomer| newcomer.check).or(claim);
        self.holder = Some(holder);
        self.claim = ClaimStage::OnLine;
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

    /// Any other frame that the node sent: it is on line. It has started anew if a check can
    /// have succeeded by now.
    #[inline]
    pub(super) fn heard(&mut self, t: Nanos) -> Option<NewStart> {
        if matches!(self.claim, ClaimStage::OnLine) && self.newcomer.is_none() {
            return None;
        }
        self.heard_during_check(t)
    }

    fn heard_during_check(&mut self, t: Nanos) -> Option<NewStart> {
        let claim = std::mem::replace(&mut self.claim, ClaimStage::OnLine);
        let newcomer = self.newcomer.as_mut().and_then(|newcomer| {
            let check = newcomer.check;
            newcomer.answered |= !check.is_over(t) && !within(check.first, t, BEFORE_RESTART);
            let settled = std::mem::replace(&mut newcomer.settled, true);
            (!settled && newcomer.check.is_over(t)).then_some(newcomer.check)
        });
        let own = match claim {
            ClaimStage::Claiming { check, started: false } => {
                (!within(check.first, t, ON_LINE_AFTER)).then_some(check)
            }
            _ => None,
        };
        newcomer.or(own).map(NewStart::from)
    }

    /// Whether a request waits for its refusal.
    pub(super) fn is_pending(&self) -> bool {
        self.newcomer.is_some()
    }

    /// Decides a request that nobody refused in time; `None` as the time: nothing more will
    /// come.
    pub(super) fn settle(
        &mut self,
        now: Option<Nanos>,
        mac_id: MacId,
    ) -> (Option<Outcome>, Option<NewStart>) {
        let Some(Newcomer { check, settled, answered }) = self.newcomer else {
            return (None, None);
        };
        if now.is_some_and(|now| check.may_be_refused(now)) {
            return (None, None);
        }
        self.newcomer = None;
        let before = self.holder.replace(check.device);
        let start = (!settled && now.is_some()).then_some(NewStart::from(check));
        if !settled {
            // By now its second request was sent, heard or not.
            let check = CheckRun { repeated: true, ..check };
            self.claim = ClaimStage::Claiming { check, started: true };
        }
        // A node of unknown identity that asks again, unrefused, is most likely the same one, unless
        // the address answered while the one that asked had to be silent.
        let outcome = if before.is_none() && !answered {
            self.restarted(check.first)
        } else {
            self.contested.add(check.first);
            Outcome::Clash(Clash {
                t: check.first,
                mac_id,
                outcome: ClashOutcome::Contested,
                holder: before,
                newcomer: check.device,
            })
        };
        (Some(outcome), start)
    }

    /// Lets time pass: the holder's own check succeeds when nobody refused it.
    pub(super) fn expire(&mut self, t: Nanos) -> Option<NewStart> {
        match &mut self.claim {
            ClaimStage::Claiming { check, started } if !*started && !check.may_be_refused(t) => {
                *started = true;
                Some(NewStart::from(*check))
            }
            _ => None,
        }
    }

    fn restarted(&mut self, t: Nanos) -> Outcome {
        self.restarts.add(t);
        Outcome::Restarted
    }

    fn is_on_line(&self, t: Nanos) -> bool {
        match self.claim {
            ClaimStage::Free => false,
            ClaimStage::Claiming { check, .. } => check.is_over(t),
            ClaimStage::OnLine => true,
        }
    }

    /// In use or being claimed. A claim that broke off after its first request is neither.
    fn in_use(&self, t: Nanos) -> bool {
        self.is_on_line(t) || self.is_claimed(t)
    }

    fn is_claimed(&self, t: Nanos) -> bool {
        matches!(self.claim, ClaimStage::Claiming { check, .. } if check.may_be_refused(t))
    }

    /// Whether the node has started anew and its check is not over yet.
    pub(super) fn is_starting(&self, t: Nanos) -> bool {
        matches!(self.claim, ClaimStage::Claiming { check, started: true }
            if within(check.first, t, CHECK_LASTS))
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
            outcomes.extend(state.settle(Some(t), mac_id).0);
            let kind = match kind {
                '?' => AddressCheckKind::Request,
                '!' => AddressCheckKind::Response,
                _ => {
                    state.heard(t);
                    continue;
                }
            };
            let device = DeviceId { vendor_id: 900, serial };
            let check = AddressCheck { mac_id, kind, port: 0, device };
            outcomes.extend(state.check(t, &check, false).0);
        }
        outcomes.extend(state.settle(None, mac_id).0);
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
        let (outcome, _) = state.check(Nanos::from_millis(60_000), &check, true);
        assert!(matches!(outcome, Some(Outcome::Replaced { .. })));
        assert_eq!(state.contested().count(), 0);
        // the old one comes back while the new one claims
        let device = DeviceId { vendor_id: 900, serial: A };
        let again = AddressCheck { device, ..check };
        assert_eq!(state.check(Nanos::from_millis(60_500), &again, true), (None, None));
        let (outcome, _) = state.settle(Some(Nanos::from_millis(62_000)), mac_id);
        assert_eq!(clashes(&[outcome.unwrap()]), [(60_500, ClashOutcome::Contested, Some(B), A)]);
    }
}
