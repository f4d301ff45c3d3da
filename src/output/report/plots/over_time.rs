//! What happened over time: bus load, error frames with the state of the adapter's own controller,
//! who was on line, and the numbered marks of the log.

use plotters::style::RGBColor;

use super::canvas::{
    AMBER, At, Canvas, Drawn, GRID, INK, LABEL, LEFT, PALE_TEAL, PAPER, Picture, PlotError, RUST,
    SHADE, SMALL, SOFT, TEAL, TIME_AXIS, TimeAxis, ValueAxis, WIDTH, picture, width_of,
};
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::summary::LoadSpan;
use crate::output::event_log::{DigestLine, EventDigest, Happening};
use crate::trunk::{AdapterController, DriveDisturbances, Event, Node, Trunk};
use crate::wire::{ControllerState, Nanos};
use crate::words::numbers::percent;

const LOAD_TOP: i32 = 64;
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
        let value = ValueAxis::new(LOAD_TOP, FOOT, (highest * 110.0).max(5.0), 1.0);
        legend(canvas, (LEFT + 6, 12))?;
        if coarse {
            let x = WIDTH - 190;
            canvas.line((x, 12), (x + 16, 12), TEAL, 2)?;
            canvas.text("fullest second in it", (x + 22, 12), At::Left, (SMALL, SOFT))?;
        }
        time.draw(canvas, LOAD_TOP, FOOT)?;
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

/// With more drives than this, the shade behind the errors says that any of them ran.
const MOST_DRIVES: usize = 12;
const DRIVE_ROW: i32 = 20;

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
    let drives: Vec<(MacId, &DriveDisturbances)> = trunk
        .drive_correlation
        .drives()
        .filter(|(_, drive)| drive.runs().next().is_some())
        .collect();
    let rows = if drives.len() <= MOST_DRIVES { drives.len() as i32 } else { 0 };
    let strip = if controller.path().len() > 0 { 34 } else { 0 };
    let top = 14 + strip + DRIVE_ROW * rows;
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
            let middle = 4 + strip + DRIVE_ROW * index as i32 + DRIVE_ROW / 2;
            ran(canvas, &time, middle, *mac_id, drive)?;
        }
        Ok(())
    })
    .map(Some)
}

/// When any of the drives ran, in seconds, without overlaps.
fn runs_joined(drives: &[(MacId, &DriveDisturbances)]) -> Vec<(f64, f64)> {
    let spans = drives.iter().flat_map(|(_, drive)| drive.runs());
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
    for (from, to) in drive.runs() {
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

const PRESENCE_TOP: i32 = 34;
const NODE_ROW: i32 = 26;

/// So many rows fit on a printed page with what stands around them.
const MOST_ROWS: usize = 36;

/// Who was on line; more than one picture where there are many nodes.
pub(in super::super) fn presence(
    trunk: &Trunk,
    log: &EventDigest,
) -> Result<Vec<Picture>, PlotError> {
    let nodes: Vec<(MacId, &Node)> = trunk.nodes().collect();
    nodes.chunks(MOST_ROWS).map(|rows| one_picture(rows, trunk.now(), log)).collect()
}

fn one_picture(
    rows: &[(MacId, &Node)],
    end: Nanos,
    log: &EventDigest,
) -> Result<Picture, PlotError> {
    let foot = PRESENCE_TOP + NODE_ROW * rows.len() as i32;
    let description: Vec<String> = rows
        .iter()
        .map(|(mac_id, node)| match (node.sent.first(), node.presence.count()) {
            (None, _) => format!("{mac_id} never heard"),
            (Some(_), 0) => format!("{mac_id} heard throughout"),
            (Some(_), count) => format!("{mac_id} fell silent {count} times"),
        })
        .collect();
    let description = format!("By address: {}.", description.join(", "));
    picture("Who was on line".to_string(), description, foot + TIME_AXIS, |canvas| {
        let time = TimeAxis::new(end.as_secs());
        legend(canvas, (LEFT + 6, 14))?;
        time.draw(canvas, PRESENCE_TOP, foot)?;
        for (index, (mac_id, node)) in rows.iter().enumerate() {
            let middle = PRESENCE_TOP + NODE_ROW * index as i32 + NODE_ROW / 2;
            row(canvas, &time, middle, *mac_id, node)?;
            // What a whole trunk's nodes do at the start is no event of one of them.
            for line in log.lines().filter(|line| node_of(line) == Some(*mac_id)) {
                Mark::of(line).draw_on_bar(canvas, (time.x(line.t.as_secs()), middle))?;
            }
        }
        Ok(())
    })
}

fn row(canvas: &Canvas<'_>, time: &TimeAxis, middle: i32, mac_id: MacId, node: &Node) -> Drawn {
    canvas.text(&format!("node {mac_id}"), (LEFT - 8, middle), At::Right, (LABEL, INK))?;
    canvas.line((LEFT, middle), (time.right(), middle), GRID, 1)?;
    let (Some(first), Some(last)) = (node.sent.first(), node.sent.last()) else {
        let words = "asked for, never heard";
        return canvas.text(words, (LEFT + 8, middle), At::Left, (SMALL, RUST));
    };
    let bar = |from: Nanos, to: Nanos, colour| {
        let (left, right) = (time.x(from.as_secs()), time.x(to.as_secs()));
        canvas.bar((left, middle - 6), (right.max(left + 2), middle + 6), colour)
    };
    let presence = &node.presence;
    let mut from = first;
    // Older absences are known by their number only.
    if presence.count() > presence.recent().len() as u64
        && let (Some(began), Some(known)) = (presence.first(), presence.recent().next())
    {
        bar(from, began, TEAL)?;
        bar(began, known.from, PALE_TEAL)?;
        let place = (time.x(began.as_secs()) + 6, middle);
        canvas.text("came and went", place, At::Left, (SMALL, INK))?;
        from = known.from;
    }
    for absence in presence.recent() {
        if absence.from > from {
            bar(from, absence.from, TEAL)?;
        }
        match absence.to {
            Some(back) => from = back,
            None => {
                let place = (time.x(absence.from.as_secs()) + 12, middle);
                return match time.right() - place.0 > 60 {
                    true => canvas.text("gone", place, At::Left, (SMALL, SOFT)),
                    false => Ok(()),
                };
            }
        }
    }
    bar(from, last, TEAL)
}

/// The kinds of marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// A cross: two devices wanted one address, the controller gave up.
    Grave,
    /// A triangle that points down: something left or was lost.
    Loss,
    /// A triangle that points up: something came, came back, began anew.
    Gain,
    /// A diamond: a note by the person who watched.
    Note,
}

impl Mark {
    pub(super) const ALL: [(Mark, &'static str); 4] = [
        (Mark::Grave, "clash or bus-off"),
        (Mark::Loss, "left, lost or worse"),
        (Mark::Gain, "came, back or anew"),
        (Mark::Note, "note"),
    ];

    pub(super) fn of(line: &DigestLine) -> Mark {
        match &line.what {
            Happening::Mark(_) => Mark::Note,
            Happening::Appeared(_) => Mark::Gain,
            Happening::Event(event) => match event {
                Event::AddressClash(_) | Event::Controller(ControllerState::BusOff) => Mark::Grave,
                Event::NodeLeft(_)
                | Event::ConnectionTimedOut(_)
                | Event::IoResized { .. }
                | Event::DriveNotFollowing(_)
                | Event::DriveFaulted(_)
                | Event::MasterIdle
                | Event::FramesLost(_)
                | Event::LinkDown
                | Event::ClockStepped(_)
                | Event::Controller(ControllerState::Warning | ControllerState::Passive) => {
                    Mark::Loss
                }
                Event::NodeAppeared(_)
                | Event::NodeReturned { .. }
                | Event::NodeRestarted(_)
                | Event::DriveFollows(_)
                | Event::DriveFaultOver(_)
                | Event::MasterRuns
                | Event::DeviceReplaced { .. }
                | Event::Controller(ControllerState::Active)
                | Event::ControllerRestarted
                | Event::LinkUp => Mark::Gain,
            },
        }
    }

    fn colour(self) -> RGBColor {
        match self {
            Mark::Grave => RUST,
            Mark::Loss => AMBER,
            Mark::Gain => TEAL,
            Mark::Note => INK,
        }
    }

    /// The mark on a bar: with paper around it, so that it is seen.
    pub(super) fn draw_on_bar(self, canvas: &Canvas<'_>, (x, y): (i32, i32)) -> Drawn {
        canvas.bar((x - 9, y - 9), (x + 9, y + 9), PAPER)?;
        self.draw(canvas, (x, y))
    }

    /// The mark, some twelve units high, around this place.
    pub(super) fn draw(self, canvas: &Canvas<'_>, (x, y): (i32, i32)) -> Drawn {
        let colour = self.colour();
        match self {
            Mark::Grave => {
                canvas.line((x - 5, y - 5), (x + 5, y + 5), colour, 3)?;
                canvas.line((x - 5, y + 5), (x + 5, y - 5), colour, 3)
            }
            Mark::Loss => canvas.shape(&[(x - 6, y - 5), (x + 6, y - 5), (x, y + 6)], colour),
            Mark::Gain => canvas.shape(&[(x - 6, y + 5), (x + 6, y + 5), (x, y - 6)], colour),
            Mark::Note => canvas.shape(&[(x, y - 7), (x + 6, y), (x, y + 7), (x - 6, y)], colour),
        }
    }
}

/// What the marks mean, from this place to the right.
pub(super) fn legend(canvas: &Canvas<'_>, (mut x, y): (i32, i32)) -> Drawn {
    for (mark, words) in Mark::ALL {
        mark.draw(canvas, (x, y))?;
        canvas.text(words, (x + 12, y), At::Left, (SMALL, SOFT))?;
        x += 12 + width_of(words, SMALL) + 26;
    }
    Ok(())
}

/// The node that a line is about, where it is about one alone.
pub(super) fn node_of(line: &DigestLine) -> Option<MacId> {
    match &line.what {
        Happening::Event(event) => event.mac_id(),
        _ => None,
    }
}
