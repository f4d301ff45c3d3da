//! How spans of time are spread: a row a node, its histogram, median and slowest.

use super::canvas::{
    At, Canvas, Drawn, GRID, INK, LABEL, LEFT, PALE_TEAL, Picture, PlotError, RUST, SOFT, SpanAxis,
    TEAL, TIME_AXIS, WIDTH, column, picture,
};
use crate::trunk::Distribution;

const TOP: i32 = 34;
const ROW: i32 = 46;
/// Where the columns of figures end.
const COLUMNS: [i32; 3] = [WIDTH - 158, WIDTH - 82, WIDTH - 6];
const RIGHT: i32 = WIDTH - 226;
/// How wide a bar of a histogram is.
const BIN: i32 = 4;

/// So many rows fit on a printed page with what stands around them.
const MOST_ROWS: usize = 18;

/// The spans of one node.
#[derive(Debug, Clone)]
pub(in super::super) struct Row<'a> {
    /// Which node, and which of its exchanges.
    pub(in super::super) label: String,
    /// Its spans.
    pub(in super::super) spans: &'a Distribution,
}

/// The distributions of all rows on one scale; more than one picture where there are many.
pub(in super::super) fn spread(title: &str, rows: &[Row<'_>]) -> Result<Vec<Picture>, PlotError> {
    let least = rows.iter().filter_map(|row| row.spans.min()).min();
    let greatest = rows.iter().filter_map(|row| row.spans.max()).max();
    let (Some(least), Some(greatest)) = (least, greatest) else { return Ok(Vec::new()) };
    let axis = SpanAxis::new(least.as_micros(), greatest.as_micros(), LEFT, RIGHT);
    rows.chunks(MOST_ROWS).map(|rows| one_picture(title, &axis, rows)).collect()
}

fn one_picture(title: &str, axis: &SpanAxis, rows: &[Row<'_>]) -> Result<Picture, PlotError> {
    let foot = TOP + ROW * rows.len() as i32;
    let description: Vec<String> = rows
        .iter()
        .map(|row| {
            let [median, p99, max] = figures(row.spans);
            format!("{}: median {median} ms, 99 % within {p99} ms, slowest {max} ms", row.label)
        })
        .collect();
    picture(title.to_string(), description.join("; "), foot + TIME_AXIS, |canvas| {
        for (words, x) in ["median", "99 %", "max, ms"].into_iter().zip(COLUMNS) {
            column(canvas, words, (x, 14))?;
        }
        axis.draw(canvas, TOP, foot)?;
        for (index, row) in rows.iter().enumerate() {
            draw_row(canvas, axis, TOP + ROW * index as i32, row)?;
        }
        Ok(())
    })
}

fn draw_row(canvas: &Canvas<'_>, axis: &SpanAxis, top: i32, row: &Row<'_>) -> Drawn {
    let base = top + ROW - 6;
    canvas.text(&row.label, (LEFT - 8, base - 10), At::Right, (LABEL, INK))?;
    canvas.line((LEFT, base), (WIDTH - 6, base), GRID, 1)?;
    let mut bins = vec![0u64; ((RIGHT - LEFT) / BIN + 1) as usize];
    for (span, count) in row.spans.counts() {
        bins[((axis.x(span.as_micros()) - LEFT) / BIN) as usize] += count;
    }
    let fullest = bins.iter().max().copied().unwrap_or(0).max(1) as f64;
    for (index, &count) in bins.iter().enumerate().filter(|(_, count)| **count > 0) {
        // By the square root, so that a single late answer among thousands is still seen.
        let height = ((count as f64 / fullest).sqrt() * f64::from(ROW - 16)).round().max(2.0);
        let left = LEFT + BIN * index as i32;
        canvas.bar((left, base - height as i32), (left + BIN, base), PALE_TEAL)?;
    }
    let mark = |quantile, colour, height: i32| match row.spans.quantile(quantile) {
        Some(span) => {
            let x = axis.x(span.as_micros());
            canvas.line((x, base - height), (x, base + 2), colour, 2)
        }
        None => Ok(()),
    };
    mark(0.5, TEAL, ROW - 12)?;
    mark(0.99, SOFT, (ROW - 12) / 2)?;
    mark(1.0, RUST, (ROW - 12) / 2)?;
    for (words, x) in figures(row.spans).iter().zip(COLUMNS) {
        canvas.text(words, (x, base - 10), At::Right, (LABEL, INK))?;
    }
    Ok(())
}

/// Median, 99 % and maximum in milliseconds.
fn figures(spans: &Distribution) -> [String; 3] {
    [spans.quantile(0.5), spans.quantile(0.99), spans.max()]
        .map(|span| span.map_or("–".to_string(), |span| format!("{:.2}", span.as_micros() / 1e3)))
}
