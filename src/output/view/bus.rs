//! How full the bus is over time, and what was destroyed on it; drawn in characters.

use ratatui::text::{Line as TextLine, Span};

use super::screen::Screen;
use super::snapshot::DriveRuns;
use super::theme::{Theme, heading};
use crate::wire::{BitTime, Nanos};
use crate::words::fit;
use crate::words::numbers::{clock, number, or_unknown, percent, short};

/// So many drives have a row of their own.
const MOST_STRIPS: usize = 4;

/// The width of the scale left of a plot.
const SCALE: usize = 7;

/// A heading with the numbers, so many rows of a plot, and where errors were.
pub fn load(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let (load, theme) = (&screen.snapshot.load, screen.theme);
    let share = |share: Option<f64>| or_unknown(share.map(|share| percent(share, 1)));
    let answer = match load.bitrate {
        None => "unknown without a bit rate; bits over time:".to_string(),
        Some(_) => format!(
            "{} now, mean {}, fullest second {}",
            share(load.last),
            share(load.mean),
            share(load.peak)
        ),
    };
    let mut lines = vec![heading("How full is the bus", &answer, width, theme)];
    if rows == 0 {
        return lines;
    }
    let places = width.saturating_sub(SCALE + 1);
    let (from, to) = window(screen, places);
    // Errors and the drives that run with them are compared at a glance: one below the other.
    let drives = drive_strips(screen, (from, to), places, rows / 2);
    let rows = rows - drives.len();
    let spans = load.over_time.iter().map(|span| {
        let start = span.first as f64;
        (start, start + span.windows as f64, (span.bits, span.windows, span.error_frames))
    });
    let merge = |old: Option<(BitTime, i64, u64)>, new: (BitTime, i64, u64)| match old {
        Some(old) => (old.0 + new.0, old.1.saturating_add(new.1), old.2 + new.2),
        None => new,
    };
    let cells = over_columns(spans, (from, to), places, merge);
    let rate = load.bitrate.map(|rate| f64::from(rate.get()));
    let values: Vec<Option<f64>> = cells
        .iter()
        .map(|cell| cell.map(|(bits, n, _)| bits.0 as f64 / n.max(1) as f64 / rate.unwrap_or(1.0)))
        .collect();
    let top = round_up(values.iter().flatten().copied().fold(0.0, f64::max));
    let label = match rate {
        Some(_) => format!("{:.0} %", 100.0 * top),
        None => short(top as u64),
    };
    for (index, row) in columns(&values, top, rows, &theme).into_iter().enumerate() {
        lines.push(scaled(if index == 0 { &label } else { "" }, row, theme));
    }
    if rows > 1 {
        let marks: String = cells
            .iter()
            .map(|cell| if cell.is_some_and(|c| c.2 > 0) { theme.cross() } else { ' ' })
            .collect();
        if !marks.trim().is_empty() {
            lines.push(marked("errors", marks, theme));
        }
        lines.extend(drives);
        lines.push(axis(from, to, places, theme));
    }
    lines
}

/// A row for each drive that ran, over the same time as the plot; if they would take more than
/// `most` rows, one for all of them.
fn drive_strips(
    screen: &Screen,
    window: (f64, f64),
    places: usize,
    most: usize,
) -> Vec<TextLine<'static>> {
    let theme = screen.theme;
    let strip = |label: &str, drives: &[DriveRuns]| {
        let runs = drives.iter().flat_map(|drive| &drive.runs);
        // A run shorter than a column is seen all the same.
        let spans = runs.map(|(from, to)| (from.as_secs(), to.as_secs(), ()));
        let cells = over_columns(spans, window, places, |_, ()| ());
        let strip = cells.iter().map(|cell| cell.map_or(' ', |()| theme.runs())).collect();
        marked(label, strip, theme)
    };
    let drives = &screen.snapshot.drives;
    match drives.len() {
        0 => Vec::new(),
        count if count <= most.min(MOST_STRIPS) => drives
            .iter()
            .map(|drive| strip(&format!("{} runs", drive.mac_id), std::slice::from_ref(drive)))
            .collect(),
        _ if most > 0 => vec![strip("a drive", drives)],
        _ => Vec::new(),
    }
}

/// The time that plots show, in seconds: the newest columns of a second each, or all of it.
pub fn window(screen: &Screen, places: usize) -> (f64, f64) {
    let to = screen.snapshot.now.as_secs().floor().max(1.0);
    let newest = to - places as f64;
    match screen.whole_time {
        true => (0.0, to),
        false => (newest, to),
    }
}

/// A row of a plot with its label.
pub fn scaled(label: &str, row: String, theme: Theme) -> TextLine<'static> {
    TextLine::from(vec![
        Span::styled(format!("{label:>SCALE$} "), theme.quiet()),
        Span::styled(row, theme.plot()),
    ])
}

/// A row of marks with its label, as strong as words.
pub fn marked(label: &str, marks: String, theme: Theme) -> TextLine<'static> {
    TextLine::from(vec![Span::styled(format!("{label:>SCALE$} "), theme.quiet()), Span::raw(marks)])
}

/// The times at both ends of a plot.
pub fn axis(from: f64, to: f64, places: usize, theme: Theme) -> TextLine<'static> {
    let at = |seconds: f64| clock(Nanos((seconds * 1e9) as i64));
    let (left, right) = (if from < 0.0 { String::new() } else { at(from) }, at(to));
    let gap = places.saturating_sub(left.len() + right.len());
    let text = format!("{:SCALE$} {left}{}{right}", "", " ".repeat(gap));
    TextLine::from(Span::styled(text, theme.quiet()))
}

/// Error frames by cause, and the adapter's controller.
pub fn errors(screen: &Screen, width: usize) -> Vec<TextLine<'static>> {
    let errors = &screen.snapshot.errors;
    let dot = screen.theme.dot();
    let mut answer = match (errors.frames, &errors.kinds[..]) {
        (0, _) => "nothing so far".to_string(),
        (n, [(kind, all)]) if n == *all => kind.counted(*all),
        (n, _) => number(n, "error frame"),
    };
    let kinds: Vec<String> = errors.kinds.iter().map(|(kind, n)| kind.counted(*n)).collect();
    if !kinds.is_empty() && answer != kinds[0] {
        answer += &format!(": {}", kinds.join(", "));
    }
    if let Some(ago) = errors.last.and_then(|last| screen.snapshot.now.since(last)) {
        answer += &format!("{dot}last {} ago", clock(ago));
    }
    let mut lines = vec![heading("Bus errors", &answer, width, screen.theme)];
    let mut parts = vec![match errors.controller {
        Some(state) => format!("  adapter: {state}"),
        None => "  adapter: state unknown".to_string(),
    }];
    if let Some((transmit, receive)) = errors.counters {
        parts.push(format!("counters: transmit {transmit}, receive {receive}"));
    }
    if let Some(burst) = errors.largest {
        let bursts = number(errors.bursts, "burst");
        parts.push(format!("{bursts}, the largest {} at {}", burst.frames, clock(burst.from)));
    }
    let words = ["warning", "error-passive", "bus-off", "restarted"];
    let went = words.iter().zip(errors.changes).filter(|(_, n)| *n > 0);
    parts.extend(went.map(|(word, n)| format!("{word} {n}x")));
    lines.push(TextLine::from(fit(parts, dot, width)));
    lines
}

/// Draws columns, each from 0 to `full`, in so many rows, the top one first. What is more than
/// nothing shows at least as the lowest block; unknown stays empty.
pub fn columns(values: &[Option<f64>], full: f64, rows: usize, theme: &Theme) -> Vec<String> {
    let heights: Vec<usize> = values
        .iter()
        .map(|value| match value {
            Some(value) if *value > 0.0 && full > 0.0 => {
                let eighths = (value / full * (rows * 8) as f64).round() as usize;
                eighths.clamp(1, rows * 8)
            }
            _ => 0,
        })
        .collect();
    (0..rows)
        .rev()
        .map(|row| heights.iter().map(|&h| theme.eighth(h.saturating_sub(row * 8))).collect())
        .collect()
}

/// One row that shows counts by their logarithm, so that a single one among thousands is seen.
pub fn counts(counts: &[u64], rows: usize, theme: &Theme) -> Vec<String> {
    let log = |n: u64| (n as f64).ln_1p();
    let most = counts.iter().copied().max().unwrap_or(0);
    let values: Vec<Option<f64>> = counts.iter().map(|&n| Some(log(n))).collect();
    columns(&values, log(most), rows, theme)
}

/// A round number no less than this: the top of a scale.
pub fn round_up(value: f64) -> f64 {
    if value <= 0.0 || !value.is_finite() {
        return 1.0;
    }
    let decade = 10_f64.powf(value.log10().floor());
    let steps = [1.0, 2.0, 3.0, 5.0, 10.0];
    let step = steps.into_iter().find(|step| step * decade >= value * 0.999_999);
    step.unwrap_or(10.0) * decade
}

/// Values that lie in time, brought onto so many columns: what falls into one column is put
/// together by `merge`.
pub fn over_columns<T: Copy>(
    values: impl Iterator<Item = (f64, f64, T)>,
    (from, to): (f64, f64),
    columns: usize,
    mut merge: impl FnMut(Option<T>, T) -> T,
) -> Vec<Option<T>> {
    let mut out = vec![None; columns];
    let width = (to - from) / columns as f64;
    if columns == 0 || width <= 0.0 || width.is_nan() {
        return out;
    }
    for (start, end, value) in values {
        let first = ((start - from) / width + 1e-9).floor();
        let last = ((end - from) / width - 1e-9).floor().max(first);
        if last < 0.0 || first >= columns as f64 {
            continue;
        }
        for slot in &mut out[first.max(0.0) as usize..=(last as usize).min(columns - 1)] {
            *slot = Some(merge(slot.take(), value));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::tests::subject;
    use super::*;
    use crate::fieldbus::MacId;

    const THEME: Theme = Theme { colour: false, unicode: true };

    #[test]
    fn columns_fill_from_below() {
        let values = [Some(0.0), Some(0.001), Some(0.5), Some(1.0), None, Some(7.0)];
        assert_eq!(columns(&values, 1.0, 2, &THEME), ["   █ █", " ▁██ █"]);
        let ascii = Theme { unicode: false, ..THEME };
        assert_eq!(columns(&values, 1.0, 1, &ascii), [" .:# #"]);
    }

    #[test]
    fn a_single_one_among_thousands_is_seen() {
        assert_eq!(counts(&[0, 1, 100_000], 1, &THEME), [" ▁█"]);
    }

    #[test]
    fn each_drive_that_ran_has_a_row_or_all_share_one() {
        let drive = |address, from, to| DriveRuns {
            mac_id: MacId::new(address).unwrap(),
            runs: vec![(Nanos::from_millis(from), Nanos::from_millis(to))],
        };
        let mut screen = Screen::new(subject(), THEME);
        screen.snapshot.drives = vec![drive(12, 1_000, 3_500), drive(14, 8_100, 8_200)];
        let rows = |most| {
            let rows = drive_strips(&screen, (0.0, 10.0), 10, most);
            rows.iter().map(|row| row.to_string()).collect::<Vec<_>>()
        };
        assert_eq!(rows(2), ["12 runs  ━━━      ", "14 runs         ━ "]);
        assert_eq!(rows(1), ["a drive  ━━━    ━ "]);
        assert_eq!(rows(0).len(), 0);
    }

    #[test]
    fn scales_end_at_round_numbers() {
        for (value, top) in [(0.108, 0.2), (0.3, 0.3), (31.0, 50.0), (99.0, 100.0), (0.0, 1.0)] {
            assert!((round_up(value) - top).abs() < 1e-9, "{value}");
        }
    }

    #[test]
    fn what_falls_together_is_put_together() {
        let values = [(0.0, 1.0, 1), (1.0, 2.0, 2), (2.0, 3.0, 3), (8.0, 12.0, 9)];
        let sum = |old: Option<i32>, new| old.unwrap_or(0) + new;
        let got = over_columns(values.into_iter(), (0.0, 10.0), 5, sum);
        assert_eq!(got, [Some(3), Some(3), None, None, Some(9)]);
        assert_eq!(over_columns(values.into_iter(), (0.0, 0.0), 2, sum), [None, None]);
    }
}
