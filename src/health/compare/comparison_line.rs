//! One line of a comparison: the quantity, its values then and now, and the judgement.

use std::fmt;

use schemars::JsonSchema;
use serde::Serialize;

use crate::fieldbus::MacId;
use crate::health::Code;

/// What a difference amounts to. In order: the last one decides over all lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Judgement {
    /// No difference that matters.
    Same,
    /// A difference that matters, for the better.
    Better,
    /// Something else than at the baseline, neither better nor worse: a new node, one that was
    /// taken off, another setting.
    Changed,
    /// Too little was measured, or it cannot be compared.
    CannotSay,
    /// A difference that matters, for the worse.
    Worse,
}

impl fmt::Display for Judgement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Judgement::Same => "same",
            Judgement::Better => "better",
            Judgement::Changed => "changed",
            Judgement::CannotSay => "cannot say",
            Judgement::Worse => "worse",
        })
    }
}

/// What is compared; the unit is in the name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// The trunk's bit rate in bits per second.
    Bitrate,
    /// The mean load, as a share of the wire.
    LoadMean,
    /// The load of the fullest second, as a share of the wire.
    LoadPeak,
    /// Error frames as a share of all frames.
    ErrorShare,
    /// Whether the node is there: frames that it sends in a second, but for address checks.
    FramesPerS,
    /// Who the node is.
    Identity,
    /// Whether there are exchanges of this kind: commands in a second.
    CommandsPerS,
    /// The sizes of the poll command in bytes.
    CommandBytes,
    /// The sizes of the poll response in bytes.
    ResponseBytes,
    /// From command to command, median.
    IntervalP50Us,
    /// The longest time without a command, also that to the end.
    PauseUs,
    /// Commands without a response, as a share of commands.
    MissedShare,
    /// Responses without a command, as a share of commands.
    UnsolicitedShare,
    /// From command to response, median.
    LatencyP50Us,
    /// From command to response, 90 of 100 are faster.
    LatencyP90Us,
    /// From command to response, 99 of 100 are faster.
    LatencyP99Us,
    /// The assemblies of a drive, sent to it and by it.
    DriveAssemblies,
    /// Whether the drive was faulted at the end.
    DriveFaulted,
    /// Whether it took run and stop from the network at the end.
    DriveControlFromNetwork,
    /// Whether it took its speed from the network at the end.
    DriveReferenceFromNetwork,
    /// A finding: how often.
    Finding,
}

/// The kind of exchange that a line is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "the names say it")]
pub enum ExchangeKind {
    Poll,
    Strobe,
    ChangeOfState,
}

impl fmt::Display for ExchangeKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ExchangeKind::Poll => "poll",
            ExchangeKind::Strobe => "strobe",
            ExchangeKind::ChangeOfState => "change of state",
        })
    }
}

/// What was measured.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum ComparedValue {
    /// A number, in the unit of [`Quantity`].
    Number(f64),
    /// Each size seen.
    Bytes(Vec<u16>),
    /// In words.
    Text(String),
}

/// One thing compared.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ComparisonLine {
    /// The node that it is about; `null`: the trunk.
    pub mac_id: Option<MacId>,
    /// What the node is called, if anything tells.
    pub name: Option<String>,
    /// The kind of exchange, where it is about exchanges.
    pub exchange: Option<ExchangeKind>,
    /// The finding, where it is about one.
    pub finding: Option<Code>,
    /// What is compared.
    #[serde(rename = "what")]
    pub quantity: Quantity,
    /// At the baseline; `null`: there was none.
    pub then: Option<ComparedValue>,
    /// Now; `null`: there is none.
    pub now: Option<ComparedValue>,
    /// Now less then, of numbers.
    pub difference: Option<f64>,
    /// What of it newcomers and leavers explain, by the exact bits of their frames; of loads.
    pub explained: Option<f64>,
    /// A difference up to this does not matter.
    pub allowed: Option<f64>,
    /// The least that the true difference is, given chance: at 99.9 % for latencies and
    /// intervals, at 95 % for shares.
    pub difference_low: Option<f64>,
    /// The most that it is.
    pub difference_high: Option<f64>,
    /// Of shares: how likely chance makes so great a difference, corrected for the number of
    /// shares compared.
    pub p_value: Option<f64>,
    /// Whether it matters.
    pub judgement: Judgement,
    /// Why, in words; empty where the numbers say it.
    pub why: String,
}

impl ComparisonLine {
    /// A line about the trunk, the same until it is judged.
    pub(super) fn new(
        quantity: Quantity,
        then: Option<ComparedValue>,
        now: Option<ComparedValue>,
    ) -> ComparisonLine {
        let difference = match (&then, &now) {
            (Some(ComparedValue::Number(then)), Some(ComparedValue::Number(now))) => {
                Some(now - then)
            }
            _ => None,
        };
        ComparisonLine {
            mac_id: None,
            name: None,
            exchange: None,
            finding: None,
            quantity,
            then,
            now,
            difference,
            explained: None,
            allowed: None,
            difference_low: None,
            difference_high: None,
            p_value: None,
            judgement: Judgement::Same,
            why: String::new(),
        }
    }

    /// A line about two numbers.
    pub(super) fn from_numbers(quantity: Quantity, then: f64, now: f64) -> ComparisonLine {
        ComparisonLine::new(
            quantity,
            Some(ComparedValue::Number(then)),
            Some(ComparedValue::Number(now)),
        )
    }

    /// Whether the line cannot be judged although something has probably changed: the difference
    /// is beyond the tolerance, and chance hardly explains it.
    fn is_doubtful(&self) -> bool {
        if self.judgement != Judgement::CannotSay {
            return false;
        }
        let (Some(by), Some(allowed)) = (self.difference, self.allowed) else { return true };
        let end = if by > 0.0 { self.difference_low } else { self.difference_high };
        let is_likely = match (self.p_value, end) {
            (Some(p), _) => p < LIKELY,
            (None, Some(end)) => by.abs() > LIKELY_REACH * (by - end).abs(),
            (None, None) => true,
        };
        by.abs() > allowed && is_likely
    }

    /// The line with its judgement, and why.
    pub(super) fn judged(mut self, judgement: Judgement, why: impl Into<String>) -> ComparisonLine {
        self.judgement = judgement;
        self.why = why.into();
        self
    }
}

/// Below this probability of chance a difference is likely, though not sure.
const LIKELY: f64 = 0.05;

/// The same for a range: that of 95 % as a share of that of 99.9 %, by the normal deviates.
const LIKELY_REACH: f64 = 1.96 / 3.29;

/// How many lines have each judgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, JsonSchema)]
#[allow(missing_docs, reason = "the names say it")]
pub struct JudgementCounts {
    pub worse: usize,
    pub better: usize,
    pub changed: usize,
    pub same: usize,
    pub cannot_say: usize,
}

impl JudgementCounts {
    pub(super) fn new(lines: &[ComparisonLine]) -> JudgementCounts {
        let count = |judgement| lines.iter().filter(|line| line.judgement == judgement).count();
        JudgementCounts {
            worse: count(Judgement::Worse),
            better: count(Judgement::Better),
            changed: count(Judgement::Changed),
            same: count(Judgement::Same),
            cannot_say: count(Judgement::CannotSay),
        }
    }
}

/// The judgement over all lines: worse if one is. It cannot be judged if something may well have
/// changed, or for most lines.
pub(super) fn overall(lines: &[ComparisonLine]) -> Judgement {
    let counts = JudgementCounts::new(lines);
    if counts.worse > 0 {
        Judgement::Worse
    } else if lines.iter().any(ComparisonLine::is_doubtful) || 2 * counts.cannot_say >= lines.len()
    {
        Judgement::CannotSay
    } else if counts.changed > 0 {
        Judgement::Changed
    } else if counts.better > 0 {
        Judgement::Better
    } else {
        Judgement::Same
    }
}
