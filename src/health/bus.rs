//! Findings about the bus as a whole: errors, load, frames that do not belong.

use super::evidence::{BurstSpan, CauseCount, Counted};
use super::nodes::count_if;
use super::{Code, Context, ErrorTrend, Evidence, Finding, Severity, disturbances};
use crate::trunk::{Occurrences, Trunk, WINDOW};
use crate::wire::{Cause, Nanos};

/// Share of frames destroyed from which on errors are a fault. Common practice, no source.
const MANY_ERRORS: f64 = 0.01;

/// Load of the fullest second from which on it is a warning, then a fault. Common practice, no
/// source.
const LOAD_WARNING: f64 = 0.70;
const LOAD_FAULT: f64 = 0.90;

pub(super) fn find(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    let errors = bus_errors(trunk);
    if let Some(errors) = &errors {
        disturbances::find(trunk, errors.severity, found);
    }
    found.extend(errors);
    found.extend(several_at_once(trunk));
    found.extend(node_floods(trunk, context));
    let groups = &trunk.groups;
    let foreign = [&groups.extended, &groups.remote];
    found.extend(
        [
            nothing(trunk),
            bus_off(trunk),
            load(trunk, context),
            count_if(
                &groups.invalid,
                Code::InvalidIdentifier,
                Severity::Warning,
                Counted::InvalidIdentifiers,
            ),
            foreign.iter().any(|seen| seen.count() > 0).then(|| {
                let evidence = Evidence::ForeignFrames {
                    extended: groups.extended.count(),
                    remote: groups.remote.count(),
                };
                let all = foreign.map(|seen| seen.count()).iter().sum();
                let times =
                    |pick: fn(&Occurrences) -> Option<Nanos>| foreign.into_iter().filter_map(pick);
                Finding {
                    code: Code::ForeignFrames,
                    severity: Severity::Warning,
                    mac_id: None,
                    count: all,
                    first: times(Occurrences::first).min(),
                    last: times(Occurrences::last).max(),
                    evidence,
                }
            }),
        ]
        .into_iter()
        .flatten(),
    );
}

fn nothing(trunk: &Trunk) -> Option<Finding> {
    let tally = trunk.tally();
    let errors = trunk.errors.with_cause();
    if tally.frames > 0 {
        return None;
    }
    let evidence = Evidence::NoGoodFrame { bus_errors: errors.count(), duration_ns: trunk.now() };
    Some(match errors.count() {
        0 => Finding::new(Code::NothingHeard, Severity::Fault, &Occurrences::default(), evidence),
        _ => Finding::new(Code::NothingUnderstood, Severity::Fault, errors, evidence),
    })
}

fn bus_off(trunk: &Trunk) -> Option<Finding> {
    let controller = &trunk.errors.controller;
    let (bus_offs, restarts) = (controller.bus_offs(), controller.restarts().count());
    (bus_offs.count() > 0).then(|| {
        let evidence = Evidence::BusOff { bus_offs: bus_offs.count(), restarts };
        Finding::new(Code::BusOff, Severity::Fault, bus_offs, evidence)
    })
}

fn bus_errors(trunk: &Trunk) -> Option<Finding> {
    let errors = &trunk.errors;
    let seen = errors.with_cause();
    let frames = trunk.tally().frames;
    let passive = errors.controller.passives().count();
    if seen.count() == 0 && passive == 0 {
        return None;
    }
    let share = seen.count() as f64 / (seen.count() + frames) as f64;
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
        trend: ErrorTrend::of(&trunk.course.stretches(trunk.now())),
        error_passive: passive,
    };
    let seen = if seen.count() == 0 { errors.controller.passives() } else { seen };
    Some(Finding::new(Code::BusErrors, severity, seen, evidence))
}

fn load(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let rate = context.bitrate?.get();
    let peak = trunk.load.peak(trunk.now())?.0 as f64 / (f64::from(rate) * WINDOW.as_secs());
    let severity = match peak {
        p if p >= LOAD_FAULT => Severity::Fault,
        p if p >= LOAD_WARNING => Severity::Warning,
        _ => return None,
    };
    Some(Finding {
        code: Code::LoadHigh,
        severity,
        mac_id: None,
        count: 1,
        first: None,
        last: None,
        evidence: Evidence::PeakLoad { share: peak, high_share: LOAD_WARNING },
    })
}

/// A node that takes this share of a second by itself fills the bus.
const FLOOD: f64 = 0.4;
/// And sends so many times as much as it does over the whole time.
const FLOOD_FACTOR: f64 = 3.0;

fn node_floods(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let rate = f64::from(context.bitrate?.get());
    let most = trunk.talk.most()?;
    let share = most.bits.0 as f64 / (rate * WINDOW.as_secs());
    let node = trunk.node(most.mac_id);
    let answers = node.poll.responses() + node.strobe.responses();
    let asked = answers as f64 / trunk.now().as_secs().max(1.0);
    let mut seen = Occurrences::default();
    seen.add(most.from);
    let evidence =
        Evidence::NodePeak { frames: most.frames, from_ns: most.from, share, asked_per_s: asked };
    (share > FLOOD && most.frames as f64 > FLOOD_FACTOR * asked)
        .then(|| Finding::new(Code::NodeFloods, Severity::Fault, &seen, evidence).at(most.mac_id))
}

fn several_at_once(trunk: &Trunk) -> Option<Finding> {
    let group = trunk.together.largest()?;
    let groups = trunk.together.groups();
    let evidence = Evidence::GroupDropout {
        mac_ids: group.nodes().collect(),
        from_ns: group.from,
        to_ns: group.to,
        groups,
    };
    let mut seen = Occurrences::default();
    seen.add(group.from);
    Some(Finding::new(Code::SeveralAtOnce, Severity::Fault, &seen, evidence).times(groups))
}
