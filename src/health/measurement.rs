//! Findings about the measurement itself: what was not heard, and what cannot be told.

use super::evidence::{Counted, TallyMismatch};
use super::nodes::count_if;
use super::{Code, Context, Evidence, Finding, Severity};
use crate::trunk::{Occurrences, Trunk};
use crate::wire::Cause;

pub(super) fn find(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    found.extend(
        [
            frames_lost(trunk),
            count_if(&trunk.link_downs, Code::LinkDown, Severity::Warning, Counted::LinkDowns),
            cut_off(trunk),
            damaged(trunk, context),
            count_if(&trunk.clock_steps, Code::ClockStepped, Severity::Note, Counted::ClockSteps),
            (context.reports_errors == Some(false)).then(|| {
                let never = Occurrences::default();
                let evidence = Evidence::ErrorsNotReported;
                Finding::new(Code::ErrorsNotReported, Severity::Warning, &never, evidence)
            }),
            context.bitrate.is_none().then(|| {
                let never = Occurrences::default();
                Finding::new(Code::BitRateUnknown, Severity::Note, &never, Evidence::NoBitRate)
            }),
        ]
        .into_iter()
        .flatten(),
    );
}

fn frames_lost(trunk: &Trunk) -> Option<Finding> {
    let lost = trunk.tally().lost_frames;
    let overruns = trunk.errors.count(Cause::ReceiveOverflow);
    let uncertain = trunk.nodes().map(|(_, node)| node.poll.uncertain()).sum();
    let evidence = Evidence::LostFrames { lost, overruns, uncertain };
    (lost > 0 || overruns > 0).then(|| {
        Finding::new(Code::FramesLost, Severity::Warning, &trunk.losses, evidence).times(lost)
    })
}

fn cut_off(trunk: &Trunk) -> Option<Finding> {
    trunk.end().is_none().then(|| {
        let evidence = Evidence::NoEnd { last_record_ns: trunk.now() };
        Finding::new(Code::CaptureCutOff, Severity::Note, &Occurrences::default(), evidence)
    })
}

fn damaged(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let read = trunk.tally();
    let tally = trunk.end().filter(|end| *end != read).map(|end| TallyMismatch { end, read });
    let unreadable = context.unreadable;
    (tally.is_some() || unreadable > 0).then(|| {
        let never = Occurrences::default();
        let evidence = Evidence::Damage { tally, unreadable };
        Finding::new(Code::CaptureDamaged, Severity::Warning, &never, evidence).times(unreadable)
    })
}
