//! What a node's two status lights should show now, as far as the wire tells, to compare with
//! what a person sees at the device.
//!
//! Source: IEC 62026-3, module and network status indicators; flashing is about 1 Hz. Checked against
//! published tables: the network light by installation instructions 1756-IN566B, p. 19, the module
//! light by 1784-IN004E, p. 7-4. That an idle master makes a module light flash no table says.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A light.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Light {
    /// Dark.
    Off,
    /// Steady green.
    Green,
    /// Green, on and off about once a second.
    FlashingGreen,
    /// Red, on and off about once a second.
    FlashingRed,
    /// Steady red.
    Red,
    /// Red and green by turns.
    FlashingRedGreen,
}

impl fmt::Display for Light {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Light::Off => "off",
            Light::Green => "green",
            Light::FlashingGreen => "flashing green",
            Light::FlashingRed => "flashing red",
            Light::Red => "red",
            Light::FlashingRedGreen => "flashing red and green",
        })
    }
}

/// What the wire implies for the network light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct NetworkFacts {
    /// It was refused its address.
    pub refused: bool,
    /// It is faulted, and was asked to say where it is.
    pub asked_to_identify: bool,
    /// It runs its address check, or said that it goes off line.
    pub off_line: bool,
    /// One of its I/O connections timed out.
    pub timed_out: bool,
    /// A connection works.
    pub connected: bool,
}

/// The network light.
pub fn network(facts: NetworkFacts) -> Light {
    if facts.refused {
        if facts.asked_to_identify { Light::FlashingRedGreen } else { Light::Red }
    } else if facts.off_line {
        Light::Off
    } else if facts.timed_out {
        Light::FlashingRed
    } else if facts.connected {
        Light::Green
    } else {
        Light::FlashingGreen
    }
}

/// What the wire implies for the module light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ModuleFacts {
    /// It told of a fault that cannot be cleared.
    pub unrecoverable: bool,
    /// It told of a fault that can be cleared; a drive that its I/O says is faulted.
    pub recoverable: bool,
    /// It said that it waits in standby.
    pub standby: bool,
    /// It told that it works, or exchanges I/O.
    pub working: bool,
}

/// The module light; `None` where the wire says nothing of it.
pub fn module(facts: ModuleFacts) -> Option<Light> {
    if facts.unrecoverable {
        Some(Light::Red)
    } else if facts.recoverable {
        Some(Light::FlashingRed)
    } else if facts.standby {
        Some(Light::FlashingGreen)
    } else {
        facts.working.then_some(Light::Green)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 62026-3, network status indicator, as in installation instructions 1756-IN566B, p. 19.
    #[test]
    fn the_network_light() {
        let none = NetworkFacts::default();
        assert_eq!(network(NetworkFacts { off_line: true, ..none }), Light::Off);
        assert_eq!(network(none), Light::FlashingGreen);
        let connected = NetworkFacts { connected: true, ..none };
        assert_eq!(network(connected), Light::Green);
        assert_eq!(network(NetworkFacts { timed_out: true, ..connected }), Light::FlashingRed);
        let refused = NetworkFacts { refused: true, ..none };
        assert_eq!(network(refused), Light::Red);
        let asked = NetworkFacts { asked_to_identify: true, ..refused };
        assert_eq!(network(asked), Light::FlashingRedGreen);
    }

    /// IEC 62026-3, module status indicator, as in installation instructions 1784-IN004E, p. 7-4.
    #[test]
    fn the_module_light() {
        let none = ModuleFacts::default();
        assert_eq!(module(none), None);
        let working = ModuleFacts { working: true, ..none };
        assert_eq!(module(working), Some(Light::Green));
        assert_eq!(module(ModuleFacts { standby: true, ..working }), Some(Light::FlashingGreen));
        let recoverable = ModuleFacts { recoverable: true, ..working };
        assert_eq!(module(recoverable), Some(Light::FlashingRed));
        assert_eq!(module(ModuleFacts { unrecoverable: true, ..recoverable }), Some(Light::Red));
    }
}
