//! Memory over a long watch, as a process by itself: it stays flat.
//!
//! By default a trimmed version of both: a minute of each of ten days, and ten seconds at
//! the full rate of the wire. `DROPLINE_LONG=1` runs all ten days and the whole hour; that takes a
//! release build, and patience.

use dropline::internal::output::metrics::{About, Format, MetricsSnapshot};
use dropline::record::{Clock, Frame, Header, StandardId, What};
use dropline::simulation::SimSource;
use dropline::{Analysis, Bitrate, Nanos, Record};

/// The resident memory now and the most there was, in bytes (proc_pid_status(5)).
fn memory() -> (u64, u64) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let field = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name)).unwrap();
        line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1024
    };
    (field("VmRSS:"), field("VmHWM:"))
}

fn is_long() -> bool {
    std::env::var("DROPLINE_LONG").is_ok_and(|value| value == "1")
}

const MB: u64 = 1_000_000;

/// The demo's minute, with its faults, again and again for ten days.
fn ten_days() {
    const DAYS: i64 = 10;
    let mut source = SimSource::demo();
    let (mut minute, mut batch, mut more) = (Vec::new(), Vec::new(), true);
    while more {
        more = source.next_records(&mut batch);
        minute.append(&mut batch);
    }
    minute.retain(|record| !matches!(record.what, What::End(_)));
    let step = if is_long() { 60 } else { 86_400 };
    let repeats = DAYS * 86_400 / step;
    let mut analysis = Analysis::new(source.header());
    let mut samples = Vec::new();
    for repeat in 0..repeats {
        let from = repeat * step * Nanos::SECOND.0;
        for record in &minute {
            let record = Record { t: Nanos(from + record.t.0), what: record.what.clone() };
            analysis.take(&record, &mut |_, _| {});
        }
        // What a watch does besides.
        let text =
            MetricsSnapshot::of(&analysis, &About::default()).text(Format::OpenMetrics).unwrap();
        assert!(text.len() < 200_000, "{} bytes of metrics", text.len());
        samples.push(memory().0);
    }
    assert_eq!(analysis.trunk().tally().frames, repeats as u64 * frames_in(&minute));
    // After the first quarter nothing is new any more.
    let (quarter, end) = (samples[samples.len() / 4], samples[samples.len() - 1]);
    println!("ten days: {quarter} bytes after the first quarter, {end} at the end");
    assert!(end < quarter + 2 * MB, "memory grew from {quarter} to {end} bytes");
}

fn frames_in(records: &[Record]) -> u64 {
    records.iter().filter(|record| matches!(record.what, What::Frame(_))).count() as u64
}

/// An hour of frames without data at 1 Mbit/s: over 20,000 a second, polls and their answers.
fn an_hour_at_full_rate() {
    const PER_SECOND: i64 = 20_000;
    let seconds = if is_long() { 3_600 } else { 10 };
    let header = Header {
        started: "2026-03-02T06:30:00Z".parse().unwrap(),
        bitrate: Bitrate::new(1_000_000),
        interface: Some("can0".into()),
        listen_only: Some(true),
        clock: Some(Clock::Simulated),
        tool: None,
        reports_errors: None,
    };
    let mut analysis = Analysis::new(&header);
    for number in 0..seconds * PER_SECOND {
        let node = (number / 2 % 63 + 1) as u16;
        // Poll command and poll response (IEC 62026-3, Group 2 message 5 and Group 1 message F).
        let id = if number % 2 == 0 { 0x405 | node << 3 } else { 0x3C0 | node };
        let frame = Frame::data(StandardId::new(id).unwrap(), &[]).unwrap();
        let t = Nanos(number * (Nanos::SECOND.0 / PER_SECOND));
        analysis.take(&Record { t, what: What::Frame(frame) }, &mut |_, _| {});
    }
    let tally = analysis.trunk().tally();
    assert_eq!(tally.frames, (seconds * PER_SECOND) as u64);
    assert_eq!(tally.lost_frames, 0);
    let polls: u64 = analysis.trunk().nodes().map(|(_, node)| node.poll.responses()).sum();
    assert_eq!(polls, tally.frames / 2);
}

#[test]
fn memory_stays_flat() {
    an_hour_at_full_rate();
    let (_, most) = memory();
    println!("at full rate: {most} bytes at most");
    assert!(most < 64 * MB, "{most} bytes");
    ten_days();
}
