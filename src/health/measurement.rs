//! Findings about the measurement itself: what was not heard, and what cannot be told.

use super::nodes::{finding_if, times};
use super::{Code, Context, Finding, Severity};
use crate::trunk::{Occurrences, Trunk};
use crate::wire::{Cause, Tally};

pub(super) fn find(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    found.extend(
        [
            frames_lost(trunk),
            finding_if(
                &trunk.link_downs,
                Code::LinkDown,
                Severity::Warning,
                format!("the interface went down {}", times(trunk.link_downs.count())),
            ),
            cut_off(trunk),
            damaged(trunk, context),
            finding_if(
                &trunk.clock_steps,
                Code::ClockStepped,
                Severity::Note,
                format!("the clock stepped back {}", times(trunk.clock_steps.count())),
            ),
            (context.reports_errors == Some(false)).then(|| {
                let evidence = "the driver can make an error frame of each bus error and was set \
                                not to"
                    .to_string();
                let never = Occurrences::default();
                Finding::new(Code::ErrorsNotReported, Severity::Warning, &never, evidence)
            }),
            context.bitrate.is_none().then(|| {
                let evidence = "the source names no bit rate".to_string();
                let never = Occurrences::default();
                Finding::new(Code::BitRateUnknown, Severity::Note, &never, evidence)
            }),
        ]
        .into_iter()
        .flatten(),
    );
}

fn frames_lost(trunk: &Trunk) -> Option<Finding> {
    let lost = trunk.tally().lost_frames;
    let overflows = trunk.errors.count(Cause::ReceiveOverflow);
    let overflow = match overflows {
        0 => String::new(),
        n => format!("; the adapter overran {}, each time losing an unknown number", times(n)),
    };
    let uncertain: u64 = trunk.nodes().map(|(_, node)| node.poll.uncertain()).sum();
    let evidence =
        format!("{lost} frames lost{overflow}; {uncertain} poll exchanges uncertain for it");
    (lost > 0 || overflows > 0).then(|| {
        Finding::new(Code::FramesLost, Severity::Warning, &trunk.losses, evidence).times(lost)
    })
}

fn cut_off(trunk: &Trunk) -> Option<Finding> {
    trunk.end().is_none().then(|| {
        let evidence =
            format!("the last record is at {:.3} s, no end after it", trunk.now().as_secs());
        Finding::new(Code::CaptureCutOff, Severity::Note, &Occurrences::default(), evidence)
    })
}

fn damaged(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let missing = trunk.end().and_then(|end| missing(&end, &trunk.tally()));
    let unreadable = match context.unreadable {
        0 => None,
        n => Some(format!("{n} lines or blocks could not be read")),
    };
    let evidence: Vec<String> = [missing, unreadable].into_iter().flatten().collect();
    (!evidence.is_empty()).then(|| {
        let never = Occurrences::default();
        Finding::new(Code::CaptureDamaged, Severity::Warning, &never, evidence.join("; "))
            .times(context.unreadable)
    })
}

fn missing(end: &Tally, read: &Tally) -> Option<String> {
    (end != read).then(|| {
        format!(
            "its end says {} frames, {} error frames and {} lost, it holds {}, {} and {}",
            end.frames,
            end.error_frames,
            end.lost_frames,
            read.frames,
            read.error_frames,
            read.lost_frames
        )
    })
}
