//! A line for a person: who, when, what it means, then the frame itself and what is worth
//! noticing.

use std::fmt::Write;

use super::entry::Entry;
use crate::trunk::{Decoded, FrameDirection};
use crate::wire::{ErrorFrame, Frame, Id, Payload, What};
use crate::words::one_line;

/// Appends the line, without its line feed. `step` is the time since the line above, in ns.
pub(super) fn write(line: &mut String, entry: &Entry, step: Option<i64>) {
    // Writing to a string cannot fail.
    let _ = whole(line, entry, step);
}

fn whole(line: &mut String, entry: &Entry, step: Option<i64>) -> std::fmt::Result {
    match &entry.decoded {
        Some(decoded) => who(line, decoded)?,
        None => line.push_str("trunk           "),
    }
    let t = entry.t.0;
    let sign = if t < 0 { "-" } else { "" };
    let (seconds, micros) = (t.unsigned_abs() / 1_000_000_000, t.unsigned_abs() / 1000 % 1_000_000);
    let seconds = format!("{sign}{seconds}");
    write!(line, "{seconds:>7}.{micros:06} s ")?;
    match step {
        Some(step) => write!(line, "{:>+12.3} ms  ", step as f64 / 1e6)?,
        None => write!(line, "{:>12}     ", "")?,
    }
    match (&entry.decoded, entry.what) {
        (Some(decoded), What::Frame(frame)) => {
            write!(line, "{decoded}  ")?;
            raw(line, frame)?;
        }
        (_, What::Error(error)) => error_words(line, error)?,
        (_, What::Lost(count)) => {
            let s = if *count == 1 { "" } else { "s" };
            write!(line, "{count} frame{s} lost by the kernel or the adapter")?;
        }
        (_, What::LinkDown(why)) => {
            line.push_str("interface down");
            if let Some(why) = why {
                write!(line, ": {}", one_line(why))?;
            }
        }
        (_, What::LinkUp) => line.push_str("interface up"),
        (_, What::Mark(text)) => write!(line, "mark: {}", one_line(text))?,
        (_, What::End(tally)) => write!(
            line,
            "end of the capture: {} frames, {} error frames, {} lost",
            tally.frames, tally.error_frames, tally.lost_frames
        )?,
        (None, What::Frame(frame)) => raw(line, frame)?,
    }
    let mut mark = "  ! ";
    for note in entry.decoded.iter().flat_map(|decoded| decoded.notes.iter()) {
        write!(line, "{mark}{note}")?;
        mark = "; ";
    }
    if entry.stepped_back {
        write!(line, "{mark}the clock stepped back")?;
    }
    Ok(())
}

/// "node 12 <- 10": to node 12 from node 10. Always 16 wide.
fn who(line: &mut String, decoded: &Decoded) -> std::fmt::Result {
    let Some(node) = decoded.node else {
        line.push_str("trunk           ");
        return Ok(());
    };
    let way = match decoded.way {
        FrameDirection::In => "<-",
        FrameDirection::Out => "->",
        FrameDirection::Unknown => "  ",
    };
    write!(line, "node {:>2} {way} ", node.get())?;
    match decoded.other {
        Some(other) => write!(line, "{:<5}", other.get()),
        None => write!(line, "{:<5}", ""),
    }
}

fn raw(line: &mut String, frame: &Frame) -> std::fmt::Result {
    match frame.id() {
        Id::Standard(id) => write!(line, "[{:03X}", id.as_raw())?,
        Id::Extended(id) => write!(line, "[{:08X}", id.as_raw())?,
    }
    match frame.payload() {
        Payload::Data(data) if data.is_empty() => line.push_str(", empty"),
        Payload::Data(data) => write!(line, " {:X}", const_hex::display(data.as_slice()))?,
        Payload::Remote(length) => write!(line, ", remote for {}", length.get())?,
    }
    write!(line, ", {} bits]", frame.wire_bits().0)
}

fn error_words(line: &mut String, error: &ErrorFrame) -> std::fmt::Result {
    line.push_str("error frame");
    let mut mark = ": ";
    for cause in error.causes().iter() {
        write!(line, "{mark}{cause}")?;
        mark = ", ";
    }
    if let Some(state) = error.controller_state() {
        write!(line, ", adapter's controller: {state}")?;
    }
    if let Some((transmit, receive)) = error.counters() {
        write!(line, ", counters: transmit {transmit}, receive {receive}")?;
    }
    write!(line, "  [{:08X} {:X}]", error.class(), const_hex::display(error.data()))
}

#[cfg(test)]
mod tests {
    use super::super::entry::Reading;
    use super::*;
    use crate::wire::{Nanos, Record, StandardId};

    fn lines(records: &[Record]) -> Vec<String> {
        let mut reading = Reading::default();
        let mut last = None;
        let line = |record: &Record| {
            let step = last.map(|last: Nanos| record.t.0 - last.0);
            last = Some(record.t);
            let mut line = String::new();
            write(&mut line, &reading.take(record), step);
            line
        };
        records.iter().map(line).collect()
    }

    fn record(us: i64, what: What) -> Record {
        Record { t: Nanos::from_micros(us), what }
    }

    fn data(us: i64, id: u16, bytes: &[u8]) -> Record {
        let frame = Frame::data(StandardId::new(id).unwrap(), bytes).unwrap();
        record(us, What::Frame(frame))
    }

    /// Bytes as in a published device manual; lengths calculated from the rule in ISO 11898-1.
    #[test]
    fn lines_say_who_when_what_and_how_long() {
        let records = [
            data(512_000, 0x42C, &[1, 0x0E, 1, 1, 1]),
            data(513_250, 0x42B, &[1, 0x94, 8, 0xFF]),
            record(514_000, What::Lost(3)),
            record(513_999, What::Mark("conveyor\nstarted".into())),
            record(600_000, What::LinkDown(Some("adapter unplugged".into()))),
            data(700_000, 0x7F1, &[]),
        ];
        let expected = [
            "node  5 <- 1          0.512000 s                  get identity 1 vendor id  \
             [42C 010E010101, 92 bits]",
            "node  5 -> 1          0.513250 s       +1.250 ms  get identity 1 vendor id refused: \
             service not supported (08h), after 1.250 ms  [42B 019408FF, 84 bits]  ! refused",
            "trunk                 0.514000 s       +0.750 ms  3 frames lost by the kernel or the \
             adapter",
            "trunk                 0.513999 s       -0.001 ms  mark: conveyor?started  ! the \
             clock stepped back",
            "trunk                 0.600000 s      +86.001 ms  interface down: adapter unplugged",
            "trunk                 0.700000 s     +100.000 ms  identifier that is never allowed  \
             [7F1, empty, 49 bits]  ! does not belong on this trunk",
        ];
        assert_eq!(lines(&records), expected);
    }

    #[test]
    fn error_frames_in_words() {
        let error = ErrorFrame::new(0x88, [0, 0, 4, 0, 0, 0, 0, 0]).unwrap();
        let line = &lines(&[record(1, What::Error(error))])[0];
        assert!(line.contains("error frame: stuff"), "{line}");
        assert!(line.ends_with("[00000088 0000040000000000]"), "{line}");
    }
}
