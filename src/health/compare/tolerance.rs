//! What counts as no change: the tolerances, their defaults, and how they are written down.

use schemars::JsonSchema;
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize};

use crate::toml_reader::{TomlProblems, read_toml};

/// What a comparison lets pass. The values are common practice, no source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Tolerance {
    /// Latency: a shift up to this share of the baseline passes.
    #[serde(deserialize_with = "amount")]
    pub latency_share: f64,
    /// Latency: a shift up to this passes, if it is more.
    #[serde(deserialize_with = "amount")]
    pub latency_us: f64,
    /// Poll interval: as for the latency.
    #[serde(deserialize_with = "amount")]
    pub interval_share: f64,
    /// Poll interval: as for the latency.
    #[serde(deserialize_with = "amount")]
    pub interval_us: f64,
    /// A pause in polling up to so many intervals passes, or up to twice the longest one at
    /// the baseline.
    #[serde(deserialize_with = "amount")]
    pub pause_intervals: f64,
    /// So much more of the commands may be missed.
    #[serde(deserialize_with = "share")]
    pub missed_share: f64,
    /// So many more responses may come that nobody asked for, as a share of the commands.
    #[serde(deserialize_with = "share")]
    pub unsolicited_share: f64,
    /// So much more of all frames may be error frames.
    #[serde(deserialize_with = "share")]
    pub error_share: f64,
    /// The mean load may differ by this share of the wire.
    #[serde(deserialize_with = "share")]
    pub load_mean: f64,
    /// The load of the fullest second may differ by this share of the wire.
    #[serde(deserialize_with = "share")]
    pub load_peak: f64,
    /// A share differs if chance does as much with at most this probability, over all shares
    /// compared together.
    #[serde(deserialize_with = "share")]
    pub significance: f64,
    /// Loads of a capture that is shorter are not judged.
    #[serde(deserialize_with = "amount")]
    pub shortest_s: f64,
}

impl Default for Tolerance {
    fn default() -> Self {
        Tolerance {
            latency_share: 0.25,
            latency_us: 500.0,
            interval_share: 0.05,
            interval_us: 500.0,
            pause_intervals: 10.0,
            missed_share: 0.002,
            unsolicited_share: 0.002,
            error_share: 0.0005,
            load_mean: 0.03,
            load_peak: 0.05,
            significance: 0.01,
            shortest_s: 10.0,
        }
    }
}

impl Tolerance {
    /// The defaults as a file, each key with what it means.
    pub const DEFAULT_FILE: &str = "\
# What dropline compare lets pass. A change counts only if it is beyond these and beyond
# chance. A key that is left out has the value that stands here.

# From command to response, median and tail: a shift up to a quarter of the baseline, and up
# to 500 microseconds whatever the baseline was.
latency_share = 0.25
latency_us = 500

# From command to command, median: likewise.
interval_share = 0.05
interval_us = 500

# A time without polls up to so many poll intervals, or up to twice the longest one of the
# baseline.
pause_intervals = 10

# Shares, 0 to 1: how much more than at the baseline. Commands without a response; responses
# without a command; error frames of all frames.
missed_share = 0.002
unsolicited_share = 0.002
error_share = 0.0005

# Bus load as a share of the wire, 0 to 1: how much more or less, mean and fullest second.
load_mean = 0.03
load_peak = 0.05

# How likely chance may be to call one of the shares different that is not, all of them taken
# together.
significance = 0.01

# The load of a shorter capture is not judged.
shortest_s = 10
";

    /// Reads a file of tolerances.
    ///
    /// # Errors
    /// All problems at once, each with its line and key: what is no TOML, keys that are not known,
    /// values outside their range.
    pub fn parse(text: &str) -> Result<Tolerance, TomlProblems> {
        read_toml(text, |root| root.deserialize())
    }
}

fn amount<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    let value = f64::deserialize(value)?;
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(D::Error::custom(format!("{value} is not a number from 0 up")))
    }
}

fn share<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    let value = f64::deserialize(value)?;
    if (0.0..=1.0).contains(&value) {
        Ok(value)
    } else {
        Err(D::Error::custom(format!("{value} is not a share from 0 to 1")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_of_defaults_is_the_defaults() {
        assert_eq!(Tolerance::parse(Tolerance::DEFAULT_FILE), Ok(Tolerance::default()));
        assert_eq!(Tolerance::parse(""), Ok(Tolerance::default()));
        // Every key stands in it.
        let keys = toml::Table::try_from(Tolerance::default()).unwrap();
        for key in keys.keys() {
            assert!(Tolerance::DEFAULT_FILE.contains(&format!("\n{key} = ")), "{key}");
        }
    }

    #[test]
    fn a_problem_comes_with_its_line() {
        for (text, expected) in [
            (
                "# mine\nlatency_ms = 1\nmissed_share = 2\n",
                "line 2: latency_ms: unknown key; did you mean latency_us?\n\
                 line 3: missed_share: 2 is not a share from 0 to 1",
            ),
            ("\nlatency_us = -1", "line 2: latency_us: -1 is not a number from 0 up"),
            ("latency_us = \"much\"", "line 1: latency_us: is text, wanted is a number"),
            ("latency_us 5", "line 1: not TOML: "),
        ] {
            let message = Tolerance::parse(text).unwrap_err().to_string();
            assert!(message.starts_with(expected), "{message}");
        }
    }
}
