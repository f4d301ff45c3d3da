//! The trend over visits: load, what went wrong, how slow the slowest was, a panel each.

use plotters::style::RGBColor;

use super::super::findings::word;
use super::canvas::{
    AMBER, At, Canvas, Drawn, GRID, INK, LABEL, LEFT, PAPER, Picture, PlotError, RUST, SMALL, SOFT,
    TEAL, ValueAxis, WIDTH, picture, width_of,
};
use crate::health::Condition;
use crate::health::compare::{Trend, Visit};
use crate::words::numbers::date_and_time;

/// Where the first panel begins: below the verdicts.
const TOP: i32 = 66;
/// From panel to panel, with the heading of the next.
const PANEL: i32 = 176;
/// The height of a panel's plot.
const PLOT: i32 = 128;
const RIGHT: i32 = WIDTH - 18;

/// Two quantities in one unit, over all visits.
struct Panel {
    heading: &'static str,
    unit: &'static str,
    /// The axis reaches at least to here.
    least: f64,
    lines: [TrendLine; 2],
}

/// One quantity.
struct TrendLine {
    name: &'static str,
    shape: Marker,
    value: fn(&Visit) -> Option<f64>,
}

#[derive(Clone, Copy)]
enum Marker {
    Square,
    Diamond,
}

const PANELS: [Panel; 3] = [
    Panel {
        heading: "Bus load",
        unit: " %",
        least: 5.0,
        lines: [
            TrendLine { name: "mean", shape: Marker::Square, value: |v| share(v.load_mean) },
            TrendLine {
                name: "fullest second",
                shape: Marker::Diamond,
                value: |v| share(v.load_peak),
            },
        ],
    },
    Panel {
        heading: "Went wrong",
        unit: " %",
        least: 0.1,
        lines: [
            TrendLine {
                name: "error frames",
                shape: Marker::Square,
                value: |v| share(v.error_share),
            },
            TrendLine {
                name: "missed polls",
                shape: Marker::Diamond,
                value: |v| share(v.missed_share),
            },
        ],
    },
    Panel {
        heading: "Slowest node answers in",
        unit: " ms",
        least: 1.0,
        lines: [
            TrendLine { name: "99 %", shape: Marker::Square, value: |v| millis(v.latency_p99_us) },
            TrendLine {
                name: "worst",
                shape: Marker::Diamond,
                value: |v| millis(v.latency_max_us),
            },
        ],
    },
];

fn share(share: Option<f64>) -> Option<f64> {
    share.map(|share| 100.0 * share)
}

fn millis(us: Option<f64>) -> Option<f64> {
    us.map(|us| us / 1e3)
}

/// The plot of a trend with at least one visit.
pub(in super::super) fn trend(trend: &Trend) -> Result<Picture, PlotError> {
    let visits = &trend.visits;
    let description = description(visits);
    let foot = TOP + PANEL * PANELS.len() as i32;
    picture("From visit to visit".to_string(), description, foot + 26, |canvas| {
        let steps = Steps { count: visits.len() };
        verdicts(canvas, &steps, visits)?;
        for (index, panel) in PANELS.iter().enumerate() {
            draw(canvas, &steps, panel, TOP + PANEL * index as i32 + 34, visits)?;
        }
        dates(canvas, &steps, visits, foot)
    })
}

fn description(visits: &[Visit]) -> String {
    let ends = [visits.first(), visits.last()].map(|visit| visit.map_or(String::new(), date));
    let count = |state: Condition| visits.iter().filter(|visit| visit.state == state).count();
    let states =
        [Condition::Well, Condition::WantsALook, Condition::NotWell, Condition::CannotTell]
            .map(|state| (state, count(state)))
            .into_iter()
            .filter(|(_, count)| *count > 0)
            .map(|(state, count)| format!("{count} {}", word(state).to_lowercase()))
            .collect::<Vec<_>>();
    format!(
        "{} visits from {} to {}: {}. Load, errors and answer times of each; the table below has \
         the figures.",
        visits.len(),
        ends[0],
        ends[1],
        states.join(", ")
    )
}

/// One place a visit, from left to right.
struct Steps {
    count: usize,
}

impl Steps {
    fn x(&self, index: usize) -> i32 {
        let places = self.count.max(1) as f64;
        let room = f64::from(RIGHT - LEFT);
        LEFT + (room * (index as f64 + 0.5) / places).round() as i32
    }
}

/// The sign of each visit's verdict, and what the signs mean.
fn verdicts(canvas: &Canvas<'_>, steps: &Steps, visits: &[Visit]) -> Drawn {
    let mut x = LEFT;
    for state in [Condition::Well, Condition::WantsALook, Condition::NotWell, Condition::CannotTell]
    {
        sign(canvas, (x + 6, 14), state)?;
        canvas.text(word(state), (x + 18, 14), At::Left, (SMALL, SOFT))?;
        x += 34 + width_of(word(state), SMALL);
    }
    canvas.text("Verdict", (LEFT - 8, 48), At::Right, (SMALL, SOFT))?;
    for (index, visit) in visits.iter().enumerate() {
        sign(canvas, (steps.x(index), 48), visit.state)?;
    }
    Ok(())
}

/// A full square: well; a triangle: wants a look; a cross: not well; an empty square: nobody
/// can tell.
fn sign(canvas: &Canvas<'_>, (x, y): (i32, i32), state: Condition) -> Drawn {
    match state {
        Condition::Well => canvas.bar((x - 5, y - 5), (x + 5, y + 5), TEAL),
        Condition::WantsALook => canvas.shape(&[(x - 7, y + 6), (x + 7, y + 6), (x, y - 7)], AMBER),
        Condition::NotWell => {
            canvas.line((x - 6, y - 6), (x + 6, y + 6), RUST, 3)?;
            canvas.line((x - 6, y + 6), (x + 6, y - 6), RUST, 3)
        }
        Condition::CannotTell => {
            canvas.bar((x - 6, y - 6), (x + 6, y + 6), INK)?;
            canvas.bar((x - 4, y - 4), (x + 4, y + 4), PAPER)
        }
    }
}

fn draw(canvas: &Canvas<'_>, steps: &Steps, panel: &Panel, top: i32, visits: &[Visit]) -> Drawn {
    let foot = top + PLOT;
    let values = || panel.lines.iter().flat_map(|line| visits.iter().filter_map(line.value));
    let highest = values().fold(0.0, f64::max);
    let axis = ValueAxis::new(top, foot, (highest * 1.1).max(panel.least), panel.least / 50.0);
    canvas.text(panel.heading, (LEFT, top - 16), At::Left, (LABEL, INK))?;
    axis.draw(canvas, RIGHT, panel.unit)?;
    for index in 0..visits.len() {
        let x = steps.x(index);
        canvas.line((x, top), (x, foot), GRID, 1)?;
    }
    canvas.line((LEFT, foot), (RIGHT, foot), INK, 1)?;
    let mut x = LEFT + width_of(panel.heading, LABEL) + 26;
    for (line, colour) in panel.lines.iter().zip([TEAL, RUST]) {
        point(canvas, (x, top - 16), line.shape, colour)?;
        canvas.text(line.name, (x + 11, top - 16), At::Left, (SMALL, SOFT))?;
        x += 40 + width_of(line.name, SMALL);
        let mut before = None;
        for (index, visit) in visits.iter().enumerate() {
            // A visit that did not measure it leaves a gap.
            let place = (line.value)(visit).map(|value| (steps.x(index), axis.y(value)));
            if let (Some(from), Some(to)) = (before, place) {
                canvas.line(from, to, colour, 1)?;
            }
            before = place;
        }
        for (index, visit) in visits.iter().enumerate() {
            if let Some(value) = (line.value)(visit) {
                point(canvas, (steps.x(index), axis.y(value)), line.shape, colour)?;
            }
        }
    }
    if values().next().is_none() {
        canvas.text("not measured", (LEFT + 10, foot - 20), At::Left, (SMALL, SOFT))?;
    }
    Ok(())
}

fn point(canvas: &Canvas<'_>, (x, y): (i32, i32), shape: Marker, colour: RGBColor) -> Drawn {
    match shape {
        Marker::Square => canvas.bar((x - 4, y - 4), (x + 4, y + 4), colour),
        Marker::Diamond => canvas.shape(&[(x, y - 6), (x + 6, y), (x, y + 6), (x - 6, y)], colour),
    }
}

/// The date under each visit, as far as there is room.
fn dates(canvas: &Canvas<'_>, steps: &Steps, visits: &[Visit], foot: i32) -> Drawn {
    let mut free_from = i32::MIN;
    for (index, visit) in visits.iter().enumerate() {
        let words = date(visit);
        let half = width_of(&words, SMALL) / 2 + 6;
        let x = steps.x(index).clamp(half, WIDTH - half);
        if x - half >= free_from {
            canvas.text(&words, (x, foot + 8), At::Middle, (SMALL, SOFT))?;
            free_from = x + half;
        }
    }
    Ok(())
}

/// The date in words.
fn date(visit: &Visit) -> String {
    date_and_time(visit.started).0
}
