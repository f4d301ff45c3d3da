//! The acceptance of a newcomer: a node that the baseline does not have, point by point, each with
//! what was measured, its limit and whether it passes.

use schemars::JsonSchema;
use serde::Serialize;

use crate::fieldbus::MacId;
use crate::health::Code;

/// A node that the baseline does not have, or that was expected to be new.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Acceptance {
    /// Its address.
    pub mac_id: MacId,
    /// What it is called, if anything tells.
    pub name: Option<String>,
    /// Whether it was named as the newcomer.
    pub expected: bool,
    /// Over all points: fail if one fails; not seen if one that is required was not seen.
    pub result: AcceptanceResult,
    /// Each point.
    pub points: Vec<AcceptancePoint>,
}

/// One point of an acceptance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AcceptancePoint {
    /// What is looked at.
    pub point: Point,
    /// Whether it passes.
    pub result: AcceptanceResult,
    /// Whether it must have been seen. Not all of them can be: a drive may not be asked to run.
    pub required: bool,
    /// What was measured, in words.
    pub measured: String,
    /// What it is held to, in words.
    pub limit: String,
}

/// How a point came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AcceptanceResult {
    /// It is as it should be.
    Pass,
    /// It is not.
    Fail,
    /// Too little was heard to say.
    NotSeen,
}

impl AcceptanceResult {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            AcceptanceResult::Pass => "pass",
            AcceptanceResult::Fail => "FAIL",
            AcceptanceResult::NotSeen => "not seen",
        }
    }
}

/// What an acceptance looks at, in the order in which a node comes on line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Point {
    /// It sends, and did not at the baseline.
    OnLine,
    /// Nobody else has or wants its address.
    Address,
    /// It is the device that plan and data sheet say.
    Device,
    /// A master allocated its connections, once.
    Allocation,
    /// It is polled, or asked otherwise, as often as planned.
    Scan,
    /// It answers.
    Answers,
    /// Its answers come in time.
    AnswerTime,
    /// I/O has the right sizes both ways.
    IoSizes,
    /// It neither leaves nor restarts, and no connection times out.
    Presence,
    /// It runs when it is asked to.
    DriveRun,
    /// No error frames come with it, and it does not fill the bus.
    Errors,
    /// Everybody else is as at the baseline.
    Others,
}

impl Point {
    /// In words.
    pub const fn title(self) -> &'static str {
        match self {
            Point::OnLine => "on line",
            Point::Address => "address",
            Point::Device => "device",
            Point::Allocation => "allocation",
            Point::Scan => "scan",
            Point::Answers => "answers",
            Point::AnswerTime => "answer time",
            Point::IoSizes => "I/O sizes",
            Point::Presence => "presence",
            Point::DriveRun => "drive run",
            Point::Errors => "errors",
            Point::Others => "the others",
        }
    }

    /// The point that a finding about the newcomer fails; `None`: it is about none.
    pub(super) fn of(code: Code) -> Option<Point> {
        Some(match code {
            Code::NeverAnswered | Code::NodeMissing => Point::OnLine,
            Code::AddressClash | Code::TwoAnswer => Point::Address,
            Code::IdentityDiffers
            | Code::RevisionDiffers
            | Code::NodeUnplanned
            | Code::DataSheetMissing
            | Code::DataSheetProduct
            | Code::DataSheetRevision
            | Code::DataSheetFaulty => Point::Device,
            Code::NeverAllocated | Code::AllocatedAgain | Code::RequestsRefused => {
                Point::Allocation
            }
            Code::NotPolled | Code::IntervalOverPlan => Point::Scan,
            Code::MissedPolls | Code::EmptyAnswers => Point::Answers,
            Code::SlowAnswers => Point::AnswerTime,
            Code::ResponseSize | Code::CommandSize | Code::IoSizeDiffers | Code::DataSheetSize => {
                Point::IoSizes
            }
            Code::NodeLeft
            | Code::NodeRestarted
            | Code::DeviceReplaced
            | Code::NodeBusOff
            | Code::PacketRateShort
            | Code::ConnectionTimedOut => Point::Presence,
            Code::DriveNotFollowing
            | Code::DriveFaulted
            | Code::DriveControlElsewhere
            | Code::DriveControlNotAsked
            | Code::DriveAssemblyPair
            | Code::DriveSpeedElsewhere
            | Code::DriveBothDirections
            | Code::DriveRunHeld
            | Code::DriveNotReady => Point::DriveRun,
            Code::ErrorsStrikeNode
            | Code::ErrorsWithDrive
            | Code::NodeFloods
            | Code::DenseBursts => Point::Errors,
            // About the trunk or the measurement.
            Code::NothingHeard
            | Code::NothingUnderstood
            | Code::BusOff
            | Code::BusErrors
            | Code::LoadHigh
            | Code::InvalidIdentifier
            | Code::ForeignFrames
            | Code::FramesLost
            | Code::LinkDown
            | Code::CaptureCutOff
            | Code::CaptureDamaged
            | Code::ClockStepped
            | Code::BitRateUnknown
            | Code::ErrorsNotReported
            | Code::PollingStopped
            | Code::MasterIdle
            | Code::ScanTooShort
            | Code::SeveralAtOnce
            | Code::ErrorsWithLength
            | Code::ErrorsInRhythm
            | Code::AloneOnTheWire
            | Code::LoadOverPlan => return None,
        })
    }
}

impl AcceptancePoint {
    pub(super) fn new(
        point: Point,
        result: AcceptanceResult,
        measured: impl Into<String>,
        limit: impl Into<String>,
    ) -> AcceptancePoint {
        let (measured, limit) = (measured.into(), limit.into());
        AcceptancePoint { point, result, required: true, measured, limit }
    }

    pub(super) fn pass(
        point: Point,
        measured: impl Into<String>,
        limit: impl Into<String>,
    ) -> Self {
        AcceptancePoint::new(point, AcceptanceResult::Pass, measured, limit)
    }

    pub(super) fn fail(
        point: Point,
        measured: impl Into<String>,
        limit: impl Into<String>,
    ) -> Self {
        AcceptancePoint::new(point, AcceptanceResult::Fail, measured, limit)
    }

    pub(super) fn not_seen(
        point: Point,
        measured: impl Into<String>,
        limit: impl Into<String>,
    ) -> Self {
        AcceptancePoint::new(point, AcceptanceResult::NotSeen, measured, limit)
    }
}

/// Over all points.
pub(super) fn over_all(points: &[AcceptancePoint]) -> AcceptanceResult {
    if points.iter().any(|point| point.result == AcceptanceResult::Fail) {
        AcceptanceResult::Fail
    } else if points.iter().any(|p| p.required && p.result == AcceptanceResult::NotSeen) {
        AcceptanceResult::NotSeen
    } else {
        AcceptanceResult::Pass
    }
}
