//! What every plot is drawn with: a few shapes in a few colours, text in a generic font.

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
