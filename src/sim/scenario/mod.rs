//! A scenario: the trunk to simulate and what goes wrong on it, as TOML.
//!
//! Units are in the names. Every error names the line and shows it, so also its key.

mod faults;
mod values;

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::fieldbus::{InputAssembly, OutputAssembly};
use crate::wire::Bitrate;
use crate::words::near::{did_you_mean_by, excerpt};

pub use faults::{Fault, FaultKind, NoisePattern, Sharing, Takes};
pub use values::{
    Address, CommandAssembly, Length, Metres, Micros, Millis, PeriodMillis, PeriodSeconds, Rate,
    Seconds, Share, StatusAssembly, ValueError,
};

/// A trunk, what is on it, and what goes wrong.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// The trunk itself and how long to watch it.
    pub trunk: TrunkPlan,
    /// The master.
    pub master: MasterPlan,
    /// The slaves.
    #[serde(default)]
    pub node: Vec<NodePlan>,
    /// Frames that come round on their own.
    #[serde(default)]
    pub talker: Vec<TalkerPlan>,
    /// What goes wrong.
    #[serde(skip)]
    pub faults: Vec<Fault>,
}

/// The trunk itself and how long to watch it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrunkPlan {
    /// What people call it.
    pub name: String,
    /// Bits per second.
    pub bitrate: Bitrate,
    /// How long to watch.
    pub duration_s: Seconds,
    /// When the capture says it began.
    #[serde(default = "default_started")]
    pub started: jiff::Timestamp,
    /// The seed, unless another is given.
    #[serde(default)]
    pub seed: u64,
    /// The length of the trunk cable: how far reflections go.
    #[serde(default = "default_length")]
    pub length_m: Metres,
}

fn default_started() -> jiff::Timestamp {
    jiff::Timestamp::constant(1_772_433_000, 0)
}

fn default_length() -> Metres {
    Metres(100.0)
}

/// Who a device says it is.
#[derive(Debug, Clone, Deserialize)]
pub struct Identity {
    /// The maker's number.
    pub vendor_id: u16,
    /// The device's serial number.
    pub serial: u32,
    /// The device profile.
    #[serde(default)]
    pub device_type: u16,
    /// The maker's number of the product.
    #[serde(default)]
    pub product_code: u16,
    /// Revision before the point.
    #[serde(default = "one")]
    pub major_revision: u8,
    /// Revision after the point.
    #[serde(default = "one")]
    pub minor_revision: u8,
}

fn one() -> u8 {
    1
}

/// The master and how it scans.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MasterPlan {
    /// Its address.
    #[serde(default)]
    pub mac_id: Address,
    /// The maker's number.
    pub vendor_id: u16,
    /// Its serial number.
    pub serial: u32,
    /// From the start of one scan to the next; without it scans run back to back.
    pub scan_interval_ms: Option<PeriodMillis>,
    /// The pause between scans that run back to back.
    #[serde(default = "default_gap")]
    pub scan_gap_ms: Millis,
    /// How long a scan that runs back to back waits for an answer.
    #[serde(default = "default_timeout")]
    pub response_timeout_ms: Millis,
    /// How long after a lost node is asked again.
    #[serde(default = "default_retry")]
    pub retry_ms: Millis,
    /// How often it reads something from one of its nodes; never, without it.
    pub explicit_interval_s: Option<PeriodSeconds>,
    /// Where it is on the trunk.
    #[serde(default)]
    pub position_m: Metres,
    /// When it gets power.
    #[serde(default)]
    pub power_on_ms: Millis,
}

fn default_gap() -> Millis {
    Millis(1.0)
}

fn default_timeout() -> Millis {
    Millis(20.0)
}

fn default_retry() -> Millis {
    Millis(1000.0)
}

/// How a slave's I/O comes round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ConnectionKind {
    /// Command and response, one node at a time.
    Poll,
    /// One command to all, a response of each.
    Strobe,
    /// The node speaks when something changed, and at its expected packet rate.
    ChangeOfState,
    /// The node speaks at its expected packet rate.
    Cyclic,
}

/// Whether a controller leaves bus-off by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Recovery {
    /// After 128 times 11 recessive bits.
    #[default]
    Automatic,
    /// Only when its power is switched off and on.
    Manual,
}

/// One slave.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NodePlan {
    /// Its address.
    pub mac_id: Spanned<Address>,
    /// What it does on the line.
    pub name: String,
    /// How its I/O comes round.
    pub connection: ConnectionKind,
    /// Master to node.
    #[serde(default)]
    pub command_bytes: Length,
    /// Node to master.
    #[serde(default)]
    pub response_bytes: Length,
    /// The expected packet rate that the master sets; it times out after four times this.
    #[serde(default = "default_rate")]
    pub expected_packet_rate_ms: Millis,
    /// The maker's number.
    pub vendor_id: u16,
    /// Its serial number.
    pub serial: u32,
    /// The device profile.
    #[serde(default)]
    pub device_type: u16,
    /// The maker's number of the product.
    #[serde(default)]
    pub product_code: u16,
    /// Revision before the point.
    #[serde(default = "one")]
    pub major_revision: u8,
    /// Revision after the point.
    #[serde(default = "one")]
    pub minor_revision: u8,
    /// The least time from a command to its response being ready to send.
    #[serde(default = "default_delay_min")]
    pub delay_min_us: Micros,
    /// The mean of it: the part above the least is exponential.
    #[serde(default = "default_delay_mean")]
    pub delay_mean_us: Micros,
    /// The most.
    #[serde(default = "default_delay_max")]
    pub delay_max_us: Micros,
    /// How often it sends a heartbeat; never, without it.
    pub heartbeat_s: Option<PeriodSeconds>,
    /// The mean time between changes of its input, for change of state.
    #[serde(default = "default_change")]
    pub change_interval_ms: PeriodMillis,
    /// Where it is on the trunk.
    #[serde(default)]
    pub position_m: Metres,
    /// When it gets power.
    #[serde(default)]
    pub power_on_ms: Millis,
    /// Whether it leaves bus-off by itself.
    #[serde(default)]
    pub bus_off_recovery: Recovery,
    /// An AC drive, if it is one.
    pub drive: Option<DrivePlan>,
}

fn default_rate() -> Millis {
    Millis(75.0)
}

fn default_delay_min() -> Micros {
    Micros(600.0)
}

fn default_delay_mean() -> Micros {
    Micros(900.0)
}

fn default_delay_max() -> Micros {
    Micros(4000.0)
}

fn default_change() -> PeriodMillis {
    PeriodMillis(500.0)
}

impl NodePlan {
    /// Who it says it is.
    pub fn identity(&self) -> Identity {
        Identity {
            vendor_id: self.vendor_id,
            serial: self.serial,
            device_type: self.device_type,
            product_code: self.product_code,
            major_revision: self.major_revision,
            minor_revision: self.minor_revision,
        }
    }
}

/// Where a drive takes its run command and its speed from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ControlSource {
    /// From the master.
    #[default]
    Network,
    /// From its own terminals or keypad.
    Local,
}

/// An AC drive and what the master asks of it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DrivePlan {
    /// What the master sends: 20 or 21.
    #[serde(default = "default_output")]
    pub output_assembly: CommandAssembly,
    /// What the master expects: 70 or 71.
    #[serde(default = "default_input")]
    pub input_assembly: StatusAssembly,
    /// Where it is set to take its commands from.
    #[serde(default)]
    pub source: ControlSource,
    /// How fast it changes speed.
    #[serde(default = "default_ramp")]
    pub ramp_rpm_per_s: u16,
    /// The speed that the master asks for.
    #[serde(default = "default_speed")]
    pub speed_rpm: i16,
    /// When the master first asks it to run.
    #[serde(default)]
    pub run_from_s: Seconds,
    /// When the master asks it to stop; never, without it.
    pub run_until_s: Option<Seconds>,
    /// Running and standing, over and over: how long it runs of each cycle.
    pub cycle_run_s: Option<Seconds>,
    /// How long it stands of each cycle.
    #[serde(default)]
    pub cycle_stand_s: Seconds,
}

fn default_output() -> CommandAssembly {
    CommandAssembly(OutputAssembly::EXTENDED)
}

fn default_input() -> StatusAssembly {
    StatusAssembly(InputAssembly::EXTENDED)
}

fn default_ramp() -> u16 {
    600
}

fn default_speed() -> i16 {
    1200
}

/// A frame that comes round on its own.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TalkerPlan {
    /// The 11-bit identifier.
    pub id: u16,
    /// The data bytes.
    #[serde(default)]
    pub data: Vec<u8>,
    /// From one to the next.
    pub period_ms: PeriodMillis,
    /// When the first one is ready.
    #[serde(default)]
    pub offset_ms: Millis,
}

/// Why a scenario cannot be used: one line that says where and what.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line} ({text}): {what}")]
pub struct ScenarioError {
    /// The line, from 1.
    pub line: usize,
    /// That line, so that its key is named.
    pub text: String,
    /// What is wrong with it.
    pub what: String,
}

impl ScenarioError {
    fn at(source: &str, offset: usize, what: impl Into<String>) -> ScenarioError {
        let before = source.get(..offset).unwrap_or(source);
        let line = before.matches('\n').count();
        let text = excerpt(source.lines().nth(line).unwrap_or_default());
        ScenarioError { line: line + 1, text, what: what.into() }
    }

    fn toml(source: &str, error: &toml::de::Error) -> ScenarioError {
        let offset = error.span().map_or(0, |span| span.start);
        Self::at(source, offset, error.message().to_string() + &did_you_mean_by(error.message()))
    }
}

impl Scenario {
    /// Reads a scenario.
    ///
    /// # Errors
    /// The line and what is wrong: no TOML, a key that is not known or is missing, a value
    /// outside its range, a fault at an address that no node has.
    pub fn parse(source: &str) -> Result<Scenario, ScenarioError> {
        let error = |e: toml::de::Error| ScenarioError::toml(source, &e);
        let mut root = DeTable::parse(source).map_err(error)?;
        let faults = root.get_mut().remove("fault");
        let mut scenario = Scenario::deserialize(toml::Deserializer::from(root)).map_err(error)?;
        scenario.check(source)?;
        if let Some(faults) = faults {
            let span = faults.span();
            let DeValue::Array(list) = faults.into_inner() else {
                return Err(ScenarioError::at(source, span.start, "faults are [[fault]] tables"));
            };
            for fault in list {
                let fault = Fault::read(source, fault)?;
                fault.check(source, &scenario)?;
                scenario.faults.push(fault);
            }
        }
        Ok(scenario)
    }

    /// The names of the keys' places: which addresses are taken, and sizes that fit.
    fn check(&self, source: &str) -> Result<(), ScenarioError> {
        let mut seen = BTreeMap::from([(self.master.mac_id.0, "the master".to_string())]);
        for node in &self.node {
            let mac_id = node.mac_id.get_ref().0;
            if let Some(other) = seen.insert(mac_id, node.name.clone()) {
                return Err(ScenarioError::at(
                    source,
                    node.mac_id.span().start,
                    format!("address {mac_id} is already that of {other}"),
                ));
            }
            if node.delay_min_us > node.delay_mean_us || node.delay_mean_us > node.delay_max_us {
                return Err(ScenarioError::at(
                    source,
                    node.mac_id.span().start,
                    "the response delays of this node are not least, mean, most in this order",
                ));
            }
            let drive_sizes = node.command_bytes.0 == 4 && node.response_bytes.0 == 4;
            if node.drive.is_some() && !drive_sizes {
                return Err(ScenarioError::at(
                    source,
                    node.mac_id.span().start,
                    "a drive has 4 command and 4 response bytes",
                ));
            }
        }
        Ok(())
    }

    /// The node with this address.
    pub fn node_at(&self, address: Address) -> Option<&NodePlan> {
        self.node.iter().find(|node| *node.mac_id.get_ref() == address)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = r#"
[trunk]
name = "Orchard Lane rinser"
bitrate = 125000
duration_s = 2

[master]
vendor_id = 900
serial = 1

[[node]]
mac_id = 5
name = "rinser"
connection = "poll"
vendor_id = 901
serial = 2
"#;

    fn error(extra: &str) -> String {
        Scenario::parse(&format!("{SMALL}{extra}")).unwrap_err().to_string()
    }

    #[test]
    fn the_least_scenario() {
        let scenario = Scenario::parse(SMALL).unwrap();
        assert_eq!(scenario.node.len(), 1);
        assert_eq!(scenario.node[0].expected_packet_rate_ms, Millis(75.0));
    }

    #[test]
    fn errors_name_line_and_key() {
        let cases = [
            ("speed = 3\n", "line 17 (speed = 3): unknown field `speed`"),
            ("delay_mean_us = 1\n", "line 12 (mac_id = 5): the response delays"),
            ("response_bytes = 449\n", "line 17 (response_bytes = 449): 449 is not"),
            (
                "[[fault]]\nkind = \"gremlin\"\n",
                "line 18 (kind = \"gremlin\"): unknown variant `gremlin`, expected one of",
            ),
            ("[[fault]]\nfrom_s = 1\n", "line 17 ([[fault]]): a fault needs its kind"),
            (
                "[[fault]]\nkind = \"skip-polls\"\nmac_id = 5\nshare = 1.5\n",
                "line 20 (share = 1.5): 1.5 is not a share from 0 to 1",
            ),
            (
                "[[fault]]\nkind = \"skip-polls\"\nmac_id = 6\nshare = 0.5\n",
                "line 19 (mac_id = 6): no node has the address 6",
            ),
            (
                "[[fault]]\nkind = \"skip-polls\"\nmac_id = 5\nshare = 0.5\nrpm = 1\n",
                "line 21 (rpm = 1): unexpected keys in table: rpm",
            ),
            (
                "[[fault]]\nkind = \"skip-polls\"\nmac_id = 5\nfrom_s = -1\n",
                "line 20 (from_s = -1): -1 is not a time",
            ),
            ("[[node]]\nmac_id = 64\n", "line 18 (mac_id = 64): 64 is not an address"),
            (
                "command_bytes = 4\nresponse_bytes = 4\ndrive = { output_assembly = 99 }\n",
                "line 19 (drive = { output_assembly = 99 }): 99 is not an assembly of the drive",
            ),
            (
                "command_bytes = 4\nresponse_bytes = 4\ndrive = {}\n[[fault]]\nkind = \
                 'wrong-assembly'\nmac_id = 5\noutput_assembly = 20\ninput_assembly = 72\n",
                "line 24 (input_assembly = 72): 72 is not an assembly of the drive profile (70 or",
            ),
            (
                "[[fault]]\nkind = 'wrong-bitrate'\nmac_id = 40\nbitrate = 125000\n",
                "line 20 (bitrate = 125000): 125000 is the bit rate of the trunk",
            ),
            (
                "[[fault]]\nkind = 'wrong-bitrate'\nmac_id = 40\nbitrate = 100000\n",
                "line 20 (bitrate = 100000): 100000 is not a bit rate of a device",
            ),
        ];
        for (extra, expected) in cases {
            let message = error(extra);
            assert!(message.starts_with(expected), "{message}");
        }
        let twice = SMALL.replace("mac_id = 5", "mac_id = 0");
        let message = Scenario::parse(&twice).unwrap_err().to_string();
        assert!(message.contains("already that of the master"), "{message}");
    }
}
