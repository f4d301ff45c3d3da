//! Ordinary trunks, healthy and not, made by a routine of the tests' own: what dropline says of each
//! and what it must not say.

#[path = "../common/plain_bits.rs"]
mod plain_bits;

mod drive;
mod drive_control;
mod errors;
mod healthy;
mod lights;
mod line;
mod nodes;
mod scans;
mod wire;

use std::sync::Mutex;

use line::{Line, found};

/// Every scenario is made with each of these.
const SEEDS: [u64; 3] = [1, 27, 4711];

/// A trunk, and what is to be said of it.
struct Scenario {
    name: &'static str,
    make: fn(u64) -> Line,
    /// The first finding as "severity code address"; `WELL`: neither fault nor warning.
    first: &'static str,
    /// Codes that must not be said, with an address or without.
    never: &'static [&'static str],
}

const WELL: &str = "";

/// Makes every trunk of the table with every seed; all that is wrong is told at once.
fn judge(scenarios: &[Scenario]) {
    let wrong = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for scenario in scenarios {
            let wrong = &wrong;
            scope.spawn(move || {
                for seed in SEEDS {
                    let found = found(&(scenario.make)(seed).summary());
                    let is_wrong = match scenario.first {
                        WELL => found.iter().any(|line| !line.starts_with("note")),
                        first => found.first().is_none_or(|line| line != first),
                    };
                    let said = |never: &&&str| found.iter().any(|line| line.contains(**never));
                    let said = scenario.never.iter().find(said);
                    if is_wrong || said.is_some() {
                        let name = scenario.name;
                        let is = format!("{name}, seed {seed}: {found:#?}\n  not {said:?}");
                        wrong.lock().unwrap().push(is);
                    }
                }
            });
        }
    });
    let mut wrong = wrong.into_inner().unwrap();
    wrong.sort();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
