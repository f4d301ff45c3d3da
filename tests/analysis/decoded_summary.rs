//! What a master reads and sets shows in the summary, and frames show it line by line.

use crate::common::scene::{Scene, device};
use dropline::internal::fieldbus::{AddressCheckKind, Choice};
use dropline::state::{ClashOutcome, Known, Origin};
use dropline::state::{ConnectionKind, ConnectionState, Light};
use dropline::{MacId, Nanos};

/// A request to node 12 by master 1 and its response, a millisecond apart.
fn ask(scene: &mut Scene, request: &[u8], response: &[u8]) {
    scene.frame(0x464, request);
    scene.wait(Nanos::from_millis(1));
    scene.frame(0x463, response);
    scene.wait(Nanos::from_millis(1));
}

/// A node's start as the standard has it (IEC 62026-3): address check, allocation, identity,
/// packet rate, polls. Laid out as in converter manual I-7242D, p. 83 and 89; the device is ours.
fn commissioned() -> Scene {
    let mut scene = Scene::new();
    scene.claim(12, device(12));
    scene.frame(0x466, &[1, 0x4B, 3, 1, 3, 1]);
    scene.wait(Nanos::from_millis(1));
    scene.frame(0x463, &[1, 0xCB, 0]);
    ask(&mut scene, &[1, 0x0E, 1, 1, 2], &[1, 0x8E, 2, 0]);
    ask(&mut scene, &[0x41, 0x0E, 1, 1, 3], &[0x41, 0x8E, 17, 0]);
    ask(&mut scene, &[1, 0x0E, 1, 1, 4], &[1, 0x8E, 2, 3]);
    ask(&mut scene, &[1, 0x0E, 1, 1, 9], &[1, 0x94, 0x14, 0xFF]);
    ask(&mut scene, &[1, 0x10, 5, 2, 9, 75, 0], &[1, 0x90, 75, 0]);
    scene.scans(100, &[12], &[]);
    scene
}

/// IEC 62026-3: a node on line answers a request for its address; the newcomer asks twice, a
/// second apart. How late the answer may be is our own choice.
#[test]
fn a_holder_that_refuses_late_keeps_its_connections() {
    for (ms, polled) in [(500, false), (950, false), (1200, false), (30, true), (950, true)] {
        let mut scene = Scene::new();
        scene.claim(12, device(12));
        scene.frame(0x466, &[1, 0x4B, 3, 1, 3, 1]);
        scene.wait(Nanos::from_millis(1));
        scene.frame(0x463, &[1, 0xCB, 0]);
        scene.wait(Nanos::from_millis(100));
        let asked = scene.now;
        scene.check(12, AddressCheckKind::Request, device(99));
        if polled {
            scene.scans(ms / 20, &[12], &[]);
        }
        if ms > 1000 {
            scene.now = asked.plus(Nanos::SECOND);
            scene.check(12, AddressCheckKind::Request, device(99));
        }
        scene.now = asked.plus(Nanos::from_millis(ms as i64));
        scene.check(12, AddressCheckKind::Response, device(12));
        scene.wait(Nanos::SECOND);
        scene.frame(0x42D, &[0]);
        scene.end();
        let summary = scene.summary();
        let node = summary.nodes.iter().find(|node| node.mac_id.get() == 12).unwrap();
        let outcomes: Vec<_> = summary.address_clashes.iter().map(|c| c.outcome).collect();
        assert_eq!((outcomes, node.restarts), (vec![ClashOutcome::Refused], 0), "{ms} ms");
        let owner = Known { value: MacId::new(1).unwrap(), origin: Origin::Learnt };
        assert_eq!(node.owner, Some(owner), "{ms} ms");
        assert_eq!(node.allocated, Choice::EXPLICIT.with(Choice::POLL), "{ms} ms");
        assert_eq!(node.identity.as_ref().unwrap().serial, Some(1012));
        let lights = &node.lights;
        assert_eq!(lights.network, Some(Light::Green), "{ms} ms");
        assert_eq!(lights.refused_device, Some(device(99)), "{ms} ms");
    }
}

/// The other way about: nobody refuses, so the address is another device's from then on.
#[test]
fn a_newcomer_that_nobody_refuses_has_no_connections() {
    let mut scene = commissioned();
    scene.wait(Nanos::SECOND);
    scene.claim(12, device(99));
    scene.frame(0x466, &[1, 0x4B, 3, 1, 1, 1]);
    scene.wait(Nanos::from_millis(1));
    scene.frame(0x463, &[1, 0xCB, 0]);
    scene.wait(Nanos::SECOND);
    scene.frame(0x42D, &[0]);
    scene.end();
    let summary = scene.summary();
    let node = summary.nodes.iter().find(|node| node.mac_id.get() == 12).unwrap();
    assert_eq!(summary.address_clashes[0].outcome, ClashOutcome::Contested);
    assert_eq!(node.allocated, Choice::EXPLICIT);
    assert_eq!(node.explicit.unasked, 0);
    assert_eq!(node.identity.as_ref().unwrap().serial, Some(1099));
}

#[test]
fn identity_connections_and_lights_come_from_the_wire() {
    let mut scene = commissioned();
    scene.end();
    let summary = scene.summary();
    let node = &summary.nodes[0];
    let identity = node.identity.as_ref().unwrap();
    assert_eq!((identity.vendor_id, identity.serial), (Some(900), Some(1012)));
    assert_eq!((identity.device_type, identity.product_code), (Some(2), Some(17)));
    assert_eq!((identity.major_revision, identity.minor_revision), (Some(2), Some(3)));
    assert_eq!(node.owner, Some(Known { value: MacId::new(1).unwrap(), origin: Origin::Learnt }));
    assert_eq!(node.allocated, Choice::EXPLICIT.with(Choice::POLL));
    let poll = node.connections.iter().find(|c| c.kind == ConnectionKind::Poll).unwrap();
    assert_eq!(poll.state, ConnectionState::Established);
    assert_eq!(poll.expected_packet_rate_ms, Some(75));
    assert_eq!(poll.consumed_bytes, Some(Known { value: 4, origin: Origin::Inferred }));
    assert_eq!((node.lights.network, node.lights.module), (Some(Light::Green), Some(Light::Green)));
    let explicit = &node.explicit;
    assert_eq!((explicit.requests, explicit.responses, explicit.errors), (6, 5, 1));
    assert_eq!((explicit.unanswered, explicit.unasked), (0, 0));
}

/// The master sends address checks and requests of its own; the others are asked by it.
#[test]
fn the_master_is_known_by_the_nodes_that_it_owns() {
    let mut scene = commissioned();
    scene.claim(1, device(1));
    scene.end();
    let summary = scene.summary();
    let owns = |address| {
        let node = summary.nodes.iter().find(|node| node.mac_id.get() == address).unwrap();
        node.owns.iter().map(|mac_id| mac_id.get()).collect::<Vec<_>>()
    };
    assert_eq!((owns(1), owns(12)), (vec![12], vec![]));
    let page = dropline::internal::output::page(&summary, &jiff::tz::TimeZone::UTC, true);
    assert!(page.contains("master of node 12; "), "{page}");
}

#[test]
fn a_poll_connection_that_is_not_fed_times_out() {
    let mut scene = commissioned();
    scene.wait(Nanos::from_millis(400));
    scene.end();
    let summary = scene.summary();
    let node = &summary.nodes[0];
    let poll = node.connections.iter().find(|c| c.kind == ConnectionKind::Poll).unwrap();
    assert_eq!((poll.state, poll.timeouts), (ConnectionState::TimedOut, 1));
    assert_eq!(node.lights.network, Some(Light::FlashingRed));
}

#[test]
fn the_flat_fields_of_a_node_are_there_by_name() {
    let json: serde_json::Value =
        serde_json::from_str(&commissioned().summary().to_json()).unwrap();
    let node = &json["nodes"][0];
    assert_eq!(node["owner"], serde_json::json!({"value": 1, "origin": "learnt"}));
    assert_eq!(node["lights"]["network"], "green");
    assert_eq!(node["connections"][1]["kind"], "poll");
    assert_eq!(node["explicit"]["errors"], 1);
    assert_eq!(
        node["drive"]["input_assembly"],
        serde_json::json!({"value": 71, "origin": "inferred"})
    );
}
