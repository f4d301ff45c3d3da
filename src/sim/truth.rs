//! The truth of a simulation, as JSON: what the summary of its capture must say, and why.

use serde::Serialize;

use crate::fieldbus::{DeviceId, MacId};
use crate::wire::{Frame, Id};

use super::exchanges::{ExchangeTotals, ExchangeTruth, Purpose};
use super::scenario::Scenario;

/// The truth of a simulation. Fields of the same name as in the summary count the same.
#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    format: &'static str,
    version: u32,
    /// What the scenario calls the trunk.
    pub trunk: String,
    /// The seed that it ran with.
    pub seed: u64,
    /// Which faults were on, and when.
    pub faults: Vec<FaultTime>,
    /// How much there is.
    pub source: SourceTruth,
    /// How loaded the bus was.
    pub load: LoadTruth,
    /// Frames by identifier group.
    pub groups: Groups,
    /// Each node that was heard.
    pub nodes: Vec<NodeTruth>,
    /// Two devices with one address.
    pub address_clashes: Vec<ClashTruth>,
    /// Frames that were destroyed, and the adapter's own state.
    pub errors: ErrorTruth,
    /// How often the master was not through with a scan when the next was due.
    pub scan_overruns: u64,
    /// What the devices did, in order.
    pub doings: Vec<Doing>,
    /// Each exchange in the capture.
    pub exchanges: Vec<ExchangeTruth>,
}

/// A fault and when it was on.
#[derive(Debug, Clone, Serialize)]
pub struct FaultTime {
    /// Its kind, as in the scenario.
    pub kind: String,
    /// The nodes that it names.
    pub mac_ids: Vec<MacId>,
    /// When it began.
    pub from_ns: Option<i64>,
    /// When it ended.
    pub until_ns: Option<i64>,
}

/// How much there is.
#[derive(Debug, Clone, Default, Serialize)]
pub struct SourceTruth {
    /// Bits per second.
    pub bitrate: u32,
    /// How long it was watched.
    pub duration_ns: i64,
    /// Good frames in the capture.
    pub frames: u64,
    /// Error frames in the capture.
    pub error_frames: u64,
    /// Frames that the adapter lost.
    pub lost_frames: u64,
    /// How often the adapter's link went down.
    pub link_downs: u64,
}

/// How loaded the bus was.
#[derive(Debug, Clone, Default, Serialize)]
pub struct LoadTruth {
    /// Bits of all good frames in the capture, with their interframe space.
    pub wire_bits: u64,
    /// The most in one whole window of a second; unknown when there was none.
    pub peak_bits: Option<u64>,
    /// Each window of a second, from the start; the last may be cut short.
    pub window_bits: Vec<u64>,
}

/// Frames by identifier group.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Groups {
    /// 000 to 3FF.
    pub group1: u64,
    /// 400 to 5FF.
    pub group2: u64,
    /// 600 to 7BF.
    pub group3: u64,
    /// 7C0 to 7EF.
    pub group4: u64,
    /// 7F0 to 7FF.
    pub invalid: u64,
    /// 29-bit identifiers.
    pub extended: u64,
    /// Remote frames.
    pub remote: u64,
}

impl Groups {
    pub(super) fn add(&mut self, frame: &Frame, purpose: &Purpose) {
        self.remote += u64::from(frame.is_remote());
        let counter = match (purpose, frame.id()) {
            (Purpose::Response { .. }, _) => &mut self.group1,
            (Purpose::ToolRequest { .. } | Purpose::ToolReply { .. }, _) => &mut self.group3,
            (Purpose::Stray, Id::Extended(_)) => &mut self.extended,
            // What belongs to nobody may be anywhere. Ranges: IEC 62026-3.
            (Purpose::Stray, Id::Standard(id)) => match id.as_raw() {
                0x000..=0x3FF => &mut self.group1,
                0x400..=0x5FF => &mut self.group2,
                0x600..=0x7BF => &mut self.group3,
                0x7C0..=0x7EF => &mut self.group4,
                _ => &mut self.invalid,
            },
            _ => &mut self.group2,
        };
        *counter += 1;
    }
}

/// One node as it was heard.
#[derive(Debug, Clone, Serialize)]
pub struct NodeTruth {
    /// Its address.
    pub mac_id: MacId,
    /// Frames that it sent, as far as identifiers tell.
    pub frames_sent: u64,
    /// The end of its first frame.
    pub first_seen_ns: Option<i64>,
    /// The end of its last frame.
    pub last_seen_ns: Option<i64>,
    /// Requests for this address.
    pub address_check_requests: u64,
    /// Responses that defend it.
    pub address_check_responses: u64,
    /// Heartbeats.
    pub heartbeats: u64,
    /// How often it ran its check again after it had been on line.
    pub restarts: u64,
    /// Its polls.
    pub poll: Option<ExchangeTotals>,
    /// Its strobes.
    pub strobe: Option<ExchangeTotals>,
    /// Its multicast polls.
    pub multicast_poll: Option<ExchangeTotals>,
    /// Its change of state or cyclic data.
    pub change_of_state: Option<ExchangeTotals>,
}

impl NodeTruth {
    pub(super) fn new(mac_id: MacId) -> NodeTruth {
        NodeTruth {
            mac_id,
            frames_sent: 0,
            first_seen_ns: None,
            last_seen_ns: None,
            address_check_requests: 0,
            address_check_responses: 0,
            heartbeats: 0,
            restarts: 0,
            poll: None,
            strobe: None,
            multicast_poll: None,
            change_of_state: None,
        }
    }
}

/// Two devices with one address.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ClashTruth {
    /// When the newcomer first asked.
    pub t_ns: i64,
    /// The address.
    pub mac_id: MacId,
    /// `refused` or `contested`.
    pub outcome: &'static str,
    /// Who had it.
    pub holder: DeviceId,
    /// Who wanted it.
    pub newcomer: DeviceId,
}

/// Frames that were destroyed, and the adapter's own state.
#[derive(Debug, Clone, Default, Serialize)]
pub struct ErrorTruth {
    /// Error frames in the capture, those that only tell a state too.
    pub frames: u64,
    /// What they name.
    pub causes: Causes,
    /// How often the adapter's controller came to warning, from below or from above.
    pub warnings: u64,
    /// How often it came to error-passive.
    pub passives: u64,
    /// Its transmit and receive counters as last told; unknown where no error frame told them.
    pub counters: Option<[u8; 2]>,
    /// Each destroyed frame.
    pub events: Vec<ErrorEvent>,
}

/// What error frames name.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Causes {
    /// Six equal bits.
    pub stuff: u64,
    /// A fixed bit had the other value.
    pub form: u64,
    /// At the CRC sequence or delimiter.
    pub crc: u64,
    /// At the ACK slot.
    pub ack: u64,
    /// The adapter's buffer overflowed.
    pub receive_overflow: u64,
}

impl Causes {
    pub(super) fn add(&mut self, name: &str) {
        *match name {
            "stuff" => &mut self.stuff,
            "form" => &mut self.form,
            "crc" => &mut self.crc,
            _ => &mut self.ack,
        } += 1;
    }
}

/// One destroyed frame.
#[derive(Debug, Clone, Serialize)]
pub struct ErrorEvent {
    /// When the adapter noticed.
    pub t_ns: i64,
    /// Whether it is in the capture.
    pub recorded: bool,
    /// What a listener calls it.
    pub heard_as: &'static str,
    /// Where, as linux/can/error.h numbers it.
    pub place: u8,
    /// What really did it: a fault of the scenario, or what follows from one.
    pub cause: String,
    /// Whose frame it was.
    pub victims: Vec<Device>,
    /// What the frame was for.
    pub destroyed: String,
}

/// Something that a device did.
#[derive(Debug, Clone, Serialize)]
pub struct Doing {
    /// When.
    pub t_ns: i64,
    /// Which device.
    #[serde(flatten)]
    pub device: Device,
    /// What.
    pub what: &'static str,
    /// More about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
}

impl Truth {
    pub(super) fn new(scenario: &Scenario, seed: u64) -> Truth {
        let faults = scenario.faults.iter().map(|fault| FaultTime {
            kind: fault.kind.name().to_owned(),
            mac_ids: fault.kind.mac_ids(),
            from_ns: None,
            until_ns: None,
        });
        Truth {
            format: "dropline-truth",
            version: 1,
            trunk: scenario.trunk.name.clone(),
            seed,
            faults: faults.collect(),
            source: SourceTruth { bitrate: scenario.trunk.bitrate.get(), ..Default::default() },
            load: LoadTruth::default(),
            groups: Groups::default(),
            nodes: Vec::new(),
            address_clashes: Vec::new(),
            errors: ErrorTruth::default(),
            scan_overruns: 0,
            doings: Vec::new(),
            exchanges: Vec::new(),
        }
    }
}

/// A device, named for the truth; those that only talk have no address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Device {
    /// Its address.
    pub mac_id: Option<MacId>,
    /// Maker and serial number.
    pub device: Option<DeviceId>,
}

/// Why a frame was destroyed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TrueCause {
    /// This fault of the scenario did it.
    Fault(usize),
    /// Two devices sent different frames under one identifier at once.
    Collision,
    /// Nobody was there to acknowledge it.
    NoAcknowledge,
}

pub(super) fn cause_name(cause: TrueCause, faults: &[FaultTime]) -> String {
    match cause {
        TrueCause::Fault(index) => faults.get(index).map_or_else(String::new, |f| f.kind.clone()),
        TrueCause::Collision => "collision".to_string(),
        TrueCause::NoAcknowledge => "no-acknowledge".to_string(),
    }
}
