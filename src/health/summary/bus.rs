//! The bus as a whole in the summary: load, identifier groups, errors.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::health::ErrorTrend;
use crate::health::evidence::KindCount;
use crate::trunk::{self, AdapterController, BusErrors, Trunk, WINDOW};
use crate::wire::{BitTime, Bitrate, Cause, ControllerState, Nanos};

/// The load of the bus by good frames; that of error frames is estimated apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoadSummary {
    /// Exact bits on the wire of every good frame, with stuff bits and interframe space.
    pub wire_bits: u64,
    /// wire_bits / (bitrate × duration_s).
    pub mean: Option<f64>,
    /// The largest load in one complete window.
    pub peak: Option<f64>,
    /// The length of a window; windows follow each other from t = 0.
    pub window_s: f64,
    /// An estimate of what the error frames took, as a share like `mean`: 20 bits each, and
    /// half a frame of mean length that was destroyed.
    pub errors_estimated: Option<f64>,
    /// The load over time, oldest first: the newest windows singly, older time coarser. Spans
    /// with no frame at all are left out.
    #[serde(default)]
    pub over_time: Vec<LoadSpan>,
}

/// The load in a span of complete windows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoadSpan {
    /// Where it begins.
    pub from_s: f64,
    /// How long it is; the last one ends with the capture.
    pub span_s: f64,
    /// Wire bits of good frames in it.
    pub wire_bits: u64,
    /// Their share of the wire.
    pub mean: Option<f64>,
    /// The largest share in one window of it; unknown for one that was cut short.
    pub peak: Option<f64>,
    /// Error frames in it.
    pub error_frames: u64,
}

/// Bits of a usual error frame: a flag of 6, its echo of up to 6, a delimiter of 8 (ISO 11898-1).
const ERROR_FRAME_BITS: f64 = 20.0;

impl LoadSummary {
    pub(super) fn new(trunk: &Trunk, bitrate: Option<Bitrate>) -> LoadSummary {
        let load = &trunk.load;
        let duration = trunk.now();
        let share = |bits: BitTime, span: Nanos| {
            bitrate.map(|rate| bits.0 as f64 / (f64::from(rate.get()) * span.as_secs()))
        };
        let spans = load.over_time().map(|span| {
            let from = Nanos(span.first.saturating_mul(WINDOW.0));
            let complete = Nanos(span.windows.saturating_mul(WINDOW.0));
            let cut_short = duration.since(from).filter(|&left| left < complete && left.0 > 0);
            let length = cut_short.unwrap_or(complete);
            LoadSpan {
                from_s: from.as_secs(),
                span_s: length.as_secs(),
                wire_bits: span.bits.0,
                mean: share(span.bits, length),
                peak: share(span.peak, WINDOW).filter(|_| cut_short.is_none()),
                error_frames: span.error_frames,
            }
        });
        let of_duration = |bits: f64| {
            bitrate
                .filter(|_| duration.0 > 0)
                .map(|rate| bits / (f64::from(rate.get()) * duration.as_secs()))
        };
        let total = load.total();
        let errors = trunk.errors.with_cause().count() as f64;
        let frame = total.0 as f64 / trunk.tally().frames.max(1) as f64;
        LoadSummary {
            wire_bits: total.0,
            mean: of_duration(total.0 as f64),
            peak: load.peak(duration).and_then(|peak| share(peak, WINDOW)),
            window_s: WINDOW.as_secs(),
            errors_estimated: of_duration(errors * (ERROR_FRAME_BITS + frame / 2.0)),
            over_time: spans.collect(),
        }
    }
}

/// Good frames by identifier group; every good frame is counted once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct GroupCounts {
    /// 000 to 3FF.
    pub group1: u64,
    /// 400 to 5FF.
    pub group2: u64,
    /// 600 to 7BF.
    pub group3: u64,
    /// 7C0 to 7EF.
    pub group4: u64,
    /// 7F0 to 7FF, never allowed.
    pub invalid: u64,
    /// 29-bit identifiers.
    pub extended: u64,
    /// Remote frames with an 11-bit identifier.
    pub remote: u64,
}

impl GroupCounts {
    pub(super) fn new(groups: &trunk::FrameGroups) -> GroupCounts {
        let [group1, group2, group3, group4] = groups.valid;
        GroupCounts {
            group1,
            group2,
            group3,
            group4,
            invalid: groups.invalid.count(),
            extended: groups.extended.count(),
            remote: groups.remote.count(),
        }
    }
}

/// Error frames, and the adapter's own controller.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorSummary {
    /// Error frames received, of every kind.
    pub frames: u64,
    /// How many name each cause; one frame can name several.
    pub causes: CauseCounts,
    /// How many are of each kind that occurred, in the words of the trade; one frame is of one.
    #[serde(default)]
    pub kinds: Vec<KindCount>,
    /// Transitions of the adapter's controller into warning.
    pub warnings: u64,
    /// Transitions into error-passive.
    pub passives: u64,
    /// Transitions into bus-off.
    pub bus_offs: u64,
    /// Restarts after bus-off.
    pub restarts: u64,
    /// The error counters as last reported.
    pub counters: ControllerCounters,
    /// The highest that each counter was reported.
    #[serde(default)]
    pub counters_highest: ControllerCounters,
    /// The controller's state at the end, if its driver reports it.
    pub controller_state: Option<ControllerState>,
    /// The latest changes of the controller's state.
    #[serde(default)]
    pub controller_path: Vec<ControllerStep>,
    /// Runs of at least five error frames, each within 0.1 s of the one before.
    #[serde(default)]
    pub bursts: u64,
    /// The burst with the most error frames.
    pub largest_burst: Option<ErrorBurst>,
    /// Whether they become more or fewer; unknown where there are too few to say.
    pub trend: Option<ErrorTrend>,
}

/// How many error frames name each cause, after linux/can/error.h.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names say it; wire::Cause has the words")]
pub struct CauseCounts {
    pub bit: u64,
    pub stuff: u64,
    pub form: u64,
    pub crc: u64,
    pub ack: u64,
    pub lost_arbitration: u64,
    pub overload: u64,
    pub receive_overflow: u64,
    pub transceiver: u64,
    pub other: u64,
}

impl CauseCounts {
    /// The causes that occurred, in words, with their counts.
    pub fn named(&self) -> impl Iterator<Item = (&'static str, u64)> {
        [
            ("bit", self.bit),
            ("stuff", self.stuff),
            ("form", self.form),
            ("CRC", self.crc),
            ("no acknowledge", self.ack),
            ("lost arbitration", self.lost_arbitration),
            ("overload", self.overload),
            ("receive overflow", self.receive_overflow),
            ("transceiver", self.transceiver),
            ("other", self.other),
        ]
        .into_iter()
        .filter(|(_, count)| *count > 0)
    }
}

/// The error counters of a controller; unknown until its driver reports them.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct ControllerCounters {
    /// Transmit error counter.
    pub transmit: Option<u8>,
    /// Receive error counter.
    pub receive: Option<u8>,
}

/// One change of the controller's state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ControllerStep {
    /// When.
    pub t_s: f64,
    /// Into which state.
    pub state: ControllerState,
}

/// Error frames close after one another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorBurst {
    /// The first one.
    pub from_s: f64,
    /// The last one.
    pub to_s: f64,
    /// How many.
    pub frames: u64,
    /// Good frames among them.
    #[serde(default)]
    pub good_frames: u64,
}

impl ErrorSummary {
    pub(super) fn new(trunk: &Trunk) -> ErrorSummary {
        let errors: &BusErrors = &trunk.errors;
        let controller: &AdapterController = &errors.controller;
        ErrorSummary {
            frames: errors.frames(),
            causes: CauseCounts {
                bit: errors.count(Cause::Bit),
                stuff: errors.count(Cause::Stuff),
                form: errors.count(Cause::Form),
                crc: errors.count(Cause::Crc),
                ack: errors.count(Cause::Ack),
                lost_arbitration: errors.count(Cause::LostArbitration),
                overload: errors.count(Cause::Overload),
                receive_overflow: errors.count(Cause::ReceiveOverflow),
                transceiver: errors.count(Cause::Transceiver),
                other: errors.count(Cause::Other),
            },
            kinds: errors.kinds().map(|(kind, errors)| KindCount { kind, errors }).collect(),
            warnings: controller.warnings().count(),
            passives: controller.passives().count(),
            bus_offs: controller.bus_offs().count(),
            restarts: controller.restarts().count(),
            counters: counters(controller.counters()),
            counters_highest: counters(controller.highest_counters()),
            controller_state: controller.state(),
            controller_path: controller
                .path()
                .map(|(t, state)| ControllerStep { t_s: t.as_secs(), state: *state })
                .collect(),
            bursts: errors.bursts(),
            largest_burst: errors.largest_burst().map(|burst| ErrorBurst {
                from_s: burst.from.as_secs(),
                to_s: burst.to.as_secs(),
                frames: burst.frames,
                good_frames: burst.good_frames,
            }),
            trend: ErrorTrend::from_bins(&trunk.disturbance_histogram.bins(trunk.now())),
        }
    }
}

fn counters(pair: Option<(u8, u8)>) -> ControllerCounters {
    let (transmit, receive) = pair.unzip();
    ControllerCounters { transmit, receive }
}
