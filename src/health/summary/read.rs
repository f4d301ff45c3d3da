//! Reading a summary back, of this version or an older one.

use std::fmt;

use serde::de::value::MapAccessDeserializer;
use serde::de::{IgnoredAny, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};

use super::Summary;
use crate::health::{Condition, Evidence, Verdict};

/// Why a text is no summary that can be read.
#[derive(Debug, thiserror::Error)]
pub enum SummaryError {
    /// It is no JSON object that says it is a summary.
    #[error("not a dropline summary")]
    NotASummary,
    /// It is of a version that this program does not know.
    #[error(
        "a summary of version {0}, this dropline reads versions 1 and {known}; use a newer \
         dropline",
        known = Summary::VERSION
    )]
    Version(u64),
    /// It says that it is a summary, but not of which version.
    #[error("a damaged summary: it names no version")]
    NoVersion,
    /// It is not JSON, or breaks off.
    #[error("a damaged summary: {0}")]
    NotJson(serde_json::Error),
    /// A field is missing or does not have a value that it may have.
    #[error("a damaged summary: {0}")]
    Field(serde_path_to_error::Error<serde_json::Error>),
}

/// What is read first: what kind of file it is.
#[derive(Deserialize)]
struct Head {
    format: Option<String>,
    version: Option<u64>,
    verdict: Option<IgnoredAny>,
}

impl Summary {
    /// Reads a summary of this version or of version 1, which becomes one of this version.
    /// Unknown fields are ignored. Fields that were added to a version later have their values
    /// for "unknown" or "none" if they are missing.
    ///
    /// # Errors
    /// If it is no summary, is of another version, or lacks a promised field: which, and where.
    pub fn from_json(json: &[u8]) -> Result<Summary, SummaryError> {
        let head: Head = match serde_json::from_slice(json) {
            Ok(head) => head,
            Err(error) if names_itself(json) => return Err(SummaryError::NotJson(error)),
            Err(_) => return Err(SummaryError::NotASummary),
        };
        if head.format.as_deref() != Some(Self::FORMAT) {
            return Err(SummaryError::NotASummary);
        }
        let sentences = match head.version.ok_or(SummaryError::NoVersion)? {
            1 => {
                let old: Version1 = parse(json)?;
                old.findings.into_iter().map(|finding| finding.evidence).collect()
            }
            version if version == u64::from(Self::VERSION) => Vec::new(),
            version => return Err(SummaryError::Version(version)),
        };
        let mut summary: Summary = parse(json)?;
        summary.version = Self::VERSION;
        for (finding, sentence) in summary.findings.iter_mut().zip(sentences) {
            finding.text = sentence;
        }
        for finding in summary.findings.iter_mut().filter(|finding| finding.text.is_empty()) {
            finding.text = finding.evidence.as_ref().map(Evidence::to_string).unwrap_or_default();
        }
        if head.verdict.is_none() {
            summary.verdict =
                Verdict::new(summary.findings.iter().map(|found| (found.code, found.severity)));
        }
        Ok(summary)
    }
}

/// What version 1 had in another place: the sentence of each finding.
#[derive(Deserialize)]
struct Version1 {
    findings: Vec<Version1Finding>,
}

#[derive(Deserialize)]
struct Version1Finding {
    evidence: String,
}

fn parse<'j, T: Deserialize<'j>>(json: &'j [u8]) -> Result<T, SummaryError> {
    serde_path_to_error::deserialize(&mut serde_json::Deserializer::from_slice(json))
        .map_err(SummaryError::Field)
}

/// Reads the evidence of a finding; `None` for the sentence that it was in version 1.
pub(super) fn evidence<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<Evidence>, D::Error> {
    struct EvidenceVisitor;

    impl<'de> Visitor<'de> for EvidenceVisitor {
        type Value = Option<Evidence>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("evidence with its kind")
        }

        fn visit_unit<E>(self) -> Result<Self::Value, E> {
            Ok(None)
        }

        fn visit_str<E>(self, _: &str) -> Result<Self::Value, E> {
            Ok(None)
        }

        fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Self::Value, A::Error> {
            Evidence::deserialize(MapAccessDeserializer::new(map)).map(Some)
        }
    }

    deserializer.deserialize_any(EvidenceVisitor)
}

/// Whether a file that is no whole JSON is meant as a summary.
fn names_itself(json: &[u8]) -> bool {
    let start = &json[..json.len().min(4096)];
    String::from_utf8_lossy(start).contains(Summary::FORMAT)
}

/// Stands in for a missing verdict until the findings have been read.
pub(super) fn no_verdict() -> Verdict {
    Verdict { state: Condition::CannotTell, faults: 0, warnings: 0, notes: 0 }
}

#[cfg(test)]
mod tests {
    use serde::Serialize;
    use serde_json::json;

    use super::*;
    use crate::fieldbus::{Choice, WatchdogAction};
    use crate::trunk::ClashOutcome;
    use crate::wire::{Clock, ControllerState};

    /// The least that version 1 promises, as its first writers wrote it.
    const PLAIN: &str = r#"{
  "format": "dropline-summary", "version": 1,
  "source": {"kind": "capture", "name": "line3.jsonl", "started": "2026-03-02T06:30:00Z",
             "duration_s": 60.0, "bitrate": 125000, "complete": true,
             "frames": 9000, "error_frames": 3, "lost_frames": 0,
             "unreadable_lines": 0, "clock_steps": 0, "link_downs": 0},
  "load": {"wire_bits": 812345, "mean": 0.108, "peak": 0.131, "window_s": 1.0},
  "groups": {"group1": 4500, "group2": 4480, "group3": 0, "group4": 0,
             "invalid": 0, "extended": 0, "remote": 0},
  "nodes": [{"mac_id": 12, "frames_sent": 3000, "first_seen_s": 0.01, "last_seen_s": 59.99,
             "identity": {"vendor_id": 900, "serial": 19088743, "device_type": 2,
                          "product_code": 17, "major_revision": 2, "minor_revision": 3},
             "poll": {"commands": 3000, "responses": 2998, "missed": 2, "unsolicited": 0,
                      "uncertain": 0, "command_bytes": [4], "response_bytes": [4],
                      "latency_us": {"count": 2998, "min": 810, "mean": 1022.5, "p50": 990,
                                     "p90": 1500, "p99": 2100, "p999": 3000, "max": 3103},
                      "interval_us": {"count": 2999, "min": 19800, "mean": 20000.1, "p50": 20000,
                                      "p90": 20100, "p99": 20150, "p999": 20200, "max": 20210}},
             "address_check_requests": 2, "address_check_responses": 0, "restarts": 0}],
  "address_clashes": [{"t_s": 12.5, "mac_id": 12, "outcome": "refused",
                       "holder": {"vendor_id": 900, "serial": 19088743},
                       "newcomer": {"vendor_id": 900, "serial": 305419896}}],
  "errors": {"frames": 3, "causes": {"bit": 0, "stuff": 2, "form": 0, "crc": 0, "ack": 1,
             "lost_arbitration": 0, "overload": 0, "receive_overflow": 0, "transceiver": 0,
             "other": 0},
             "warnings": 1, "passives": 0, "bus_offs": 0, "restarts": 0,
             "counters": {"transmit": 0, "receive": 96}},
  "findings": [{"code": "address-clash", "severity": "fault", "mac_id": 12, "count": 1,
                "first_s": 12.5, "last_s": 12.5, "evidence": "refused once", "check": ["…"]}]
}"#;

    #[test]
    fn the_least_of_version_1_is_read() {
        let summary = Summary::from_json(PLAIN.as_bytes()).unwrap();
        let poll = &summary.nodes[0].poll;
        assert_eq!((poll.exchange.missed, poll.exchange.latency_us.p50), (2, Some(990.0)));
        assert_eq!(poll.exchange.latency_us.p50_range.low, None);
        assert_eq!((summary.verdict.state, summary.verdict.faults), (Condition::NotWell, 1));
        assert!(summary.load.over_time.is_empty());
        let finding = &summary.findings[0];
        assert_eq!((finding.text.as_str(), &finding.evidence), ("refused once", &None));
        assert_eq!(summary.version, Summary::VERSION);
    }

    #[test]
    fn what_was_written_is_read_back() {
        let summary = Summary::from_json(PLAIN.as_bytes()).unwrap();
        assert_eq!(Summary::from_json(summary.to_json().as_bytes()).unwrap(), summary);
    }

    /// The words are those of version 1, where these fields were text.
    #[test]
    fn types_have_the_words_of_version_1() {
        fn words<T: Serialize>(values: &[T]) -> serde_json::Value {
            serde_json::to_value(values).unwrap()
        }
        let allocated = Choice::POLL.with(Choice::CHANGE_OF_STATE).with(Choice::NO_ACKNOWLEDGE);
        let names = ["poll", "change of state", "acknowledge suppressed"];
        assert_eq!(words(&[allocated]), json!([names]));
        assert_eq!(serde_json::from_value::<[Choice; 1]>(json!([names])).unwrap(), [allocated]);
        let states = [
            ControllerState::Active,
            ControllerState::Warning,
            ControllerState::Passive,
            ControllerState::BusOff,
        ];
        assert_eq!(words(&states), json!(["error-active", "warning", "error-passive", "bus-off"]));
        assert_eq!(words(&states), words(&states.map(|state| state.to_string())));
        let actions = [0, 1, 2, 3].map(|value| WatchdogAction::from_value(value).unwrap());
        let names = ["time out", "delete itself", "reset itself", "delete itself later"];
        assert_eq!(words(&actions), json!(names));
        assert_eq!(words(&actions), words(&actions.map(|action| action.to_string())));
        let outcomes = [ClashOutcome::Refused, ClashOutcome::Contested];
        assert_eq!(words(&outcomes), json!(["refused", "contested"]));
        let clocks = [Clock::Hardware, Clock::Kernel, Clock::Simulated, Clock::Imported];
        assert_eq!(words(&clocks), words(&clocks.map(|clock| clock.to_string())));
    }

    #[test]
    fn a_field_from_the_future_is_ignored() {
        let json = PLAIN.replace(r#""frames": 9000,"#, r#""frames": 9000, "tide": {"high": 1},"#);
        assert!(Summary::from_json(json.as_bytes()).is_ok());
    }

    #[test]
    fn what_cannot_be_read_says_why_in_one_line() {
        let cases = [
            ("{}".to_string(), "not a dropline summary"),
            ("[1]".to_string(), "not a dropline summary"),
            (r#"["dropline-summary", 1, null]"#.to_string(), "a damaged summary: "),
            (
                PLAIN.replace("\"version\": 1", "\"version\": 3"),
                "a summary of version 3, this dropline reads versions 1 and 2; use a newer dropline",
            ),
            (PLAIN[..900].to_string(), "a damaged summary: EOF while parsing"),
            (
                PLAIN.replace("\"frames\": 9000,", ""),
                "a damaged summary: source: missing field `frames`",
            ),
            (
                PLAIN.replace(
                    "\"mac_id\": 12, \"frames_sent\"",
                    "\"mac_id\": 1200, \"frames_sent\"",
                ),
                "a damaged summary: nodes[0].mac_id: 1200 is not an address from 0 to 63",
            ),
            (
                PLAIN.replace("\"mac_id\": 12, \"frames_sent\"", "\"mac_id\": 64, \"frames_sent\""),
                "a damaged summary: nodes[0].mac_id: 64 is not an address from 0 to 63",
            ),
            (
                PLAIN.replace("\"bitrate\": 125000", "\"bitrate\": 0"),
                "a damaged summary: source.bitrate: 0 is not a bit rate from 1 to 1000000",
            ),
            (
                PLAIN.replace("\"bitrate\"", "\"clock\": \"sundial\", \"bitrate\""),
                "a damaged summary: source.clock: unknown variant `sundial`",
            ),
            (
                PLAIN.replace("\"2026-03-02T06:30:00Z\"", "\"a Monday\""),
                "a damaged summary: source.started: ",
            ),
            (
                PLAIN.replace("\"restarts\": 0}]", "\"restarts\": 0, \"allocated\": [\"pole\"]}]"),
                "a damaged summary: nodes[0].allocated: no predefined connection is named \"pole\"",
            ),
            (
                PLAIN.replace("\"refused once\"", "7"),
                "a damaged summary: findings[0].evidence: invalid type",
            ),
        ];
        for (json, expected) in cases {
            let message = Summary::from_json(json.as_bytes()).unwrap_err().to_string();
            assert!(message.starts_with(expected), "{message}");
            assert!(!message.contains('\n'));
        }
    }
}
