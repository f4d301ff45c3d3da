//! What is measured.

use std::error::Error;
use std::hint::black_box;
use std::process::Command;
use std::time::{Duration, Instant};

use dropline::record::wire_bits;
use dropline::record::{Frame, What};
use dropline::{Analysis, Record, SourceKind};

use super::captures::{Captures, trunk};
use super::table::Table;
use super::{Options, child, floors};

/// A part that could not be measured says why.
pub type Done = Result<(), Box<dyn Error>>;

/// The least of several times of each of some things, which take turns: so a slow spell of the
/// machine strikes all alike.
fn least<const N: usize>(
    runs: usize,
    mut once: impl FnMut(usize) -> Result<Duration, Box<dyn Error>>,
) -> Result<[Duration; N], Box<dyn Error>> {
    let mut least = [Duration::MAX; N];
    for _ in 0..runs {
        for (at, least) in least.iter_mut().enumerate() {
            *least = once(at)?.min(*least);
        }
    }
    Ok(least)
}

fn ratio(a: Duration, b: Duration) -> f64 {
    a.as_secs_f64() / b.as_secs_f64()
}

/// The whole program over JSON Lines, plain and packed.
pub fn replay(options: &Options, captures: &Captures, table: &mut Table) -> Done {
    let lines = floors::read(&captures.plain)?;
    let [plain, packed, deserialise, count] = least(options.runs, |what| match what {
        0 => child::wall(&mut child::replay(&captures.plain)),
        1 => child::wall(&mut child::replay(&captures.packed)),
        2 => floors::deserialise(&lines),
        _ => floors::count_lines(&captures.plain),
    })?;
    let rate = captures.frames as f64 / plain.as_secs_f64() / 1e6;
    let processor = child::processor(&mut child::replay(&captures.plain))?;
    table.note(format!(
        "replay of {} frames: {plain:.2?}, {rate:.1} million/s; processor time {processor:.2?}; \
         serde_json alone {deserialise:.2?}",
        captures.frames
    ));
    table.most("replay / serde_json alone", ratio(plain, deserialise), Some(0.7));
    table.most("replay / wc -l", ratio(plain, count), Some(14.0));
    // Within 15 % of what a plain one may take; beside a plain one that is faster than it must be,
    // unpacking weighs more.
    table.most("replay of zstd / serde_json alone", ratio(packed, deserialise), Some(0.7 * 1.15));
    table.most("replay of zstd / plain", ratio(packed, plain), None);
    let peak = child::peak_memory(&mut child::replay(&captures.plain))?;
    table.most("replay, memory in MB", peak as f64 / 1e6, Some(64.0));
    Ok(())
}

/// The whole program over pcapng.
pub fn pcapng(options: &Options, captures: &Captures, table: &mut Table) -> Done {
    let [whole, blocks] = least(options.runs, |what| match what {
        0 => child::wall(&mut child::replay(&captures.pcapng)),
        _ => floors::pcapng_blocks(&captures.pcapng),
    })?;
    let rate = captures.frames as f64 / whole.as_secs_f64() / 1e6;
    table.note(format!("pcapng, {} frames: {whole:.2?}, {rate:.1} million/s", captures.frames));
    table.most("replay of pcapng / pcap-file alone", ratio(whole, blocks), Some(0.7));
    Ok(())
}

/// So many frames take less than a slice of the scheduler.
const PIECE: usize = 10_000;

/// Records in memory through the whole analysis; and with each frame made anew, since the one that
/// makes it counts its length on the wire.
pub fn analysis(options: &Options, captures: &Captures, table: &mut Table) -> Done {
    let (header, cut) = trunk(captures.frames.min(2_000_000))?;
    let records = cut.collect();
    let times: [Duration; 2] = least(options.runs, |what| {
        let mut analysis = Analysis::new(&header);
        // Short pieces, so that most are not interrupted; the median piece counts.
        let mut times: Vec<Duration> = Vec::new();
        for piece in records.chunks_exact(PIECE) {
            let begin = Instant::now();
            for record in piece {
                if what == 0 {
                    analysis.take(record, &mut |_, _| {});
                } else if let What::Frame(frame) = &record.what {
                    let frame = black_box(frame);
                    let what = What::Frame(Frame::new(frame.id(), frame.payload()));
                    analysis.take(&Record { t: record.t, what }, &mut |_, _| {});
                }
            }
            times.push(begin.elapsed());
        }
        black_box(analysis.finish(SourceKind::Capture, "bench", 0, &mut |_, _| {}));
        times.sort_unstable();
        Ok(times[times.len() / 2])
    })?;
    let [alone, with_length] = times.map(|time| time.as_secs_f64() * 1e9 / PIECE as f64);
    table.most("analysis, ns a frame", alone, None);
    table.most("analysis and wire length, ns a frame", with_length, Some(1000.0 / 16.0));
    Ok(())
}

/// The length on the wire of frames of eight bytes.
pub fn wire(options: &Options, _: &Captures, table: &mut Table) -> Done {
    let (_, cut) = trunk(100_000)?;
    let full = |record: Record| match record.what {
        What::Frame(frame) if frame.bytes().len() == 8 => Some(frame),
        _ => None,
    };
    let frames: Vec<Frame> = cut.collect().into_iter().filter_map(full).collect();
    let frames = &frames[..frames.len().min(PIECE)];
    let [time] = least(options.runs * 100, |_| {
        let begin = Instant::now();
        for frame in frames {
            let frame = black_box(frame);
            black_box(wire_bits(frame.id(), &frame.payload()));
        }
        Ok(begin.elapsed())
    })?;
    let per_frame = time.as_secs_f64() * 1e9 / frames.len() as f64;
    table.most("wire length of 8 bytes, ns", per_frame, Some(15.0));
    Ok(())
}

/// What a person waits for before anything happens, and what they must copy.
pub fn start(options: &Options, _: &Captures, table: &mut Table) -> Done {
    let [version, help] = least(options.runs * 3, |what| {
        child::wall(Command::new(child::DROPLINE).arg(["--version", "--help"][what]))
    })?;
    table.most("start-up (--version), ms", version.as_secs_f64() * 1e3, Some(20.0));
    table.most("--help, ms", help.as_secs_f64() * 1e3, Some(20.0));
    let size = std::fs::metadata(child::DROPLINE)?.len() as f64 / 1e6;
    table.most("size of the program, MB", size, Some(10.0));
    Ok(())
}
