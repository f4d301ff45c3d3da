//! The trunk as a whole, then and now: bit rate, load, errors.

use super::line::{Judgement, Line, Value, What};
use super::rates::{Rates, Share};
use super::{Tolerance, shift};
use crate::health::Summary;

pub(super) fn lines(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    rates: &mut Rates,
) -> Vec<Line> {
    let mut lines = Vec::new();
    lines.extend(bitrate(then, now));
    for (what, then_load, now_load, allowed) in [
        (What::LoadMean, then.load.mean, now.load.mean, tolerance.load_mean),
        (What::LoadPeak, then.load.peak, now.load.peak, tolerance.load_peak),
    ] {
        if let (Some(then_load), Some(now_load)) = (then_load, now_load) {
            let shortest = then.source.duration_s.min(now.source.duration_s);
            lines.push(load(what, then_load, now_load, allowed, shortest, tolerance));
        }
    }
    let errors = |summary: &Summary| Share {
        events: summary.errors.frames,
        of: summary.errors.frames + summary.source.frames,
    };
    let allowed = tolerance.error_share;
    lines.push(rates.line(What::ErrorShare, errors(then), errors(now), allowed, |line| line));
    lines
}

fn bitrate(then: &Summary, now: &Summary) -> Option<Line> {
    let rates = [then, now].map(|summary| summary.source.bitrate);
    let [then, now] = rates.map(|rate| rate.map(|rate| Value::Number(f64::from(rate.get()))));
    let line = Line::new(What::Bitrate, then, now);
    match rates {
        [None, None] => None,
        [Some(then), Some(now)] if then == now => Some(line),
        [Some(_), Some(_)] => Some(line.judged(
            Judgement::CannotSay,
            "at another bit rate everything takes another time; this wants a new baseline",
        )),
        _ => Some(line.judged(Judgement::CannotSay, "one of the two names no bit rate")),
    }
}

/// The load of a trunk that is scanned is counted, not sampled; chance hardly enters.
fn load(
    what: What,
    then: f64,
    now: f64,
    allowed: f64,
    shortest_s: f64,
    tolerance: &Tolerance,
) -> Line {
    let mut line = Line::numbers(what, then, now);
    line.allowed = Some(allowed);
    if shortest_s < tolerance.shortest_s && then != now {
        let why = format!("too short a capture: {shortest_s:.1} s");
        return line.judged(Judgement::CannotSay, why);
    }
    let difference = now - then;
    if difference == 0.0 {
        return line;
    }
    let judgement = shift::judge(difference, (Some(difference), Some(difference)), allowed);
    line.judged(judgement, "")
}
