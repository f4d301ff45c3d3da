//! How time and memory grow with the frames, the nodes and the events: straight lines, and
//! memory that stays.
//!
//! Each point is a process of its own: this program, which simulates some seconds, plays them
//! through the analysis again and again, and tells its time and its peak memory.

use std::error::Error;
use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use dropline::record::{ErrorFrame, Header, What};
use dropline::simulation::{Scenario, SimSource};
use dropline::{Analysis, Nanos, Record, SourceKind};

use super::captures::{Captures, trunk};
use super::parts::Done;
use super::table::Table;
use super::{Options, plot};

const GROW: &str = "--grow";

/// So many records are simulated and repeated.
const PIECE: u64 = 20_000;

/// What a point is of: frames, nodes, and an event in every so many records (0: none).
#[derive(Debug, Clone, Copy)]
pub struct Load {
    frames: u64,
    nodes: Option<u64>,
    event_every: u64,
}

/// One measurement.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    /// The number that grows.
    pub x: f64,
    /// Seconds in the analysis.
    pub seconds: f64,
    /// Peak memory of the process in MB.
    pub megabytes: f64,
}

/// A point to measure, if this process was started for one.
pub fn asked_for() -> Option<Load> {
    let mut numbers = std::env::args()
        .skip_while(|argument| argument != GROW)
        .skip(1)
        .filter_map(|number| number.parse::<u64>().ok());
    let (frames, nodes, event_every) = (numbers.next()?, numbers.next()?, numbers.next()?);
    Some(Load { frames, nodes: (nodes > 0).then_some(nodes), event_every })
}

/// Measures one point and prints its seconds, its events and its peak memory in kB.
pub fn point(load: Load) -> Result<(), Box<dyn Error>> {
    let (header, piece) = piece(load.nodes)?;
    let piece = with_events(piece, load.event_every);
    let span = piece.last().map_or(0, |last| last.t.0) + 1_000_000;
    let mut analysis = Analysis::new(&header);
    let (mut events, mut left, mut offset) = (0_u64, load.frames, 0);
    let begin = Instant::now();
    'all: loop {
        for record in &piece {
            if left == 0 {
                break 'all;
            }
            left -= u64::from(matches!(record.what, What::Frame(_)));
            let record = Record { t: Nanos(record.t.0 + offset), what: record.what.clone() };
            analysis.take(&record, &mut |_, _| events += 1);
        }
        offset += span;
    }
    let seconds = begin.elapsed().as_secs_f64();
    black_box(analysis.finish(SourceKind::Capture, "bench", 0, &mut |_, _| {}));
    let status = std::fs::read_to_string("/proc/self/status")?;
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap_or_default();
    let peak = peak.split_whitespace().next().unwrap_or("0");
    println!("{seconds} {events} {peak}");
    Ok(())
}

/// Some seconds of the full trunk, or of one with so many polled nodes.
fn piece(nodes: Option<u64>) -> Result<(Header, Vec<Record>), Box<dyn Error>> {
    let Some(nodes) = nodes else {
        let (header, cut) = trunk(PIECE)?;
        let mut records = cut.collect();
        records.pop();
        return Ok((header, records));
    };
    let mut text = String::from(
        "[trunk]\nname='growth'\nbitrate=500000\nduration_s=30\nseed=7\nlength_m=90\n\
         started='2026-03-01T06:30:00Z'\n\
         [master]\nmac_id=0\nvendor_id=900\nserial=1\nscan_interval_ms=20\n",
    );
    for mac_id in 1..=nodes {
        text += &format!(
            "[[node]]\nmac_id={mac_id}\nname='node {mac_id}'\nconnection='poll'\n\
             command_bytes=4\nresponse_bytes=4\nvendor_id=901\nserial={mac_id}\nproduct_code=1\n\
             position_m=1\n"
        );
    }
    let mut source = SimSource::new(Scenario::parse(&text)?, None);
    let header = source.header().clone();
    let (mut records, mut some, mut more) = (Vec::new(), Vec::new(), true);
    while more {
        more = source.next_records(&mut some);
        records.extend(some.drain(..).filter(|record| matches!(record.what, What::Frame(_))));
    }
    if records.is_empty() {
        return Err("the simulated trunk carried no frames".into());
    }
    Ok((header, records))
}

/// Puts an error frame, a loss or a link that goes and comes after every so many records.
fn with_events(piece: Vec<Record>, every: u64) -> Vec<Record> {
    let mut with = Vec::new();
    for (at, record) in piece.into_iter().enumerate() {
        let (at, t) = (at as u64, record.t);
        with.push(record);
        if every == 0 || at % every != 0 {
            continue;
        }
        let mut push = |what| with.push(Record { t, what });
        match at / every % 3 {
            0 => push(What::Lost(1)),
            1 => ErrorFrame::new(0x88, [0, 0, 4, 0, 0, 0, 0, 0]).into_iter().for_each(|error| {
                push(What::Error(error));
            }),
            _ => [What::LinkDown(None), What::LinkUp].into_iter().for_each(push),
        }
    }
    with
}

/// All three curves: a table, and the plot where it was asked for.
pub fn growth(options: &Options, _: &Captures, table: &mut Table) -> Done {
    let top = if options.brief { 100_000 } else { 100_000_000 };
    let some = if options.brief { 20_000 } else { 5_000_000 };
    let each = |name: &'static str, numbers: Vec<u64>, load: &dyn Fn(u64) -> Load| {
        let points: Result<Vec<Point>, Box<dyn Error>> = numbers
            .into_iter()
            .map(|number| {
                let (seconds, events, megabytes) = measure(load(number))?;
                let x = if name == "events" { events } else { number as f64 };
                table.note(format!("{name} {x:>10}: {seconds:8.3} s, {megabytes:5.1} MB"));
                Ok(Point { x, seconds, megabytes })
            })
            .collect();
        points.map(|points| (name, points))
    };
    let decades = (4..).map(|n| 10_u64.pow(n)).take_while(|&frames| frames <= top).collect();
    let curves = [
        each("frames", decades, &|frames| Load { frames, nodes: None, event_every: 0 })?,
        each("nodes", vec![1, 2, 4, 8, 16, 32, 48, 63], &|nodes| Load {
            frames: some,
            nodes: Some(nodes),
            event_every: 0,
        })?,
        each("events", vec![0, 1000, 300, 100, 50, 30, 20], &|event_every| Load {
            frames: some,
            nodes: None,
            event_every,
        })?,
    ];
    if !options.brief {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/benches/speed/growth.svg");
        plot::growth(Path::new(path), &curves)?;
        table.note(format!("plot: {path}"));
    }
    Ok(())
}

fn measure(load: Load) -> Result<(f64, f64, f64), Box<dyn Error>> {
    let numbers = [load.frames, load.nodes.unwrap_or(0), load.event_every];
    let output = Command::new(std::env::current_exe()?)
        .arg(GROW)
        .args(numbers.map(|number| number.to_string()))
        .output()?;
    let text = String::from_utf8_lossy(&output.stdout);
    let mut numbers = text.split_whitespace().filter_map(|number| number.parse::<f64>().ok());
    match (numbers.next(), numbers.next(), numbers.next()) {
        (Some(seconds), Some(events), Some(kb)) => Ok((seconds, events, kb * 1024.0 / 1e6)),
        _ => Err(format!("{load:?}: {}", String::from_utf8_lossy(&output.stderr)).into()),
    }
}
