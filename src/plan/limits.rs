//! Every limit that a plan can be held against, with its value, and whether it is kept.

use schemars::JsonSchema;
use serde::Serialize;

use super::cable::{
    CLASS_2_A, LEAST_DEVICE_V, LONGEST_DROP_M, MOST_COMMON_MODE_V, MOST_DEVICE_V,
    MOST_DIFFERENCE_V, MOST_TRUNK_DROP_V, longest_trunk, most_drop_current_a, most_drops_m,
};
use super::model::{Cable, Cabling, Plan};
use super::supply::Network;
use super::traffic::Traffic;
use crate::wire::Bitrate;

/// One limit and how the plan stands to it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Limit {
    /// Its name for programs.
    pub code: &'static str,
    /// What is limited, in words, with the place.
    pub what: String,
    /// The plan's value; null where it has no bound.
    pub value: Option<f64>,
    /// The limit.
    pub limit: f64,
    /// Whether the value may be at most the limit, or must be at least that.
    pub side: Side,
    /// The unit of both.
    pub unit: &'static str,
    /// Whether it is kept.
    pub verdict: LimitVerdict,
    /// Where the limit comes from.
    pub source: &'static str,
    /// What to do where it is not kept.
    pub advice: &'static str,
}

/// Which side of a limit is the good one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The value may be at most the limit.
    AtMost,
    /// The value must be at least the limit.
    AtLeast,
    /// The value must be the limit.
    Exactly,
}

/// How a limit stands, the best first.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema, clap::ValueEnum,
)]
#[serde(rename_all = "lowercase")]
pub enum LimitVerdict {
    /// Kept, with more than a tenth to spare.
    #[value(skip)]
    Kept,
    /// Kept, with less than a tenth to spare.
    Tight,
    /// Not kept.
    Broken,
}

impl LimitVerdict {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            LimitVerdict::Kept => "kept",
            LimitVerdict::Tight => "tight",
            LimitVerdict::Broken => "broken",
        }
    }
}

const STANDARD: &str = "IEC 62026-3, figures as in published installation guides";
const MAKER: &str = "the plan: what the cable's maker says";
const GUIDE: &str = "controller user's guide (motion controller, Rev. E), p. 123";
const PRACTICE: &str = "common practice, no source";
const RESPONSE_TIMES: &str = "worst-case response times by Davis, Burns, Bril, Lukkien 2007";

/// All limits that the plan says enough about. Of limits of one kind at several places the
/// closest stands for all that are kept.
pub fn limits(plan: &Plan, traffic: &Traffic, network: Option<&Network>) -> Vec<Limit> {
    let mut limits = traffic_limits(plan, traffic);
    if let Some(cabling) = &plan.cabling {
        limits.extend(cable_limits(cabling, plan.trunk.bitrate));
        if let Some(network) = network {
            limits.extend(supply_limits(cabling, network));
        }
    }
    limits
}

fn traffic_limits(plan: &Plan, traffic: &Traffic) -> Vec<Limit> {
    let mut limits = Vec::new();
    let scan_ms = plan.trunk.scan_interval.as_secs() * 1e3;
    if traffic.has_scan() {
        limits.push(at_most(
            "scan-interval",
            "shortest scan interval that fits".into(),
            traffic.shortest_scan.map(|shortest| shortest.as_secs() * 1e3),
            scan_ms,
            "ms",
            RESPONSE_TIMES,
            "make the scan interval longer, the I/O smaller, or split the nodes over two trunks",
        ));
    }
    limits.push(at_most(
        "bus-load",
        "bus load with the data that need the most stuff bits".into(),
        Some(traffic.worst_load * 100.0),
        100.0,
        "%",
        "arithmetic: a bus carries one bit at a time",
        "make the scan interval longer or the I/O smaller",
    ));
    let slowest = traffic.messages.iter().filter(|times| !times.message.explicit).map(|times| {
        let interval = times.period.as_secs() * 1e3;
        let response = times.response.map(|bits| plan.trunk.bitrate.duration(bits).as_secs() * 1e3);
        at_most(
            "message-response",
            format!("slowest {} of {}", times.message.words, times.message.whose(plan)),
            response,
            interval,
            "ms",
            RESPONSE_TIMES,
            "give it a longer interval, or the others less to send; low addresses win the bus",
        )
    });
    limits.extend(closest_or_all(slowest.collect()));
    limits
}

fn cable_limits(cabling: &Cabling, bitrate: Bitrate) -> Vec<Limit> {
    let (longest, thin_counts) = longest_trunk(bitrate);
    let thin = cabling.sections.iter().any(|section| section.cable == Cable::Thin);
    let counted = if thin { format!(", thin counted {thin_counts} times") } else { String::new() };
    let mut limits = vec![at_most(
        "trunk-length",
        format!("trunk length at {bitrate}{counted}"),
        Some(cabling.thick_length_m(bitrate)),
        longest,
        "m",
        STANDARD,
        "shorten the trunk, use thick cable, or choose a lower bit rate",
    )];
    let drops = cabling.taps.iter().filter(|tap| tap.drop_m > 0.0).map(|tap| {
        at_most(
            "drop-length",
            format!("drop line of {} at {} m", tap.name, tap.position_m),
            Some(tap.drop_m),
            LONGEST_DROP_M,
            "m",
            STANDARD,
            "move the tap nearer to the device",
        )
    });
    limits.extend(closest_or_all(drops.collect()));
    limits.push(at_most(
        "drops-together",
        format!("all drop lines together at {bitrate}"),
        Some(cabling.taps.iter().map(|tap| tap.drop_m).sum()),
        most_drops_m(bitrate),
        "m",
        STANDARD,
        "shorten drop lines, or choose a lower bit rate",
    ));
    limits.extend(cabling.terminators_at_m.as_ref().map(|places| terminators(cabling, places)));
    limits
}

/// One at each end, nowhere else.
fn terminators(cabling: &Cabling, places: &[f64]) -> Limit {
    let ends = [0.0, cabling.length_m()];
    // A terminator within half a metre of the end is at the end.
    let at = |end: f64| places.iter().filter(|&&place| (place - end).abs() <= 0.5).count();
    let right = places.len() == 2 && ends.iter().all(|&end| at(end) == 1);
    let where_ = if right || places.len() != 2 { "" } else { ", not both at the ends" };
    Limit {
        code: "terminators",
        what: format!("terminators of 121 ohm, one at each end of the trunk{where_}"),
        value: Some(places.len() as f64),
        limit: 2.0,
        side: Side::Exactly,
        unit: "",
        verdict: if right { LimitVerdict::Kept } else { LimitVerdict::Broken },
        source: STANDARD,
        advice: "put one terminator at each end of the trunk and none elsewhere",
    }
}

fn supply_limits(cabling: &Cabling, network: &Network) -> Vec<Limit> {
    let mut limits = Vec::new();
    let taps = || cabling.taps.iter().zip(&network.taps);
    let trunk_drops = taps().map(|(tap, at)| {
        at_most(
            "trunk-voltage-drop",
            format!("voltage lost on one conductor of the trunk up to {}", tap.name),
            Some(at.drop_v),
            MOST_TRUNK_DROP_V,
            "V",
            STANDARD,
            "move the supply nearer to the load, add one, or use thick cable",
        )
    });
    limits.extend(closest_or_all(trunk_drops.collect()));
    let sections = network.pieces.iter().map(|piece| {
        at_most(
            "section-current",
            format!(
                "trunk current from {} m to {} m, {:?} cable",
                piece.from_m, piece.to_m, piece.cable
            )
            .to_lowercase(),
            Some(piece.current_a.abs()),
            piece.most_current_a,
            "A",
            if piece.cable == Cable::Flat { MAKER } else { STANDARD },
            "feed in at another place so that no section carries so much",
        )
    });
    limits.extend(closest_or_all(sections.collect()));
    let drops = cabling.taps.iter().filter(|tap| tap.current_a() > 0.0).map(|tap| {
        at_most(
            "drop-current",
            format!("current on the drop line of {}, {} m", tap.name, tap.drop_m),
            Some(tap.current_a()),
            most_drop_current_a(tap.drop_m),
            "A",
            STANDARD,
            "shorten the drop line, or feed the device from elsewhere",
        )
    });
    limits.extend(closest_or_all(drops.collect()));
    let devices = taps().map(|(tap, at)| Limit {
        side: Side::AtLeast,
        verdict: judge(LEAST_DEVICE_V, at.device_v),
        ..at_most(
            "device-voltage",
            format!("voltage at {}", tap.name),
            Some(at.device_v),
            LEAST_DEVICE_V,
            "V",
            GUIDE,
            "move the supply nearer to the load, add one, or use thick cable",
        )
    });
    limits.extend(closest_or_all(devices.collect()));
    // A supply that is set right, to 24 V, is never far from it: near is not tight here.
    let highest = taps().map(|(tap, at)| Limit {
        verdict: match at.device_v > MOST_DEVICE_V {
            true => LimitVerdict::Broken,
            false => LimitVerdict::Kept,
        },
        ..at_most(
            "device-voltage-high",
            format!("voltage at {}", tap.name),
            Some(at.device_v),
            MOST_DEVICE_V,
            "V",
            GUIDE,
            "set the supply to 24 V",
        )
    });
    limits.extend(closest_or_all(highest.collect()));
    limits.push(at_most(
        "common-mode-voltage",
        "difference of the negative conductor between any two places".into(),
        Some(network.common_mode_v()),
        MOST_COMMON_MODE_V,
        "V",
        GUIDE,
        "move the supply nearer to the load, add one, or use thick cable",
    ));
    if cabling.class_2 {
        let most = network.pieces.iter().map(|piece| piece.current_a.abs()).fold(0.0, f64::max);
        limits.push(at_most(
            "class-2-current",
            "trunk current of any section of a Class 2 circuit".into(),
            Some(most),
            CLASS_2_A,
            "A",
            PRACTICE,
            "feed in at another place so that no section carries so much, or split the trunk",
        ));
    }
    let volts = || network.taps.iter().map(|at| at.trunk_v).chain(fed(cabling, network));
    let (low, high) = (volts().fold(f64::MAX, f64::min), volts().fold(f64::MIN, f64::max));
    // Without a tap or a supply that feeds there is no voltage to tell of.
    if low <= high {
        limits.push(at_most(
            "voltage-difference",
            "difference between the highest and the lowest voltage of the trunk".into(),
            Some(high - low),
            MOST_DIFFERENCE_V,
            "V",
            PRACTICE,
            "move the supply nearer to the load, add one, or use thick cable",
        ));
    }
    let supplies = cabling.supplies.iter().zip(&network.supply_a);
    let supplies = supplies.filter_map(|(supply, &gives)| {
        Some(at_most(
            "supply-current",
            format!("current of {}", supply.name),
            Some(gives),
            supply.current_a?,
            "A",
            "the plan: what the supply is rated for",
            "take a larger supply, or add one",
        ))
    });
    limits.extend(closest_or_all(supplies.collect()));
    limits
}

/// The voltages of the supplies that give current.
fn fed<'a>(cabling: &'a Cabling, network: &'a Network) -> impl Iterator<Item = f64> + 'a {
    let supplies = cabling.supplies.iter().zip(&network.supply_a);
    supplies.filter(|(_, gives)| **gives > 0.0).map(|(supply, _)| supply.voltage_v)
}

fn at_most(
    code: &'static str,
    what: String,
    value: Option<f64>,
    limit: f64,
    unit: &'static str,
    source: &'static str,
    advice: &'static str,
) -> Limit {
    let verdict = value.map_or(LimitVerdict::Broken, |value| judge(value, limit));
    Limit { code, what, value, limit, side: Side::AtMost, unit, verdict, source, advice }
}

fn judge(less: f64, more: f64) -> LimitVerdict {
    // Sums of decimal fractions miss by far less than this.
    let less = less - 1e-9;
    match () {
        () if less > more => LimitVerdict::Broken,
        () if less > 0.9 * more => LimitVerdict::Tight,
        () => LimitVerdict::Kept,
    }
}

/// All that are not kept; where all are, the one with the least to spare.
fn closest_or_all(limits: Vec<Limit>) -> Vec<Limit> {
    if limits.iter().any(|limit| limit.verdict != LimitVerdict::Kept) {
        return limits.into_iter().filter(|limit| limit.verdict != LimitVerdict::Kept).collect();
    }
    let used = |limit: &Limit| match (limit.side, limit.value) {
        (Side::AtLeast, Some(value)) => limit.limit / value,
        (_, value) => value.unwrap_or(f64::INFINITY) / limit.limit,
    };
    limits.into_iter().max_by(|a, b| used(a).total_cmp(&used(b))).into_iter().collect()
}
