//! The predefined connections and the states that they have.
//!
//! Source: IEC 62026-3, connection object (class 05) and predefined master/slave connection set.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::allocation::Choice;

/// The predefined connections, by their instance in class 05.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum ConnectionKind {
    /// Instance 1.
    Explicit,
    /// Instance 2.
    Poll,
    /// Instance 3.
    Strobe,
    /// Instance 4: change of state or cyclic.
    ChangeOfState,
}

impl fmt::Display for ConnectionKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ConnectionKind::Explicit => "explicit",
            ConnectionKind::Poll => "poll",
            ConnectionKind::Strobe => "bit-strobe",
            ConnectionKind::ChangeOfState => "change of state or cyclic",
        })
    }
}

impl ConnectionKind {
    /// All four, by instance.
    pub const ALL: [ConnectionKind; 4] = [
        ConnectionKind::Explicit,
        ConnectionKind::Poll,
        ConnectionKind::Strobe,
        ConnectionKind::ChangeOfState,
    ];

    /// From an instance of class 05; `None` for any but the predefined.
    pub fn from_instance(instance: u16) -> Option<ConnectionKind> {
        Self::ALL.get(usize::from(instance).checked_sub(1)?).copied()
    }

    /// The bits of an allocation that this connection answers to.
    pub const fn choice(self) -> Choice {
        match self {
            ConnectionKind::Explicit => Choice::EXPLICIT,
            ConnectionKind::Poll => Choice::POLL,
            ConnectionKind::Strobe => Choice::STROBE,
            ConnectionKind::ChangeOfState => Choice::CHANGE_OF_STATE.with(Choice::CYCLIC),
        }
    }
}

/// The state of a connection (attribute 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ConnectionState {
    /// Not there.
    #[default]
    Nonexistent,
    /// Allocated, not set up.
    Configuring,
    /// Waits for its identifier.
    Waiting,
    /// Works.
    Established,
    /// Nothing came for 4 x its expected packet rate.
    TimedOut,
    /// Will be deleted.
    DeferredDelete,
}

impl ConnectionState {
    /// From the value of attribute 1.
    pub const fn from_value(value: u8) -> Option<ConnectionState> {
        Some(match value {
            0 => ConnectionState::Nonexistent,
            1 => ConnectionState::Configuring,
            2 => ConnectionState::Waiting,
            3 => ConnectionState::Established,
            4 => ConnectionState::TimedOut,
            5 => ConnectionState::DeferredDelete,
            _ => return None,
        })
    }
}

impl fmt::Display for ConnectionState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ConnectionState::Nonexistent => "nonexistent",
            ConnectionState::Configuring => "configuring",
            ConnectionState::Waiting => "waiting",
            ConnectionState::Established => "established",
            ConnectionState::TimedOut => "timed out",
            ConnectionState::DeferredDelete => "deferred delete",
        })
    }
}

/// What a connection does when it times out (attribute 12).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum WatchdogAction {
    /// Becomes timed out.
    #[serde(rename = "time out")]
    TimeOut,
    /// Deletes itself.
    #[serde(rename = "delete itself")]
    AutoDelete,
    /// Starts its watchdog again and goes on.
    #[serde(rename = "reset itself")]
    AutoReset,
    /// Deletes itself once the explicit connections are gone.
    #[serde(rename = "delete itself later")]
    DeferredDelete,
}

impl WatchdogAction {
    /// From the value of attribute 12.
    pub const fn from_value(value: u8) -> Option<WatchdogAction> {
        Some(match value {
            0 => WatchdogAction::TimeOut,
            1 => WatchdogAction::AutoDelete,
            2 => WatchdogAction::AutoReset,
            3 => WatchdogAction::DeferredDelete,
            _ => return None,
        })
    }
}

impl fmt::Display for WatchdogAction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            WatchdogAction::TimeOut => "time out",
            WatchdogAction::AutoDelete => "delete itself",
            WatchdogAction::AutoReset => "reset itself",
            WatchdogAction::DeferredDelete => "delete itself later",
        })
    }
}
