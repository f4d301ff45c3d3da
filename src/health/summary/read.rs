//! Reading a summary back, of this version or an older one.

use serde::Deserialize;
use serde::de::IgnoredAny;
use serde_json::Value;

use super::Summary;
use crate::health::{Condition, Verdict};

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
        let mut summary: Summary = match head.version.ok_or(SummaryError::NoVersion)? {
            1 => {
                let old = serde_json::from_slice(json).map_err(SummaryError::NotJson)?;
                serde_path_to_error::deserialize(upgraded(old))
            }
            version if version == u64::from(Self::VERSION) => {
                serde_path_to_error::deserialize(&mut serde_json::Deserializer::from_slice(json))
            }
            version => return Err(SummaryError::Version(version)),
        }
        .map_err(SummaryError::Field)?;
        if head.verdict.is_none() {
            summary.verdict =
                Verdict::new(summary.findings.iter().map(|found| (found.code, found.severity)));
        }
        Ok(summary)
    }
}

/// A summary of version 1 as one of version 2: there a finding's evidence was the sentence alone.
fn upgraded(mut summary: Value) -> Value {
    if let Some(version) = summary.get_mut("version") {
        *version = Summary::VERSION.into();
    }
    let findings = summary.get_mut("findings").and_then(Value::as_array_mut);
    for finding in findings.into_iter().flatten().filter_map(Value::as_object_mut) {
        if let Some(sentence) = finding.remove("evidence") {
            finding.insert("text".to_string(), sentence);
        }
    }
    summary
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
    use super::*;

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
                "a damaged summary: nodes[0].mac_id: invalid value",
            ),
        ];
        for (json, expected) in cases {
            let message = Summary::from_json(json.as_bytes()).unwrap_err().to_string();
            assert!(message.starts_with(expected), "{message}");
            assert!(!message.contains('\n'));
        }
    }
}
