//! Findings about the bus as a whole: errors, load, frames that do not belong.

use super::nodes::{at, finding_if, times};
use super::{Code, Context, ErrorTrend, Finding, Severity, disturbances};
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
            finding_if(
                &groups.invalid,
                Code::InvalidIdentifier,
                Severity::Warning,
                format!("{} frames with an identifier from 7F0 to 7FF", groups.invalid.count()),
            ),
            foreign.iter().any(|seen| seen.count() > 0).then(|| {
                let evidence = format!(
                    "{} frames with a 29-bit identifier, {} remote frames",
                    groups.extended.count(),
                    groups.remote.count()
                );
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
    let heard_for = format!("in {:.1} s", trunk.now().as_secs());
    Some(match errors.count() {
        0 => {
            let evidence = format!("no frame and no bus error {heard_for}");
            Finding::new(Code::NothingHeard, Severity::Fault, &Occurrences::default(), evidence)
        }
        count => {
            let evidence = format!("{count} bus errors and no good frame {heard_for}");
            Finding::new(Code::NothingUnderstood, Severity::Fault, errors, evidence)
        }
    })
}

fn bus_off(trunk: &Trunk) -> Option<Finding> {
    let controller = &trunk.errors.controller;
    let evidence = format!(
        "the controller went bus-off {}, was restarted {}",
        times(controller.bus_offs().count()),
        match controller.restarts().count() {
            0 => "never".to_string(),
            n => times(n),
        }
    );
    finding_if(controller.bus_offs(), Code::BusOff, Severity::Fault, evidence)
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
    let causes: Vec<String> = Cause::ALL
        .into_iter()
        .filter(|&cause| errors.count(cause) > 0)
        .map(|cause| format!("{cause} {}", errors.count(cause)))
        .collect();
    let mut evidence = format!(
        "{} bus errors to {frames} good frames ({:.3} %): {}",
        seen.count(),
        100.0 * share,
        if causes.is_empty() { "no cause told".to_string() } else { causes.join(", ") }
    );
    if let Some(burst) = errors.largest_burst() {
        evidence += &format!(
            "; bursts: {}, the largest of {} errors, from {} to {}",
            errors.bursts(),
            burst.frames,
            at(burst.from),
            at(burst.to)
        );
    }
    if let Some(trend) = ErrorTrend::of(&trunk.course.stretches(trunk.now())) {
        evidence += &format!("; {}", trend.words());
    }
    if passive > 0 {
        evidence += &format!("; the adapter's controller went error-passive {}", times(passive));
    }
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
        evidence: format!(
            "the fullest second used {:.1} % of the wire, good frames alone; {:.0} % is high",
            100.0 * peak,
            100.0 * LOAD_WARNING
        ),
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
    let evidence = format!(
        "it sent {} frames in the second from {}, {:.0} % of the wire; polls and strobes ask it \
         for {asked:.0} a second",
        most.frames,
        at(most.from),
        100.0 * share
    );
    (share > FLOOD && most.frames as f64 > FLOOD_FACTOR * asked)
        .then(|| Finding::new(Code::NodeFloods, Severity::Fault, &seen, evidence).at(most.mac_id))
}

fn several_at_once(trunk: &Trunk) -> Option<Finding> {
    let group = trunk.together.largest()?;
    let nodes: Vec<String> = group.nodes().map(|mac_id| mac_id.to_string()).collect();
    let evidence = format!(
        "nodes {} left or restarted between {} and {}; so did two or more {}",
        nodes.join(", "),
        at(group.from),
        at(group.to),
        times(trunk.together.groups())
    );
    let mut seen = Occurrences::default();
    seen.add(group.from);
    Some(
        Finding::new(Code::SeveralAtOnce, Severity::Fault, &seen, evidence)
            .times(trunk.together.groups()),
    )
}
