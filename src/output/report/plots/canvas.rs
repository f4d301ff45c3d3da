//! What plots are drawn on, and their axes: time to the right in round steps, spans of time on a
//! logarithmic scale.

use std::io;

use maud::{Markup, PreEscaped, html};
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::plan::ChartError;

/// How wide every picture is, in its own units; the page scales it to its own width.
pub(super) const WIDTH: i32 = 1000;
/// Where the axes begin: room for labels.
pub(super) const LEFT: i32 = 92;

/// Why a plot could not be drawn: it says so in one line.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// The drawing library could not.
    #[error("a plot of the report cannot be drawn: {0}")]
    Drawing(#[from] DrawingAreaErrorKind<io::Error>),
    /// The drawing library gave something else than a picture.
    #[error("a plot of the report cannot be drawn: no picture came out")]
    NoPicture,
    /// The predicted scan could not be drawn.
    #[error("a plot of the report cannot be drawn: {0}")]
    Scan(#[from] ChartError),
}

/// A picture that was drawn. The page makes the `svg` element around it, with its title.
#[derive(Debug, Clone)]
pub(in super::super) struct Picture {
    /// A few words on what it is.
    pub(in super::super) title: String,
    /// What it shows, for who cannot see it.
    pub(in super::super) description: String,
    /// The shapes: SVG elements, drawn from numbers and our own words alone.
    pub(in super::super) shapes: String,
    /// In the units of the shapes.
    pub(in super::super) width: i32,
    /// In the units of the shapes.
    pub(in super::super) height: i32,
}

// Dark enough on white to be told apart in print; every colour has a shape or word beside it.
pub(super) const INK: RGBColor = RGBColor(30, 36, 44);
pub(super) const SOFT: RGBColor = RGBColor(84, 94, 106);
pub(super) const GRID: RGBColor = RGBColor(222, 226, 230);
pub(super) const SHADE: RGBColor = RGBColor(240, 236, 222);
pub(super) const TEAL: RGBColor = RGBColor(17, 106, 112);
pub(super) const PALE_TEAL: RGBColor = RGBColor(150, 200, 202);
pub(super) const RUST: RGBColor = RGBColor(164, 52, 22);
pub(super) const PAPER: RGBColor = RGBColor(255, 255, 255);
pub(super) const AMBER: RGBColor = RGBColor(196, 128, 10);

/// Font sizes, in the units of the picture.
pub(super) const LABEL: f64 = 17.0;
pub(super) const SMALL: f64 = 15.5;

/// Which corner or edge of a text stands at its place.
#[derive(Debug, Clone, Copy)]
pub(super) enum At {
    /// Left end, half height.
    Left,
    /// Right end, half height.
    Right,
    /// Middle, half height.
    Middle,
}

pub(super) type Drawn = Result<(), DrawingAreaErrorKind<io::Error>>;

/// A drawing in the making.
pub(super) struct Canvas<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
}

/// Draws a picture of this height.
pub(super) fn picture(
    title: String,
    description: String,
    height: i32,
    draw: impl FnOnce(&Canvas<'_>) -> Drawn,
) -> Result<Picture, PlotError> {
    let mut svg = String::new();
    {
        let size = (WIDTH as u32, height.max(1) as u32);
        let canvas = Canvas { area: SVGBackend::with_string(&mut svg, size).into_drawing_area() };
        draw(&canvas).and_then(|()| canvas.area.present())?;
    }
    adopt(&svg, title, description)
}

/// A picture out of a whole SVG text of the drawing library.
pub(in super::super) fn adopt(
    svg: &str,
    title: String,
    description: String,
) -> Result<Picture, PlotError> {
    // The page has its own svg element, which carries the title.
    let parts = svg.split_once('>').and_then(|(head, rest)| {
        let (shapes, _) = rest.rsplit_once("</svg>")?;
        let size = head.split_once("viewBox=\"0 0 ")?.1.split_once('"')?.0;
        let (width, height) = size.split_once(' ')?;
        Some((shapes.to_string(), width.parse().ok()?, height.parse().ok()?))
    });
    let (shapes, width, height) = parts.ok_or(PlotError::NoPicture)?;
    Ok(Picture { title, description, shapes, width, height })
}

impl Canvas<'_> {
    /// A filled rectangle between two corners.
    pub(super) fn bar(&self, a: (i32, i32), b: (i32, i32), colour: RGBColor) -> Drawn {
        let corners = [(a.0.min(b.0), a.1.min(b.1)), (a.0.max(b.0), a.1.max(b.1))];
        self.area.draw(&Rectangle::new(corners, colour.filled()))
    }

    /// A filled shape.
    pub(super) fn shape(&self, corners: &[(i32, i32)], colour: RGBColor) -> Drawn {
        self.area.draw(&Polygon::new(corners, colour))
    }

    /// A straight line.
    pub(super) fn line(&self, a: (i32, i32), b: (i32, i32), colour: RGBColor, width: u32) -> Drawn {
        self.area.draw(&PathElement::new([a, b], colour.stroke_width(width)))
    }

    /// A dashed line, level.
    pub(super) fn dashes(&self, y: i32, from: i32, to: i32, colour: RGBColor) -> Drawn {
        for x in (from..to).step_by(12) {
            self.line((x, y), ((x + 7).min(to), y), colour, 1)?;
        }
        Ok(())
    }

    /// Words in the generic sans-serif font.
    pub(super) fn text(
        &self,
        words: &str,
        place: (i32, i32),
        at: At,
        (size, colour): (f64, RGBColor),
    ) -> Drawn {
        let horizontal = match at {
            At::Left => HPos::Left,
            At::Right => HPos::Right,
            At::Middle => HPos::Center,
        };
        // The backend writes the size divided by 1.24 into the SVG.
        let style = ("sans-serif", size * 1.24)
            .into_font()
            .color(&colour)
            .pos(Pos::new(horizontal, VPos::Center));
        self.area.draw(&Text::new(words.to_string(), place, style))
    }
}

/// How wide some words come out, roughly: the font is the reader's.
pub(super) fn width_of(words: &str, size: f64) -> i32 {
    (words.chars().count() as f64 * size * 0.56).ceil() as i32
}

/// A plot with its title, and in words what it shows. `id` is unique on the page.
pub(in super::super) fn figure(picture: &Picture, id: &str, caption: Markup) -> Markup {
    let (title, about) = (format!("{id}-title"), format!("{id}-about"));
    html! {
        figure {
            svg role="img" aria-labelledby=(title) aria-describedby=(about)
                viewBox={ "0 0 " (picture.width) " " (picture.height) }
                xmlns="http://www.w3.org/2000/svg" {
                title id=(title) { (picture.title) }
                desc id=(about) { (picture.description) }
                // Numbers and our own words alone; the drawing library escapes its texts, too.
                (PreEscaped(&picture.shapes))
            }
            figcaption { (caption) }
        }
    }
}

/// Time since the start of the capture, from left to right.
#[derive(Debug, Clone, Copy)]
pub(super) struct TimeAxis {
    duration_s: f64,
    right: i32,
}

impl TimeAxis {
    /// For a capture of this length.
    pub(super) fn new(duration_s: f64) -> TimeAxis {
        TimeAxis { duration_s: duration_s.max(1e-3), right: WIDTH - 18 }
    }

    /// Where the axis ends.
    pub(super) fn right(&self) -> i32 {
        self.right
    }

    /// Where this time is; times outside are at the nearer end.
    pub(super) fn x(&self, seconds: f64) -> i32 {
        let share = (seconds / self.duration_s).clamp(0.0, 1.0);
        LEFT + (share * f64::from(self.right - LEFT)).round() as i32
    }

    /// Lines from top to foot, with the times under it.
    pub(super) fn draw(&self, canvas: &Canvas<'_>, top: i32, foot: i32) -> Drawn {
        let (unit, name) = match self.duration_s {
            s if s <= 180.0 => (1.0, "seconds"),
            s if s <= 10_800.0 => (60.0, "minutes"),
            s if s <= 259_200.0 => (3600.0, "hours"),
            _ => (86_400.0, "days"),
        };
        let end = self.duration_s / unit;
        let step = round_step(end / 10.0);
        let mut count = 0;
        while f64::from(count) * step <= end * 1.0001 {
            let value = f64::from(count) * step;
            let x = self.x(value * unit);
            canvas.line((x, top), (x, foot + 5), GRID, 1)?;
            canvas.text(&tick(value, step), (x, foot + 17), At::Middle, (SMALL, SOFT))?;
            count += 1;
        }
        canvas.line((LEFT, foot), (self.right, foot), INK, 1)?;
        let words = format!("{name} since the start");
        canvas.text(&words, (self.right, foot + 38), At::Right, (SMALL, SOFT))
    }
}

/// How much room a time axis needs under its foot.
pub(super) const TIME_AXIS: i32 = 52;

/// A value from the foot upwards.
#[derive(Debug, Clone, Copy)]
pub(super) struct ValueAxis {
    top: i32,
    foot: i32,
    end: f64,
    step: f64,
}

impl ValueAxis {
    /// From 0 at the foot to a round value at the top, no less than `highest`.
    pub(super) fn new(top: i32, foot: i32, highest: f64, least_step: f64) -> ValueAxis {
        let step = round_step(highest / 4.0).max(least_step);
        ValueAxis { top, foot, step, end: (highest / step).ceil().max(1.0) * step }
    }

    /// Where this value is.
    pub(super) fn y(&self, value: f64) -> i32 {
        let share = (value / self.end).clamp(0.0, 1.0);
        self.foot - (share * f64::from(self.foot - self.top)).round() as i32
    }

    /// The value at the top.
    pub(super) fn end(&self) -> f64 {
        self.end
    }

    /// Lines across, with the values at the left.
    pub(super) fn draw(&self, canvas: &Canvas<'_>, right: i32, unit: &str) -> Drawn {
        let mut count = 0;
        while f64::from(count) * self.step <= self.end * 1.0001 {
            let value = f64::from(count) * self.step;
            let y = self.y(value);
            canvas.line((LEFT, y), (right, y), GRID, 1)?;
            let words = format!("{}{unit}", tick(value, self.step));
            canvas.text(&words, (LEFT - 8, y), At::Right, (SMALL, SOFT))?;
            count += 1;
        }
        Ok(())
    }
}

/// Spans of time in microseconds, from left to right, each decade as wide as the next.
#[derive(Debug, Clone, Copy)]
pub(super) struct SpanAxis {
    low: f64,
    high: f64,
    left: i32,
    right: i32,
}

impl SpanAxis {
    /// Wide enough for spans from `least` to `greatest`.
    pub(super) fn new(least: f64, greatest: f64, left: i32, right: i32) -> SpanAxis {
        let least = least.max(1.0);
        let greatest = greatest.max(least);
        // A little room on both sides, and never less than from 1 to 2.
        let (low, high) = (least / 1.15, greatest * 1.15);
        let short = (2.0 / (high / low)).sqrt().max(1.0);
        SpanAxis { low: (low / short).log10(), high: (high * short).log10(), left, right }
    }

    /// Where this span is.
    pub(super) fn x(&self, micros: f64) -> i32 {
        let share = (micros.max(1e-3).log10() - self.low) / (self.high - self.low);
        self.left + (share.clamp(0.0, 1.0) * f64::from(self.right - self.left)).round() as i32
    }

    /// Lines from top to foot, with the spans in milliseconds under it.
    pub(super) fn draw(&self, canvas: &Canvas<'_>, top: i32, foot: i32) -> Drawn {
        let mut free_from = i32::MIN;
        let wide = self.high - self.low > 0.8;
        let digits: &[f64] =
            if wide { &[1.0, 2.0, 5.0] } else { &[1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0] };
        for decade in self.low.floor() as i32..=self.high.ceil() as i32 {
            for &digit in digits {
                let micros = digit * 10f64.powi(decade);
                if micros.log10() < self.low || micros.log10() > self.high {
                    continue;
                }
                let x = self.x(micros);
                canvas.line((x, top), (x, foot + 4), GRID, 1)?;
                let words = plain(micros / 1e3);
                let half = width_of(&words, SMALL) / 2 + 4;
                // Labels that would touch their neighbour are left out.
                if x - half >= free_from {
                    canvas.text(&words, (x, foot + 17), At::Middle, (SMALL, SOFT))?;
                    free_from = x + half;
                }
            }
        }
        canvas.line((self.left, foot), (self.right, foot), INK, 1)?;
        let words = "milliseconds, each decade as wide as the next";
        canvas.text(words, (self.right, foot + 38), At::Right, (SMALL, SOFT))
    }
}

/// The heading of a column of figures.
pub(super) fn column(canvas: &Canvas<'_>, words: &str, place: (i32, i32)) -> Drawn {
    canvas.text(words, place, At::Right, (LABEL, SOFT))
}

/// 1, 2 or 5 times a power of ten, no less than `rough`.
fn round_step(rough: f64) -> f64 {
    if !rough.is_finite() || rough <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|&s| s >= rough).unwrap_or(rough)
}

/// With as many decimals as the steps between need.
fn tick(value: f64, step: f64) -> String {
    let decimals = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
    format!("{value:.decimals$}")
}

/// Without trailing zeros.
fn plain(value: f64) -> String {
    let words = format!("{value:.4}");
    words.trim_end_matches('0').trim_end_matches('.').to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round() {
        let steps = [0.0, 0.03, 1.0, 3.0, 6.1].map(round_step);
        let expected = [1.0, 0.05, 1.0, 5.0, 10.0];
        assert!(steps.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-9), "{steps:?}");
        assert_eq!(tick(0.15, 0.05), "0.15");
        assert_eq!((plain(0.5), plain(200.0)), ("0.5".into(), "200".into()));
    }

    #[test]
    fn what_is_outside_stays_at_the_edge() {
        let time = TimeAxis::new(60.0);
        assert_eq!((time.x(-5.0), time.x(1e9)), (LEFT, time.right()));
        let span = SpanAxis::new(1000.0, 1000.0, 100, 800);
        assert!(span.x(500.0) == 100 && span.x(1e6) == 800);
        assert_eq!(span.x(1000.0), 450);
    }
}
