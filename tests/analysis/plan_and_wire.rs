//! Plan and wire compared: each difference by itself, and none where there is none.

use crate::common::scene::{Scene, device};
use dropline::Nanos;

const NODES: [u8; 2] = [12, 13];

fn polled(mac_id: u8, more: &str) -> String {
    format!(
        "[[node]]\nmac_id = {mac_id}\nconnection = \"poll\"\ncommand_bytes = 4\n\
         response_bytes = 4\n{more}\n"
    )
}

fn trunk(interval_ms: f64) -> String {
    format!(
        "[trunk]\nname = \"line\"\nbitrate = 125000\nscan_interval_ms = {interval_ms}\n\
         [[node]]\nmac_id = 0\nconnection = \"master\"\n"
    )
}

/// Two nodes that claim their addresses, tell their revision and are polled every 20 ms.
fn well() -> Scene {
    let mut scene = Scene::new();
    for node in NODES {
        scene.claim(node, device(node.into()));
        // Get attribute single: identity object, instance 1, attribute 4, and 2.3 for answer.
        let group2 = 0x400 | u16::from(node) << 3;
        scene.frame(group2 | 4, &[0x00, 0x0E, 1, 1, 4]);
        scene.wait(Nanos::from_millis(2));
        scene.frame(group2 | 3, &[0x00, 0x8E, 2, 3]);
        scene.wait(Nanos::from_millis(2));
    }
    scene.scans(500, &NODES, &[]);
    scene
}

fn against(mut scene: Scene, plan: &str) -> Vec<String> {
    scene.plan = Some(plan.to_owned());
    scene.end();
    scene.findings()
}

/// What each finding says it has seen.
fn evidence(mut scene: Scene, plan: &str) -> String {
    scene.plan = Some(plan.to_owned());
    scene.end();
    let summary = scene.summary();
    summary.findings.iter().map(|finding| finding.text.clone()).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_trunk_that_is_as_planned() {
    let identity = "vendor_id = 900\nserial = 1012\nmajor_revision = 2\nminor_revision = 3";
    let plan = trunk(20.0) + &polled(12, identity) + &polled(13, "major_revision = 2");
    assert!(against(well(), &plan).is_empty(), "{}", evidence(well(), &plan));
}

#[test]
fn a_node_that_is_missing() {
    let plan = trunk(20.0) + &polled(12, "") + &polled(13, "") + &polled(40, "name = \"capper\"");
    assert_eq!(against(well(), &plan), ["fault node-missing 40"]);
    assert!(evidence(well(), &plan).contains("40 capper is in the plan (poll)"));
}

#[test]
fn a_node_that_is_not_in_the_plan() {
    let plan = trunk(20.0) + &polled(12, "");
    let found = against(well(), &plan);
    assert!(found.contains(&"warning node-unplanned 13".to_owned()), "{found:?}");
}

#[test]
fn io_of_another_size() {
    let plan = trunk(20.0) + &polled(12, "") + &polled(13, "");
    let plan = plan.replacen("response_bytes = 4", "response_bytes = 6", 1);
    assert_eq!(against(well(), &plan), ["fault io-size-differs 12"]);
    assert!(evidence(well(), &plan).contains("it answers with 4 bytes, planned: 6"));
}

#[test]
fn another_device_of_the_same_kind_and_of_another_kind() {
    let plan = |more| trunk(20.0) + &polled(12, more) + &polled(13, "");
    assert_eq!(against(well(), &plan("serial = 7")), ["note identity-differs 12"]);
    assert_eq!(against(well(), &plan("vendor_id = 907")), ["fault identity-differs 12"]);
    // What the wire does not tell is not held against it.
    assert!(against(well(), &plan("product_code = 17")).is_empty());
}

#[test]
fn another_revision() {
    let plan = |more| trunk(20.0) + &polled(12, more) + &polled(13, "");
    assert_eq!(against(well(), &plan("major_revision = 1")), ["fault revision-differs 12"]);
    let minor = plan("major_revision = 2\nminor_revision = 4");
    assert_eq!(against(well(), &minor), ["warning revision-differs 12"]);
    assert_eq!(evidence(well(), &minor), "revision 2.3, planned: 2.4");
}

#[test]
fn a_scan_that_is_slower_than_meant() {
    let plan = trunk(10.0) + &polled(12, "") + &polled(13, "");
    let expected = ["warning interval-over-plan 12", "warning interval-over-plan 13"];
    assert_eq!(against(well(), &plan), expected);
    assert!(evidence(well(), &plan).contains("every 20.00 ms (median of 499)"));
}

#[test]
fn more_load_than_the_plan_can_need() {
    // Planned as a slow scan; the wire scans every 20 ms.
    let plan = trunk(200.0) + &polled(12, "") + &polled(13, "");
    assert_eq!(against(well(), &plan), ["warning load-over-plan"]);
}

#[test]
fn nothing_heard_is_one_finding_and_not_one_for_each_node() {
    let plan = trunk(20.0) + &polled(12, "") + &polled(13, "");
    assert_eq!(against(Scene::new(), &plan), ["fault nothing-heard"]);
}
