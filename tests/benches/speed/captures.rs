//! The captures that are read: simulated once, kept in the target directory.

use std::collections::hash_map::DefaultHasher;
use std::error::Error;
use std::fs::{self, File};
use std::hash::{Hash, Hasher};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use dropline::capture::CaptureFormat;
use dropline::internal::wire::{write_header, write_record};
use dropline::record::{Header, Tally, What};
use dropline::simulation::{Scenario, SimSource};
use dropline::{Nanos, Record};

const SCENARIO: &str = include_str!("full-trunk.toml");

/// One trunk, as a capture of each kind.
pub struct Captures {
    /// JSON Lines.
    pub plain: PathBuf,
    /// The same, packed.
    pub packed: PathBuf,
    /// The same as pcapng.
    pub pcapng: PathBuf,
    /// Frames in each.
    pub frames: u64,
}

impl Captures {
    /// Of so many frames; those that are there are taken.
    pub fn new(frames: u64) -> Result<Captures, Box<dyn Error>> {
        let directory = Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed");
        fs::create_dir_all(&directory)?;
        let mut hasher = DefaultHasher::new();
        SCENARIO.hash(&mut hasher);
        let stem = format!("full-trunk-{frames}-{:08x}", hasher.finish() as u32);
        let file = |extension| directory.join(format!("{stem}.{extension}"));
        let captures = Captures {
            plain: file("jsonl"),
            packed: file("jsonl.zst"),
            pcapng: file("pcapng"),
            frames,
        };
        if !captures.pcapng.exists() {
            eprintln!("simulating {frames} frames ...");
            captures.write()?;
        }
        Ok(captures)
    }

    fn write(&self) -> Result<(), Box<dyn Error>> {
        let (header, mut source) = trunk(self.frames)?;
        let create = |path: &Path| File::create(path).map(BufWriter::new);
        let mut plain = create(&self.plain)?;
        let mut packed = zstd::Encoder::new(create(&self.packed)?, 3)?;
        // Under another name until it is whole: it says that the others are there, too.
        let part = self.pcapng.with_extension("part");
        let mut file = create(&part)?;
        let format =
            CaptureFormat::from_name(&part.with_extension("pcapng")).ok_or("no such format")?;
        let mut pcapng = format.writer(&mut file, &part, &header)?;
        let mut lines = Vec::new();
        write_header(&mut lines, &header);
        while let Some(batch) = source.next() {
            for record in batch {
                write_record(&mut lines, record);
                pcapng.write(record)?;
            }
            plain.write_all(&lines)?;
            packed.write_all(&lines)?;
            lines.clear();
        }
        plain.flush()?;
        packed.finish()?.flush()?;
        pcapng.finish()?;
        file.flush()?;
        fs::rename(part, &self.pcapng)?;
        Ok(())
    }
}

/// The simulated trunk, cut off after so many frames.
pub struct Cut {
    source: SimSource,
    left: u64,
    ended: bool,
    tally: Tally,
    batch: Vec<Record>,
}

/// A full trunk of so many frames.
pub fn trunk(frames: u64) -> Result<(Header, Cut), Box<dyn Error>> {
    // It carries more than this in a second.
    let seconds = frames / 3000 + 10;
    let text = SCENARIO.replace("duration_s = 10", &format!("duration_s = {seconds}"));
    let source = SimSource::new(Scenario::parse(&text)?, None);
    let header = source.header().clone();
    let (tally, batch) = (Tally::default(), Vec::new());
    Ok((header, Cut { source, left: frames, ended: false, tally, batch }))
}

impl Cut {
    /// The next records, with the end record at the end.
    pub fn next(&mut self) -> Option<&[Record]> {
        self.batch.clear();
        if self.ended {
            return None;
        }
        let more = self.source.next_records(&mut self.batch);
        let mut kept = 0;
        for record in &self.batch {
            if self.left == 0 || matches!(record.what, What::End(_)) {
                self.ended = true;
                break;
            }
            self.left -= u64::from(matches!(record.what, What::Frame(_)));
            self.tally.add(&record.what);
            kept += 1;
        }
        self.batch.truncate(kept);
        if self.ended || !more {
            self.ended = true;
            let t = self.batch.last().map_or(Nanos::ZERO, |last| last.t);
            self.batch.push(Record { t, what: What::End(Box::new(self.tally)) });
        }
        Some(&self.batch)
    }

    /// All records at once.
    pub fn collect(mut self) -> Vec<Record> {
        let mut all = Vec::new();
        while let Some(batch) = self.next() {
            all.extend_from_slice(batch);
        }
        all
    }
}
