//! Columns of blocks: values over time, and how often each value occurred.

use super::theme::Theme;

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
    use super::*;

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
