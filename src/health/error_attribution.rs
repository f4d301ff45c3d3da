//! Where bus errors come from: which node's frames they hit, and with what they come.

use super::evidence::{BurstSpan, RunningErrors};
use super::{Code, Evidence, Finding, Severity, TwoRates};
use crate::trunk::{Burst, Node, Strike, Talker, Trunk};
use crate::wire::{Cause, Nanos};

/// Fewer errors tell nothing about their cause.
const ENOUGH: u64 = 8;
/// So much better than blind chance, as a logarithm of the likelihood ratio, must "they strike
/// this node" explain the errors: odds of ten thousand to one, since up to 64 nodes are tried.
const STRIKE: f64 = 9.2;
/// And so many times as often as by chance, and so large a share of all, or others are struck
/// as well: what follows an error can also be a frame that came first by its priority.
const STRIKE_FACTOR: f64 = 2.0;
const STRIKE_SHARE: f64 = 0.4;
/// Standard deviations by which struck frames must be longer, or a drive faster.
const EXCESS: f64 = 4.0;
/// Chance that a tie to a drive is none, after correction for the number of drives tried.
const DRIVE_P: f64 = 0.003;
const DRIVE_FACTOR: f64 = 2.0;
/// Share of errors without acknowledge from which on nobody else is there.
const ALONE: f64 = 0.8;
/// A burst in which fewer good frames than this pass for each error is dense.
const DENSE: f64 = 0.8;
const DENSE_ERRORS: u64 = 16;
/// A node that falls silent so near a dense burst was its victim.
const AT_ONCE: Nanos = Nanos::from_millis(500);

pub(super) fn find(trunk: &Trunk, severity: Severity, found: &mut Vec<Finding>) {
    if let Some(finding) = alone(trunk) {
        found.push(finding);
        return;
    }
    let before = found.len();
    found.extend(dense_bursts(trunk));
    let dense = found.len() > before;
    if trunk.strikes.followers() < ENOUGH || dense {
        return;
    }
    let drives = with_drives(trunk);
    let struck = strikes(trunk);
    // One node with long frames would look like long frames that are struck.
    let length = if struck.is_some() { None } else { length(trunk) };
    let ties = [rhythm(trunk), struck, length];
    found.extend(ties.into_iter().flatten().chain(drives).map(|mut finding| {
        finding.severity = severity;
        finding
    }));
}

fn finding(code: Code, trunk: &Trunk, evidence: Evidence) -> Finding {
    Finding::new(code, Severity::Fault, evidence).with_occurrences(trunk.errors.with_cause())
}

fn alone(trunk: &Trunk) -> Option<Finding> {
    let (ack, all) = (trunk.errors.count(Cause::Ack), trunk.errors.with_cause().count());
    let talkers: Vec<_> = trunk.strikes.strikes().collect();
    let evidence = Evidence::NoAcknowledge { missing_acknowledges: ack, errors: all };
    let alone = all >= ENOUGH && ack as f64 >= ALONE * all as f64;
    (alone && talkers.len() <= 2).then(|| finding(Code::AloneOnTheWire, trunk, evidence))
}

fn dense_bursts(trunk: &Trunk) -> Option<Finding> {
    let is_dense = |burst: &&Burst| {
        burst.frames >= DENSE_ERRORS && (burst.good_frames as f64) < DENSE * burst.frames as f64
    };
    let burst = trunk.errors.largest_burst().filter(is_dense)?;
    let near = |t: Nanos| {
        let early = burst.from.0.saturating_sub(AT_ONCE.0);
        let late = burst.to.0.saturating_add(AT_ONCE.0);
        (early..=late).contains(&t.0)
    };
    // A node that leaves bus-off by itself misses a few polls, one that does not falls silent.
    let hit = |node: &Node| {
        let missed = node.poll.missed();
        let times = [missed.first(), missed.last()];
        node.presence.recent().any(|absence| near(absence.from))
            || times.iter().all(|t| t.is_some_and(near))
    };
    let victims: Vec<_> =
        trunk.nodes().filter(|(_, node)| hit(node)).map(|(mac_id, _)| mac_id).collect();
    let evidence = |silenced_node| Evidence::DenseBurst {
        burst: BurstSpan::from(burst),
        good_frames: burst.good_frames,
        silenced_node,
    };
    Some(match victims[..] {
        [victim] => finding(Code::NodeBusOff, trunk, evidence(true)).at(victim),
        _ => finding(Code::DenseBursts, trunk, evidence(false)),
    })
}

fn rhythm(trunk: &Trunk) -> Option<Finding> {
    let period = trunk.rhythm.period()?;
    let evidence =
        Evidence::Rhythm { on_beat: period.on_beat, gaps: period.gaps, period_ns: period.period };
    Some(finding(Code::ErrorsInRhythm, trunk, evidence))
}

fn strikes(trunk: &Trunk) -> Option<Finding> {
    let strike: Strike = trunk
        .strikes
        .strikes()
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
    let stands_out = strike.log_likelihood_ratio() > STRIKE
        && seen > STRIKE_FACTOR * strike.share
        && seen > STRIKE_SHARE;
    stands_out.then(|| finding(Code::ErrorsStrikeNode, trunk, evidence).at(mac_id))
}

fn length(trunk: &Trunk) -> Option<Finding> {
    let excess = trunk.strikes.length_excess().filter(|&excess| excess > EXCESS)?;
    let evidence =
        Evidence::StruckLongFrames { frames: trunk.strikes.followers(), excess_sd: excess };
    Some(finding(Code::ErrorsWithLength, trunk, evidence))
}

/// The drives with which errors come, the likeliest first.
fn with_drives(trunk: &Trunk) -> Vec<Finding> {
    let tried = trunk.ties.drives().count();
    let mut tied: Vec<(f64, Finding)> = Vec::new();
    for (mac_id, tie) in trunk.ties.drives() {
        let running = running_errors(tie.running(), tie.standing(), tried);
        let speed_excess_sd = tie.speed_excess().filter(|&excess| excess > EXCESS);
        if running.is_none() && speed_excess_sd.is_none() {
            continue;
        }
        let by_running = running.as_ref().map_or(1.0, |running| running.p);
        let by_speed = speed_excess_sd.map_or(1.0, |excess| (-excess * excess / 2.0).exp());
        let evidence = Evidence::DriveErrors { running, speed_excess_sd };
        let finding = finding(Code::ErrorsWithDrive, trunk, evidence).at(mac_id);
        tied.push((by_running.min(by_speed), finding));
    }
    tied.sort_by(|a, b| a.0.total_cmp(&b.0));
    tied.into_iter().map(|(_, finding)| finding).collect()
}

/// Disturbances and seconds with a drive running and standing, where the rates differ.
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
