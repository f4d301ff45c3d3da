//! The lines of `dropline frames`: for a person, who, when, what it means, then the frame itself;
//! for a program, the same as JSON.

use std::fmt::Write;

use serde::Serialize;

use super::entry::{DecodedRecord, Kind, NodeNames};
use crate::fieldbus::{
    AddressCheck, DeviceId, DriveCommand, DriveStatus, ExplicitBody, Fragment, FragmentKind,
    Offline, Target,
};
use crate::health::json;
use crate::trunk::{
    Decoded, DriveIo, Event, ExplicitMessage, FragmentStage, FrameDirection, IoMessage, Meaning,
    Origin,
};
use crate::wire::{ErrorFrame, Frame, Id, Payload, What};
use crate::words::{one_line, printable};

/// Appends the line, without its line feed. `step` is the time since the line above, in ns.
pub(super) fn write_text(line: &mut String, entry: &DecodedRecord, step: Option<i64>) {
    // Writing to a string cannot fail.
    let _ = write_parts(line, entry, step);
}

fn write_parts(line: &mut String, entry: &DecodedRecord, step: Option<i64>) -> std::fmt::Result {
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
            if let Some(name) = decoded.node.and_then(|node| entry.names.get(&node)) {
                write!(line, "{}: ", printable(name))?;
            }
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
    for event in &entry.events {
        write!(line, "{mark}{}", event_words(event, entry.names))?;
        mark = "; ";
    }
    if entry.stepped_back {
        write!(line, "{mark}the clock stepped back")?;
    }
    Ok(())
}

fn event_words(event: &Event, names: &NodeNames) -> String {
    let name = event.mac_id().and_then(|mac_id| names.get(&mac_id));
    event.line(name.map(String::as_str))
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

/// Appends the line, without its line feed. `step` is the time since the line above, in ns.
pub(super) fn write_json(line: &mut String, entry: &DecodedRecord, step: Option<i64>) {
    line.push_str(&json::line(&Line::of(entry, step)));
}

/// Everything that is known. What does not apply is left out; `node`, `other`, `way` are
/// `null` where they are not known.
#[derive(Serialize, Default)]
struct Line {
    t_ns: i64,
    step_ns: Option<i64>,
    kind: Option<Kind>,
    node: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    node_name: Option<String>,
    other: Option<u8>,
    way: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    role: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    meaning: Option<String>,
    #[serde(flatten)]
    fields: Fields,
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    data: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rtr: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    wire_bits: Option<u64>,
    notes: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    causes: Option<Vec<String>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lost: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    link: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mark: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    end: Option<crate::wire::Tally>,
}

#[derive(Serialize, Default)]
struct Fields {
    #[serde(skip_serializing_if = "Option::is_none")]
    device: Option<DeviceId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fragment: Option<FragmentField>,
    /// The whole I/O data.
    #[serde(skip_serializing_if = "Option::is_none")]
    io: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    drive: Option<DriveField>,
    #[serde(skip_serializing_if = "Option::is_none")]
    explicit: Option<ExplicitField>,
}

#[derive(Serialize)]
struct FragmentField {
    kind: &'static str,
    count: u8,
    #[serde(skip_serializing_if = "Option::is_none")]
    stage: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    status: Option<u8>,
}

#[derive(Serialize)]
struct DriveField {
    known: Origin,
    #[serde(skip_serializing_if = "Option::is_none")]
    command: Option<DriveCommand>,
    #[serde(skip_serializing_if = "Option::is_none")]
    status: Option<DriveStatus>,
}

#[derive(Serialize)]
struct ExplicitField {
    message: &'static str,
    transaction: bool,
    service: Option<u8>,
    service_name: Option<&'static str>,
    class: Option<u16>,
    class_name: Option<&'static str>,
    instance: Option<u16>,
    attribute: Option<u16>,
    attribute_name: Option<&'static str>,
    status: Option<u8>,
    status_name: Option<&'static str>,
    additional: Option<u8>,
    data: Option<String>,
    after_ns: Option<i64>,
}

impl Line {
    fn of(entry: &DecodedRecord, step: Option<i64>) -> Line {
        let mut line =
            Line { t_ns: entry.t.0, step_ns: step, kind: Some(entry.kind), ..Line::default() };
        if let Some(decoded) = &entry.decoded {
            line.decoded(decoded);
            line.node_name = decoded.node.and_then(|node| entry.names.get(&node).cloned());
        }
        line.notes.extend(entry.events.iter().map(|event| event_words(event, entry.names)));
        if entry.stepped_back {
            line.notes.push("the clock stepped back".into());
        }
        match entry.what {
            What::Frame(frame) => {
                line.id = Some(match frame.id() {
                    Id::Standard(id) => format!("{:03X}", id.as_raw()),
                    Id::Extended(id) => format!("{:08X}", id.as_raw()),
                });
                match frame.payload() {
                    Payload::Data(data) => line.data = Some(hex(&data)),
                    Payload::Remote(length) => line.rtr = Some(length.get()),
                }
                line.wire_bits = Some(frame.wire_bits().0);
            }
            What::Error(error) => {
                line.error = Some(format!("{:08X}", error.class()));
                line.data = Some(hex(&error.data()));
                line.causes = Some(error.causes().iter().map(|c| c.to_string()).collect());
            }
            What::Lost(count) => line.lost = Some(*count),
            What::LinkDown(why) => {
                line.link = Some("down");
                line.why = why.as_deref().map(str::to_string);
            }
            What::LinkUp => line.link = Some("up"),
            What::Mark(text) => line.mark = Some(text.to_string()),
            What::End(tally) => line.end = Some(**tally),
        }
        line
    }

    fn decoded(&mut self, decoded: &Decoded) {
        self.node = decoded.node.map(|node| node.get());
        self.other = decoded.other.map(|other| other.get());
        self.way = match decoded.way {
            FrameDirection::In => Some("in"),
            FrameDirection::Out => Some("out"),
            FrameDirection::Unknown => None,
        };
        self.role = decoded.role.map(|role| role.to_string());
        self.meaning = Some(decoded.to_string());
        self.notes = decoded.notes.iter().map(|note| note.to_string()).collect();
        match &decoded.meaning {
            Meaning::AddressCheck(AddressCheck { device, .. })
            | Meaning::Offline(Offline::Faulted { device, .. }) => {
                self.fields.device = Some(*device);
            }
            Meaning::Io(io) => self.fields.io(io),
            Meaning::Explicit(explicit) => {
                self.fields.explicit = Some(ExplicitField::of(explicit));
            }
            Meaning::Part(fragment, stage) => {
                self.fields.fragment = Some(FragmentField::of(*fragment, *stage));
            }
            Meaning::Acknowledge { count, status } => {
                self.fields.fragment = Some(FragmentField {
                    kind: "acknowledge",
                    count: *count,
                    stage: None,
                    status: *status,
                });
            }
            _ => {}
        }
    }
}

impl Fields {
    fn io(&mut self, io: &IoMessage) {
        self.fragment = io.fragment.map(|(fragment, stage)| FragmentField::of(fragment, stage));
        self.io = io.data.map(hex);
        self.drive = io.drive.map(|drive| match drive {
            DriveIo::Command(command) => {
                DriveField { known: command.origin, command: Some(command.value), status: None }
            }
            DriveIo::Status(status) => {
                DriveField { known: status.origin, command: None, status: Some(status.value) }
            }
        });
    }
}

impl FragmentField {
    fn of(fragment: Fragment, stage: FragmentStage) -> FragmentField {
        FragmentField {
            kind: match fragment.kind {
                FragmentKind::First => "first",
                FragmentKind::Middle => "middle",
                FragmentKind::Last => "last",
                FragmentKind::Acknowledge => "acknowledge",
            },
            count: fragment.count,
            stage: Some(match stage {
                FragmentStage::Open => "open",
                FragmentStage::Whole => "whole",
                FragmentStage::Repeated => "repeated",
                FragmentStage::Spoilt => "lost",
            }),
            status: None,
        }
    }
}

impl ExplicitField {
    fn of(explicit: &ExplicitMessage) -> ExplicitField {
        let asked = explicit.asked;
        let (message, service, target, status, additional, data) = match explicit.message {
            ExplicitBody::Request { service, target, data } => {
                ("request", Some(service), target, None, None, Some(hex(data)))
            }
            ExplicitBody::Response { service, data } => {
                let target = asked.and_then(|asked| asked.target);
                ("response", Some(service), target, None, None, Some(hex(data)))
            }
            ExplicitBody::Error { status, additional } => {
                let target = asked.and_then(|asked| asked.target);
                let service = asked.map(|asked| asked.service);
                ("error", service, target, Some(status), additional, None)
            }
        };
        let attribute = target.and_then(|target: Target| target.attribute);
        ExplicitField {
            message,
            transaction: explicit.header.transaction,
            service: service.map(|service| service.get()),
            service_name: service.and_then(|service| match target {
                Some(target) => service.name_for(target.class),
                None => service.name(),
            }),
            class: target.map(|target| target.class.0),
            class_name: target.and_then(|target| target.class.name()),
            instance: target.map(|target| target.instance),
            attribute,
            attribute_name: target.zip(attribute).and_then(|(t, a)| t.class.attribute(a)),
            status: status.map(|status| status.0),
            status_name: status.and_then(|status| status.name()),
            additional,
            data,
            after_ns: explicit.took.map(|took| took.0),
        }
    }
}

fn hex(bytes: &[u8]) -> String {
    format!("{:X}", const_hex::display(bytes))
}

#[cfg(test)]
mod tests {
    use super::super::entry::RecordDecoder;
    use super::*;
    use crate::wire::{Frame, Nanos, Record, StandardId};

    fn lines(records: &[Record]) -> Vec<String> {
        let mut reading = RecordDecoder::default();
        let mut last = None;
        let line = |record: &Record| {
            let step = last.map(|last: Nanos| record.t.0 - last.0);
            last = Some(record.t);
            let mut line = String::new();
            write_text(&mut line, &reading.take(record), step);
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

    /// Bytes as in a published device manual.
    #[test]
    fn a_refusal_has_every_field() {
        let mut reading = RecordDecoder::default();
        let mut value = serde_json::Value::Null;
        for (us, id, bytes) in [(0, 0x42C, &[1, 0x0E, 1, 1, 1][..]), (900, 0x42B, &[1, 0x94, 8, 5])]
        {
            let frame = Frame::data(StandardId::new(id).unwrap(), bytes).unwrap();
            let record = Record { t: Nanos::from_micros(us), what: What::Frame(frame) };
            let mut line = String::new();
            write_json(&mut line, &reading.take(&record), Some(us * 1000));
            value = serde_json::from_str(&line).unwrap();
        }
        let explicit = &value["explicit"];
        assert_eq!(explicit["message"], "error");
        assert_eq!((&explicit["service"], &explicit["class"]), (&14.into(), &1.into()));
        assert_eq!(explicit["attribute_name"], "vendor id");
        assert_eq!((&explicit["status"], &explicit["additional"]), (&8.into(), &5.into()));
        assert_eq!(explicit["after_ns"], 900_000);
        assert_eq!((&value["node"], &value["other"]), (&5.into(), &1.into()));
        assert_eq!((&value["id"], &value["data"]), (&"42B".into(), &"01940805".into()));
        assert_eq!(value["notes"], serde_json::json!(["refused"]));
    }
}
