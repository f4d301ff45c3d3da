//! Bus load over time, with what happened above it.

use super::axis::{TIME_AXIS, TimeAxis, ValueAxis};
use super::canvas::{
    At, Canvas, Drawn, INK, PALE_TEAL, Picture, PlotError, RUST, SMALL, SOFT, TEAL, picture,
    width_of,
};
use super::canvas::{LEFT, WIDTH};
use super::marks::{Mark, legend};
use crate::health::Summary;
use crate::health::summary::LoadSpan;
use crate::output::event_log::{DigestLine, EventDigest};
use crate::words::numbers::percent;

const TOP: i32 = 64;
const FOOT: i32 = 292;

/// The load from which on the trunk is called rather full, as in the findings.
const HIGH: f64 = 0.70;

/// Bus load over time; `None` without a bit rate, or where nothing was heard.
pub(in super::super) fn load(
    summary: &Summary,
    log: &EventDigest,
) -> Result<Option<Picture>, PlotError> {
    let spans: Vec<&LoadSpan> =
        summary.load.over_time.iter().filter(|span| span.mean.is_some()).collect();
    if spans.is_empty() {
        return Ok(None);
    }
    let highest =
        spans.iter().flat_map(|span| [span.mean, span.peak]).flatten().fold(0.0, f64::max);
    let coarse = spans.iter().any(|span| span.span_s > 1.5 * summary.load.window_s);
    let description = format!(
        "Bus load from the start to {:.1} s. Mean {}, fullest second {}. Above it, marks for {} \
         lines of the log.",
        summary.source.duration_s,
        summary.load.mean.map_or("unknown".to_string(), |share| percent(share, 2)),
        summary.load.peak.map_or("unknown".to_string(), |share| percent(share, 2)),
        log.lines().len(),
    );
    picture("Bus load over time".to_string(), description, FOOT + TIME_AXIS, |canvas| {
        let time = TimeAxis::new(summary.source.duration_s);
        let value = ValueAxis::new(TOP, FOOT, (highest * 110.0).max(5.0), 1.0);
        legend(canvas, (LEFT + 6, 12))?;
        if coarse {
            let x = WIDTH - 190;
            canvas.line((x, 12), (x + 16, 12), TEAL, 2)?;
            canvas.text("fullest second in it", (x + 22, 12), At::Left, (SMALL, SOFT))?;
        }
        time.draw(canvas, TOP, FOOT)?;
        value.draw(canvas, time.right(), " %")?;
        for span in spans {
            draw_span(canvas, &time, &value, span)?;
        }
        if value.end() >= HIGH * 100.0 {
            let y = value.y(HIGH * 100.0);
            canvas.dashes(y, LEFT, time.right(), RUST)?;
            canvas.text("70 %: high", (time.right(), y - 9), At::Right, (SMALL, RUST))?;
        }
        canvas.line((LEFT, FOOT), (time.right(), FOOT), INK, 1)?;
        marks(canvas, &time, log)
    })
    .map(Some)
}

fn draw_span(canvas: &Canvas<'_>, time: &TimeAxis, value: &ValueAxis, span: &LoadSpan) -> Drawn {
    let Some(mean) = span.mean else { return Ok(()) };
    let left = time.x(span.from_s);
    // At least a line wide, and a gap to the next one where there is room for it.
    let right = time.x(span.from_s + span.span_s);
    let right = if right - left > 5 { right - 1 } else { right.max(left + 1) };
    canvas.bar((left, value.y(100.0 * mean)), (right, FOOT), PALE_TEAL)?;
    let top = value.y(100.0 * span.peak.unwrap_or(mean));
    canvas.line((left, top), (right, top), TEAL, 2)
}

/// A mark for each line of the log, numbered as there as far as there is room.
fn marks(canvas: &Canvas<'_>, time: &TimeAxis, log: &EventDigest) -> Drawn {
    let mut free_from = i32::MIN;
    for (index, line) in log.lines().enumerate() {
        let line: &DigestLine = line;
        let x = time.x(line.t.as_secs());
        let number = (index + 1).to_string();
        let half = width_of(&number, SMALL) / 2 + 2;
        if x - half >= free_from {
            canvas.text(&number, (x, 34), At::Middle, (SMALL, INK))?;
            free_from = x + half;
        }
        Mark::of(line).draw(canvas, (x, 51))?;
    }
    Ok(())
}
