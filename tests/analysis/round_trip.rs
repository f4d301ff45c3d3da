//! Whatever is recorded is read back the same, through every kind of file; and no damage to a
//! file panics, loops, or costs what it did not touch.

use std::path::Path;

use dropline::capture::{CaptureFormat, ReadOptions, open_reader};
use dropline::internal::output::capture::{CaptureWriter, WriterOptions};
use dropline::internal::wire::{Packet, write_header, write_record};
use dropline::record::{Clock, ErrorFrame, ExtendedId, Frame, Header, Id, StandardId, Tally, What};
use dropline::{Bitrate, Nanos, Record};
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;
use proptest::sample::Index;

fn headers() -> impl Strategy<Value = Header> {
    let clock = prop_oneof![
        Just(Clock::Hardware),
        Just(Clock::Kernel),
        Just(Clock::Simulated),
        Just(Clock::Imported)
    ];
    (
        // From 1960, before which there is no pcapng time, to 2500.
        -315_000_000_000_000_000_i128..16_700_000_000_000_000_000,
        option::of(1..=Bitrate::MAX),
        option::of(any::<String>()),
        option::of(any::<bool>()),
        option::of(any::<bool>()),
        option::of(clock),
        option::of(any::<String>()),
    )
        .prop_map(|(started, bitrate, interface, listen_only, reports_errors, clock, tool)| {
            Header {
                started: jiff::Timestamp::from_nanosecond(started).unwrap(),
                bitrate: bitrate.and_then(Bitrate::new),
                interface,
                listen_only,
                reports_errors,
                clock,
                tool,
            }
        })
}

fn packets() -> impl Strategy<Value = What> {
    let id = prop_oneof![
        (0..=0x7FF_u16).prop_map(|raw| Id::Standard(StandardId::new(raw).unwrap())),
        (0..=0x1FFF_FFFF_u32).prop_map(|raw| Id::Extended(ExtendedId::new(raw).unwrap())),
    ];
    let frame = (id, vec(any::<u8>(), 0..=8), any::<bool>()).prop_map(|(id, data, remote)| {
        What::Frame(if remote {
            Frame::remote(id, data.len() as u8).unwrap()
        } else {
            Frame::data(id, &data).unwrap()
        })
    });
    let error = (0..=ErrorFrame::CLASS_MASK, any::<[u8; 8]>())
        .prop_map(|(class, data)| What::Error(ErrorFrame::new(class, data).unwrap()));
    prop_oneof![4 => frame, 1 => error]
}

fn records() -> impl Strategy<Value = Record> {
    let what = prop_oneof![
        10 => packets(),
        1 => (1..=u64::MAX).prop_map(What::Lost),
        1 => option::of(any::<String>()).prop_map(|why| What::LinkDown(why.map(Into::into))),
        1 => Just(What::LinkUp),
        1 => any::<String>().prop_map(|text| What::Mark(text.into())),
    ];
    let t = prop_oneof![8 => 0..1_000_000_000_000_i64, 1 => any::<i64>()];
    (t, what).prop_map(|(t, what)| Record { t: Nanos(t), what })
}

fn end_of(records: &[Record], t: i64) -> Record {
    let mut tally = Tally::default();
    records.iter().for_each(|record| tally.add(&record.what));
    Record { t: Nanos(t), what: What::End(Box::new(tally)) }
}

struct Read {
    header: Header,
    records: Vec<Record>,
    unreadable: u64,
    torn: bool,
}

fn read(path: &Path) -> Result<Read, String> {
    let mut reader =
        open_reader(path, &ReadOptions::default()).map_err(|error| error.to_string())?;
    let (mut records, mut messages) = (Vec::new(), 0);
    while reader.read(&mut records).map_err(|error| error.to_string())? {
        messages += reader.messages().len();
    }
    assert!(messages + reader.messages().len() <= 24, "few messages, however bad the file");
    Ok(Read {
        header: reader.header().clone(),
        records,
        unreadable: reader.unreadable(),
        torn: reader.torn(),
    })
}

fn read_bytes(bytes: &[u8]) -> Result<Read, String> {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    read(file.path())
}

fn plain(header: &Header, records: &[Record]) -> Vec<u8> {
    let mut text = Vec::new();
    write_header(&mut text, header);
    records.iter().for_each(|record| write_record(&mut text, record));
    text
}

/// The records in the format that the name asks for.
fn direct(name: &str, header: &Header, records: &[Record]) -> Vec<u8> {
    let (name, mut out) = (Path::new(name), Vec::new());
    let mut writer =
        CaptureFormat::from_name(name).unwrap().writer(&mut out, name, header).unwrap();
    records.iter().for_each(|record| writer.write(record).unwrap());
    writer.finish().unwrap();
    out
}

fn pcapng(header: &Header, records: &[Record]) -> Vec<u8> {
    direct("any.pcapng", header, records)
}

/// Overwrites bytes from `from` on; at least one is another than before.
fn hurt(bytes: &[u8], from: usize, damage: &[(Index, u8)]) -> Vec<u8> {
    let mut hurt = bytes.to_vec();
    for (index, mask) in damage {
        hurt[from + index.index(bytes.len() - from)] ^= mask;
    }
    hurt
}

fn missing(records: &[Record], read: &Read) -> usize {
    records.iter().filter(|record| !read.records.contains(record)).count()
}

/// 64 cases of each, or as many as PROPTEST_CASES asks for.
fn config() -> ProptestConfig {
    match std::env::var_os("PROPTEST_CASES") {
        Some(_) => ProptestConfig::default(),
        None => ProptestConfig::with_cases(64),
    }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn captures_and_pcapng_give_back_what_went_in(
        header in headers(),
        mut records in vec(records(), 0..200),
        ended in option::of(any::<i64>()),
    ) {
        records.extend(ended.map(|t| end_of(&records, t)));
        let files = [
            plain(&header, &records),
            pcapng(&header, &records),
            direct("a.jsonl", &header, &records),
            direct("a.jsonl.zst", &header, &records),
        ];
        prop_assert_eq!(&files[0], &files[2]);
        for file in files {
            let read = read_bytes(&file).unwrap();
            prop_assert_eq!(&read.header, &header);
            prop_assert_eq!(&read.records, &records);
            prop_assert_eq!((read.unreadable, read.torn), (0, false));
        }
    }

    #[test]
    fn what_a_watch_writes_is_what_it_saw(header in headers(), records in vec(records(), 0..200)) {
        let directory = tempfile::tempdir().unwrap();
        for name in ["a.jsonl", "a.jsonl.zst"] {
            let path = directory.path().join(name);
            let mut writer =
                CaptureWriter::create(&path, &header, WriterOptions::default()).unwrap();
            records.chunks(7).for_each(|part| writer.send(part));
            let written = writer.finish(Nanos(42));
            let mut expected = records.clone();
            expected.push(end_of(&records, 42));
            let read = read(&path).unwrap();
            prop_assert_eq!(&read.header, &header);
            prop_assert_eq!(written.end.as_ref(), expected.last());
            prop_assert_eq!(&read.records, &expected);
            prop_assert_eq!(written.lost_by_writer, 0);
        }
    }

    /// A broken line is counted and costs itself only. (A byte that turns one digit into another
    /// cannot be noticed, so something is put in that can stand in no line.)
    #[test]
    fn broken_lines_cost_themselves(
        header in headers(),
        records in vec(records(), 1..50),
        broken in vec((any::<Index>(), vec(128..=255_u8, 1..20)), 1..5),
    ) {
        let text = plain(&header, &records);
        let lines = text.split_inclusive(|&b| b == b'\n');
        let mut lines: Vec<Vec<u8>> = lines.map(<[u8]>::to_vec).collect();
        let mut expected: Vec<_> = records.iter().map(Some).collect();
        for (index, junk) in broken {
            let at = index.index(records.len());
            // Behind the key t_ns, where only a number may stand.
            lines[at + 1].splice(8..8, junk);
            expected[at] = None;
        }
        let read = read_bytes(&lines.concat()).unwrap();
        let unreadable = expected.iter().filter(|record| record.is_none()).count();
        prop_assert_eq!(read.unreadable, unreadable as u64);
        let expected: Vec<_> = expected.into_iter().flatten().cloned().collect();
        prop_assert_eq!(read.records, expected);
        prop_assert!(!read.torn);
    }

    #[test]
    fn cut_anywhere_the_whole_lines_before_are_read(
        header in headers(),
        records in vec(records(), 1..50),
        cut in any::<Index>(),
        padding in 0..3_usize,
    ) {
        let head = plain(&header, &[]).len();
        let text = plain(&header, &records);
        let mut bytes = text[..head + cut.index(text.len() - head + 1)].to_vec();
        let whole = bytes.iter().filter(|&&b| b == b'\n').count() - 1;
        // Zeros behind, as some file systems leave it after a power cut.
        bytes.resize(bytes.len() + padding * 1000, 0);
        let read = read_bytes(&bytes).unwrap();
        // A cut just before the line feed leaves the record whole.
        prop_assert!((whole..=whole + 1).contains(&read.records.len()));
        prop_assert_eq!(&read.records, &records[..read.records.len()]);
        prop_assert_eq!(read.unreadable, 0);
    }

    #[test]
    fn damage_to_a_line_costs_it_or_its_neighbour(
        header in headers(),
        records in vec(records(), 100..200),
        damage in vec((any::<Index>(), 1..=255_u8), 1..4),
    ) {
        let head = plain(&header, &[]).len();
        let read = read_bytes(&hurt(&plain(&header, &records), head, &damage)).unwrap();
        // A byte touches one line; in place of a line feed, two.
        prop_assert!(missing(&records, &read) <= 2 * damage.len());
    }

    /// Each packed part stands for itself, so what is in an untouched one is read.
    #[test]
    fn damage_to_a_packed_part_does_not_spread(
        header in headers(),
        records in vec(records(), 100..200),
        damage in vec((any::<Index>(), 1..=255_u8), 1..4),
    ) {
        let name = "a.jsonl.zst";
        let mut packed = direct(name, &header, &[]);
        let head = packed.len();
        let mut parts = Vec::new();
        for part in records.chunks(20) {
            let start = packed.len();
            // Its header line is no record, and so unreadable.
            packed.extend(direct(name, &header, part));
            parts.push((start..packed.len(), part));
        }
        let broken = hurt(&packed, head, &damage);
        let read = read_bytes(&broken).unwrap();
        for (place, part) in parts {
            if broken[place.clone()] == packed[place] {
                prop_assert_eq!(missing(part, &read), 0);
            }
        }
    }

    /// Broken framing of a block is told, and it costs only that block.
    #[test]
    fn damage_to_a_packet_costs_it(
        whats in vec(packets(), 100..200),
        damage in vec((any::<Index>(), 1..=255_u8), 1..4),
    ) {
        let header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
        let records: Vec<_> =
            whats.into_iter().zip(0..).map(|(what, t)| Record { t: Nanos(t), what }).collect();
        prop_assert!(records.iter().all(|record| Packet::new(&record.what).is_some()));
        // The statistics at the end of the file: two options and their end.
        let head = pcapng(&header, &[]).len() - (12 + 12 + 2 * 12 + 4);
        let read = read_bytes(&hurt(&pcapng(&header, &records), head, &damage)).unwrap();
        prop_assert!(missing(&records, &read) <= damage.len());
    }
}
