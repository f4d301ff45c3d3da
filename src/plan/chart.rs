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
use crate::words::{printable, printable_char};

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
const OTHER: RGBColor = RGBColor(120, 120, 120);
const PALE: RGBColor = RGBColor(222, 222, 222);
const ALERT: RGBColor = RGBColor(176, 0, 32);

/// The row of the bit-strobe command.
pub const STROBE_ROW: &str = "strobe command";

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
    ScanPicture::predicted(plan, traffic).to_svg()
}

/// A picture of one scan, before it is drawn. Times are in milliseconds from its start.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanPicture {
    /// What it is, above it.
    pub heading: String,
    /// How far it can be trusted, on the right.
    pub remark: String,
    /// The rows from the top down, each with its label; `None` is the bit-strobe command's.
    pub rows: Vec<(Option<MacId>, String)>,
    /// The frames.
    pub bars: Vec<ScanBar>,
    /// When error frames came.
    pub errors_ms: Vec<f64>,
    /// When the next scan begins.
    pub interval_ms: f64,
    /// Where the time axis ends.
    pub shown_ms: f64,
}

/// One frame in the picture of a scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanBar {
    /// Its row.
    pub node: Option<MacId>,
    /// When it begins.
    pub begin_ms: f64,
    /// When it ends.
    pub end_ms: f64,
    /// What it is.
    pub kind: ScanBarKind,
}

/// What a frame in the picture of a scan is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScanBarKind {
    /// I/O of the master.
    Command,
    /// I/O of a node.
    Response,
    /// Any other message.
    Other,
}

impl ScanPicture {
    /// The scan that a plan predicts.
    pub fn predicted(plan: &Plan, traffic: &Traffic) -> ScanPicture {
        let frames = predict_scan(plan, traffic);
        let to_ms = 1e3 / f64::from(plan.trunk.bitrate.get());
        let mut rows: Vec<Option<MacId>> = frames.iter().map(|frame| frame.node).collect();
        rows.sort();
        rows.dedup();
        let label = |row: Option<MacId>| match row.map(|mac_id| (mac_id, plan.node(mac_id))) {
            Some((_, Some(node))) => node.label(),
            Some((mac_id, None)) => mac_id.to_string(),
            None => STROBE_ROW.into(),
        };
        let bars = frames.iter().map(|frame| ScanBar {
            node: frame.node,
            begin_ms: frame.begin_bits * to_ms,
            end_ms: frame.end_bits * to_ms,
            kind: if frame.from_slave { ScanBarKind::Response } else { ScanBarKind::Command },
        });
        let interval_ms = plan.trunk.scan_interval.as_secs() * 1e3;
        let end_ms = frames.last().map_or(0.0, |frame| frame.end_bits) * to_ms;
        let end = match frames.is_empty() {
            true => "nothing is scanned".into(),
            false => format!("over after {end_ms:.2} ms of {interval_ms} ms"),
        };
        let name = shortened(&plan.trunk.name, 60);
        let reaction = plan.trunk.reaction.as_secs() * 1e3;
        ScanPicture {
            heading: format!("{name}: the predicted scan, {end}"),
            remark: format!(
                "supposed: mean wire times, answers ready {reaction} ms after the command"
            ),
            rows: rows.into_iter().map(|row| (row, label(row))).collect(),
            bars: bars.collect(),
            errors_ms: Vec::new(),
            interval_ms,
            shown_ms: ScanPicture::room(end_ms, interval_ms),
        }
    }

    /// How much of the time axis shows a scan whose last answer and whose next scan are there: one
    /// that is over early in a long interval is drawn alone.
    pub fn room(end_ms: f64, interval_ms: f64) -> f64 {
        let alone = end_ms < interval_ms / 8.0;
        let room = if alone { end_ms * 1.25 } else { interval_ms.max(end_ms) * 1.02 };
        room.max(1e-3)
    }

    /// Draws it, as SVG text.
    ///
    /// # Errors
    /// What the drawing library says; no scan is known to cause it.
    pub fn to_svg(&self) -> Result<String, ChartError> {
        let height = self.height();
        let mut svg = String::new();
        {
            let backend = SVGBackend::with_string(&mut svg, (WIDTH, height as u32));
            let root = backend.into_drawing_area();
            self.draw(&root)?;
            root.present()?;
        }
        Ok(svg)
    }

    fn height(&self) -> i32 {
        TOP + ROW * self.rows.len().max(1) as i32 + BOTTOM
    }
}

type Area<'s> = DrawingArea<SVGBackend<'s>, plotters::coord::Shift>;
type DrawResult<'s> =
    Result<(), DrawingAreaErrorKind<<SVGBackend<'s> as DrawingBackend>::ErrorType>>;

impl ScanPicture {
    fn draw<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        root.fill(&WHITE)?;
        self.draw_heading(root)?;
        self.draw_axis(root)?;
        for (index, (_, label)) in self.rows.iter().enumerate() {
            let middle = TOP + ROW * index as i32 + ROW / 2;
            let place = Pos::new(HPos::Right, VPos::Center);
            root.draw(&Text::new(shortened(label, 30), (LABELS - 10, middle), ink(14).pos(place)))?;
            let line = [(LABELS, middle), (WIDTH as i32 - RIGHT, middle)];
            root.draw(&PathElement::new(line, PALE))?;
        }
        for bar in self.bars.iter().take(MOST_FRAMES) {
            let Some(row) = self.rows.iter().position(|(row, _)| *row == bar.node) else {
                continue;
            };
            let top = TOP + ROW * row as i32 + 3;
            let (left, right) = (self.x(bar.begin_ms), self.x(bar.end_ms));
            let colour = match bar.kind {
                ScanBarKind::Command => COMMAND,
                ScanBarKind::Response => RESPONSE,
                ScanBarKind::Other => OTHER,
            };
            // A gap of one pixel keeps frames that follow each other apart.
            let corners = [(left, top), ((right - 1).max(left + 1), top + ROW - 6)];
            root.draw(&Rectangle::new(corners, colour.filled()))?;
        }
        for &error in &self.errors_ms {
            let x = self.x(error);
            root.draw(&PathElement::new([(x, TOP), (x, self.height() - BOTTOM)], ALERT))?;
        }
        self.draw_interval(root)
    }

    fn draw_heading<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        root.draw(&Text::new(printable(&self.heading), (12, 12), ink(17)))?;
        let mut legend = vec![(COMMAND, "master to node"), (RESPONSE, "node to master")];
        if self.bars.iter().any(|bar| bar.kind == ScanBarKind::Other) {
            legend.push((OTHER, "other message"));
        }
        if !self.errors_ms.is_empty() {
            legend.push((ALERT, "error frame"));
        }
        for (index, (colour, words)) in legend.into_iter().enumerate() {
            let left = 12 + 150 * index as i32;
            root.draw(&Rectangle::new([(left, 40), (left + 14, 52)], colour.filled()))?;
            root.draw(&Text::new(words, (left + 20, 38), ink(14)))?;
        }
        let place = Pos::new(HPos::Right, VPos::Top);
        root.draw(&Text::new(self.remark.as_str(), (WIDTH as i32 - RIGHT, 38), ink(12).pos(place)))
    }

    fn draw_axis<'s>(&self, root: &Area<'s>) -> DrawResult<'s> {
        let step = step(self.shown_ms);
        let foot = self.height() - BOTTOM;
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
        if self.interval_ms > self.shown_ms {
            return Ok(());
        }
        let x = self.x(self.interval_ms);
        let foot = self.height() - BOTTOM;
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
        return printable(label);
    }
    label.chars().take(most - 1).map(printable_char).chain(['…']).collect()
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
