//! The acceptance of a newcomer, on simulated visits to the demo line: a drive that is well is
//! accepted, one with a fault is refused with the right point, and nobody else's fault is put
//! down to it.
//!
//! `DROPLINE_NEWCOMER_SEEDS` says how many seeds each, for a longer run by hand.

use crate::common::simulated::{in_parallel, summary_of};
use dropline::planning::Plan;
use dropline::simulation::{Scenario, SimSource};
use dropline::summary::{AcceptanceResult, Comparison, Point, Tolerance};
use dropline::{Analysis, Expectation, MacId, Summary};

const NEWCOMER: u8 = 38;

/// The demo line at a bit rate, with or without the newcomer, without what goes wrong on it.
fn line(bitrate: u32, with_newcomer: bool) -> String {
    let demo = include_str!("../../src/sim/demo.toml");
    let (well, _) = demo.split_once("# The capper drive leaves").expect("the first fault");
    let (before, newcomer) = well.split_at(well.rfind("[[node]]").expect("the last node"));
    assert!(newcomer.contains("mac_id = 38"), "{newcomer}");
    let text = if with_newcomer { well } else { before };
    // A drive of the kind that has to be asked for control.
    text.replace("bitrate = 125000", &format!("bitrate = {bitrate}")).replace(
        "output_assembly = 20, input_assembly = 70",
        "output_assembly = 21, input_assembly = 71",
    )
}

fn plan(bitrate: u32) -> Expectation {
    let text = include_str!("../../shared/orchard-lane.plan.toml")
        .replace("bitrate = 125000", &format!("bitrate = {bitrate}"))
        .replace("output_assembly = 20", "output_assembly = 21")
        .replace("input_assembly = 70", "input_assembly = 71");
    Expectation::new(Plan::parse(&text).expect("the plan"))
}

fn visit(scenario: &str, bitrate: u32, seed: u64) -> Summary {
    let scenario = Scenario::parse(scenario).expect("the scenario");
    let mut source = SimSource::new(scenario, Some(seed));
    let analysis = Analysis::new(source.header()).with_plan(Some(plan(bitrate)));
    summary_of(&mut source, analysis)
}

/// What is wrong with the newcomer, and the point that must fail for it.
struct Case {
    name: &'static str,
    /// What is changed in the newcomer's part of the scenario.
    replace: Option<(&'static str, &'static str)>,
    fault: &'static str,
    fails: Option<Point>,
}

const CASES: &[Case] = &[
    Case { name: "well", replace: None, fault: "", fails: None },
    Case {
        name: "address",
        replace: Some(("mac_id = 38\n", "mac_id = 39\n")),
        fault: "",
        fails: Some(Point::OnLine),
    },
    Case {
        name: "address in use",
        replace: None,
        fault: "kind = 'node-off'\nmac_id = 38\n[[fault]]\nkind = 'duplicate-address'\nmac_id = 12\nvendor_id = 903\nserial = 90177\nsharing = 'refused'\nfrom_s = 5",
        fails: Some(Point::OnLine),
    },
    Case {
        name: "size",
        replace: None,
        fault: "kind = 'wrong-size'\nmac_id = 38\nresponse_bytes = 3",
        fails: Some(Point::IoSizes),
    },
    Case {
        name: "source",
        replace: None,
        fault: "kind = 'local-control'\nmac_id = 38",
        fails: Some(Point::DriveRun),
    },
    Case {
        name: "assembly",
        replace: None,
        fault: "kind = 'wrong-assembly'\nmac_id = 38\noutput_assembly = 20\ninput_assembly = 70",
        fails: Some(Point::DriveRun),
    },
    Case {
        name: "packet rate",
        replace: None,
        fault: "kind = 'packet-rate'\nmac_id = 38\nrate_ms = 3",
        fails: Some(Point::Presence),
    },
    Case {
        name: "slow",
        replace: None,
        fault: "kind = 'slow-node'\nmac_id = 38\nextra_us = 9000\nshare = 1.0",
        fails: Some(Point::AnswerTime),
    },
    Case {
        name: "not allocated",
        replace: None,
        fault: "kind = 'not-on-scan-list'\nmac_id = 38",
        fails: Some(Point::Allocation),
    },
    Case {
        name: "not polled",
        replace: None,
        fault: "kind = 'not-polled'\nmac_id = 38",
        fails: Some(Point::Scan),
    },
    Case {
        name: "restarts",
        replace: None,
        fault: "kind = 'loose-connector'\nmac_id = 38\nmean_on_s = 10\nmean_off_ms = 300\nloses_power = true",
        fails: Some(Point::Presence),
    },
    Case {
        name: "errors with its running",
        replace: None,
        fault: "kind = 'noise'\npattern = 'drive-running'\nrate_per_s = 40\nmac_id = 38",
        fails: Some(Point::Errors),
    },
    Case {
        name: "revision",
        replace: Some(("minor_revision = 1", "minor_revision = 7")),
        fault: "",
        fails: Some(Point::Device),
    },
    Case {
        name: "master not asking",
        replace: Some(("speed_rpm = 700", "asks_control = false, speed_rpm = 700")),
        fault: "",
        fails: Some(Point::DriveRun),
    },
    // Somebody else's faults.
    Case {
        name: "another leaves polls unanswered",
        replace: None,
        fault: "kind = 'skip-polls'\nmac_id = 14\nshare = 0.05",
        fails: Some(Point::Others),
    },
    Case {
        name: "another is loose",
        replace: None,
        fault: "kind = 'loose-connector'\nmac_id = 14\nmean_on_s = 6\nmean_off_ms = 300",
        fails: Some(Point::Others),
    },
    Case {
        name: "another is in local control",
        replace: None,
        fault: "kind = 'local-control'\nmac_id = 12",
        fails: Some(Point::Others),
    },
];

fn judge(case: &Case, bitrate: u32, seed: u64, baseline: &Summary) -> Result<(), String> {
    let mut scenario = line(bitrate, true);
    if let Some((from, to)) = case.replace {
        let at = scenario.rfind("[[node]]").expect("the last node");
        let changed = scenario[at..].replace(from, to);
        assert_ne!(changed, scenario[at..], "{from}");
        scenario = scenario[..at].to_string() + &changed;
    }
    if !case.fault.is_empty() {
        scenario += &format!("[[fault]]\n{}\n", case.fault);
    }
    let now = visit(&scenario, bitrate, seed);
    let newcomer = MacId::new(NEWCOMER).expect("an address");
    let comparison = Comparison::expecting(baseline, &now, &Tolerance::default(), &[newcomer]);
    let acceptance = comparison
        .newcomers
        .iter()
        .find(|acceptance| acceptance.mac_id == newcomer)
        .ok_or("no acceptance")?;
    let failed: Vec<Point> = acceptance
        .points
        .iter()
        .filter(|point| point.result == AcceptanceResult::Fail)
        .map(|point| point.point)
        .collect();
    let right = match case.fails {
        None => comparison.accepted == Some(true),
        // Somebody else's fault must fail nothing of the newcomer's own.
        Some(Point::Others) => failed == [Point::Others],
        Some(point) => comparison.accepted == Some(false) && failed.contains(&point),
    };
    if right {
        return Ok(());
    }
    let points: Vec<String> = acceptance
        .points
        .iter()
        .filter(|point| point.result != AcceptanceResult::Pass)
        .map(|p| format!("{} {}: {}", p.result.word(), p.point.title(), p.measured))
        .collect();
    Err(format!("{} at {bitrate}, seed {seed}: {}", case.name, points.join("; ")))
}

#[test]
fn a_newcomer_is_accepted_or_refused_with_the_right_point() {
    let seeds = std::env::var("DROPLINE_NEWCOMER_SEEDS")
        .map_or(1, |seeds| seeds.parse().expect("a number of seeds"));
    let baselines = [125_000, 250_000, 500_000]
        .map(|bitrate| (bitrate, visit(&line(bitrate, false), bitrate, 300_000)));
    let mut jobs = Vec::new();
    for (bitrate, baseline) in &baselines {
        for seed in 300_001..300_001 + seeds {
            jobs.extend(CASES.iter().map(|case| (case, *bitrate, seed, baseline)));
        }
    }
    let results =
        in_parallel(&jobs, |&(case, bitrate, seed, baseline)| judge(case, bitrate, seed, baseline));
    let wrong: Vec<String> = results.into_iter().filter_map(Result::err).collect();
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), jobs.len(), wrong.join("\n"));
}
