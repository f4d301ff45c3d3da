//! Error frames over time, with the way of the adapter's own controller above them.

use plotters::style::RGBColor;

use super::axis::{TIME_AXIS, TimeAxis, ValueAxis};
use super::canvas::LEFT;
use super::canvas::{
    AMBER, At, Canvas, Drawn, GRID, INK, PALE_TEAL, PAPER, Picture, PlotError, RUST, SHADE, SMALL,
    SOFT, TEAL, picture, width_of,
};
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::trunk::{AdapterController, DriveDisturbances, Trunk};
use crate::wire::ControllerState;

/// With more drives than this, the shade behind the errors says that any of them ran.
const MOST_DRIVES: usize = 12;
const ROW: i32 = 20;

/// Error frames over time; `None` where there was none.
pub(in super::super) fn errors(
    summary: &Summary,
    trunk: &Trunk,
) -> Result<Option<Picture>, PlotError> {
    if summary.errors.frames == 0 {
        return Ok(None);
    }
    let controller = &trunk.errors.controller;
    // Strips above the errors: the controller's state, then a row for each drive that ran.
    let drives: Vec<(MacId, &DriveDisturbances)> =
        trunk.drive_correlation.drives().filter(|(_, drive)| !drive.runs().0.is_empty()).collect();
    let rows = if drives.len() <= MOST_DRIVES { drives.len() as i32 } else { 0 };
    let strip = if controller.path().len() > 0 { 34 } else { 0 };
    let top = 14 + strip + ROW * rows;
    let foot = top + 178;
    let rates: Vec<(f64, f64, f64)> = summary
        .load
        .over_time
        .iter()
        .filter(|span| span.error_frames > 0)
        .map(|span| {
            // A capture that ends inside a window must not show a rate that nobody saw.
            let span_s = span.span_s.max(summary.load.window_s);
            (span.from_s, span.span_s, span.error_frames as f64 / span_s)
        })
        .collect();
    let highest = rates.iter().map(|rate| rate.2).fold(0.0, f64::max);
    let description = format!(
        "Error frames a second, from the start to {:.1} s: {} in all, {highest:.1} a second at \
         most.",
        summary.source.duration_s, summary.errors.frames,
    );
    picture("Error frames over time".to_string(), description, foot + TIME_AXIS, |canvas| {
        let time = TimeAxis::new(summary.source.duration_s);
        let value = ValueAxis::new(top, foot, highest * 1.1, 0.1);
        for (from, to) in runs_joined(&drives) {
            canvas.bar((time.x(from), top), (time.x(to), foot), SHADE)?;
        }
        time.draw(canvas, top, foot)?;
        value.draw(canvas, time.right(), " /s")?;
        for &(from, span, rate) in &rates {
            let left = time.x(from);
            let right = (time.x(from + span) - 1).max(left + 2);
            canvas.bar((left, value.y(rate).min(foot - 2)), (right, foot), RUST)?;
        }
        canvas.line((LEFT, foot), (time.right(), foot), INK, 1)?;
        if strip > 0 {
            path(canvas, &time, controller)?;
        }
        for (index, (mac_id, drive)) in drives.iter().take(rows as usize).enumerate() {
            let middle = 4 + strip + ROW * index as i32 + ROW / 2;
            ran(canvas, &time, middle, *mac_id, drive)?;
        }
        Ok(())
    })
    .map(Some)
}

/// When any of the drives ran, in seconds, without overlaps.
fn runs_joined(drives: &[(MacId, &DriveDisturbances)]) -> Vec<(f64, f64)> {
    let spans = drives.iter().flat_map(|(_, drive)| drive.runs().0);
    let mut spans: Vec<(f64, f64)> =
        spans.map(|(from, to)| (from.as_secs(), to.as_secs())).collect();
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    spans.dedup_by(|next, kept| {
        let touches = next.0 <= kept.1;
        if touches {
            kept.1 = kept.1.max(next.1);
        }
        touches
    });
    spans
}

/// A thin row with the times at which a drive ran.
fn ran(
    canvas: &Canvas<'_>,
    time: &TimeAxis,
    middle: i32,
    mac_id: MacId,
    drive: &DriveDisturbances,
) -> Drawn {
    let words = format!("{mac_id} runs");
    canvas.text(&words, (LEFT - 8, middle), At::Right, (SMALL, SOFT))?;
    canvas.line((LEFT, middle), (time.right(), middle), GRID, 1)?;
    for (from, to) in drive.runs().0 {
        let (left, right) = (time.x(from.as_secs()), time.x(to.as_secs()));
        canvas.bar((left, middle - 4), (right.max(left + 1), middle + 4), TEAL)?;
    }
    Ok(())
}

/// A strip with the state of the controller.
fn path(canvas: &Canvas<'_>, time: &TimeAxis, controller: &AdapterController) -> Drawn {
    const STRIP: (i32, i32) = (8, 32);
    let middle = (STRIP.0 + STRIP.1) / 2;
    canvas.text("controller", (LEFT - 8, middle), At::Right, (SMALL, SOFT))?;
    canvas.bar((LEFT, STRIP.0), (time.right(), STRIP.1), GRID)?;
    let steps: Vec<_> = controller.path().collect();
    for (index, (t, state)) in steps.iter().enumerate() {
        let left = time.x(t.as_secs());
        let right = steps.get(index + 1).map_or(time.right(), |(next, _)| time.x(next.as_secs()));
        let right = right.max(left + 2);
        canvas.bar((left, STRIP.0), (right, STRIP.1), colour(*state))?;
        let words = state.to_string();
        if width_of(&words, SMALL) + 8 <= right - left {
            let ink = match state {
                ControllerState::Active | ControllerState::Warning => INK,
                ControllerState::Passive | ControllerState::BusOff => PAPER,
            };
            canvas.text(&words, ((left + right) / 2, middle), At::Middle, (SMALL, ink))?;
        }
    }
    Ok(())
}

fn colour(state: ControllerState) -> RGBColor {
    match state {
        ControllerState::Active => PALE_TEAL,
        ControllerState::Warning => AMBER,
        ControllerState::Passive => RUST,
        ControllerState::BusOff => INK,
    }
}
