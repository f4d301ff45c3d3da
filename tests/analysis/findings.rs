//! Each finding on a trunk that has just this fault, and nothing found on one that is well.

use crate::common::scene::{Scene, device};
use dropline::internal::fieldbus::AddressCheckKind::{Request, Response};
use dropline::record::What;
use dropline::{DeviceId, Nanos, Summary};

const NODES: [u8; 3] = [5, 12, 13];

/// The line as it should be: everybody claims an address and answers.
fn well() -> Scene {
    let mut scene = Scene::new();
    for node in NODES {
        scene.claim(node, device(node.into()));
    }
    scene.scans(500, &NODES, &[]);
    scene
}

/// Node 12 runs its address check; the master goes on with the others.
fn claim_while_others_run(scene: &mut Scene, device: DeviceId) {
    for _ in 0..2 {
        scene.check(12, Request, device);
        scene.scans(50, &[5, 13], &[]);
    }
}

fn ended(mut scene: Scene) -> Vec<String> {
    scene.end();
    scene.findings()
}

#[test]
fn a_trunk_that_is_well() {
    assert!(ended(well()).is_empty());
}

#[test]
fn a_node_that_skips_polls() {
    let mut scene = well();
    for _ in 0..4 {
        scene.scans(2, &NODES, &[12]);
        scene.scans(100, &NODES, &[]);
    }
    assert_eq!(ended(scene), ["warning missed-polls 12"]);
}

#[test]
fn a_node_that_leaves_and_returns() {
    let mut scene = well();
    scene.scans(50, &NODES, &[12]);
    scene.scans(50, &NODES, &[]);
    let findings = ended(scene);
    assert_eq!(findings, ["warning node-left 12"]);
}

#[test]
fn a_node_that_leaves_for_good() {
    let mut scene = well();
    scene.scans(50, &NODES, &[12]);
    assert_eq!(ended(scene), ["fault node-left 12"]);
}

#[test]
fn a_node_that_was_never_there() {
    let mut scene = well();
    scene.scans(10, &[5, 12, 13, 40], &[40]);
    assert_eq!(ended(scene), ["fault never-answered 40"]);
}

#[test]
fn a_newcomer_that_is_refused() {
    let mut scene = well();
    scene.check(12, Request, device(77));
    scene.wait(Nanos::from_millis(2));
    scene.check(12, Response, device(12));
    scene.scans(200, &NODES, &[]);
    assert_eq!(ended(scene), ["fault address-clash 12"]);
}

#[test]
fn a_newcomer_that_nobody_refuses() {
    let mut scene = well();
    scene.check(12, Request, device(77));
    scene.scans(50, &NODES, &[]);
    scene.check(12, Request, device(77));
    scene.scans(200, &NODES, &[]);
    scene.end();
    assert_eq!(scene.findings(), ["fault address-clash 12"]);
    let clash = &scene.summary().address_clashes[0];
    assert_eq!(clash.holder, Some(device(12)));
    assert_eq!(clash.newcomer, device(77));
}

#[test]
fn a_node_that_restarts() {
    let mut scene = well();
    claim_while_others_run(&mut scene, device(12));
    scene.scans(10, &NODES, &[]);
    assert_eq!(ended(scene), ["warning node-restarted 12"]);
}

#[test]
fn a_device_that_was_exchanged() {
    let mut scene = well();
    scene.scans(50, &NODES, &[12]);
    claim_while_others_run(&mut scene, device(77));
    scene.scans(50, &NODES, &[]);
    assert_eq!(ended(scene), ["warning node-left 12", "note device-replaced 12"]);
}

#[test]
fn bus_errors_and_bus_off() {
    let mut scene = well();
    for _ in 0..20 {
        scene.error(0x088, 0x0000_0400_0000_0000);
    }
    scene.error(0x204, 0x0010_0000_0000_0080);
    scene.error(0x040, 0);
    scene.scans(100, &NODES, &[]);
    assert_eq!(ended(scene), ["fault dense-bursts", "fault bus-off", "fault bus-errors"]);
}

#[test]
fn an_adapter_that_is_error_passive_without_any_frame() {
    let mut scene = Scene::new();
    scene.error(0x004, 0x0010_0000_0000_0000);
    scene.wait(Nanos::SECOND);
    scene.end();
    let summary = scene.summary();
    let errors = summary.findings.iter().find(|f| f.code.name() == "bus-errors").unwrap();
    assert!(errors.text.starts_with("0 bus errors to 0 good frames (0.000 %)"), "{}", errors.text);
    assert_eq!(Summary::from_json(summary.to_json().as_bytes()).unwrap(), summary);
}

#[test]
fn frames_that_were_lost() {
    let mut scene = well();
    scene.poll(12);
    scene.push(What::Lost(17));
    scene.scans(100, &NODES, &[]);
    assert_eq!(ended(scene), ["warning frames-lost"]);
}

#[test]
fn an_interface_that_goes_down() {
    let mut scene = well();
    scene.push(What::LinkDown(Some("adapter unplugged".into())));
    scene.wait(Nanos::SECOND);
    scene.push(What::LinkUp);
    scene.scans(100, &NODES, &[]);
    assert_eq!(ended(scene), ["warning link-down"]);
}

#[test]
fn a_bus_that_is_nearly_full() {
    let mut scene = well();
    for _ in 0..3000 {
        scene.frame(0x3C0 | 5, &[0x55; 8]);
        scene.wait(Nanos::from_micros(920));
    }
    let findings = ended(scene);
    assert!(findings.contains(&"fault load-high".to_string()), "{findings:?}");
}

#[test]
fn frames_that_do_not_belong() {
    let mut scene = well();
    scene.frame(0x7F3, &[1]);
    scene.extended(0x18FF_10AA);
    let findings = ended(scene);
    assert_eq!(findings, ["warning invalid-identifier", "warning foreign-frames"]);
}

#[test]
fn a_capture_that_was_cut_off() {
    assert_eq!(well().findings(), ["note capture-cut-off"]);
}

#[test]
fn a_capture_that_lost_some_of_its_lines() {
    let mut scene = well();
    scene.end();
    scene.records.remove(100);
    let findings = scene.findings();
    assert!(findings.contains(&"warning capture-damaged".to_string()), "{findings:?}");
}

#[test]
fn a_master_that_stops() {
    let mut scene = well();
    scene.wait(Nanos::from_millis(5000));
    assert_eq!(ended(scene), ["fault polling-stopped"]);
}

/// Where a node was heard to be allocated, its master is known, and named.
#[test]
fn a_known_master_that_stops() {
    let mut scene = Scene::new();
    for node in NODES {
        scene.claim(node, device(node.into()));
        scene.frame(0x406 | u16::from(node) << 3, &[0, 0x4B, 3, 1, 3, 0]);
        scene.frame(0x403 | u16::from(node) << 3, &[0, 0xCB, 0]);
    }
    scene.scans(500, &NODES, &[]);
    scene.wait(Nanos::from_millis(5000));
    assert_eq!(ended(scene), ["fault polling-stopped 0"]);
}

#[test]
fn a_node_that_answers_twice() {
    let mut scene = well();
    for _ in 0..20 {
        scene.scans(10, &NODES, &[]);
        scene.answer(12);
    }
    assert_eq!(ended(scene), ["fault two-answer 12"]);
}

/// Errors strike frames of eight bytes, whoever sends them, and none of one byte.
#[test]
fn errors_that_come_with_long_frames() {
    let mut scene = well();
    for round in 0..150_u16 {
        for (place, node) in NODES.into_iter().enumerate() {
            scene.frame(0x405 | u16::from(node) << 3, &[1]);
            scene.wait(Nanos::from_micros(900));
            if usize::from(round * 7 % 5) == place {
                scene.error(0x088, 0x0000_0400_0000_0000);
            }
            scene.frame(0x3C0 | u16::from(node), &[0x55; 8]);
            // At odd times, so that no rhythm comes of it.
            scene.wait(Nanos::from_micros(7000 + i64::from(round * 37 % 64) * 900));
        }
    }
    let findings = ended(scene);
    assert!(findings.contains(&"fault errors-with-length".to_string()), "{findings:?}");
}

#[test]
fn responses_of_another_size_all_at_once() {
    let mut scene = well();
    for _ in 0..100 {
        scene.poll(12);
        scene.frame(0x3CC, &[0x44, 3, 0x10]);
        scene.wait(Nanos::from_millis(18));
    }
    assert_eq!(ended(scene), ["fault response-size 12"]);
}

#[test]
fn a_clock_that_is_set_back() {
    let mut scene = well();
    scene.now = Nanos(scene.now.0 - Nanos::SECOND.0);
    scene.scans(100, &NODES, &[]);
    assert_eq!(ended(scene), ["note clock-stepped"]);
}

#[test]
fn nothing_at_all() {
    let mut scene = Scene::new();
    scene.wait(Nanos::SECOND);
    assert_eq!(ended(scene), ["fault nothing-heard"]);
}

#[test]
fn errors_alone() {
    let mut scene = Scene::new();
    for _ in 0..50 {
        scene.error(0x088, 0x0000_0200_0000_0000);
    }
    let findings = ended(scene);
    assert!(findings[0].ends_with("nothing-understood"), "{findings:?}");
}

#[test]
fn no_bit_rate() {
    let mut scene = well();
    scene.bitrate = None;
    assert_eq!(ended(scene), ["note bit-rate-unknown"]);
}

/// That no bus error was counted says nothing then.
#[test]
fn an_adapter_that_keeps_bus_errors_to_itself() {
    let mut scene = well();
    scene.reports_errors = Some(false);
    assert_eq!(ended(scene), ["warning errors-not-reported"]);
    let mut scene = well();
    scene.reports_errors = Some(true);
    assert!(ended(scene).is_empty());
}

/// The page of a trunk with a few faults, as a person reads it.
/// Each finding with what explains it.
fn explained(mut scene: Scene) -> Vec<String> {
    scene.end();
    let line = |finding: &dropline::summary::FindingSummary| {
        let by = finding.explained_by.as_ref().map(|by| by.code.name()).unwrap_or("itself");
        format!("{} by {by}", finding.code.name())
    };
    scene.summary().findings.iter().map(line).collect()
}

/// A node that leaves polls unanswered all the time does so with or without a few errors.
#[test]
fn errors_explain_no_more_misses_than_they_can() {
    let errors = |scene: &mut Scene| (0..3).for_each(|_| scene.error(0x88, 0x0000_0400_0000_0000));
    let mut of_its_own = well();
    errors(&mut of_its_own);
    for _ in 0..40 {
        of_its_own.scans(1, &NODES, &[12]);
        of_its_own.scans(2, &NODES, &[]);
    }
    errors(&mut of_its_own);
    let findings = explained(of_its_own);
    assert!(findings.contains(&"missed-polls by itself".to_string()), "{findings:?}");
    let mut of_errors = well();
    errors(&mut of_errors);
    of_errors.scans(1, &NODES, &[12]);
    of_errors.scans(200, &NODES, &[]);
    assert_eq!(explained(of_errors), ["bus-errors by itself", "missed-polls by bus-errors"]);
}

/// What was before the cause, or long after it, has another one.
#[test]
fn a_cause_explains_what_happens_meanwhile() {
    let mut scene = well();
    scene.scans(1, &NODES, &[12]);
    scene.scans(500, &NODES, &[]);
    scene.scans(50, &NODES, &[12]);
    scene.scans(50, &NODES, &[]);
    // The one miss came ten seconds before it left.
    assert_eq!(explained(scene), ["node-left by itself", "missed-polls by itself"]);
}

#[test]
fn the_page() {
    let mut scene = well();
    scene.scans(2, &NODES, &[12]);
    scene.check(12, Request, device(77));
    scene.wait(Nanos::from_millis(2));
    scene.check(12, Response, device(12));
    for _ in 0..7 {
        scene.error(0x088, 0x0000_0400_0000_0000);
    }
    scene.error(0x204, 0x0004_0000_0000_0060);
    scene.scans(100, &NODES, &[]);
    scene.end();
    insta::assert_snapshot!(dropline::internal::output::page(
        &scene.summary(),
        &jiff::tz::TimeZone::UTC,
        true
    ));
}

/// An adapter that is error-passive though nothing was destroyed is a warning, whoever answered.
#[test]
fn a_passive_adapter_alone() {
    let mut scene = well();
    scene.error(0x204, 0x0020_0000_0000_0080);
    scene.scans(100, &NODES, &[]);
    assert_eq!(ended(scene), ["warning bus-errors"]);
}
