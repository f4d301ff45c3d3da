//! The numbers of the summary against an independent calculation from their definitions, on
//! captures that this test writes itself, as text.

use std::fmt::Write;

use crate::common::reference::{compare, numbers};
use dropline::internal::wire::{parse_header, parse_record};
use dropline::{Analysis, Record, SourceKind};
use proptest::prelude::*;
use serde_json::Value;

/// One step of a made-up trunk.
#[derive(Debug, Clone)]
enum Step {
    Poll(u16, usize),
    Response(u16, usize),
    Any(u16, usize),
    Extended(u32),
    Remote(u16),
    Error(u32, [u8; 3]),
    Lost(u32),
    Link(bool),
}

fn steps() -> impl Strategy<Value = Vec<(i64, Step)>> {
    let node = prop::sample::select(vec![0u16, 5, 12, 63]);
    let other = (0u16..0x800, 0usize..8)
        // not an address check, whose rules are tested elsewhere
        .prop_filter("address check", |(id, _)| !matches!(id, 0x400..0x600 if id & 7 == 7));
    let step = prop_oneof![
        12 => (node.clone(), 0usize..8).prop_map(|(n, len)| Step::Poll(n, len)),
        12 => (node, 0usize..8).prop_map(|(n, len)| Step::Response(n, len)),
        3 => other.prop_map(|(id, len)| Step::Any(id, len)),
        1 => (0u32..0x2000_0000).prop_map(Step::Extended),
        1 => (0u16..0x800).prop_map(Step::Remote),
        2 => (0u32..0x400, any::<[u8; 3]>()).prop_map(|(class, d)| Step::Error(class, d)),
        1 => (0u32..50).prop_map(Step::Lost),
        1 => any::<bool>().prop_map(Step::Link),
    ];
    // mostly a few milliseconds, now and then a long pause, seldom a clock that steps back
    let gap = prop_oneof![
        40 => 50_000i64..12_000_000,
        2 => 500_000_000i64..4_000_000_000,
        1 => -2_000_000_000i64..0,
    ];
    prop::collection::vec((gap, step), 0..300)
}

/// The capture as text, made without the writer under test.
fn capture(steps: &[(i64, Step)], end: bool) -> String {
    let mut text = String::from(
        r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00.000000000Z","bitrate":125000,"interface":"can0","listen_only":true,"clock":"kernel","tool":"by hand"}"#,
    );
    text.push('\n');
    let bytes = |len: usize| (1..=len).map(|i| format!("{:02X}", i * 17)).collect::<String>();
    let mut t = 0;
    for (gap, step) in steps {
        t += gap;
        let rest = match step {
            Step::Poll(n, len) => {
                format!(r#""id":"{:03X}","data":"{}""#, 0x405 | n << 3, bytes(*len))
            }
            Step::Response(n, len) => {
                format!(r#""id":"{:03X}","data":"{}""#, 0x3C0 | n, bytes(*len))
            }
            Step::Any(id, len) => format!(r#""id":"{id:03X}","data":"{}""#, bytes(*len)),
            Step::Extended(id) => format!(r#""id":"{id:08X}","data":"00FF""#),
            Step::Remote(id) => format!(r#""id":"{id:03X}","rtr":2"#),
            Step::Error(class, [a, b, c]) => {
                format!(r#""error":"{class:08X}","data":"00{a:02X}{b:02X}{c:02X}00000000""#)
            }
            Step::Lost(n) => format!(r#""lost":{n}"#),
            Step::Link(true) => r#""link":"up""#.to_string(),
            Step::Link(false) => r#""link":"down","why":"unplugged""#.to_string(),
        };
        writeln!(text, r#"{{"t_ns":{t},{rest}}}"#).unwrap();
    }
    if end {
        writeln!(text, r#"{{"t_ns":{t},"end":{{}}}}"#).unwrap();
    }
    text
}

fn records(text: &str) -> Vec<Record> {
    text.lines().skip(1).map(|line| parse_record(line.as_bytes()).unwrap()).collect()
}

fn summary(text: &str) -> Value {
    let header = parse_header(text.lines().next().unwrap().as_bytes()).unwrap();
    let mut analysis = Analysis::new(&header);
    for record in records(text) {
        analysis.take(&record, &mut |_, _| {});
    }
    serde_json::to_value(analysis.finish(SourceKind::Capture, "made up", 0, &mut |_, _| {}))
        .unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]
    #[test]
    fn agree_with_their_definitions(steps in steps(), end: bool) {
        let text = capture(&steps, end);
        let expected = numbers(&records(&text), 125_000);
        let actual = summary(&text);
        if let Err(difference) = compare("", &expected, &actual) {
            prop_assert!(false, "{difference}");
        }
        for node in actual["nodes"].as_array().unwrap() {
            let poll = &node["poll"];
            let n = |name: &str| poll[name].as_u64().unwrap();
            let closed = n("responses") + n("missed") + n("uncertain");
            prop_assert!(n("commands") - closed <= 1, "{poll}");
        }
    }
}

/// A poll of ten bytes, in fragments by IEC 62026-3: the command ends with its last fragment, the
/// response begins with its first.
#[test]
fn fragmented_polls() {
    let mut text = capture(&[], false);
    for scan in 0..4i64 {
        let t = scan * 20_000_000;
        for (at, id, data) in [
            (0, "44D", "0001020304050607"),
            (500_000, "44D", "8108090A"),
            (1_700_000, "3C9", "0011121314151617"),
            (2_200_000, "3C9", "4118191A1B1C1D1E"),
            (2_700_000, "3C9", "821F"),
        ] {
            writeln!(text, r#"{{"t_ns":{},"id":"{id}","data":"{data}"}}"#, t + at).unwrap();
        }
    }
    let summary = summary(&text);
    let poll = &summary["nodes"][0]["poll"];
    assert_eq!((poll["commands"].as_u64(), poll["responses"].as_u64()), (Some(4), Some(4)));
    assert_eq!((poll["missed"].as_u64(), poll["unsolicited"].as_u64()), (Some(0), Some(0)));
    assert_eq!(poll["command_bytes"], serde_json::json!([10]));
    assert_eq!(poll["response_bytes"], serde_json::json!([15]));
    assert_eq!(poll["latency_us"]["max"], 1200.0);
    assert_eq!(poll["interval_us"]["min"], 20_000.0);
    assert_eq!(poll["interval_us"]["count"], 3);
    assert_eq!(poll["fragmented_inferred"], true);
    let connections = summary["nodes"][0]["connections"].as_array().unwrap();
    let connection = connections.iter().find(|connection| connection["kind"] == "poll").unwrap();
    assert_eq!(connection["consumed_bytes"]["value"], 10);
    assert_eq!(connection["produced_bytes"]["value"], 15);
}
