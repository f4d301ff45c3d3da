//! A line for a program: one JSON object with every decoded field.

use serde::Serialize;

use super::entry::{Entry, Kind};
use crate::fieldbus::{
    AddressCheck, DeviceId, DriveCommand, DriveStatus, ExplicitBody, Fragment, FragmentKind,
    Offline, Target,
};
use crate::trunk::{
    Decoded, DriveIo, ExplicitMessage, FragmentStage, FrameDirection, IoMessage, Meaning, Origin,
};
use crate::wire::{Id, Payload, What};

/// Appends the line, without its line feed. `step` is the time since the line above, in ns.
pub(super) fn write(line: &mut String, entry: &Entry, step: Option<i64>) {
    // Plain fields, text keys: this cannot fail.
    line.push_str(&serde_json::to_string(&Line::of(entry, step)).unwrap_or_default());
}

/// Everything that is known. What does not apply is left out; `node`, `other`, `way` are
/// `null` where they are not known.
#[derive(Serialize, Default)]
struct Line {
    t_ns: i64,
    step_ns: Option<i64>,
    kind: Option<Kind>,
    node: Option<u8>,
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
    fn of(entry: &Entry, step: Option<i64>) -> Line {
        let mut line =
            Line { t_ns: entry.t.0, step_ns: step, kind: Some(entry.kind), ..Line::default() };
        if let Some(decoded) = &entry.decoded {
            line.decoded(decoded);
        }
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
            service_name: service.and_then(|service| service.name()),
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
    use super::super::entry::Reading;
    use super::*;
    use crate::wire::{Frame, Nanos, Record, StandardId};

    /// Bytes as in a published device manual.
    #[test]
    fn a_refusal_has_every_field() {
        let mut reading = Reading::default();
        let mut value = serde_json::Value::Null;
        for (us, id, bytes) in [(0, 0x42C, &[1, 0x0E, 1, 1, 1][..]), (900, 0x42B, &[1, 0x94, 8, 5])]
        {
            let frame = Frame::data(StandardId::new(id).unwrap(), bytes).unwrap();
            let record = Record { t: Nanos::from_micros(us), what: What::Frame(frame) };
            let mut line = String::new();
            write(&mut line, &reading.take(&record), Some(us * 1000));
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
