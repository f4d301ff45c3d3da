//! What was last recorded by a person: `recorded.toml`, beside this file.

use std::collections::BTreeMap;
use std::error::Error;

/// Figures by name.
pub struct Recorded(BTreeMap<String, f64>);

impl Recorded {
    /// Reads the file.
    pub fn read() -> Result<Recorded, Box<dyn Error>> {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/benches/speed/recorded.toml");
        let text = std::fs::read_to_string(path).map_err(|error| format!("{path}: {error}"))?;
        Ok(Recorded(toml::from_str(&text).map_err(|error| format!("{path}: {error}"))?))
    }

    /// What this was.
    pub fn of(&self, name: &str) -> Option<f64> {
        self.0.get(name).copied()
    }
}
