//! The curves of growth as one SVG picture: time above, memory below.

use std::error::Error;
use std::path::Path;

use plotters::prelude::*;

use super::growth::Point;

const SIZE: (u32, u32) = (960, 520);
const TEAL: RGBColor = RGBColor(17, 106, 112);
const RUST: RGBColor = RGBColor(164, 52, 22);

/// Draws the curves to a file.
pub fn growth(path: &Path, curves: &[(&str, Vec<Point>)]) -> Result<(), Box<dyn Error>> {
    let area = SVGBackend::new(path, SIZE).into_drawing_area();
    area.fill(&WHITE)?;
    let panels = area.split_evenly((2, curves.len()));
    for (at, (name, points)) in curves.iter().enumerate() {
        let pairs = |y: fn(&Point) -> f64| points.iter().map(|p| (p.x, y(p))).collect::<Vec<_>>();
        let title = format!("seconds over {name}");
        panel(&panels[at], &title, *name == "frames", TEAL, &pairs(|p| p.seconds))?;
        let title = format!("peak memory in MB over {name}");
        panel(
            &panels[curves.len() + at],
            &title,
            *name == "frames",
            RUST,
            &pairs(|p| p.megabytes),
        )?;
    }
    area.present()?;
    Ok(())
}

/// One curve; on two logarithmic axes, where a straight line that climbs one decade a decade is
/// proportional, or on plain ones from zero.
fn panel<DB: DrawingBackend>(
    area: &DrawingArea<DB, plotters::coord::Shift>,
    title: &str,
    logarithmic: bool,
    colour: RGBColor,
    points: &[(f64, f64)],
) -> Result<(), Box<dyn Error>>
where
    DB::ErrorType: 'static,
{
    let most = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).fold(0.0, f64::max);
    let least = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).fold(f64::MAX, f64::min);
    let mut chart = ChartBuilder::on(area);
    chart.caption(title, ("sans-serif", 15)).margin(12);
    chart.x_label_area_size(24).y_label_area_size(48);
    let path = PathElement::new(points.to_vec(), colour.stroke_width(2));
    let dots = points.iter().map(|&point| Circle::new(point, 3, colour.filled()));
    if logarithmic {
        let x = least(|p| p.0)..most(|p| p.0) * 1.5;
        let y = least(|p| p.1) / 2.0..most(|p| p.1) * 2.0;
        let mut chart = chart.build_cartesian_2d(x.log_scale(), y.log_scale())?;
        let power = |number: &f64| format!("{number:.0e}");
        chart
            .configure_mesh()
            .max_light_lines(1)
            .x_label_formatter(&power)
            .y_label_formatter(&power)
            .draw()?;
        chart.draw_series([path])?;
        chart.draw_series(dots)?;
    } else {
        let (x, y) = (0.0..most(|p| p.0) * 1.05, 0.0..most(|p| p.1) * 1.3);
        let mut chart = chart.build_cartesian_2d(x, y)?;
        let short = |number: &f64| match *number {
            n if n >= 10_000.0 => format!("{n:.1e}"),
            n if n >= 10.0 => format!("{n:.0}"),
            n if n >= 1.0 => format!("{n:.1}"),
            n => format!("{n:.2}"),
        };
        chart
            .configure_mesh()
            .max_light_lines(1)
            .x_label_formatter(&short)
            .y_label_formatter(&short)
            .draw()?;
        chart.draw_series([path])?;
        chart.draw_series(dots)?;
    }
    Ok(())
}
