//! How often `compare` is right, on simulated visits to the demo line: a healthy trunk must
//! hardly ever be called worse, one with a fault nearly always. Prints the table.
//!
//! `DROPLINE_COMPARE_HEALTHY` and `DROPLINE_COMPARE_FAULTY` say how many seeds each, for a
//! longer run by hand, and `DROPLINE_COMPARE_FROM` the first one (the baseline has the one before
//! it); `DROPLINE_COMPARE_ONLY` names the faults to run. The tolerances were set with an eye on
//! healthy seeds from 1000 and faults from 5000; what is run here by default is others.

#[path = "common/simulated.rs"]
mod simulated;

use std::process::ExitCode;

use dropline::simulation::{FaultKind, Scenario, SimSource};
use dropline::summary::{Comparison, ComparisonLine, Judgement, Tolerance};
use dropline::{Analysis, Summary};
use simulated::{in_parallel, summary_of};

/// Each fault of the simulator at medium strength, on from the start unless it is an event.
/// The strengths are our choice: a fault that a technician would want to hear of, not one that
/// stops the line at once where it can be milder.
const FAULTS: &[(&str, &str)] = &[
    (
        "duplicate refused",
        "kind = 'duplicate-address'\nmac_id = 12\nvendor_id = 903\nserial = 91350\nsharing = 'refused'\nfrom_s = 20",
    ),
    (
        "duplicate contested",
        "kind = 'duplicate-address'\nmac_id = 12\nvendor_id = 903\nserial = 91350\nsharing = 'contested'\nfrom_s = 20",
    ),
    (
        "duplicate silent",
        "kind = 'duplicate-address'\nmac_id = 12\nvendor_id = 903\nserial = 91350\nsharing = 'silent'\nfrom_s = 20",
    ),
    ("slow node", "kind = 'slow-node'\nmac_id = 14\nextra_us = 2000\nshare = 0.5"),
    ("skipped polls", "kind = 'skip-polls'\nmac_id = 14\nshare = 0.03"),
    ("loose connector", "kind = 'loose-connector'\nmac_id = 14\nmean_on_s = 6\nmean_off_ms = 300"),
    (
        "loose, loses power",
        "kind = 'loose-connector'\nmac_id = 14\nmean_on_s = 15\nmean_off_ms = 300\nloses_power = true",
    ),
    ("noise, random", "kind = 'noise'\npattern = 'random'\nrate_per_s = 20"),
    ("noise, periodic", "kind = 'noise'\npattern = 'periodic'\nperiod_ms = 97"),
    (IN_STEP, "kind = 'noise'\npattern = 'periodic'\nperiod_ms = 100"),
    (
        "noise, drive running",
        "kind = 'noise'\npattern = 'drive-running'\nrate_per_s = 20\nmac_id = 12",
    ),
    ("noise, drive speed", "kind = 'noise'\npattern = 'drive-speed'\nrate_per_s = 20\nmac_id = 12"),
    ("noisy node, sends", "kind = 'noisy-node'\nmac_id = 14\nshare = 0.05"),
    ("noisy node, hears", "kind = 'noisy-node'\nmac_id = 14\nreceive_share = 0.01"),
    ("missing terminator", "kind = 'missing-terminator'\nshare = 0.1"),
    ("wrong bit rate", "kind = 'wrong-bitrate'\nmac_id = 40\nbitrate = 250000\nfrom_s = 20"),
    ("no acknowledge", "kind = 'no-acknowledge'\nmac_id = 14\nfrom_s = 20"),
    ("bus-off", "kind = 'bus-off'\nmac_id = 14\nfrom_s = 20"),
    ("wrong size", "kind = 'wrong-size'\nmac_id = 5\nresponse_bytes = 3"),
    (
        "wrong command size",
        "kind = 'wrong-command-size'\nmac_id = 5\ncommand_bytes = 1\nfrom_s = 20",
    ),
    ("node off", "kind = 'node-off'\nmac_id = 20\nfrom_s = 30"),
    ("not on scan list", "kind = 'not-on-scan-list'\nmac_id = 20"),
    ("not polled", "kind = 'not-polled'\nmac_id = 20\nfrom_s = 30"),
    ("packet rate", "kind = 'packet-rate'\nmac_id = 20\nrate_ms = 3\nfrom_s = 20"),
    ("refuses setup", "kind = 'refuses-setup'\nmac_id = 20\nuntil_s = 30"),
    (
        "wrong assembly",
        "kind = 'wrong-assembly'\nmac_id = 12\noutput_assembly = 20\ninput_assembly = 70",
    ),
    ("local control", "kind = 'local-control'\nmac_id = 12"),
    ("drive not ready", "kind = 'drive-not-ready'\nmac_id = 12\nfrom_s = 30"),
    ("drive trips", "kind = 'drive-trip'\nmac_id = 12\nfrom_s = 20"),
    ("control not asked", "kind = 'control-not-asked'\nmac_id = 12\nfrom_s = 20"),
    ("master idle", "kind = 'master-idle'\nfrom_s = 20"),
    ("master stops", "kind = 'master-stop'\nfrom_s = 20\nuntil_s = 23"),
    ("overload", "kind = 'overload'\nscan_interval_ms = 8"),
    ("babble", "kind = 'babble'\nid = 1\nbytes = 8\ninterval_ms = 4"),
    ("invalid identifier", "kind = 'invalid-identifier'\ninterval_ms = 1000"),
    ("supply sags", "kind = 'supply-sag'\nmac_ids = [14, 20]\noff_ms = 500\nfrom_s = 20"),
    ("adapter overflows", "kind = 'receive-overflow'\nframes = 40\nfrom_s = 20"),
    ("adapter unplugged", "kind = 'adapter-unplugged'\nfrom_s = 20\nuntil_s = 23"),
];

/// A multiple of the scan interval: by the seed it strikes a frame in every fifth scan, or nearly
/// always the idle wire between two scans, where it harms nothing. How strong it is, chance says.
const IN_STEP: &str = "noise, in step";

/// What the wire shows as another setting, the same from the first frame to the last: whether it
/// is meant, a plan or a person knows. It must be told, as a change at least.
const SETTINGS: [&str; 2] = ["wrong size", "wrong assembly"];

/// Medium is that one in ten of its 600 pulses strikes a frame (the one beside it, half of them);
/// visits with fewer are counted apart.
const STRIKES: u64 = 60;

/// The demo line without what goes wrong on it.
fn line() -> String {
    let demo = include_str!("../src/sim/demo.toml");
    let (well, _faults) = demo.split_once("# The capper drive leaves").expect("the first fault");
    well.to_string()
}

fn is_of(fault: &str, kind: &str) -> bool {
    fault.starts_with(&format!("kind = '{kind}'"))
}

fn visit(fault: Option<&str>, seed: u64) -> Summary {
    let fault = fault.map_or(String::new(), |fault| format!("[[fault]]\n{fault}\n"));
    let scenario = Scenario::parse(&(line() + &fault)).expect("the scenario");
    let mut source = SimSource::new(scenario, Some(seed));
    let analysis = Analysis::new(source.header());
    summary_of(&mut source, analysis)
}

fn wanted(variable: &str, usual: u64) -> u64 {
    std::env::var(variable).ok().map_or(usual, |value| value.parse().expect("a number of seeds"))
}

/// The lines that are not the same, in short.
fn short(comparison: &Comparison) -> Vec<String> {
    let tell = |line: &ComparisonLine| {
        format!(
            "{} {:?} {:?} {:?} {:?}",
            line.judgement, line.mac_id, line.exchange, line.quantity, line.finding
        )
        .replace("None ", "")
        .replace("Some(", "")
        .replace(')', "")
    };
    comparison.lines.iter().filter(|l| l.judgement != Judgement::Same).map(tell).collect()
}

fn main() -> ExitCode {
    let listed = |name: &&str| FAULTS.iter().any(|(_, fault)| is_of(fault, name));
    if let Some(missing) = FaultKind::NAMES.iter().find(|name| !listed(name)) {
        println!("the fault {missing} of the simulator is not in the list");
        return ExitCode::FAILURE;
    }
    let healthy = wanted("DROPLINE_COMPARE_HEALTHY", 6);
    let faulty = wanted("DROPLINE_COMPARE_FAULTY", 1);
    let from = wanted("DROPLINE_COMPARE_FROM", 200_001);
    let baseline = visit(None, from - 1);
    let mut jobs: Vec<(Option<usize>, u64)> = (0..healthy).map(|n| (None, from + n)).collect();
    let only = std::env::var("DROPLINE_COMPARE_ONLY").unwrap_or_default();
    let chosen = (0..FAULTS.len()).filter(|&fault| FAULTS[fault].0.contains(&only));
    let chosen: Vec<usize> = chosen.collect();
    for &fault in &chosen {
        jobs.extend((0..faulty).map(|n| (Some(fault), from + n)));
    }
    let results = in_parallel(&jobs, |&(fault, seed)| {
        let now = visit(fault.map(|index| FAULTS[index].1), seed);
        let comparison = Comparison::new(&baseline, &now, &Tolerance::default());
        let too_weak = fault.is_some_and(|f| FAULTS[f].0 == IN_STEP) && now.errors.frames < STRIKES;
        let mut lines = short(&comparison);
        lines.insert(0, format!("{} error frames", now.errors.frames));
        (comparison.judgement, lines, too_weak)
    });
    println!(
        "{:<22} {:>5} {:>6} {:>11} {:>8} {:>7} {:>5}",
        "", "runs", "worse", "cannot say", "changed", "better", "same"
    );
    let mut holds = true;
    for fault in std::iter::once(None).chain(chosen.into_iter().map(Some)) {
        let all = jobs.iter().zip(&results).filter(|(job, _)| job.0 == fault);
        let (too_weak, of): (Vec<_>, Vec<_>) = all.partition(|(_, result)| result.2);
        let count = |judgement| of.iter().filter(|(_, result)| result.0 == judgement).count();
        let worse = count(Judgement::Worse);
        let name = fault.map_or("healthy", |index| FAULTS[index].0);
        println!(
            "{name:<22} {:>5} {worse:>6} {:>11} {:>8} {:>7} {:>5}",
            of.len(),
            count(Judgement::CannotSay),
            count(Judgement::Changed),
            count(Judgement::Better),
            count(Judgement::Same)
        );
        if !too_weak.is_empty() {
            let found = too_weak.iter().filter(|(_, r)| r.0 == Judgement::Worse).count();
            let weak = too_weak.len();
            println!("{:<22} {weak:>5} {found:>6} too weak to count as medium", "");
        }
        // At most 1 % of the healthy ones, at least 95 % of those with a fault.
        let right = match fault {
            None => worse * 100 <= of.len(),
            Some(fault) => {
                let is_setting = SETTINGS.contains(&FAULTS[fault].0);
                let told = worse + if is_setting { count(Judgement::Changed) } else { 0 };
                told * 100 >= of.len() * 95
            }
        };
        if !right || std::env::var_os("DROPLINE_COMPARE_TELL").is_some() {
            let strange = |result: &Judgement| (*result == Judgement::Worse) == fault.is_none();
            for ((_, seed), (_, lines, _)) in
                of.iter().filter(|(_, r)| !right && strange(&r.0)).take(5)
            {
                println!("    seed {seed}: {}", lines.join("; "));
            }
        }
        holds &= right;
    }
    if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
