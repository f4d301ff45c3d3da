//! Files as other programs write them, put together byte by byte from the IETF draft
//! (draft-ietf-opsawg-pcapng), in both byte orders.

use super::*;
use crate::source::input::Input;
use crate::wire::{Clock, Frame, Id, Nanos, Payload, RemoteLength, StandardId, Tally, What};

const CAN: u16 = 227;

/// Puts a file together.
struct File {
    big: bool,
    bytes: Vec<u8>,
}

impl File {
    fn new(big: bool) -> File {
        let mut file = File { big, bytes: Vec::new() };
        file.section(&[]);
        file
    }

    fn section(&mut self, options: &[Vec<u8>]) {
        let mut body = self.u32(0x1A2B_3C4D);
        body.extend([self.u16(1), self.u16(0)].concat());
        body.extend([0xFF; 8]);
        body.extend(options.concat());
        self.block(0x0A0D_0D0A, &body);
    }

    fn interface(&mut self, link: u16, options: &[Vec<u8>]) {
        let mut body = [self.u16(link), self.u16(0), self.u32(0)].concat();
        body.extend(options.concat());
        self.block(1, &body);
    }

    fn packet(&mut self, interface: u32, time: u64, data: &[u8], options: &[Vec<u8>]) {
        let length = self.u32(data.len() as u32);
        let high = self.u32((time >> 32) as u32);
        let low = self.u32(time as u32);
        let mut body = [self.u32(interface), high, low, length.clone(), length].concat();
        body.extend_from_slice(data);
        body.resize(body.len().next_multiple_of(4), 0);
        body.extend(options.concat());
        self.block(6, &body);
    }

    fn block(&mut self, kind: u32, body: &[u8]) {
        let length = self.u32(body.len() as u32 + 12);
        self.bytes.extend([&self.u32(kind)[..], &length, body, &length].concat());
    }

    fn option(&self, code: u16, value: &[u8]) -> Vec<u8> {
        let mut option = [self.u16(code), self.u16(value.len() as u16)].concat();
        option.extend_from_slice(value);
        option.resize(option.len().next_multiple_of(4), 0);
        option
    }

    fn u16(&self, n: u16) -> Vec<u8> {
        if self.big { n.to_be_bytes().to_vec() } else { n.to_le_bytes().to_vec() }
    }

    fn u32(&self, n: u32) -> Vec<u8> {
        if self.big { n.to_be_bytes().to_vec() } else { n.to_le_bytes().to_vec() }
    }

    fn u64(&self, n: u64) -> Vec<u8> {
        if self.big { n.to_be_bytes().to_vec() } else { n.to_le_bytes().to_vec() }
    }
}

struct Read {
    header: Header,
    records: Vec<Record>,
    unreadable: u64,
    torn: bool,
    messages: Vec<String>,
}

fn read_of(bytes: &[u8], interface: Option<&str>) -> Result<Read, String> {
    let lines = Lines::new(Input::new(bytes).unwrap());
    let mut lines = lines;
    lines.peek().unwrap();
    let options = ReadOptions { interface: interface.map(Into::into), ..ReadOptions::default() };
    let mut reader =
        PcapngReader::new("a.pcapng".into(), lines, &options).map_err(|e| e.to_string())?;
    let mut records = Vec::new();
    while reader.read(&mut records).map_err(|e| e.to_string())? {}
    Ok(Read {
        header: reader.header().clone(),
        records,
        unreadable: reader.unreadable(),
        torn: reader.torn(),
        messages: reader.messages(),
    })
}

fn read(bytes: &[u8]) -> Read {
    read_of(bytes, None).unwrap()
}

/// The example frame of the tcpdump.org registry of link types, LINKTYPE_CAN_SOCKETCAN.
const EXAMPLE: [u8; 16] = [0, 0, 1, 0x23, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8];

fn example() -> What {
    let id = StandardId::new(0x123).unwrap();
    What::Frame(Frame::data(id, &[1, 2, 3, 4, 5, 6, 7, 8]).unwrap())
}

fn at(t: i64, what: What) -> Record {
    Record { t: Nanos(t), what }
}

fn end(t: i64, frames: u64, error_frames: u64, lost_frames: u64) -> Record {
    at(t, What::End(Box::new(Tally { frames, error_frames, lost_frames })))
}

#[test]
fn a_file_of_another_program_in_both_byte_orders() {
    for big in [false, true] {
        let mut file = File::new(big);
        file.interface(1, &[]);
        let speed = file.u64(250_000);
        file.interface(
            CAN,
            &[file.option(2, b"can7"), file.option(8, &speed), file.option(9, &[9])],
        );
        let start = 1_772_433_000_123_456_789;
        file.packet(0, start - 5, &[0; 60], &[]);
        file.packet(1, start, &EXAMPLE, &[]);
        let remote = [0x40, 0, 4, 0x5D, 4, 0, 0, 0];
        let lost = file.u64(17);
        let note = file.option(1, b"doors open");
        file.packet(1, start + 1000, &remote, &[note, file.option(4, &lost)]);
        file.packet(1, start - 1, &[0x20, 0, 0, 0x88, 8, 0, 0, 0, 0, 0, 4, 0, 0, 0, 0, 0], &[]);
        // Statistics: 17 dropped by now are known, 3 more are not.
        let mut body = [file.u32(1), file.u32(0), file.u32(0)].concat();
        body.extend(file.option(5, &file.u64(20)));
        file.block(5, &body);

        let Read { header, records, unreadable, torn, messages } = read(&file.bytes);
        assert_eq!(header.started.to_string(), "2026-03-02T06:30:00.123456789Z");
        assert_eq!(header.bitrate.map(|rate| rate.get()), Some(250_000));
        assert_eq!(header.interface.as_deref(), Some("can7"));
        assert_eq!((header.clock, header.listen_only), (Some(Clock::Imported), None));
        let id = Id::Standard(StandardId::new(0x45D).unwrap());
        let remote = Payload::Remote(RemoteLength::new(4).unwrap());
        let error = crate::wire::ErrorFrame::new(0x88, [0, 0, 4, 0, 0, 0, 0, 0]).unwrap();
        let expected = [
            at(0, example()),
            at(1000, What::Mark("doors open".into())),
            at(1000, What::Lost(17)),
            at(1000, What::Frame(Frame::new(id, remote))),
            at(-1, What::Error(error)),
            at(-1, What::Lost(3)),
            end(-1, 2, 1, 20),
        ];
        assert_eq!(records, expected);
        assert_eq!((unreadable, torn), (0, false));
        assert_eq!(messages, ["a.pcapng: 1 packets that are not CAN were skipped"]);
    }
}

#[test]
fn microseconds_unless_it_says_otherwise_and_an_offset() {
    let mut file = File::new(true);
    let offset = file.option(14, &1000_i64.to_be_bytes());
    file.interface(CAN, &[offset]);
    file.packet(0, 5_000_001, &EXAMPLE, &[]);
    file.packet(0, 5_000_003, &EXAMPLE, &[]);
    let Read { header, records, .. } = read(&file.bytes);
    assert_eq!(header.started.to_string(), "1970-01-01T00:16:45.000001Z");
    assert_eq!(records[1], at(2_000, example()));
    // In units of 2^-10 s.
    let mut file = File::new(false);
    file.interface(CAN, &[file.option(9, &[0x8A])]);
    file.packet(0, 1024, &EXAMPLE, &[]);
    file.packet(0, 1536, &EXAMPLE, &[]);
    assert_eq!(read(&file.bytes).records[1].t, Nanos::from_millis(500));
}

/// Finer than the parser takes: 2^-32 s, and 10^-12 s, whose 64 bits last for 213 days, from a zero
/// of its own.
#[test]
fn times_in_the_finest_units() {
    for big in [false, true] {
        let mut file = File::new(big);
        file.interface(CAN, &[file.option(9, &[0xA0])]);
        let second = 1_u64 << 32;
        file.packet(0, 7 * second, &EXAMPLE, &[]);
        file.packet(0, 7 * second + second / 4, &EXAMPLE, &[]);
        let Read { header, records, unreadable, .. } = read(&file.bytes);
        assert_eq!(header.started.to_string(), "1970-01-01T00:00:07Z");
        assert_eq!((records[1].t, unreadable), (Nanos::from_millis(250), 0));

        let mut file = File::new(big);
        let offset = file.option(14, &file.u64(1_772_433_000));
        file.interface(CAN, &[file.option(9, &[12]), offset]);
        file.packet(0, 1_000_000, &EXAMPLE, &[]);
        file.packet(0, 3_000_999, &EXAMPLE, &[]);
        let Read { header, records, .. } = read(&file.bytes);
        assert_eq!(header.started.to_string(), "2026-03-02T06:30:00.000001Z");
        assert_eq!(records[1].t, Nanos(2_000));

        // Of a packet that is not, nothing is said; of an impossible time it is.
        let mut file = File::new(big);
        let offset = file.option(14, &file.u64((-5_i64).cast_unsigned()));
        file.interface(CAN, &[file.option(9, &[12]), offset]);
        for seconds in [4, 5, 6] {
            file.packet(0, seconds * 1_000_000_000_000, &EXAMPLE, &[]);
        }
        let read = read(&file.bytes);
        assert_eq!((read.records.len(), read.unreadable), (3, 1));
        assert!(
            read.messages[0].contains("its time is beyond all calendars"),
            "{:?}",
            read.messages
        );
    }
}

#[test]
fn simple_and_obsolete_packets() {
    let mut file = File::new(false);
    file.interface(CAN, &[]);
    let simple = [&file.u32(16)[..], &EXAMPLE].concat();
    let mut obsolete = [file.u16(0), file.u16(9)].concat();
    obsolete.extend([file.u32(0), file.u32(7), file.u32(16), file.u32(16)].concat());
    obsolete.extend(EXAMPLE);
    file.block(2, &obsolete);
    file.block(3, &simple);
    let Read { records, messages, .. } = read(&file.bytes);
    let expected = [at(0, What::Lost(9)), at(0, example()), at(0, example()), end(0, 2, 0, 9)];
    assert_eq!(records, expected);
    assert_eq!(
        messages,
        ["a.pcapng: 1 packets have no time; each was given that of the packet before"]
    );
}

#[test]
fn several_can_interfaces_need_a_choice() {
    let mut file = File::new(false);
    file.interface(CAN, &[file.option(2, b"can0")]);
    file.interface(CAN, &[file.option(2, b"can1")]);
    file.packet(0, 1, &EXAMPLE, &[]);
    file.packet(1, 2, &EXAMPLE, &[]);
    file.packet(1, 3, &EXAMPLE, &[]);
    let error = read_of(&file.bytes, None).err().unwrap();
    assert_eq!(
        error,
        "a.pcapng: has several CAN interfaces (can0, can1); choose one with --interface"
    );
    let read = read_of(&file.bytes, Some("can1")).unwrap();
    assert_eq!(read.records.len(), 3);
    assert_eq!(read.header.interface.as_deref(), Some("can1"));
    assert!(read.messages[0].contains("1 packets of another CAN interface were skipped"));
    let error = read_of(&file.bytes, Some("can9")).err().unwrap();
    assert_eq!(error, "a.pcapng: no packets of a CAN interface can9; it has: can0, can1");
}

#[test]
fn frames_that_are_not_classical_are_counted_and_told() {
    let mut file = File::new(false);
    file.interface(CAN, &[]);
    file.packet(0, 1, &EXAMPLE, &[]);
    file.packet(0, 2, &[0, 0, 1, 0x23, 12, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], &[]);
    file.packet(0, 3, &EXAMPLE[..11], &[]);
    file.packet(7, 3, &EXAMPLE, &[]);
    file.packet(0, 4, &EXAMPLE, &[]);
    let Read { records, unreadable, messages, .. } = read(&file.bytes);
    assert_eq!(records.len(), 3);
    assert_eq!(unreadable, 3);
    assert_eq!(
        messages[..2],
        [
            "a.pcapng: packet 2: a CAN FD frame; only classical CAN is read; skipped",
            "a.pcapng: packet 3: the capture holds only the start of the frame; skipped",
        ]
    );
    assert!(messages[2].starts_with("a.pcapng: after packet 3: not by the format"));
}

#[test]
fn two_sections_one_after_the_other() {
    let mut file = File::new(false);
    file.interface(CAN, &[file.option(2, b"can0")]);
    file.packet(0, 10, &EXAMPLE, &[]);
    file.big = true;
    file.section(&[]);
    file.interface(1, &[]);
    file.interface(CAN, &[file.option(2, b"can0")]);
    file.interface(CAN, &[file.option(2, b"can1")]);
    file.packet(1, 20, &EXAMPLE, &[]);
    file.packet(2, 30, &EXAMPLE, &[]);
    let read = read(&file.bytes);
    assert_eq!(read.records, [at(0, example()), at(10_000, example()), end(10_000, 2, 0, 0)]);
}

#[test]
fn cut_at_every_byte_and_broken_at_every_byte() {
    let mut file = File::new(false);
    file.interface(CAN, &[]);
    let start = file.bytes.len();
    for n in 0..5 {
        file.packet(0, n, &EXAMPLE, &[]);
    }
    let packet = (file.bytes.len() - start) / 5;
    for cut in 4..file.bytes.len() {
        let Ok(read) = read_of(&file.bytes[..cut], None) else {
            assert!(cut < start + packet, "cut at {cut}");
            continue;
        };
        let whole = (cut - start) / packet;
        let clean = (cut - start).is_multiple_of(packet);
        assert_eq!((read.torn, read.unreadable), (!clean, 0), "cut at {cut}");
        assert_eq!(read.records.len(), whole + usize::from(clean), "cut at {cut}");
    }
    // One broken byte costs its own packet at most.
    for at in start..file.bytes.len() {
        for bit in [0x01, 0x80] {
            let mut bytes = file.bytes.clone();
            bytes[at] ^= bit;
            let read = read(&bytes);
            let frames = read.records.iter().filter(|r| r.what == example()).count();
            // The time of the first packet is the one from which all others count.
            let first_time = start + 12..start + 20;
            assert!(frames >= 4 || first_time.contains(&at), "byte {at}: {frames}");
            let changed = read
                .records
                .iter()
                .any(|r| matches!(r.what, What::Frame(_)) && r.what != example());
            let told = read.unreadable > 0 || read.torn || !read.messages.is_empty();
            assert!(frames == 5 || changed || told, "byte {at}: lost without a word");
        }
    }
}

#[test]
fn files_with_nothing_to_read() {
    let error = |bytes: &[u8]| read_of(bytes, None).err().unwrap();
    let mut file = File::new(false);
    assert!(error(&file.bytes).contains("no CAN packets; those of link type 227 are read"));
    file.interface(CAN, &[]);
    assert!(error(&file.bytes).contains("no packets on its CAN interface"));
    let mut odd = File::new(false);
    odd.bytes[12] = 2;
    assert!(error(&odd.bytes).contains("version 2.0 of pcapng is not known"));
    assert!(error(&MAGIC).starts_with("a.pcapng: "));
}

#[test]
fn a_packet_that_damage_turns_into_a_description_costs_itself() {
    let mut file = File::new(false);
    file.interface(CAN, &[]);
    file.packet(0, 1, &EXAMPLE, &[]);
    let second = file.bytes.len();
    file.packet(0, 0x0005_0004, &EXAMPLE, &[]);
    file.packet(0, 3, &EXAMPLE, &[]);
    file.bytes[second] ^= 6 ^ 1;
    let read = read(&file.bytes);
    assert_eq!((read.records.len(), read.unreadable, read.torn), (3, 1, false));
    assert!(read.messages[0].starts_with("a.pcapng: after packet 1: not by the format"));
    // Whose packets these are nobody can know.
    file.interface(CAN, &[]);
    file.packet(1, 3, &EXAMPLE, &[]);
    let error = read_of(&file.bytes, None).err().unwrap();
    assert!(error.contains("behind a description that is broken"), "{error}");
}

#[test]
fn interfaces_without_end_and_blocks_that_are_too_long_are_refused() {
    let mut file = File::new(false);
    (0..10_000).for_each(|_| file.interface(1, &[]));
    file.interface(CAN, &[]);
    file.packet(10_000, 1, &EXAMPLE, &[]);
    assert_eq!(read(&file.bytes).records.len(), 2);
    (0..20_000).for_each(|_| file.interface(1, &[]));
    file.packet(10_000, 2, &EXAMPLE, &[]);
    let error = read_of(&file.bytes, None).err().unwrap();
    assert!(error.contains("bytes of descriptions of interfaces"), "{error}");

    let mut file = File::new(false);
    file.interface(CAN, &[]);
    file.packet(0, 1, &EXAMPLE, &[]);
    let empty = vec![file.option(3, &[]); 500_000];
    file.packet(0, 2, &EXAMPLE, &empty);
    file.packet(0, 3, &EXAMPLE, &[]);
    let read = read(&file.bytes);
    assert_eq!((read.records.len(), read.unreadable), (3, 1));
    assert!(read.messages[0].contains("more than the 1048576 that are read"));
}
