//! Numbers and times as short words for the screen.

use crate::wire::Nanos;

/// A moment or a long span: `0:12.3`, from an hour on `1:02:03`, from a day on `2d 03:04:05`.
pub fn clock(t: Nanos) -> String {
    let sign = if t.0 < 0 { "-" } else { "" };
    let tenths = t.0.unsigned_abs() / 100_000_000;
    let (seconds, tenth) = (tenths / 10, tenths % 10);
    let (minutes, hours, days) = (seconds / 60, seconds / 3600, seconds / 86_400);
    let s = seconds % 60;
    match (days, hours) {
        (0, 0) => format!("{sign}{minutes}:{s:02}.{tenth}"),
        (0, _) => format!("{sign}{hours}:{:02}:{s:02}", minutes % 60),
        _ => format!("{sign}{days}d {:02}:{:02}:{s:02}", hours % 24, minutes % 60),
    }
}

/// The moment that a person typed: seconds, `m:ss` or `h:mm:ss`, each with a fraction.
pub fn parse_clock(text: &str) -> Option<Nanos> {
    let mut seconds = 0.0;
    for part in text.trim().split(':') {
        let digits = !part.is_empty() && part.chars().all(|c| c.is_ascii_digit() || c == '.');
        let number: f64 = if digits { part.parse().ok()? } else { return None };
        seconds = seconds * 60.0 + number;
    }
    (seconds < 1e9).then(|| Nanos((seconds * 1e9).round() as i64))
}

/// A span in milliseconds, three digits or so; from ten seconds on in seconds.
pub fn millis(span: Option<Nanos>) -> String {
    let Some(span) = span else { return "-".into() };
    match span.0 as f64 / 1e6 {
        ms if ms < 9.995 => format!("{ms:.2}"),
        ms if ms < 99.95 => format!("{ms:.1}"),
        ms if ms < 9_999.5 => format!("{ms:.0}"),
        ms if ms < 1e6 => format!("{:.0} s", ms / 1e3),
        ms => format!("{:.0} min", ms / 6e4),
    }
}

/// A share of the whole.
pub fn percent(share: Option<f64>) -> String {
    match share {
        None => "?".into(),
        Some(share) => format!("{:.1} %", 100.0 * share),
    }
}

/// A count that stays short: `9999`, `10.0k`, `1.25M`.
pub fn short(count: u64) -> String {
    match count {
        n if n < 100_000 => n.to_string(),
        n if n < 10_000_000 => format!("{}k", n / 1_000),
        n => format!("{}M", n / 1_000_000),
    }
}

/// A count with its noun.
pub fn number(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// Text from a file, the wire or a keyboard, with nothing in it that a terminal would obey or
/// that turns the direction of writing.
pub fn printable(text: &str) -> String {
    let obeyed = |c: char| {
        c.is_control()
            || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}')
    };
    text.chars().map(|c| if obeyed(c) { '?' } else { c }).collect()
}

/// As many of the parts, in order, as fit into one line; the first one always.
pub fn fit(parts: impl IntoIterator<Item = String>, between: &str, width: usize) -> String {
    let mut line = String::new();
    for part in parts {
        let longer = if line.is_empty() { part } else { format!("{line}{between}{part}") };
        if !line.is_empty() && longer.chars().count() > width {
            return line;
        }
        line = longer;
    }
    line
}

/// Breaks text into lines no wider than this.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.len() - 1;
        let taken = lines[last].chars().count();
        if taken > 0 && taken + 1 + word.chars().count() > width {
            lines.push(word.to_string());
        } else {
            if taken > 0 {
                lines[last].push(' ');
            }
            lines[last].push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_read_as_people_write_them() {
        assert_eq!(clock(Nanos::from_millis(12_345)), "0:12.3");
        assert_eq!(clock(Nanos::from_millis(-1_000)), "-0:01.0");
        assert_eq!(clock(Nanos(3_723 * Nanos::SECOND.0)), "1:02:03");
        assert_eq!(clock(Nanos(183_845 * Nanos::SECOND.0)), "2d 03:04:05");
        assert_eq!(clock(Nanos(i64::MIN)), "-106751d 23:47:16");
        for (text, seconds) in [("12.5", 12.5), ("1:02", 62.0), ("1:02:03.5", 3723.5), ("0", 0.0)] {
            assert_eq!(parse_clock(text), Some(Nanos((seconds * 1e9) as i64)), "{text}");
        }
        for text in ["", ":", "1:", "x", "-1", "1e9", "1..2", "99999999999"] {
            assert_eq!(parse_clock(text), None, "{text}");
        }
    }

    #[test]
    fn spans_keep_three_digits() {
        let ms = |us| millis(Some(Nanos::from_micros(us)));
        let words = [990, 20_049, 350_000, 15_000_000, 3_600_000_000].map(ms);
        assert_eq!(words, ["0.99", "20.0", "350", "15 s", "60 min"]);
        assert_eq!(millis(None), "-");
    }

    #[test]
    fn nothing_that_a_terminal_obeys_gets_through() {
        assert_eq!(printable("a\x1b[2Jb\u{9b}\n\u{202e}c\té"), "a?[2Jb???c?é");
    }

    #[test]
    fn a_line_ends_with_a_whole_part() {
        let parts = || ["aaa", "bb", "c"].map(String::from);
        assert_eq!(fit(parts(), ", ", 80), "aaa, bb, c");
        assert_eq!(fit(parts(), ", ", 9), "aaa, bb");
        assert_eq!(fit(parts(), ", ", 2), "aaa");
    }

    #[test]
    fn long_words_stand_alone() {
        assert_eq!(wrap("aa bb  ccccccc d", 5), ["aa bb", "ccccccc", "d"]);
        assert_eq!(wrap("", 5), [""]);
    }
}
