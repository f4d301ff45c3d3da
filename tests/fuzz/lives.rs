//! Trunks on which things hang together: nodes with sizes of their own that are polled, answer or do
//! not, are configured and check their addresses; and one capture against its pieces.

use std::path::PathBuf;

use arbitrary::{Arbitrary, Unstructured};
use dropline::capture::{ReadOptions, Reader, open_all};
use dropline::internal::wire::{write_header, write_record};
use dropline::record::{ErrorFrame, Frame, Header, Id, StandardId, Tally, What};
use dropline::{Analysis, Bitrate, Nanos, Record, SourceKind};

#[derive(Debug, Arbitrary)]
struct Life {
    members: Vec<Member>,
    turns: Vec<Turn>,
    /// Where the capture is cut, in parts of 256.
    cuts: [u8; 3],
}

#[derive(Debug, Arbitrary)]
struct Member {
    mac: u8,
    /// Bytes of a poll and of its response, up to eight.
    sizes: u8,
    /// How soon it answers, in 100 µs.
    latency: u8,
}

#[derive(Debug, Arbitrary)]
enum Turn {
    /// All are polled, one after the other; those of the bits answer.
    Scan {
        answer: u64,
        value: u8,
    },
    /// Many scans of the same kind.
    Scans {
        answer: u64,
        value: u8,
        times: u8,
    },
    Explicit {
        member: u8,
        service: u8,
        class: u8,
        instance: u8,
        answered: bool,
    },
    AddressCheck {
        mac: u8,
        response: bool,
        vendor: u16,
        serial: u32,
    },
    Pause {
        tenths: u8,
    },
    Error {
        class: u32,
        bytes: [u8; 8],
    },
    Lost {
        frames: u8,
    },
    LinkDown {
        tenths: u8,
    },
    Mark,
}

/// What must be counted of a node.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
struct Truth {
    polls: u64,
    answers: u64,
}

const MOST_MEMBERS: usize = 12;
const SCAN: i64 = 10_000_000;

/// Every poll and every answer is counted where nothing was lost, whatever else happens on the trunk;
/// and a capture says the same as its pieces.
pub fn lives(bytes: &[u8]) {
    let Ok(life) = Life::arbitrary_take_rest(Unstructured::new(bytes)) else { return };
    let (records, truth, whole) = life.records();
    let mut header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
    header.bitrate = Bitrate::new(500_000);
    let mut analysis = Analysis::new(&header);
    records.iter().for_each(|record| analysis.take(record, &mut |_, _| {}));
    let summary = analysis.finish(SourceKind::Capture, "any", 0, &mut |_, _| {});
    super::heard::hangs_together(&summary);
    for (mac, truth) in (0..64).zip(truth).filter(|(_, truth)| truth.polls > 0) {
        let node = summary.nodes.iter().find(|node| node.mac_id.get() == mac).expect("it is there");
        let sent = &node.poll.exchange;
        assert_eq!(sent.commands, truth.polls, "{mac}");
        if whole {
            assert_eq!(sent.responses, truth.answers, "{mac}: {sent:?}");
        } else {
            assert!(sent.responses <= truth.answers, "{mac}: {sent:?}");
        }
    }
    in_pieces(&header, &records, &life.cuts);
}

impl Life {
    /// The members, each address once.
    fn members(&self) -> Vec<(u8, &Member)> {
        let mut members: Vec<(u8, &Member)> = Vec::new();
        for member in self.members.iter().take(MOST_MEMBERS) {
            let mac = member.mac % 64;
            if members.iter().all(|(other, _)| *other != mac) {
                members.push((mac, member));
            }
        }
        members
    }

    /// What is heard, what must be counted, and whether all of it was heard.
    fn records(&self) -> (Vec<Record>, [Truth; 64], bool) {
        let members = self.members();
        let mut wire = Wire { records: Vec::new(), t: 0, truth: [Truth::default(); 64] };
        let mut whole = true;
        for turn in &self.turns {
            match turn {
                Turn::Scan { answer, value } => wire.scan(&members, *answer, *value),
                Turn::Scans { answer, value, times } => {
                    (0..*times % 32).for_each(|_| wire.scan(&members, *answer, *value));
                }
                Turn::Explicit { member, service, class, instance, answered } => {
                    let Some((mac, _)) = members.get(usize::from(*member) % members.len().max(1))
                    else {
                        continue;
                    };
                    // Of the master's own messages, from MAC ID 0.
                    let service = service & 0x7F;
                    wire.frame(0x404 | u16::from(*mac) << 3, &[0, service, *class, *instance]);
                    if *answered {
                        wire.frame(0x403 | u16::from(*mac) << 3, &[0, service | 0x80]);
                    }
                }
                Turn::AddressCheck { mac, response, vendor, serial } => {
                    let (v, s) = (vendor.to_le_bytes(), serial.to_le_bytes());
                    let first = if *response { 0x80 } else { 0 };
                    let data = [first, v[0], v[1], s[0], s[1], s[2], s[3]];
                    wire.frame(0x407 | u16::from(mac % 64) << 3, &data);
                }
                Turn::Pause { tenths } => wire.t += i64::from(*tenths) * 100_000_000,
                Turn::Error { class, bytes } => {
                    whole = false;
                    let class = class & ErrorFrame::CLASS_MASK;
                    wire.say(What::Error(ErrorFrame::new(class, *bytes).unwrap()));
                }
                Turn::Lost { frames } => {
                    whole = false;
                    wire.say(What::Lost(u64::from(*frames) + 1));
                }
                Turn::LinkDown { tenths } => {
                    whole = false;
                    wire.say(What::LinkDown(None));
                    wire.t += i64::from(*tenths) * 100_000_000;
                    wire.say(What::LinkUp);
                }
                Turn::Mark => wire.say(What::Mark("doors open".into())),
            }
        }
        (wire.records, wire.truth, whole)
    }
}

struct Wire {
    records: Vec<Record>,
    t: i64,
    truth: [Truth; 64],
}

impl Wire {
    fn scan(&mut self, members: &[(u8, &Member)], answer: u64, value: u8) {
        let begun = self.t;
        for (at, &(mac, member)) in members.iter().enumerate() {
            let [out, back] = [member.sizes & 7, member.sizes >> 3 & 7].map(|n| usize::from(n) + 1);
            self.frame(0x405 | u16::from(mac) << 3, &[value; 8][..out]);
            self.truth[usize::from(mac)].polls += 1;
            if answer >> at & 1 == 1 {
                self.t += i64::from(member.latency % 5) * 100_000;
                self.frame(0x3C0 | u16::from(mac), &[value; 8][..back]);
                self.truth[usize::from(mac)].answers += 1;
            }
        }
        self.t = self.t.max(begun + SCAN);
    }

    fn frame(&mut self, id: u16, data: &[u8]) {
        let id = Id::Standard(StandardId::new(id).unwrap());
        self.say(What::Frame(Frame::data(id, data).unwrap()));
    }

    fn say(&mut self, what: What) {
        // As long as the longest frame at this rate.
        self.t += 300_000;
        self.records.push(Record { t: Nanos(self.t), what });
    }
}

/// The same capture whole and in pieces, as a watch writes them: the next piece begins at the end of the
/// one before.
fn in_pieces(header: &Header, records: &[Record], cuts: &[u8; 3]) {
    let directory = tempfile::tempdir().unwrap();
    let file = |name: &str, header: &Header, records: &[Record], zero: i64, end: i64| -> PathBuf {
        let mut bytes = Vec::new();
        write_header(&mut bytes, header);
        let mut tally = Tally::default();
        for record in records {
            tally.add(&record.what);
            let record = Record { t: Nanos(record.t.0 - zero), what: record.what.clone() };
            write_record(&mut bytes, &record);
        }
        let end = Record { t: Nanos(end - zero), what: What::End(Box::new(tally)) };
        write_record(&mut bytes, &end);
        let path = directory.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let last = records.last().map_or(0, |record| record.t.0);
    let whole = file("whole.jsonl", header, records, 0, last);
    let mut cuts = cuts.map(|cut| records.len() * usize::from(cut) / 256);
    cuts.sort_unstable();
    let (mut pieces, mut from, mut zero) = (Vec::new(), 0, 0);
    for (number, cut) in cuts.into_iter().chain([records.len()]).enumerate() {
        let end = if cut == records.len() { last } else { records[cut].t.0 };
        let mut header = header.clone();
        header.started += std::time::Duration::from_nanos(zero as u64);
        pieces.push(file(&format!("{number}.jsonl"), &header, &records[from..cut], zero, end));
        (from, zero) = (cut, end);
    }
    assert_eq!(read(&pieces), read(&[whole]));
}

fn read(paths: &[PathBuf]) -> (Header, Vec<Record>) {
    let mut capture = open_all(paths, &ReadOptions::default()).unwrap();
    let mut records = Vec::new();
    while capture.read(&mut records).unwrap() {}
    assert_eq!((capture.unreadable(), capture.torn(), capture.messages()), (0, false, vec![]));
    (capture.header().clone(), records)
}
