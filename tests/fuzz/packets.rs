//! pcapng files put together from parts that hang together, and what must be read of them: worked out
//! here from the parts, by the format (IETF draft draft-ietf-opsawg-pcapng), not by the reader.

use arbitrary::{Arbitrary, Unstructured};
use dropline::record::{
    ErrorFrame, ExtendedId, Frame, Id, Payload, RemoteLength, StandardId, Tally, What,
};
use dropline::{Nanos, Record};

/// A file of another program: each section has one interface on CAN, and others before it.
#[derive(Debug, Arbitrary)]
struct PacketFile {
    big: bool,
    sections: Vec<Section>,
}

#[derive(Debug, Arbitrary)]
struct Section {
    others: u8,
    /// As `if_tsresol`.
    resolution: Option<u8>,
    offset: Option<i32>,
    /// Ticks of the first packet.
    begins: u64,
    packets: Vec<Sent>,
}

#[derive(Debug, Arbitrary)]
struct Sent {
    block: BlockKind,
    /// Whether it comes from the interface on CAN, or from the first.
    can: bool,
    /// Ticks since the one before.
    later: i32,
    content: Content,
    dropped: u16,
    comment: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Arbitrary)]
enum BlockKind {
    Enhanced,
    Obsolete,
    Simple,
}

#[derive(Debug, Arbitrary)]
enum Content {
    Data { id: u16, length: u8, bytes: [u8; 8] },
    Extended { id: u32, length: u8, bytes: [u8; 8] },
    Remote { id: u16, length: u8 },
    Error { class: u32, bytes: [u8; 8] },
}

const COMMENT: &str = "doors open";

/// What was sent is what is read, whether each packet is plain or has an option that says nothing, for
/// which it is read another way; and from a file that arrives in pieces.
pub fn packets(bytes: &[u8]) {
    let Ok(file) = PacketFile::arbitrary_take_rest(Unstructured::new(bytes)) else { return };
    let expected = file.records();
    for flagged in [false, true] {
        let written = file.written(flagged);
        let read = super::read(&written[..]).map(|(_, records)| records);
        assert_eq!(read, expected, "flagged: {flagged}");
        if flagged {
            assert_eq!(super::read(super::Dribble(&written)).map(|(_, records)| records), read);
        }
    }
}

impl PacketFile {
    /// What a reader has to make of it; `None`: nothing to begin with.
    fn records(&self) -> Option<Vec<Record>> {
        let (mut records, mut tally, mut started, mut last) =
            (Vec::new(), Tally::default(), None, 0);
        for section in &self.sections {
            let others = u32::from(section.others % 3);
            let mut ticks = section.begins;
            for sent in &section.packets {
                ticks = ticks.wrapping_add_signed(sent.later.into());
                let interface = if sent.can { others } else { 0 };
                let interface = if sent.block == BlockKind::Simple { 0 } else { interface };
                let time = match sent.block {
                    BlockKind::Simple => Some(None),
                    _ => section.time(ticks).map(Some),
                };
                // A time that cannot be is an error of the block, whosever it is.
                let (Some(time), true) = (time, interface == others) else { continue };
                if started.is_none() {
                    let Ok(first) = jiff::Timestamp::from_nanosecond(time.unwrap_or(0)) else {
                        continue;
                    };
                    started = Some(first.as_nanosecond());
                }
                let since = time.map(|time| time - started.unwrap_or(0));
                let Ok(t) = since.map_or(Ok(last), i64::try_from) else { continue };
                last = t;
                let mut say = |what: What| {
                    tally.add(&what);
                    records.push(Record { t: Nanos(t), what });
                };
                if sent.comment && sent.block != BlockKind::Simple {
                    say(What::Mark(COMMENT.into()));
                }
                match sent.block {
                    BlockKind::Obsolete if sent.dropped == u16::MAX => {}
                    BlockKind::Simple => {}
                    _ if sent.dropped > 0 => say(What::Lost(sent.dropped.into())),
                    _ => {}
                }
                say(sent.content.what());
            }
        }
        started?;
        records.push(Record { t: Nanos(last), what: What::End(Box::new(tally)) });
        Some(records)
    }

    fn written(&self, flagged: bool) -> Vec<u8> {
        let mut out = Writer { big: self.big, bytes: Vec::new() };
        // Without a section it is no such file.
        out.section();
        for (at, section) in self.sections.iter().enumerate() {
            if at > 0 {
                out.section();
            }
            section.write(&mut out, flagged);
        }
        out.bytes
    }
}

impl Section {
    /// The nanoseconds since 1970 at so many ticks. `None`: before that.
    fn time(&self, ticks: u64) -> Option<i128> {
        let (unit, ticks) = (self.resolution.unwrap_or(6), i128::from(ticks));
        let nanoseconds = match unit {
            0..=9 => ticks * 10_i128.pow(9 - u32::from(unit)),
            10..0x80 => ticks / 10_i128.checked_pow(u32::from(unit) - 9).unwrap_or(i128::MAX),
            _ => (ticks * 1_000_000_000) >> (unit - 0x80),
        };
        let time = nanoseconds + i128::from(self.offset.unwrap_or(0)) * 1_000_000_000;
        let most = i128::from(u64::MAX) * 1_000_000_000 + 999_999_999;
        (0..=most).contains(&time).then_some(time)
    }

    fn write(&self, out: &mut Writer, flagged: bool) {
        let others = u32::from(self.others % 3);
        for _ in 0..others {
            out.block(1, &[out.u16(1), out.u16(0), out.u32(0)].concat());
        }
        let mut can = [out.u16(227), out.u16(0), out.u32(0)].concat();
        can.extend(self.resolution.into_iter().flat_map(|unit| out.option(9, &[unit])));
        can.extend(
            self.offset.into_iter().flat_map(|s| out.option(14, &out.u64(i64::from(s) as u64))),
        );
        out.block(1, &can);
        let mut ticks = self.begins;
        for sent in &self.packets {
            ticks = ticks.wrapping_add_signed(sent.later.into());
            let interface = if sent.can { others } else { 0 };
            let data = sent.content.bytes();
            let length = out.u32(data.len() as u32);
            let time = [out.u32((ticks >> 32) as u32), out.u32(ticks as u32)].concat();
            let data = [&data[..], &[0; 3]].concat();
            let data = &data[..data.len() / 4 * 4];
            let mut options = Vec::new();
            if sent.comment {
                options.extend(out.option(1, COMMENT.as_bytes()));
            }
            match sent.block {
                BlockKind::Enhanced => {
                    if sent.dropped > 0 {
                        options.extend(out.option(4, &out.u64(sent.dropped.into())));
                    }
                    if flagged {
                        options.extend(out.option(2, &[0; 4]));
                    }
                    let head = [out.u32(interface), time, length.clone(), length].concat();
                    out.block(6, &[&head, data, &options].concat());
                }
                BlockKind::Obsolete => {
                    let head = [out.u16(interface as u16), out.u16(sent.dropped), time].concat();
                    out.block(2, &[&head, &length[..], &length, data, &options].concat());
                }
                BlockKind::Simple => out.block(3, &[&length, data].concat()),
            }
            if flagged {
                // A name resolution block, which says nothing of packets.
                out.block(4, &[0; 4]);
            }
        }
    }
}

impl Content {
    fn what(&self) -> What {
        let standard = |id: u16| Id::Standard(StandardId::new(id & 0x7FF).unwrap());
        let data = |id, length: u8, bytes: &[u8; 8]| {
            What::Frame(Frame::data(id, &bytes[..usize::from(length % 9)]).unwrap())
        };
        match self {
            Content::Data { id, length, bytes } => data(standard(*id), *length, bytes),
            Content::Extended { id, length, bytes } => {
                let id = Id::Extended(ExtendedId::new(id & 0x1FFF_FFFF).unwrap());
                data(id, *length, bytes)
            }
            Content::Remote { id, length } => {
                let payload = Payload::Remote(RemoteLength::new(length % 9).unwrap());
                What::Frame(Frame::new(standard(*id), payload))
            }
            Content::Error { class, bytes } => {
                What::Error(ErrorFrame::new(class & ErrorFrame::CLASS_MASK, *bytes).unwrap())
            }
        }
    }

    /// As the registry of link types has it, LINKTYPE_CAN_SOCKETCAN (tcpdump.org).
    fn bytes(&self) -> Vec<u8> {
        let (id, length, bytes) = match self {
            Content::Data { id, length, bytes } => (u32::from(id & 0x7FF), length % 9, *bytes),
            Content::Extended { id, length, bytes } => {
                (id & 0x1FFF_FFFF | 0x8000_0000, length % 9, *bytes)
            }
            Content::Remote { id, length } => {
                (u32::from(id & 0x7FF) | 0x4000_0000, length % 9, [0; 8])
            }
            Content::Error { class, bytes } => {
                (class & ErrorFrame::CLASS_MASK | 0x2000_0000, 8, *bytes)
            }
        };
        let data = match self {
            Content::Remote { .. } => &[][..],
            _ => &bytes[..length.into()],
        };
        [&id.to_be_bytes()[..], &[length, 0, 0, 0], data].concat()
    }
}

/// Writes blocks in either byte order.
struct Writer {
    big: bool,
    bytes: Vec<u8>,
}

impl Writer {
    fn section(&mut self) {
        let body = [self.u32(0x1A2B_3C4D), self.u16(1), self.u16(0), vec![0xFF; 8]].concat();
        self.block(0x0A0D_0D0A, &body);
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
