//! Findings about the trunk as a whole: errors, whom they strike and with what they come, load,
//! frames that do not belong; and about the measurement itself: what is missing in it.

use std::ops::RangeInclusive;

use super::evidence::{
    BurstSpan, CauseCount, CountedEvent, KindCount, RepeatedFrames, RunningErrors, TallyMismatch,
};
use super::{Code, Context, ErrorTrend, Evidence, Finding, Severity, TwoRates};
use crate::fieldbus::MacId;
use crate::trunk::{
    Burst, DriveDisturbances, Node, Occurrences, RepeatedFrame, Talker, TalkerErrors, Trunk, WINDOW,
};
use crate::wire::{Cause, Nanos};

/// Share of frames destroyed from which on errors are a fault. Common practice, no source.
const MANY_ERRORS: f64 = 0.01;
/// So many errors, and so many more a day, are a note if they are a smaller share of all frames:
/// CAN is made to send again. Our own choice, no source.
const FEW_ERRORS: u64 = 2;
const FEW_ERRORS_A_DAY: f64 = 3.0;
const FEW_SHARE: f64 = 0.001;
/// Errors before any node answered are those of switching on if they last no longer. Common practice, no
/// source.
const POWER_UP: Nanos = Nanos::from_millis(30_000);
/// Load of the fullest second from which on it is a warning, then a fault. Common practice, no
/// source.
const LOAD_WARNING: f64 = 0.70;
const LOAD_FAULT: f64 = 0.90;
/// A node floods the bus that takes this share of a second by itself,
const FLOOD: f64 = 0.4;
/// and sends so many times as much then as it is asked to.
const FLOOD_FACTOR: f64 = 3.0;

pub(super) fn find(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    let errors = bus_errors(trunk);
    if let Some(alone) = alone_on_the_wire(trunk, context) {
        found.push(alone);
    } else if let Some(errors) = &errors {
        find_by_errors(trunk, errors.severity, found);
    }
    let invalid = &trunk.groups.invalid;
    let about_bus = [
        errors,
        group_dropout(trunk),
        node_floods(trunk, context),
        no_good_frame(trunk),
        bus_off(trunk),
        load(trunk, context),
        Finding::counted(
            Code::InvalidIdentifier,
            Severity::Warning,
            CountedEvent::InvalidIdentifiers,
            invalid,
        ),
        foreign_frames(trunk),
    ];
    found.extend(about_bus.into_iter().flatten());
    let (downs, steps) = (&trunk.link_downs, &trunk.clock_steps);
    let about_measurement = [
        frames_lost(trunk),
        Finding::counted(Code::LinkDown, Severity::Warning, CountedEvent::LinkDowns, downs),
        cut_off(trunk),
        damaged(trunk, context),
        Finding::counted(Code::ClockStepped, Severity::Note, CountedEvent::ClockSteps, steps),
        (context.reports_errors == Some(false)).then(|| {
            let evidence = Evidence::ErrorsNotReported;
            Finding::new(Code::ErrorsNotReported, Severity::Warning, evidence)
        }),
        context
            .bitrate
            .is_none()
            .then(|| Finding::new(Code::BitRateUnknown, Severity::Note, Evidence::NoBitRate)),
    ];
    found.extend(about_measurement.into_iter().flatten());
}

/// Share of the wire that the good frames of the fullest second used.
pub(super) fn peak_share(trunk: &Trunk, context: &Context) -> Option<f64> {
    let bits_per_second = f64::from(context.bitrate?.get());
    Some(trunk.load.peak(trunk.now())?.0 as f64 / (bits_per_second * WINDOW.as_secs()))
}

fn no_good_frame(trunk: &Trunk) -> Option<Finding> {
    let errors = trunk.errors.with_cause();
    let code = match errors.count() {
        0 => Code::NothingHeard,
        _ => Code::NothingUnderstood,
    };
    let evidence = Evidence::NoGoodFrame { bus_errors: errors.count(), duration_ns: trunk.now() };
    let finding = Finding::new(code, Severity::Fault, evidence);
    (trunk.tally().frames == 0).then(|| finding.with_occurrences(errors))
}

fn bus_off(trunk: &Trunk) -> Option<Finding> {
    let controller = &trunk.errors.controller;
    let (bus_offs, restarts) = (controller.bus_offs(), controller.restarts().count());
    let evidence = Evidence::BusOff { bus_offs: bus_offs.count(), restarts };
    let finding = Finding::new(Code::BusOff, Severity::Fault, evidence);
    (bus_offs.count() > 0).then(|| finding.with_occurrences(bus_offs))
}

fn bus_errors(trunk: &Trunk) -> Option<Finding> {
    let errors = &trunk.errors;
    let seen = errors.with_cause();
    let frames = trunk.tally().frames;
    let passive = errors.controller.passives().count();
    if seen.count() == 0 && passive == 0 {
        return None;
    }
    let share = seen.count() as f64 / (seen.count() + frames).max(1) as f64;
    let days = trunk.now().as_secs() / 86_400.0;
    let few = FEW_ERRORS + (FEW_ERRORS_A_DAY * days) as u64;
    // A trunk that is being switched on has no acknowledges and contacts that bounce.
    let before_answers = seen.last().zip(trunk.first_answer()).is_some_and(|(l, a)| l <= a);
    let span = seen.first().zip(seen.last()).and_then(|(first, last)| last.since(first));
    let is_over = before_answers && span.is_some_and(|span| span <= POWER_UP);
    let severity = if is_over || passive == 0 && seen.count() <= few && share < FEW_SHARE {
        Severity::Note
    } else if share >= MANY_ERRORS || passive > 0 && seen.count() > 0 {
        Severity::Fault
    } else {
        Severity::Warning
    };
    let causes = Cause::ALL.into_iter().map(|cause| (cause, errors.count(cause)));
    let evidence = Evidence::BusErrors {
        errors: seen.count(),
        good_frames: frames,
        share,
        causes: causes
            .filter(|(_, errors)| *errors > 0)
            .map(|(cause, errors)| CauseCount { cause, errors })
            .collect(),
        kinds: errors.kinds().map(|(kind, errors)| KindCount { kind, errors }).collect(),
        bursts: errors.bursts(),
        largest_burst: errors.largest_burst().map(BurstSpan::from),
        trend: ErrorTrend::from_bins(&trunk.disturbance_histogram.bins(trunk.now())),
        error_passive: passive,
    };
    let seen = if seen.count() == 0 { errors.controller.passives() } else { seen };
    Some(Finding::new(Code::BusErrors, severity, evidence).with_occurrences(seen))
}

fn load(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let share = peak_share(trunk, context)?;
    let severity = match share {
        _ if share >= LOAD_FAULT => Severity::Fault,
        _ if share >= LOAD_WARNING => Severity::Warning,
        _ => return None,
    };
    let evidence = Evidence::PeakLoad { share, high_share: LOAD_WARNING };
    let from = trunk.load.peak_from(trunk.now());
    Some(Finding::new(Code::LoadHigh, severity, evidence).with_count(1).with_times(from, from))
}

fn foreign_frames(trunk: &Trunk) -> Option<Finding> {
    let (extended, remote) = (&trunk.groups.extended, &trunk.groups.remote);
    let evidence = Evidence::ForeignFrames { extended: extended.count(), remote: remote.count() };
    let count = extended.count() + remote.count();
    let times =
        |pick: fn(&Occurrences) -> Option<Nanos>| [extended, remote].into_iter().filter_map(pick);
    (count > 0).then(|| {
        Finding::new(Code::ForeignFrames, Severity::Warning, evidence)
            .with_count(count)
            .with_times(times(Occurrences::first).min(), times(Occurrences::last).max())
    })
}

fn node_floods(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let rate = f64::from(context.bitrate?.get());
    let most = trunk.peak_talker.most()?;
    let share = most.bits.0 as f64 / (rate * WINDOW.as_secs());
    let node = trunk.node(most.mac_id);
    let answers = node.poll.responses() + node.strobe.responses() + node.multicast_poll.responses();
    let asked = answers as f64 / trunk.now().as_secs().max(1.0);
    let evidence =
        Evidence::NodePeak { frames: most.frames, from_ns: most.from, share, asked_per_s: asked };
    let finding = Finding::new(Code::NodeFloods, Severity::Fault, evidence).at(most.mac_id);
    (share > FLOOD && most.frames as f64 > FLOOD_FACTOR * asked)
        .then(|| finding.with_count(1).with_times(Some(most.from), Some(most.from)))
}

fn group_dropout(trunk: &Trunk) -> Option<Finding> {
    let group = trunk.group_dropout.largest()?;
    let groups = trunk.group_dropout.groups();
    let evidence = Evidence::GroupDropout {
        mac_ids: group.nodes().collect(),
        from_ns: group.from,
        to_ns: group.to,
        groups,
    };
    let finding = Finding::new(Code::SeveralAtOnce, Severity::Fault, evidence);
    Some(finding.with_count(groups).with_times(Some(group.from), Some(group.from)))
}

fn frames_lost(trunk: &Trunk) -> Option<Finding> {
    let lost = trunk.tally().lost_frames;
    let overruns = trunk.errors.count(Cause::ReceiveOverflow);
    let uncertain = trunk.nodes().map(|(_, node)| node.poll.uncertain()).sum();
    let evidence = Evidence::LostFrames { lost, overruns, uncertain };
    let finding = Finding::new(Code::FramesLost, Severity::Warning, evidence);
    (lost > 0 || overruns > 0).then(|| finding.with_occurrences(&trunk.losses).with_count(lost))
}

fn cut_off(trunk: &Trunk) -> Option<Finding> {
    trunk.end().is_none().then(|| {
        let evidence = Evidence::NoEnd { last_record_ns: trunk.now() };
        Finding::new(Code::CaptureCutOff, Severity::Note, evidence)
    })
}

fn damaged(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let read = trunk.tally();
    let tally = trunk.end().filter(|end| *end != read).map(|end| TallyMismatch { end, read });
    let unreadable = context.unreadable;
    (tally.is_some() || unreadable > 0).then(|| {
        let evidence = Evidence::Damage { tally, unreadable };
        Finding::new(Code::CaptureDamaged, Severity::Warning, evidence).with_count(unreadable)
    })
}

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
/// So many repetitions of one frame in a row no node sends on purpose. Our own choice, no source.
const LEAST_REPEATS: u64 = 50;
/// How much further apart they are than frames that follow one another directly: 14 bits by
/// ISO 11898-1 (from memory), with room for the adapter's clock.
const UNACKNOWLEDGED_BITS: RangeInclusive<f64> = 10.0..=40.0;
/// From this share of errors without acknowledge on, nobody else is there.
const NO_ACKNOWLEDGE_SHARE: f64 = 0.8;
/// A burst of so many errors, with fewer good frames than this for each, is dense.
const DENSE_ERRORS: u64 = 16;
const DENSE_GOOD_FRAMES: f64 = 0.8;
/// A node that falls silent so near to a dense burst was taken off the bus by it.
const NEAR_BURST: Nanos = Nanos::from_millis(500);

pub(super) fn find_by_errors(trunk: &Trunk, severity: Severity, found: &mut Vec<Finding>) {
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

/// A node whose frames nobody acknowledges repeats one without end, and nobody sends in between.
fn alone_on_the_wire(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let missing_acknowledges = trunk.errors.count(Cause::Ack);
    let errors = trunk.errors.with_cause().count();
    let of_errors = errors >= LEAST_ERRORS
        && missing_acknowledges as f64 >= NO_ACKNOWLEDGE_SHARE * errors as f64
        && trunk.error_attribution.talkers().count() <= 2;
    let repeated = trunk.repetition.longest().filter(|run| is_unacknowledged(run, context));
    let evidence = Evidence::NoAcknowledge {
        missing_acknowledges: repeated.map_or(missing_acknowledges, |run| run.unacknowledged),
        errors,
        repeated: repeated.map(|run| RepeatedFrames {
            frames: run.count,
            from_ns: run.from,
            to_ns: run.to,
        }),
    };
    let Some(run) = repeated else {
        return of_errors.then(|| finding(Code::AloneOnTheWire, trunk, evidence));
    };
    let found = Finding::new(Code::AloneOnTheWire, Severity::Fault, evidence)
        .with_count(run.count)
        .with_times(Some(run.from), Some(run.to));
    Some(match run.sender {
        Some(mac_id) => found.at(mac_id),
        None => found,
    })
}

/// Whether these repetitions are those of a frame that nobody acknowledges.
fn is_unacknowledged(run: &RepeatedFrame, context: &Context) -> bool {
    // Between them lie the passive flag, its delimiter and the pause of an error-passive sender, 14
    // bits more than after a good frame. Whoever sends on purpose leaves no such room, or others
    // would send in it.
    let extra = context.bitrate.and_then(|rate| run.extra_bits(f64::from(rate.get())));
    let spaced = extra.is_some_and(|extra| UNACKNOWLEDGED_BITS.contains(&extra));
    run.count >= LEAST_REPEATS && (spaced || run.unacknowledged >= LEAST_ERRORS)
}

fn dense_burst(trunk: &Trunk) -> Option<Finding> {
    let is_dense = |burst: &&Burst| {
        burst.frames >= DENSE_ERRORS
            && (burst.good_frames as f64) < DENSE_GOOD_FRAMES * burst.frames as f64
    };
    let burst = trunk.errors.densest_run().filter(is_dense)?;
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
    let evidence = Evidence::Rhythm {
        on_beat: period.on_beat,
        gaps: period.gaps,
        period_ns: period.period,
        edges: period.edges,
    };
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
        let running = running_errors(tie.running(), tie.standing(), tried)
            .or_else(|| close_running_errors(tie, tried));
        let speed_excess_sd = tie.speed_excess().filter(|&excess| excess > EXCESS);
        let evidence = Evidence::DriveErrors { running, speed_excess_sd };
        (running.is_some() || speed_excess_sd.is_some())
            .then(|| finding(Code::ErrorsWithDrive, trunk, evidence).at(mac_id))
    };
    trunk.drive_correlation.drives().filter_map(with_drive).collect()
}

/// The same by events told apart more finely, each worth the less, the more they come in clusters; for
/// where there are too few that lie further apart.
fn close_running_errors(tie: &DriveDisturbances, drives_tried: usize) -> Option<RunningErrors> {
    let ([running, standing], dispersion) = tie.close_events()?;
    let (running_s, standing_s) = (tie.running().1, tie.standing().1);
    let worth = |events: u64| (events as f64 / dispersion).round() as u64;
    let rates = TwoRates::new((worth(running), running_s), (worth(standing), standing_s))?;
    // It is a second try.
    let p = (2.0 * rates.p_value() * drives_tried as f64).min(1.0);
    let counted = TwoRates::new((running, running_s), (standing, standing_s))?;
    let ratio = counted.ratio().unwrap_or(1.0);
    let (ratio_low, ratio_high) = rates.interval(0.95);
    (p < DRIVE_P && ratio > DRIVE_FACTOR).then(|| RunningErrors {
        running,
        running_s,
        standing,
        standing_s,
        ratio: Some(ratio).filter(|ratio| ratio.is_finite()),
        ratio_low,
        ratio_high: Some(ratio_high).filter(|high| high.is_finite()),
        p,
        drives_tried,
    })
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
