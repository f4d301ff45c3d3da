//! Faults of the simulator that the master or a node is set up with: each by itself on the
//! demo's trunk, and what stands at the top then.

use dropline::simulation::{Scenario, SimSource};
use dropline::{Analysis, MacId, SourceKind, Summary};

/// The demo's trunk without its faults, for half a minute, with this one.
fn run(fault: &str) -> Summary {
    let demo =
        include_str!("../../src/sim/demo.toml").replace("duration_s = 60", "duration_s = 30");
    let trunk = demo.split("[[fault]]").next().unwrap();
    let scenario = Scenario::parse(&format!("{trunk}\n[[fault]]\n{fault}\n")).unwrap();
    let mut source = SimSource::new(scenario, None);
    let mut analysis = Analysis::new(source.header());
    let mut batch = Vec::new();
    while {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..) {
            analysis.take(&record, &mut |_, _| {});
        }
        more
    } {}
    analysis.finish(SourceKind::Simulated, "fault", 0, &mut |_, _| {})
}

/// The top finding as "severity code address", and its evidence.
fn top(fault: &str) -> (String, String) {
    let summary = run(fault);
    let first = summary.findings.first().expect("a finding");
    let node = first.mac_id.map_or(String::new(), |mac_id| format!(" {mac_id}"));
    (format!("{} {}{node}", first.severity, first.code.name()), first.text.clone())
}

#[test]
fn a_node_that_is_not_on_the_scan_list() {
    let (found, evidence) = top("kind = 'not-on-scan-list'\nmac_id = 20");
    assert_eq!(found, "warning never-allocated 20", "{evidence}");
    assert!(evidence.contains("without an I/O connection"), "{evidence}");
}

#[test]
fn a_node_that_is_allocated_and_never_polled() {
    let (found, evidence) = top("kind = 'not-polled'\nmac_id = 12");
    assert_eq!(found, "warning not-polled 12", "{evidence}");
    assert!(evidence.contains("is allocated, and nobody has polled it"), "{evidence}");
}

#[test]
fn a_node_that_is_polled_no_more() {
    let (found, evidence) = top("kind = 'not-polled'\nmac_id = 20\nfrom_s = 12");
    assert_eq!(found, "warning not-polled 20", "{evidence}");
    assert!(evidence.contains("its polls stopped at 12.0"), "{evidence}");
}

#[test]
fn a_packet_rate_that_is_shorter_than_the_scan() {
    let (found, evidence) = top("kind = 'packet-rate'\nmac_id = 20\nrate_ms = 4");
    assert_eq!(found, "fault packet-rate-short 20", "{evidence}");
    assert!(evidence.contains("of 4 ms its poll connection times out after 0.016 s"), "{evidence}");
}

#[test]
fn a_node_that_cannot_be_set_up() {
    let summary = run("kind = 'refuses-setup'\nmac_id = 20");
    let found: Vec<String> = summary
        .findings
        .iter()
        .map(|f| format!("{} {:?}", f.code.name(), f.mac_id.map(MacId::get)))
        .collect();
    assert_eq!(found[0], "allocated-again Some(20)", "{found:?}");
    assert!(found.contains(&"requests-refused Some(20)".to_string()), "{found:?}");
}

#[test]
fn commands_of_another_size() {
    let (found, evidence) =
        top("kind = 'wrong-command-size'\nmac_id = 5\ncommand_bytes = 4\nfrom_s = 15");
    assert_eq!(found, "fault command-size 5", "{evidence}");
}

#[test]
fn a_node_that_is_switched_off_and_one_that_was_never_on() {
    let (found, evidence) = top("kind = 'node-off'\nmac_id = 20\nfrom_s = 15");
    assert_eq!(found, "fault node-left 20", "{evidence}");
    let (found, evidence) = top("kind = 'node-off'\nmac_id = 20");
    assert_eq!(found, "fault never-answered 20", "{evidence}");
    assert!(evidence.contains("tried to allocate its I/O"), "{evidence}");
}

#[test]
fn a_drive_says_why_it_does_not_follow() {
    for (fault, code, reported) in [
        ("kind = 'drive-not-ready'", "drive-not-ready", "it reported: not ready"),
        (
            "kind = 'local-control'\ntakes = 'reference'",
            "drive-speed-elsewhere",
            "it reported: speed does not come from the network",
        ),
        (
            "kind = 'local-control'\ntakes = 'control'",
            "drive-control-elsewhere",
            "it reported: run and stop do not come from the network",
        ),
        ("kind = 'drive-trip'", "drive-faulted", "reported a fault once"),
    ] {
        let (found, evidence) = top(&format!("{fault}\nmac_id = 12"));
        assert_eq!(found, format!("fault {code} 12"), "{evidence}");
        assert!(evidence.contains(reported), "{evidence}");
    }
}

/// Noise that begins late rises, whatever its cause.
#[test]
fn noise_that_grows_is_called_rising() {
    let summary = run("kind = 'noise'\npattern = 'random'\nrate_per_s = 20\nfrom_s = 18");
    let trend = summary.errors.trend.expect("enough errors for a trend");
    assert_eq!(trend.direction, dropline::summary::TrendDirection::Rising, "{trend:?}");
    let errors = summary.findings.iter().find(|f| f.code.name() == "bus-errors").unwrap();
    assert!(errors.text.contains("; getting more frequent: "), "{}", errors.text);
}
