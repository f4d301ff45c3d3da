//! The predefined connections of one node: allocated by whom, set to what, established or
//! timed out.
//!
//! Source: IEC 62026-3, connection object and predefined master/slave connection set: timed
//! out after 4 x expected packet rate, 2500 ms by default for explicit messages; until the first
//! message was consumed not before 10 s; what consumes nothing does not time out. Watchdog actions:
//! overload relay manual 193-UM006A, B-8. From memory:
//! rate 0 means no watchdog, setting the rate establishes an I/O connection, an explicit
//! connection that times out is deleted.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::statistics::Occurrences;
use crate::fieldbus::{Choice, ConnectionKind, ConnectionState, MacId, Target, WatchdogAction};
use crate::wire::Nanos;

/// How something is known. What is surer comes first and is not replaced by less.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// Said on the wire.
    Learnt,
    /// Said by the plan.
    Planned,
    /// Concluded from the traffic.
    Inferred,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Origin::Learnt => "learnt",
            Origin::Planned => "planned",
            Origin::Inferred => "inferred",
        })
    }
}

/// A value and how it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Known<T> {
    /// The value.
    pub value: T,
    /// How it is known.
    pub origin: Origin,
}

/// Replaces what is known unless it is known more surely.
pub fn offer<T>(slot: &mut Option<Known<T>>, value: T, origin: Origin) {
    if slot.as_ref().is_none_or(|known| known.origin >= origin) {
        *slot = Some(Known { value, origin });
    }
}

/// Until the first message was consumed a watchdog waits at least so long (IEC 62026-3).
const FIRST_PATIENCE: Nanos = Nanos::from_millis(10_000);

/// One predefined connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PredefinedConnection {
    /// Its state, as far as the wire shows.
    pub state: ConnectionState,
    /// Expected packet rate in ms; 0 is no watchdog.
    pub rate_ms: Option<u16>,
    /// Bytes that the node sends.
    pub produced: Option<Known<u16>>,
    /// Bytes that the node receives.
    pub consumed: Option<Known<u16>>,
    /// What it does when it times out.
    pub watchdog_action: Option<WatchdogAction>,
    /// Least time between two messages of the node, in ms.
    pub inhibit_ms: Option<u16>,
    /// What the node sends, usually an assembly.
    pub produced_path: Option<Target>,
    /// What the node receives, usually an assembly.
    pub consumed_path: Option<Target>,
    /// When it timed out.
    pub timeouts: Occurrences,
    /// A message for the node came on it, so its watchdog runs.
    has_consumed: bool,
    /// When a message for the node last came.
    fed: Nanos,
    /// When the node last sent on it.
    spoken: Nanos,
}

impl PredefinedConnection {
    /// The silence after which it times out; `None` where none is known or there is no
    /// watchdog.
    pub fn limit(&self) -> Option<Nanos> {
        let rate = self.rate_ms.filter(|&rate| rate > 0)?;
        Some(Nanos::from_millis(4 * i64::from(rate)))
    }

    /// The silence after which it times out now: longer as long as nothing was ever consumed.
    fn patience(&self) -> Option<Nanos> {
        let limit = self.limit()?;
        Some(if self.has_consumed { limit } else { limit.max(FIRST_PATIENCE) })
    }

    /// Whether anything is known of it.
    pub fn is_known(&self) -> bool {
        *self
            != PredefinedConnection {
                fed: self.fed,
                spoken: self.spoken,
                has_consumed: self.has_consumed,
                ..PredefinedConnection::default()
            }
    }

    fn forget(&mut self) {
        let planned = |slot: Option<Known<u16>>| slot.filter(|k| k.origin == Origin::Planned);
        *self = PredefinedConnection {
            timeouts: self.timeouts,
            produced: planned(self.produced),
            consumed: planned(self.consumed),
            ..PredefinedConnection::default()
        };
    }
}

/// The predefined connections of one node.
///
/// One that was opened on the unconnected port with identifiers of Group 1 or 2 is known where
/// message id, first byte and both ends fit what was agreed. The counts of polls go by the
/// identifier alone.
#[derive(Debug, Clone, Default)]
pub struct Connections {
    each: [PredefinedConnection; 5],
    /// What is allocated, as far as the wire shows.
    pub allocated: Choice,
    /// The master that owns the node.
    pub owner: Option<Known<MacId>>,
    /// The master that the plan says.
    planned_owner: Option<MacId>,
    /// When the node was last allocated.
    pub allocated_at: Option<Nanos>,
    /// How often the node was allocated.
    pub allocations: Occurrences,
    /// How often its I/O was allocated though it was before, and the node did not start anew.
    pub repeated: Occurrences,
    /// Its I/O was allocated since it started.
    had_io: bool,
    /// How often connections were released.
    pub releases: u64,
}

impl Connections {
    /// One of them.
    pub fn get(&self, kind: ConnectionKind) -> &PredefinedConnection {
        &self.each[kind as usize]
    }

    /// When something last came for the node on an established connection.
    pub fn last_consumed(&self) -> Option<Nanos> {
        let works =
            |c: &&PredefinedConnection| c.has_consumed && c.state == ConnectionState::Established;
        self.each.iter().filter(works).map(|connection| connection.fed).max()
    }

    /// When something last came for the node on any of them.
    pub(super) fn last_fed(&self) -> Option<Nanos> {
        self.each.iter().filter(|connection| connection.has_consumed).map(|c| c.fed).max()
    }

    /// Whether its I/O was ever allocated since it started.
    pub fn had_io(&self) -> bool {
        self.had_io
    }

    /// One of them, to change.
    pub fn get_mut(&mut self, kind: ConnectionKind) -> &mut PredefinedConnection {
        &mut self.each[kind as usize]
    }

    /// The node granted an allocation.
    pub fn allocate(&mut self, t: Nanos, choice: Choice, owner: MacId) {
        self.allocations.add(t);
        if choice.is_io() && std::mem::replace(&mut self.had_io, true) {
            self.repeated.add(t);
        }
        self.allocated_at = Some(t);
        self.owner = Some(Known { value: owner, origin: Origin::Learnt });
        self.allocated = self.allocated.with(choice);
        for kind in ConnectionKind::ALL.into_iter().filter(|kind| choice.has(kind.choice())) {
            let connection = self.get_mut(kind);
            connection.forget();
            (connection.fed, connection.spoken) = (t, t);
            if kind == ConnectionKind::Explicit {
                connection.state = ConnectionState::Established;
                connection.rate_ms = Some(2500);
            } else {
                connection.state = ConnectionState::Configuring;
            }
        }
    }

    /// The plan says who is the node's master.
    pub fn plan_owner(&mut self, master: MacId) {
        self.planned_owner = Some(master);
        offer(&mut self.owner, master, Origin::Planned);
    }

    fn planned(&self) -> Option<Known<MacId>> {
        self.planned_owner.map(|value| Known { value, origin: Origin::Planned })
    }

    /// The node granted a release.
    pub fn release(&mut self, choice: Choice) {
        self.releases += 1;
        self.delete(choice);
    }

    fn delete(&mut self, choice: Choice) {
        for kind in ConnectionKind::ALL.into_iter().filter(|kind| choice.has(kind.choice())) {
            self.get_mut(kind).forget();
        }
        self.allocated = self.allocated.without(choice);
        if self.allocated.without(Choice::NO_ACKNOWLEDGE) == Choice::NONE {
            self.allocated = Choice::NONE;
            self.allocated_at = None;
            self.owner = self.planned();
        }
    }

    /// The node started anew: nothing is allocated any more.
    pub fn restart(&mut self) {
        self.had_io = false;
        self.delete(Choice::from_byte(0xFF));
    }

    /// The allocation attribute was read.
    pub fn read_allocation(&mut self, choice: Choice, owner: Option<MacId>) {
        self.allocated = choice;
        let learnt = owner.map(|value| Known { value, origin: Origin::Learnt });
        self.owner = learnt.or(self.planned());
    }

    /// An attribute of a connection was read, or set and granted.
    pub fn attribute(
        &mut self,
        t: Nanos,
        kind: ConnectionKind,
        attribute: u16,
        value: &[u8],
        set: bool,
    ) {
        let connection = self.get_mut(kind);
        let byte = value.first().copied();
        let word =
            value.first_chunk().map(|bytes| u16::from_le_bytes(*bytes)).or(byte.map(u16::from));
        let Some((byte, word)) = byte.zip(word) else { return };
        match attribute {
            1 => connection.state = ConnectionState::from_value(byte).unwrap_or(connection.state),
            7 => offer(&mut connection.produced, word, Origin::Learnt),
            8 => offer(&mut connection.consumed, word, Origin::Learnt),
            9 => {
                connection.rate_ms = Some(word);
                if set {
                    (connection.fed, connection.spoken) = (t, t);
                }
                if set && connection.state == ConnectionState::Configuring {
                    connection.state = ConnectionState::Established;
                }
            }
            12 => {
                let action = WatchdogAction::from_value(byte);
                connection.watchdog_action = action.or(connection.watchdog_action);
            }
            14 => connection.produced_path = Target::from_path(value, false),
            16 => connection.consumed_path = Target::from_path(value, false),
            17 => connection.inhibit_ms = Some(word),
            _ => {}
        }
    }

    /// A message for the node came on a connection: its watchdog starts again.
    pub fn fed(&mut self, t: Nanos, kind: ConnectionKind) {
        let connection = self.get_mut(kind);
        connection.fed = t;
        connection.has_consumed = true;
    }

    /// The node sent on a connection: so it is established, whatever was seen before.
    pub fn spoke(&mut self, t: Nanos, kind: ConnectionKind) {
        let connection = self.get_mut(kind);
        connection.spoken = t;
        if connection.state != ConnectionState::Established {
            connection.state = ConnectionState::Established;
            connection.fed = t;
        }
    }

    /// Whether the node sends by itself, should have sent at least every `every`, where its expected
    /// packet rate does not say it, and is silent for four times that. One that its master left
    /// alone stops sending, and is not meant.
    pub fn stopped_sending(&self, t: Nanos, every: Option<Nanos>) -> bool {
        let connection = self.get(ConnectionKind::ChangeOfState);
        let limit = connection.limit().or(every.map(|every| Nanos(every.0.saturating_mul(4))));
        let silent = t.since(connection.spoken);
        connection.state == ConnectionState::Established
            && limit.zip(silent).is_some_and(|(limit, silent)| silent > limit)
            && (!connection.has_consumed
                || connection.spoken <= connection.fed
                || connection.patience().is_none())
    }

    /// Whether the master acknowledges what the node sends by itself; `None` where its allocation
    /// was not heard.
    pub fn is_acknowledged(&self) -> Option<bool> {
        let by_itself = self.allocated.has(ConnectionKind::ChangeOfState.choice());
        by_itself.then(|| !self.allocated.has(Choice::NO_ACKNOWLEDGE))
    }

    /// Whether a connection of this kind gets anything, so that it has a watchdog.
    fn consumes(&self, kind: ConnectionKind) -> bool {
        kind != ConnectionKind::ChangeOfState
            || self.get(kind).has_consumed
            || self.is_acknowledged() == Some(true)
    }

    /// Times out what was silent for too long. Returns whether I/O did.
    pub fn expire(&mut self, t: Nanos) -> bool {
        let mut timed_out = false;
        for kind in ConnectionKind::ALL {
            let consumes = self.consumes(kind);
            let connection = self.get_mut(kind);
            if connection.state != ConnectionState::Established || !consumes {
                continue;
            }
            let Some(limit) = connection.patience() else { continue };
            if t.since(connection.fed).is_none_or(|silent| silent <= limit) {
                continue;
            }
            connection.timeouts.add(connection.fed.plus(limit));
            timed_out |= kind != ConnectionKind::Explicit;
            match (kind, connection.watchdog_action) {
                (ConnectionKind::Explicit, None) | (_, Some(WatchdogAction::AutoDelete)) => {
                    self.delete(kind.choice());
                }
                (_, Some(WatchdogAction::AutoReset)) => connection.fed = t,
                (_, Some(WatchdogAction::DeferredDelete)) => {
                    connection.state = ConnectionState::DeferredDelete;
                }
                (_, None | Some(WatchdogAction::TimeOut)) => {
                    connection.state = ConnectionState::TimedOut;
                }
            }
        }
        timed_out
    }

    /// Frames are known to be missing: nothing counts as silent before `t`.
    pub fn forgive(&mut self, t: Nanos) {
        for connection in &mut self.each {
            (connection.fed, connection.spoken) = (t, t);
        }
    }

    /// Whether any connection is in this state. Only I/O counts for timed out.
    pub fn any(&self, state: ConnectionState) -> bool {
        self.each.iter().any(|connection| connection.state == state)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn allocated() -> Connections {
        let mut connections = Connections::default();
        let choice = Choice::EXPLICIT.with(Choice::POLL);
        connections.allocate(Nanos::ZERO, choice, MacId::new(10).unwrap());
        connections
    }

    fn state(connections: &Connections, kind: ConnectionKind) -> ConnectionState {
        connections.get(kind).state
    }

    /// IEC 62026-3: 75 ms expected packet rate is 300 ms; the explicit default is 10 s. What
    /// establishes and deletes is from memory.
    #[test]
    fn connections_time_out_after_four_times_their_rate() {
        let mut connections = allocated();
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::Configuring);
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 9, &[75, 0], true);
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::Established);
        connections.fed(Nanos::from_millis(1000), ConnectionKind::Poll);
        connections.expire(Nanos::from_millis(1300));
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::Established);
        connections.expire(Nanos::from_millis(1301));
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::TimedOut);
        assert_eq!(connections.get(ConnectionKind::Poll).timeouts.count(), 1);
        connections.expire(Nanos::from_millis(10_000));
        assert!(connections.allocated.has(Choice::EXPLICIT));
        connections.expire(Nanos::from_millis(10_001));
        assert_eq!(connections.allocated, Choice::POLL);
        assert_eq!(connections.owner.map(|owner| owner.value.get()), Some(10));
    }

    /// From memory: rate 0 is no watchdog; watchdog action 2 resets, 1 deletes.
    #[test]
    fn the_watchdog_does_what_it_is_set_to() {
        let mut connections = allocated();
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 9, &[0, 0], true);
        connections.expire(Nanos::from_millis(9_000));
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::Established);
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 9, &[100, 0], true);
        connections.fed(Nanos::ZERO, ConnectionKind::Poll);
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 12, &[2], true);
        connections.expire(Nanos::from_millis(9_500));
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::Established);
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 12, &[1], true);
        connections.expire(Nanos::from_millis(9_950));
        assert_eq!(connections.allocated, Choice::EXPLICIT);
        assert_eq!(connections.get(ConnectionKind::Poll).timeouts.count(), 2);
    }

    #[test]
    fn a_release_leaves_what_was_not_named_and_a_restart_nothing() {
        let mut connections = allocated();
        connections.release(Choice::EXPLICIT);
        assert_eq!(connections.allocated, Choice::POLL);
        assert!(connections.owner.is_some());
        connections.restart();
        assert_eq!(connections.allocated, Choice::NONE);
        assert!(connections.owner.is_none());
    }

    #[test]
    fn what_is_learnt_is_not_replaced_by_a_guess() {
        let mut slot = None;
        offer(&mut slot, 4, Origin::Inferred);
        offer(&mut slot, 6, Origin::Planned);
        offer(&mut slot, 5, Origin::Inferred);
        assert_eq!(slot, Some(Known { value: 6, origin: Origin::Planned }));
        offer(&mut slot, 10, Origin::Learnt);
        assert_eq!(slot, Some(Known { value: 10, origin: Origin::Learnt }));
    }

    #[test]
    fn values_cut_short_change_nothing() {
        let mut connections = allocated();
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 9, &[], true);
        assert_eq!(connections.get(ConnectionKind::Poll).rate_ms, None);
        connections.attribute(Nanos::ZERO, ConnectionKind::Poll, 1, &[9], false);
        assert_eq!(state(&connections, ConnectionKind::Poll), ConnectionState::Configuring);
    }
}
