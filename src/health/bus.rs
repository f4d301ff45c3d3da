//! Findings about the trunk as a whole: errors, load, frames that do not belong; and about the
//! measurement itself: what is missing in it.

use super::error_attribution;
use super::evidence::{BurstSpan, CauseCount, CountedEvent, TallyMismatch};
use super::{Code, Context, ErrorTrend, Evidence, Finding, Severity};
use crate::trunk::{Occurrences, Trunk, WINDOW};
use crate::wire::{Cause, Nanos};

/// Share of frames destroyed from which on errors are a fault. Common practice, no source.
const MANY_ERRORS: f64 = 0.01;
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
    if let Some(errors) = &errors {
        error_attribution::find(trunk, errors.severity, found);
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
    let severity = if share >= MANY_ERRORS || passive > 0 && seen.count() > 0 {
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
    Some(Finding::new(Code::LoadHigh, severity, evidence).with_count(1))
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
    let answers = node.poll.responses() + node.strobe.responses();
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
