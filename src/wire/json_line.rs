//! A capture's header and records as lines of JSON, both ways; text only, without files.

use std::borrow::Cow;
use std::fmt;

use embedded_can::{ExtendedId, Id, StandardId};
use jiff::Timestamp;
use memchr::memchr;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{
    Bitrate, Clock, Data, ErrorFrame, Frame, Header, Nanos, Payload, Record, RemoteLength, Tally,
    What,
};

const FORMAT: &str = "dropline-capture";
const VERSION: u64 = 1;

/// Why a line cannot be read: the field at fault, where one is, and what is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct LineError {
    /// The field, empty where the line as a whole is at fault.
    pub field: String,
    /// What is wrong, in words.
    pub what: String,
}

impl fmt::Display for LineError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.field.is_empty() {
            f.write_str(&self.what)
        } else {
            write!(f, "{}: {}", self.field, self.what)
        }
    }
}

fn wrong(field: &str, what: impl Into<String>) -> LineError {
    LineError { field: field.into(), what: what.into() }
}

/// Text that is borrowed from the line where it holds no escapes.
#[derive(Serialize)]
#[serde(transparent)]
struct Text<'a>(Cow<'a, str>);

impl<'de: 'a, 'a> Deserialize<'de> for Text<'a> {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> serde::de::Visitor<'de> for Visitor {
            type Value = Text<'de>;
            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("text")
            }
            fn visit_borrowed_str<E>(self, v: &'de str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Borrowed(v)))
            }
            fn visit_str<E>(self, v: &str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Owned(v.to_owned())))
            }
        }
        d.deserialize_str(Visitor)
    }
}

impl<'a> From<&'a str> for Text<'a> {
    fn from(text: &'a str) -> Self {
        Text(Cow::Borrowed(text))
    }
}

/// One record of a capture: one line after the first. It is one thing: a frame (`id` with `data`
/// or `rtr`), an error frame (`error` with `data`), or one of `lost`, `link`, `mark`, `end`.
#[derive(Serialize, Deserialize, Default, JsonSchema)]
#[serde(default)]
#[schemars(title = "Record", extend("required" = ["t_ns"], "oneOf" = [
    {"required": ["id", "data"], "not": {"required": ["rtr"]}},
    {"required": ["id", "rtr"], "not": {"required": ["data"]}},
    {"required": ["error", "data"]},
    {"required": ["lost"]},
    {"required": ["link"]},
    {"required": ["mark"]},
    {"required": ["end"]},
]))]
struct RecordFields<'a> {
    /// When the last bit had been received: nanoseconds after the header's `started`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "i64")]
    t_ns: Option<i64>,
    /// Three hex digits are an 11-bit identifier, eight a 29-bit one.
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "String", regex(pattern = "^([0-7][0-9A-F]{2}|[01][0-9A-F]{7})$"))]
    id: Option<Text<'a>>,
    /// An error frame: the class bits, without the error flag (linux/can/error.h).
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "String", regex(pattern = "^[01][0-9A-F]{7}$"))]
    error: Option<Text<'a>>,
    /// The data bytes of a frame or error frame, in hex.
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "String", regex(pattern = "^([0-9A-F]{2}){0,8}$"))]
    data: Option<Text<'a>>,
    /// A remote frame, and its length code.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "u8", range(max = 8))]
    rtr: Option<u8>,
    /// So many frames were dropped since the record before.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "u64")]
    lost: Option<u64>,
    /// The interface went `down` or came `up`.
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "String", regex(pattern = "^(up|down)$"))]
    link: Option<Text<'a>>,
    /// Why the interface went down.
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "String")]
    why: Option<Text<'a>>,
    /// A note by the person who watched.
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "String")]
    mark: Option<Text<'a>>,
    /// The capture ended cleanly; what it should hold.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Tally")]
    end: Option<Tally>,
}

/// The JSON Schemas of a capture's first line, and of each further one.
pub fn capture_schemas() -> [schemars::Schema; 2] {
    [schemars::schema_for!(HeaderFields), schemars::schema_for!(RecordFields)]
}

/// Reads one record.
///
/// # Errors
/// The field at fault and what is wrong with it, for anything that is not a record of
/// version 1. Fields that are not known are ignored.
pub fn parse_record(line: &[u8]) -> Result<Record, LineError> {
    let fields: RecordFields = parse(line)?;
    let t = Nanos(fields.t_ns.ok_or_else(|| wrong("t_ns", "missing"))?);
    let kinds = [
        ("id", fields.id.is_some()),
        ("error", fields.error.is_some()),
        ("lost", fields.lost.is_some()),
        ("link", fields.link.is_some()),
        ("mark", fields.mark.is_some()),
        ("end", fields.end.is_some()),
    ];
    let mut present = kinds.iter().filter(|(_, there)| *there).map(|(name, _)| *name);
    let kind = present
        .next()
        .ok_or_else(|| wrong("", "no record: needs one of id, error, lost, link, mark or end"))?;
    if let Some(other) = present.next() {
        return Err(wrong(other, format!("a record is one thing, this one already has {kind}")));
    }
    let what = if let Some(id) = &fields.id {
        What::Frame(Frame::new(parse_id(&id.0)?, parse_payload(&fields)?))
    } else if let Some(error) = &fields.error {
        What::Error(parse_error_frame(&error.0, &fields)?)
    } else if let Some(lost) = fields.lost {
        What::Lost(lost)
    } else if let Some(link) = &fields.link {
        match &*link.0 {
            "down" => What::LinkDown(fields.why.map(|why| why.0.into())),
            "up" => What::LinkUp,
            _ => return Err(wrong("link", "neither \"down\" nor \"up\"")),
        }
    } else if let Some(mark) = fields.mark {
        What::Mark(mark.0.into())
    } else {
        What::End(Box::new(fields.end.unwrap_or_default()))
    };
    Ok(Record { t, what })
}

fn parse<'a, T: Deserialize<'a>>(line: &'a [u8]) -> Result<T, LineError> {
    // A derived type would also be read from an array of its fields.
    if line.trim_ascii_start().first().is_some_and(|&first| first != b'{') {
        return Err(wrong("", "not a JSON object"));
    }
    // Soon told: a file may hold millions of such lines.
    if memchr(b'}', line).is_none() {
        return Err(wrong("", CUT_SHORT));
    }
    serde_json::from_slice(line).or_else(|_| {
        // Only a line that failed pays for finding out which field it was.
        let mut json = serde_json::Deserializer::from_slice(line);
        serde_path_to_error::deserialize(&mut json)
            .map_err(|error| {
                let path = error.path().to_string();
                let field = if path == "." || path == "?" { String::new() } else { path };
                LineError { field, what: describe(error.inner()) }
            })
            .and_then(|value| json.end().map(|()| value).map_err(|e| wrong("", describe(&e))))
    })
}

const CUT_SHORT: &str = "the line is cut short";

/// The error without serde_json's "line 1": its lines are not the file's.
fn describe(error: &serde_json::Error) -> String {
    use serde_json::error::Category;
    let text = error.to_string();
    let text = text.split(" at line ").next().unwrap_or_default();
    match error.classify() {
        Category::Data => text.to_string(),
        Category::Eof => CUT_SHORT.to_string(),
        _ => format!("not JSON at column {}: {text}", error.column()),
    }
}

fn parse_id(text: &str) -> Result<Id, LineError> {
    let hex = |text: &str| {
        text.bytes().all(|b| b.is_ascii_hexdigit()).then(|| u32::from_str_radix(text, 16).ok())?
    };
    let id = match text.len() {
        3 => hex(text).and_then(|raw| StandardId::new(u16::try_from(raw).ok()?)).map(Id::Standard),
        8 => hex(text).and_then(ExtendedId::new).map(Id::Extended),
        _ => None,
    };
    id.ok_or_else(|| {
        wrong("id", "neither 000 to 7FF in three hex digits nor 00000000 to 1FFFFFFF in eight")
    })
}

fn parse_payload(fields: &RecordFields) -> Result<Payload, LineError> {
    match (&fields.data, fields.rtr) {
        (None, Some(code)) => RemoteLength::new(code)
            .map(Payload::Remote)
            .ok_or_else(|| wrong("rtr", "a length code is 0 to 8")),
        (Some(data), None) => parse_data(&data.0).map(Payload::Data),
        (Some(_), Some(_)) => Err(wrong("rtr", "a remote frame carries no data")),
        (None, None) => Err(wrong("data", "missing")),
    }
}

fn parse_data(text: &str) -> Result<Data, LineError> {
    if text.len() > 2 * Data::MAX {
        return Err(wrong("data", "more than 8 bytes"));
    }
    if !text.len().is_multiple_of(2) {
        return Err(wrong("data", "an odd number of hex digits"));
    }
    let mut bytes = [0; Data::MAX];
    let bytes = &mut bytes[..text.len() / 2];
    // The decoder would take a "0x" in front.
    let digits = text.bytes().all(|b| b.is_ascii_hexdigit());
    if !digits || const_hex::decode_to_slice(text, bytes).is_err() {
        return Err(wrong("data", "not hex digits"));
    }
    Ok(Data::new(bytes).unwrap_or_default())
}

fn parse_error_frame(class: &str, fields: &RecordFields) -> Result<ErrorFrame, LineError> {
    let digits = class.len() == 8 && class.bytes().all(|b| b.is_ascii_hexdigit());
    let class = u32::from_str_radix(class, 16).ok().filter(|_| digits);
    let data = fields.data.as_ref().ok_or_else(|| wrong("data", "missing"))?;
    let data = <[u8; 8]>::try_from(parse_data(&data.0)?.as_slice())
        .map_err(|_| wrong("data", "an error frame has 8 bytes"))?;
    class
        .and_then(|class| ErrorFrame::new(class, data))
        .ok_or_else(|| wrong("error", "not 00000000 to 1FFFFFFF in eight hex digits"))
}

/// Appends a record as one line, with its line feed.
pub fn write_record(out: &mut Vec<u8>, record: &Record) {
    let (mut id, mut bytes) = ([0; 8], [0; 16]);
    let mut fields = RecordFields { t_ns: Some(record.t.0), ..RecordFields::default() };
    match &record.what {
        What::Frame(frame) => {
            fields.id = Some(match frame.id() {
                Id::Standard(raw) => {
                    let text = upper_hex(&raw.as_raw().to_be_bytes(), &mut id);
                    text[1..].into()
                }
                Id::Extended(raw) => upper_hex(&raw.as_raw().to_be_bytes(), &mut id).into(),
            });
            match frame.payload() {
                Payload::Data(data) => fields.data = Some(upper_hex(&data, &mut bytes).into()),
                Payload::Remote(code) => fields.rtr = Some(code.get()),
            }
        }
        What::Error(error) => {
            fields.error = Some(upper_hex(&error.class().to_be_bytes(), &mut id).into());
            fields.data = Some(upper_hex(&error.data(), &mut bytes).into());
        }
        What::Lost(n) => fields.lost = Some(*n),
        What::LinkDown(why) => {
            fields.link = Some("down".into());
            fields.why = why.as_deref().map(Text::from);
        }
        What::LinkUp => fields.link = Some("up".into()),
        What::Mark(text) => fields.mark = Some((&**text).into()),
        What::End(tally) => fields.end = Some(**tally),
    }
    write_line(out, &fields);
}

fn upper_hex<'a>(bytes: &[u8], buffer: &'a mut [u8]) -> &'a str {
    let text = &mut buffer[..2 * bytes.len()];
    // Neither can fail: the length fits and hex digits are ASCII.
    let _ = const_hex::encode_to_slice_upper(bytes, &mut *text);
    std::str::from_utf8(text).unwrap_or_default()
}

fn write_line(out: &mut Vec<u8>, value: &impl Serialize) {
    // Writing plain fields into memory cannot fail.
    let _ = serde_json::to_writer(&mut *out, value);
    out.push(b'\n');
}

/// The first line of a capture. Unknown is `null`.
#[derive(Serialize, Deserialize, JsonSchema)]
#[schemars(title = "Header")]
struct HeaderFields<'a> {
    /// What kind of file it is.
    #[serde(borrow)]
    #[schemars(with = "String", extend("const" = FORMAT))]
    format: Text<'a>,
    /// The version of the format.
    #[schemars(extend("const" = VERSION))]
    version: u64,
    /// Time zero, in UTC.
    #[schemars(with = "String", extend("format" = "date-time"))]
    started: Text<'a>,
    /// The trunk's bit rate, in bits per second.
    #[serde(default)]
    #[schemars(with = "Option<u32>", range(min = 1, max = 1_000_000))]
    bitrate: Option<Bitrate>,
    /// The interface's name.
    #[serde(default)]
    interface: Option<String>,
    /// Whether the controller could only listen.
    #[serde(default)]
    listen_only: Option<bool>,
    /// Whether the driver made an error frame of each bus error.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    reports_errors: Option<bool>,
    /// Whose clock stamped the records.
    #[serde(default)]
    clock: Option<Clock>,
    /// The program that made the capture, and its version.
    #[serde(default)]
    tool: Option<String>,
}

/// Reads the first line of a capture.
///
/// # Errors
/// What is wrong with it: not a capture, a version that is not known, a field that is missing
/// or has no meaning.
pub fn parse_header(line: &[u8]) -> Result<Header, LineError> {
    #[derive(Deserialize)]
    struct FormatTag {
        format: String,
        version: u64,
    }
    let kind: FormatTag = parse(line).map_err(|error| LineError {
        what: format!("not a dropline capture ({error})"),
        field: String::new(),
    })?;
    if kind.format != FORMAT {
        return Err(wrong("format", format!("{:?} is not {FORMAT:?}", kind.format)));
    }
    if kind.version != VERSION {
        return Err(wrong(
            "version",
            format!("{} is not known; this dropline reads version {VERSION}", kind.version),
        ));
    }
    let fields: HeaderFields = parse(line)?;
    let started: Timestamp =
        fields.started.0.parse().map_err(|_| {
            wrong("started", format!("{:?} is not a time in UTC", fields.started.0))
        })?;
    Ok(Header {
        started,
        bitrate: fields.bitrate,
        interface: fields.interface,
        listen_only: fields.listen_only,
        reports_errors: fields.reports_errors,
        clock: fields.clock,
        tool: fields.tool,
    })
}

/// Appends the first line of a capture, with its line feed.
pub fn write_header(out: &mut Vec<u8>, header: &Header) {
    write_line(
        out,
        &HeaderFields {
            format: FORMAT.into(),
            version: VERSION,
            started: Text(Cow::Owned(format!("{:.9}", header.started))),
            bitrate: header.bitrate,
            interface: header.interface.clone(),
            listen_only: header.listen_only,
            reports_errors: header.reports_errors,
            clock: header.clock,
            tool: header.tool.clone(),
        },
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error_of(line: &str) -> String {
        parse_record(line.as_bytes()).unwrap_err().to_string()
    }

    #[test]
    fn every_kind_of_line_reads_and_writes_back() {
        let lines = [
            r#"{"t_ns":512000,"id":"45D","data":"01020304"}"#,
            r#"{"t_ns":913000,"id":"45D","rtr":4}"#,
            r#"{"t_ns":940100,"id":"18FF10AA","data":""}"#,
            r#"{"t_ns":951000,"error":"00000088","data":"0000040000000000"}"#,
            r#"{"t_ns":960000,"lost":17}"#,
            r#"{"t_ns":970000,"link":"down","why":"adapter unplugged"}"#,
            r#"{"t_ns":975000,"link":"down"}"#,
            r#"{"t_ns":990000,"link":"up"}"#,
            r#"{"t_ns":-5,"mark":"press \"A\" started\n"}"#,
            r#"{"t_ns":999000,"end":{"frames":2,"error_frames":1,"lost_frames":17}}"#,
        ];
        for line in lines {
            let record = parse_record(line.as_bytes()).unwrap();
            let mut out = Vec::new();
            write_record(&mut out, &record);
            assert_eq!(String::from_utf8(out).unwrap(), format!("{line}\n"));
        }
    }

    #[test]
    fn the_header_reads_and_writes_back() {
        let line = r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00.000000000Z","bitrate":125000,"interface":"can0","listen_only":true,"clock":"kernel","tool":"dropline 0.1.0"}"#;
        let mut out = Vec::new();
        write_header(&mut out, &parse_header(line.as_bytes()).unwrap());
        assert_eq!(String::from_utf8(out).unwrap(), format!("{line}\n"));
    }

    #[test]
    fn fields_that_are_not_known_are_ignored() {
        let line = br#"{"t_ns":1,"id":"45D","data":"00","signal":[{"a":1}]}"#;
        assert!(parse_record(line).is_ok());
    }

    #[test]
    fn errors_name_the_field() {
        let cases = [
            (r#"{"id":"45D","data":"00"}"#, "t_ns: missing"),
            (r#"{"t_ns":1}"#, "no record: needs one of id, error, lost, link, mark or end"),
            (
                r#"{"t_ns":1,"id":"45D","lost":1,"data":""}"#,
                "lost: a record is one thing, this one already has id",
            ),
            (r#"{"t_ns":1,"id":"800","data":""}"#, "id: neither 000 to 7FF"),
            (r#"{"t_ns":1,"id":"0045D","data":""}"#, "id: neither 000 to 7FF"),
            (r#"{"t_ns":1,"id":"+5D","data":""}"#, "id: neither 000 to 7FF"),
            (r#"{"t_ns":1,"id":"2FFFFFFF","data":""}"#, "id: neither 000 to 7FF"),
            (r#"{"t_ns":1,"id":"45D"}"#, "data: missing"),
            (r#"{"t_ns":1,"id":"45D","data":"0"}"#, "data: an odd number of hex digits"),
            (r#"{"t_ns":1,"id":"45D","data":"0x01"}"#, "data: not hex digits"),
            (r#"{"t_ns":1,"id":"45D","data":"000000000000000000"}"#, "data: more than 8 bytes"),
            (r#"{"t_ns":1,"id":"45D","data":"00","rtr":1}"#, "rtr: a remote frame carries no data"),
            (r#"{"t_ns":1,"id":"45D","rtr":9}"#, "rtr: a length code is 0 to 8"),
            (r#"{"t_ns":1,"id":"45D","rtr":-1}"#, "rtr: invalid value"),
            (r#"{"t_ns":1.5,"id":"45D","data":""}"#, "t_ns: invalid type"),
            (r#"{"t_ns":1e400,"id":"45D","data":""}"#, "t_ns: not JSON at column"),
            (r#"{"t_ns":99999999999999999999,"id":"45D","data":""}"#, "t_ns: invalid"),
            (r#"{"t_ns":1,"error":"88","data":"0000000000000000"}"#, "error: not 00000000"),
            (r#"{"t_ns":1,"error":"00000088","data":"00"}"#, "data: an error frame has 8 bytes"),
            (r#"{"t_ns":1,"link":"sideways"}"#, "link: neither"),
            (r#"{"t_ns":1,"lost":-3}"#, "lost: invalid value"),
            (r#"{"t_ns":1,"id":7,"data":""}"#, "id: invalid type: integer `7`, expected text"),
            (r#"{"t_ns":1,"id":"45D","da"#, "the line is cut short"),
            (r#"{"t_ns":1,"id":"45D","data":""} x"#, "not JSON at column"),
            ("[1,2]", "not a JSON object"),
            ("", "the line is cut short"),
        ];
        for (line, expected) in cases {
            assert!(error_of(line).starts_with(expected), "{line}: {}", error_of(line));
        }
    }

    #[test]
    fn headers_that_are_refused() {
        let error = |line: &str| parse_header(line.as_bytes()).unwrap_err().to_string();
        assert!(error("hello").starts_with("not a dropline capture"));
        assert!(error(r#"{"version":1}"#).starts_with("not a dropline capture"));
        assert!(error(r#"{"format":"x","version":1}"#).starts_with("format: \"x\" is not"));
        assert!(
            error(r#"{"format":"dropline-capture","version":2}"#)
                .starts_with("version: 2 is not known")
        );
        assert!(
            error(r#"{"format":"dropline-capture","version":1}"#)
                .starts_with("missing field `started`")
        );
        let noon = r#"{"format":"dropline-capture","version":1,"started":"noon"}"#;
        assert!(error(noon).starts_with("started: "));
        assert!(error(r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00Z","bitrate":0}"#).starts_with("bitrate: 0 is not"));
    }
}
