//! One scan as it is likely to look, who is on the wire when, played by identifier; and the picture
//! of it: a row a node, a bar a frame, time to the right.
//!
//! Assumed: a clear bus; all commands ready together at the start, as far as the master's own
//! order can be known; answers ready a fixed reaction time after the command's end; change of
//! state and cyclic data sent once, at the start; mean wire times; no explicit messages.

use std::io;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::model::Plan;
use super::traffic::{PlannedMessage, Traffic};
use crate::fieldbus::MacId;
use crate::wire::StandardId;

const WIDTH: u32 = 960;
const ROW: i32 = 22;
const LABELS: i32 = 230;
const TOP: i32 = 64;
const BOTTOM: i32 = 52;
const RIGHT: i32 = 24;

// Blue and orange stay apart for the colour-blind, and on a grey printer by their darkness.
const COMMAND: RGBColor = RGBColor(18, 74, 124);
const RESPONSE: RGBColor = RGBColor(240, 150, 40);
const INK: RGBColor = RGBColor(34, 34, 34);
const PALE: RGBColor = RGBColor(222, 222, 222);
const ALERT: RGBColor = RGBColor(176, 0, 32);

/// More frames than this are drawn no further; a bar would be thinner than a hair.
const MOST_FRAMES: usize = 2000;

/// Why a picture could not be drawn: it says so in one line.
#[derive(Debug, thiserror::Error)]
#[error("the picture of the scan cannot be drawn: {0}")]
pub struct ChartError(#[from] DrawingAreaErrorKind<io::Error>);

/// Draws the scan that a plan predicts, as SVG text.
///
/// # Errors
/// What the drawing library says; no plan is known to cause it.
pub fn scan_svg(plan: &Plan, traffic: &Traffic) -> Result<String, ChartError> {
    let frames = predict_scan(plan, traffic);
    let mut rows: Vec<Option<MacId>> = frames.iter().map(|frame| frame.node).collect();
    rows.sort();
    rows.dedup();
    let height = TOP + ROW * rows.len().max(1) as i32 + BOTTOM;
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (WIDTH, height as u32)).into_drawing_area();
        let picture = Picture::new(plan, &frames, rows, height);
        picture.draw(&root)?;
        root.present()?;
    }
    Ok(svg)
}

struct Picture<'a> {
    plan: &'a Plan,
    frames: &'a [ScanFrame],
    rows: Vec<Option<MacId>>,
    height: i32,
    scan_ms: f64,
    end_ms: f64,
    /// Where the time axis ends.
    shown_ms: f64,
}

type Area<'s> = DrawingArea<SVGBackend<'s>, plotters::coord::Shift>;
type DrawResult<'s> =
    Result<(), DrawingAreaErrorKind<<SVGBackend<'s> as DrawingBackend>::ErrorType>>;

impl<'a> Picture<'a> {
    fn new(
        plan: &'a Plan,
        frames: &'a [ScanFrame],
        rows: Vec<Option<MacId>>,
        height: i32,
    ) -> Picture<'a> {
        let to_ms = 1e3 / f64::from(plan.trunk.bitrate.get());
        let scan_ms = plan.trunk.scan_interval.as_secs() * 1e3;
        let end_ms = frames.last().map_or(0.0, |frame| frame.end_bits) * to_ms;
        // A scan that is over early in a long interval is drawn alone.
        let shown_ms =
            if end_ms < scan_ms / 8.0 { end_ms * 1.25 } else { scan_ms.max(end_ms) * 1.02 };
        Picture { plan, frames, rows, height, scan_ms, end_ms, shown_ms: shown_ms.max(1e-3) }
    }

    fn draw<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        root.fill(&WHITE)?;
        self.draw_heading(root)?;
        self.draw_axis(root)?;
        for (index, row) in self.rows.iter().enumerate() {
            let label = match row.map(|mac_id| (mac_id, self.plan.node(mac_id))) {
                Some((_, Some(node))) => node.label(),
                Some((mac_id, None)) => mac_id.to_string(),
                None => "strobe command".into(),
            };
            let middle = TOP + ROW * index as i32 + ROW / 2;
            let place = Pos::new(HPos::Right, VPos::Center);
            root.draw(&Text::new(
                shortened(&label, 30),
                (LABELS - 10, middle),
                ink(14).pos(place),
            ))?;
            let line = [(LABELS, middle), (WIDTH as i32 - RIGHT, middle)];
            root.draw(&PathElement::new(line, PALE))?;
        }
        let to_ms = 1e3 / f64::from(self.plan.trunk.bitrate.get());
        for frame in self.frames.iter().take(MOST_FRAMES) {
            let Some(row) = self.rows.iter().position(|row| *row == frame.node) else { continue };
            let top = TOP + ROW * row as i32 + 3;
            let (left, right) = (self.x(frame.begin_bits * to_ms), self.x(frame.end_bits * to_ms));
            let colour = if frame.from_slave { RESPONSE } else { COMMAND };
            // A gap of one pixel keeps frames that follow each other apart.
            let corners = [(left, top), ((right - 1).max(left + 1), top + ROW - 6)];
            root.draw(&Rectangle::new(corners, colour.filled()))?;
        }
        self.draw_interval(root)
    }

    fn draw_heading<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        let end = match self.frames.is_empty() {
            true => "nothing is scanned".into(),
            false => format!("over after {:.2} ms of {} ms", self.end_ms, self.scan_ms),
        };
        let name = shortened(&self.plan.trunk.name, 60);
        let heading = format!("{name}: the predicted scan, {end}");
        root.draw(&Text::new(heading, (12, 12), ink(17)))?;
        let legend = [(COMMAND, "master to node"), (RESPONSE, "node to master")];
        for (index, (colour, words)) in legend.into_iter().enumerate() {
            let left = 12 + 150 * index as i32;
            root.draw(&Rectangle::new([(left, 40), (left + 14, 52)], colour.filled()))?;
            root.draw(&Text::new(words, (left + 20, 38), ink(14)))?;
        }
        let reaction = self.plan.trunk.reaction.as_secs() * 1e3;
        let supposed =
            format!("supposed: mean wire times, answers ready {reaction} ms after the command");
        let place = Pos::new(HPos::Right, VPos::Top);
        root.draw(&Text::new(supposed, (WIDTH as i32 - RIGHT, 38), ink(12).pos(place)))
    }

    fn draw_axis<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        let step = step(self.shown_ms);
        let foot = self.height - BOTTOM;
        let mut count = 0;
        while f64::from(count) * step <= self.shown_ms {
            let ms = f64::from(count) * step;
            let x = self.x(ms);
            root.draw(&PathElement::new([(x, TOP), (x, foot + 4)], PALE))?;
            let place = Pos::new(HPos::Center, VPos::Top);
            let figure = format!("{}", (ms * 1000.0).round() / 1000.0);
            root.draw(&Text::new(figure, (x, foot + 6), ink(13).pos(place)))?;
            count += 1;
        }
        root.draw(&Text::new("ms from the start of the scan", (LABELS, foot + 26), ink(13)))
    }

    /// The line that the scan must not cross.
    fn draw_interval<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        if self.scan_ms > self.shown_ms {
            return Ok(());
        }
        let x = self.x(self.scan_ms);
        let foot = self.height - BOTTOM;
        root.draw(&PathElement::new([(x, TOP - 6), (x, foot + 4)], ALERT.stroke_width(2)))?;
        let place = Pos::new(HPos::Right, VPos::Top);
        let style = ("sans-serif", 13).into_font().color(&ALERT).pos(place);
        root.draw(&Text::new("the next scan begins", (x, foot + 26), style))
    }

    fn x(&self, ms: f64) -> i32 {
        let room = f64::from(WIDTH as i32 - RIGHT - LABELS);
        LABELS + (room * (ms / self.shown_ms).min(1.0)).round() as i32
    }
}

fn ink(size: i32) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&INK)
}

/// As many characters as there is room for.
fn shortened(label: &str, most: usize) -> String {
    if label.chars().count() <= most {
        return label.to_owned();
    }
    label.chars().take(most - 1).chain(['…']).collect()
}

/// A round step that gives the axis six to twelve marks.
fn step(shown: f64) -> f64 {
    let rough = shown / 12.0;
    let power = 10f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|&s| s >= rough).unwrap_or(rough)
}

/// One frame of the predicted scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanFrame {
    /// Its identifier.
    pub id: StandardId,
    /// The node that it belongs to; `None` for the bit-strobe command.
    pub node: Option<MacId>,
    /// Whether a slave sends it, or else the master.
    pub from_slave: bool,
    /// When it begins, in bit times from the start of the scan.
    pub begin_bits: f64,
    /// When it ends.
    pub end_bits: f64,
}

/// The frames of one scan in the order in which they go over the wire.
pub fn predict_scan(plan: &Plan, traffic: &Traffic) -> Vec<ScanFrame> {
    let rate = f64::from(plan.trunk.bitrate.get());
    let reaction = plan.trunk.reaction.as_secs() * rate;
    // By priority, so the first that is ready wins.
    let mut waiting: Vec<Waiting> = traffic
        .messages
        .iter()
        .filter(|times| !times.message.explicit)
        .map(|times| Waiting {
            times: times.frames.iter().map(|frame| frame.mean).rev().collect(),
            ready: if times.message.answers.is_none() { Some(0.0) } else { None },
            message: &times.message,
        })
        .collect();
    let mut frames = Vec::new();
    let mut now = 0.0f64;
    while let Some(earliest) = waiting.iter().filter_map(|w| w.ready).reduce(f64::min) {
        now = now.max(earliest);
        let ready = |w: &&mut Waiting| w.ready.is_some_and(|ready| ready <= now);
        let Some(sender) = waiting.iter_mut().find(ready) else { break };
        let end_bits = now + sender.times.pop().unwrap_or(0.0);
        let message = sender.message;
        frames.push(ScanFrame {
            id: message.id,
            node: message.node,
            from_slave: message.from_slave,
            begin_bits: now,
            end_bits,
        });
        now = end_bits;
        if sender.times.is_empty() {
            sender.ready = None;
            for answer in waiting.iter_mut().filter(|w| w.message.answers == Some(message.id)) {
                answer.ready = Some(now + reaction);
            }
        }
    }
    frames
}

struct Waiting<'a> {
    message: &'a PlannedMessage,
    /// Its frames still to send, the last one first.
    times: Vec<f64>,
    ready: Option<f64>,
}
