//! What must hold for anything that is heard on the wire: fragments, and whole records up to
//! the summary.

use dropline::internal::fieldbus::{Fragment, FragmentKind};
use dropline::record::{ErrorFrame, ExtendedId, Frame, Header, Id, StandardId, Tally, What};
use dropline::state::{FragmentCounts, FragmentStage, MAX_MESSAGE, Reassembly};
use dropline::summary::ExchangeCounts;
use dropline::summary::{Comparison, Judgement, Tolerance};
use dropline::{Analysis, Bitrate, Nanos, Record, SourceKind, Summary};

/// The message that comes out is what was sent since it began; errors are counted one by one,
/// and nothing that was heard spoils the next whole message.
pub fn fragment(bytes: &[u8]) {
    let mut bytes = Bytes(bytes);
    let mut reassembly = Reassembly::default();
    let mut counts = FragmentCounts::default();
    let (mut sent, mut errors) = (Vec::new(), 0);
    let mut t = Nanos::ZERO;
    while let Some(how) = bytes.next() {
        t = Nanos(t.0.saturating_add(i64::from(how >> 4) * 100_000_000));
        let fragment = Fragment::from_byte(bytes.next().unwrap_or_default());
        let error = match how & 3 {
            0 => reassembly.expire(t, Nanos::from_millis(1000)),
            1 => reassembly.acknowledge(t, fragment.count, how >> 2 & 1),
            acknowledged => {
                let data = bytes.take(how as usize >> 2 & 7);
                let (stage, error) = reassembly.fragment(t, fragment, data, acknowledged == 2);
                let part = fragment.kind != FragmentKind::Acknowledge;
                if part && stage != FragmentStage::Repeated {
                    if fragment.kind == FragmentKind::First && matches!(fragment.count, 0 | 0x3F) {
                        sent.clear();
                    }
                    sent.extend_from_slice(data);
                }
                if stage == FragmentStage::Whole {
                    assert_eq!(reassembly.message(), sent);
                }
                error
            }
        };
        errors += u64::from(error.is_some());
        error.into_iter().for_each(|error| counts.count(error));
        assert!(reassembly.message().len() <= MAX_MESSAGE);
    }
    assert_eq!(counts.errors(), errors);
    reassembly.reset();
    let whole: Vec<u8> = (0..100).collect();
    let last = whole.chunks(7).count() as u8 - 1;
    for (count, data) in (0..).zip(whole.chunks(7)) {
        let kind = match count {
            0 => FragmentKind::First,
            count if count == last => FragmentKind::Last,
            _ => FragmentKind::Middle,
        };
        reassembly.fragment(t, Fragment { kind, count }, data, false);
    }
    assert_eq!(reassembly.message(), whole);
}

/// Whatever was heard, the counts of the summary add up, it is read back as it was written, and
/// compared with itself nothing is worse.
pub fn trunk(bytes: &[u8]) {
    let mut header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
    header.bitrate = Bitrate::new(125_000);
    let mut analysis = Analysis::new(&header);
    let (mut tally, mut bits, mut t) = (Tally::default(), 0, 0);
    let mut bytes = Bytes(bytes);
    while let Some(record) = record(&mut t, &mut bytes) {
        tally.add(&record.what);
        if let What::Frame(frame) = &record.what {
            bits += frame.wire_bits().0;
        }
        analysis.take(&record, &mut |_, _| {});
    }
    let summary = analysis.finish(SourceKind::Capture, "any", 0, &mut |_, _| {});
    let source = &summary.source;
    assert_eq!((source.frames, source.error_frames), (tally.frames, tally.error_frames));
    assert_eq!(
        (source.lost_frames, summary.errors.frames),
        (tally.lost_frames, tally.error_frames)
    );
    assert_eq!(summary.load.wire_bits, bits);
    let groups = &summary.groups;
    let counted = groups.group1 + groups.group2 + groups.group3 + groups.group4;
    assert_eq!(counted + groups.invalid + groups.extended + groups.remote, tally.frames);
    hangs_together(&summary);
}

/// What a summary says goes together.
pub fn hangs_together(summary: &Summary) {
    let sent = summary.nodes.iter().map(|node| node.frames_sent).sum::<u64>();
    assert!(sent <= summary.source.frames);
    for node in &summary.nodes {
        adds_up(&node.poll.exchange);
        node.strobe.iter().for_each(adds_up);
        // What a node sends by itself need not be acknowledged.
        if let Some(sent) = &node.change_of_state {
            let closed = sent.responses + sent.missed + sent.uncertain;
            assert!(closed <= sent.commands, "{sent:?}");
        }
    }
    for finding in &summary.findings {
        assert!(!finding.text.is_empty() && !finding.text.contains(char::is_control));
        assert!(!finding.text.contains("NaN") && !finding.check.is_empty());
    }
    assert_eq!(&Summary::from_json(summary.to_json().as_bytes()).unwrap(), summary);
    let comparison = Comparison::new(summary, summary, &Tolerance::default());
    assert_ne!(comparison.judgement, Judgement::Worse);
}

fn adds_up(exchange: &ExchangeCounts) {
    let closed = exchange.responses + exchange.missed + exchange.uncertain;
    assert!((closed..=closed + 1).contains(&exchange.commands), "{exchange:?}");
    assert!(exchange.latency_us.count <= exchange.responses, "{exchange:?}");
    assert!(exchange.interval_us.count <= exchange.commands, "{exchange:?}");
}

/// The next record: a byte that says what it is, how long after the one before, and what it
/// holds; the shorter, the commoner it is on a trunk.
fn record(t: &mut i64, bytes: &mut Bytes) -> Option<Record> {
    let how = bytes.next()?;
    let gap = i64::from(bytes.next()?);
    *t = match how >> 5 {
        step @ 0..=4 => t.saturating_add(
            gap * [10_000, 100_000, 1_000_000, 50_000_000, 1_000_000_000][step as usize],
        ),
        5 => t.saturating_sub(gap * 1_000_000),
        6 => t.saturating_add(gap * 3_600_000_000_000),
        _ => i64::from_le_bytes(bytes.array()),
    };
    let standard =
        |raw: u16| Id::Standard(StandardId::new(raw & 0x7FF).unwrap_or(StandardId::ZERO));
    let what = match how & 31 {
        length @ 0..=8 => {
            let id = standard(u16::from_le_bytes(bytes.array()));
            What::Frame(Frame::data(id, bytes.take(length.into())).unwrap())
        }
        // A poll, a response, an explicit request or response of a node, in one byte.
        kind @ 9..=24 => {
            let node = u16::from(bytes.next()? & 0x3F);
            let id = match kind & 3 {
                0 => 0x405 | node << 3,
                1 => 0x3C0 | node,
                2 => 0x404 | node << 3,
                _ => 0x403 | node << 3,
            };
            What::Frame(
                Frame::data(standard(id), bytes.take(usize::from(kind - 9) / 2 + 1)).unwrap(),
            )
        }
        25 => {
            let id = standard(u16::from_le_bytes(bytes.array()));
            What::Frame(Frame::remote(id, bytes.next()? & 7).unwrap())
        }
        26 => {
            let raw = u32::from_le_bytes(bytes.array()) & 0x1FFF_FFFF;
            let id = Id::Extended(ExtendedId::new(raw).unwrap_or(ExtendedId::ZERO));
            What::Frame(Frame::data(id, bytes.take(3)).unwrap())
        }
        27 => {
            let class = u32::from_le_bytes(bytes.array()) & ErrorFrame::CLASS_MASK;
            What::Error(ErrorFrame::new(class, bytes.array()).unwrap())
        }
        28 => What::Lost(u64::from_le_bytes(bytes.array()) >> (gap & 63)),
        29 => What::LinkDown((gap & 1 == 1).then(|| "unplugged".into())),
        30 => What::LinkUp,
        _ => What::End(Box::default()),
    };
    Some(Record { t: Nanos(*t), what })
}

/// Bytes taken from the front; zeros behind their end.
struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    fn next(&mut self) -> Option<u8> {
        let (&first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(first)
    }

    fn take(&mut self, n: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(n.min(self.0.len()));
        self.0 = rest;
        taken
    }

    fn array<const N: usize>(&mut self) -> [u8; N] {
        let mut array = [0; N];
        let taken = self.take(N);
        array[..taken.len()].copy_from_slice(taken);
        array
    }
}
