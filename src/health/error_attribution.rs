//! Where bus errors come from: which node they strike, and with what they come.

use super::evidence::{BurstSpan, RunningErrors};
use super::{Code, Evidence, Finding, Severity, TwoRates};
use crate::fieldbus::MacId;
use crate::trunk::{Burst, DriveDisturbances, Node, Talker, TalkerErrors, Trunk};
use crate::wire::{Cause, Nanos};

/// Fewer errors say nothing about their cause.
const LEAST_ERRORS: u64 = 8;
/// Errors strike one node if that explains them better than chance by this, as a logarithm of the
/// likelihood ratio: odds of ten thousand to one, since up to 64 nodes are tried.
const STRIKE_LOG_RATIO: f64 = 9.2;
/// They must also strike it so many times as often as by chance, and be so large a share of all;
/// else others are struck as well: the frame after an error may only have had priority.
const STRIKE_FACTOR: f64 = 2.0;
const STRIKE_SHARE: f64 = 0.4;
/// Standard deviations by which struck frames must be longer, or a drive faster.
const EXCESS: f64 = 4.0;
/// Below this chance, corrected for the drives tried, errors come with a drive,
const DRIVE_P: f64 = 0.003;
/// if they come so many times as often while it runs.
const DRIVE_FACTOR: f64 = 2.0;
/// From this share of errors without acknowledge on, nobody else is there.
const NO_ACKNOWLEDGE_SHARE: f64 = 0.8;
/// A burst of so many errors, with fewer good frames than this for each, is dense.
const DENSE_ERRORS: u64 = 16;
const DENSE_GOOD_FRAMES: f64 = 0.8;
/// A node that falls silent so near to a dense burst was taken off the bus by it.
const NEAR_BURST: Nanos = Nanos::from_millis(500);

pub(super) fn find(trunk: &Trunk, severity: Severity, found: &mut Vec<Finding>) {
    if let Some(finding) = no_acknowledge(trunk) {
        found.push(finding);
        return;
    }
    if let Some(finding) = dense_burst(trunk) {
        found.push(finding);
        return;
    }
    if trunk.error_attribution.followers() < LEAST_ERRORS {
        return;
    }
    let node = struck_node(trunk);
    // One node with long frames would look like long frames that are struck.
    let length = if node.is_some() { None } else { struck_long_frames(trunk) };
    let causes = [rhythm(trunk), node, length].into_iter().flatten().chain(with_drives(trunk));
    found.extend(causes.map(|finding| Finding { severity, ..finding }));
}

fn finding(code: Code, trunk: &Trunk, evidence: Evidence) -> Finding {
    Finding::new(code, Severity::Fault, evidence).with_occurrences(trunk.errors.with_cause())
}

fn no_acknowledge(trunk: &Trunk) -> Option<Finding> {
    let missing_acknowledges = trunk.errors.count(Cause::Ack);
    let errors = trunk.errors.with_cause().count();
    let is_alone = errors >= LEAST_ERRORS
        && missing_acknowledges as f64 >= NO_ACKNOWLEDGE_SHARE * errors as f64
        && trunk.error_attribution.talkers().count() <= 2;
    let evidence = Evidence::NoAcknowledge { missing_acknowledges, errors };
    is_alone.then(|| finding(Code::AloneOnTheWire, trunk, evidence))
}

fn dense_burst(trunk: &Trunk) -> Option<Finding> {
    let is_dense = |burst: &&Burst| {
        burst.frames >= DENSE_ERRORS
            && (burst.good_frames as f64) < DENSE_GOOD_FRAMES * burst.frames as f64
    };
    let burst = trunk.errors.largest_burst().filter(is_dense)?;
    let near = |t: Nanos| {
        let early = burst.from.0.saturating_sub(NEAR_BURST.0);
        let late = burst.to.0.saturating_add(NEAR_BURST.0);
        (early..=late).contains(&t.0)
    };
    // A node that recovers from bus-off by itself misses a few polls; any other falls silent.
    let is_silenced = |node: &Node| {
        let missed = node.poll.missed();
        let times = [missed.first(), missed.last()];
        node.presence.recent().any(|absence| near(absence.from))
            || times.iter().all(|t| t.is_some_and(near))
    };
    let silenced: Vec<_> =
        trunk.nodes().filter(|(_, node)| is_silenced(node)).map(|(mac_id, _)| mac_id).collect();
    let evidence = |silenced_node| Evidence::DenseBurst {
        burst: BurstSpan::from(burst),
        good_frames: burst.good_frames,
        silenced_node,
    };
    Some(match silenced[..] {
        [mac_id] => finding(Code::NodeBusOff, trunk, evidence(true)).at(mac_id),
        _ => finding(Code::DenseBursts, trunk, evidence(false)),
    })
}

fn rhythm(trunk: &Trunk) -> Option<Finding> {
    let period = trunk.rhythm.period()?;
    let evidence =
        Evidence::Rhythm { on_beat: period.on_beat, gaps: period.gaps, period_ns: period.period };
    Some(finding(Code::ErrorsInRhythm, trunk, evidence))
}

fn struck_node(trunk: &Trunk) -> Option<Finding> {
    let strike: TalkerErrors = trunk
        .error_attribution
        .talkers()
        .max_by(|a, b| a.log_likelihood_ratio().total_cmp(&b.log_likelihood_ratio()))?;
    let Talker::Node(mac_id) = strike.talker else { return None };
    let seen = strike.struck as f64 / strike.all as f64;
    let evidence = Evidence::StruckNode {
        struck: strike.struck,
        errors: strike.all,
        share: seen,
        share_of_bits: strike.share,
        log_likelihood_ratio: strike.log_likelihood_ratio(),
    };
    let stands_out = strike.log_likelihood_ratio() > STRIKE_LOG_RATIO
        && seen > STRIKE_FACTOR * strike.share
        && seen > STRIKE_SHARE;
    stands_out.then(|| finding(Code::ErrorsStrikeNode, trunk, evidence).at(mac_id))
}

fn struck_long_frames(trunk: &Trunk) -> Option<Finding> {
    let excess = trunk.error_attribution.length_excess().filter(|&excess| excess > EXCESS)?;
    let evidence = Evidence::StruckLongFrames {
        frames: trunk.error_attribution.followers(),
        excess_sd: excess,
    };
    Some(finding(Code::ErrorsWithLength, trunk, evidence))
}

/// The drives with which errors come.
fn with_drives(trunk: &Trunk) -> Vec<Finding> {
    let tried = trunk.drive_correlation.drives().count();
    let with_drive = |(mac_id, tie): (MacId, &DriveDisturbances)| {
        let running = running_errors(tie.running(), tie.standing(), tried);
        let speed_excess_sd = tie.speed_excess().filter(|&excess| excess > EXCESS);
        let evidence = Evidence::DriveErrors { running, speed_excess_sd };
        (running.is_some() || speed_excess_sd.is_some())
            .then(|| finding(Code::ErrorsWithDrive, trunk, evidence).at(mac_id))
    };
    trunk.drive_correlation.drives().filter_map(with_drive).collect()
}

/// Disturbances and seconds with a drive running and standing, if the rates differ.
fn running_errors(
    running: (u64, f64),
    standing: (u64, f64),
    drives_tried: usize,
) -> Option<RunningErrors> {
    let rates = TwoRates::new(running, standing)?;
    let p = (rates.p_value() * drives_tried as f64).min(1.0);
    let ratio = rates.ratio().unwrap_or(1.0);
    (p < DRIVE_P && ratio > DRIVE_FACTOR).then(|| {
        let (ratio_low, ratio_high) = rates.interval(0.95);
        RunningErrors {
            running: running.0,
            running_s: running.1,
            standing: standing.0,
            standing_s: standing.1,
            ratio: Some(ratio).filter(|ratio| ratio.is_finite()),
            ratio_low,
            ratio_high: Some(ratio_high).filter(|high| high.is_finite()),
            p,
            drives_tried,
        }
    })
}
