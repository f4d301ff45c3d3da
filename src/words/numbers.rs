//! Counts, shares, spans and times in words.

use std::fmt::Display;

use jiff::Timestamp;

use crate::wire::Nanos;

/// What stands where nothing is known.
pub const UNKNOWN: &str = "-";

/// The value, or what stands where it is not known.
pub fn or_unknown(value: Option<impl Display>) -> String {
    value.map_or(UNKNOWN.to_string(), |value| value.to_string())
}

/// A count with its noun, with an s for more than one.
pub fn number(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// The same for print, with thousands apart.
pub fn number_in_print(count: u64, what: &str) -> String {
    format!("{} {what}{}", grouped(count), if count == 1 { "" } else { "s" })
}

/// Thousands apart by a space that does not break.
pub fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) && digits.len() > 4 {
            out.push('\u{202F}');
        }
        out.push(digit);
    }
    out
}

/// A count that stays short: `99999`, `100k`, `12M`.
pub fn short(count: u64) -> String {
    match count {
        n if n < 100_000 => n.to_string(),
        n if n < 10_000_000 => format!("{}k", n / 1_000),
        n => format!("{}M", n / 1_000_000),
    }
}

/// What a node without I/O of its own is: the master of others, with how often it scans them in
/// microseconds; a tool, which asks others and scans none; or nothing that is known.
pub fn without_io(owns: &[impl Display], scans_us: Option<f64>, requests: u64) -> String {
    let scans = scans_us.map_or(String::new(), |us| format!("; scans every {:.1} ms", us / 1e3));
    let master = match owns {
        [] if requests > 0 => {
            format!("asks others ({requests}), scans none: a tool")
        }
        [] => "no I/O seen".to_string(),
        [one] => format!("master of node {one}"),
        nodes => {
            let nodes: Vec<_> = nodes.iter().map(ToString::to_string).collect();
            format!("master of nodes {}", nodes.join(", "))
        }
    };
    format!("{master}{scans}")
}

/// How often something happened.
pub fn times(count: u64) -> String {
    match count {
        0 => "never".to_string(),
        1 => "once".to_string(),
        2 => "twice".to_string(),
        n => format!("{n} times"),
    }
}

/// A share from 0 to 1, with so many decimals.
pub fn percent(share: f64, decimals: usize) -> String {
    format!("{:.decimals$} %", 100.0 * share)
}

/// The bytes of an I/O message, each size that was seen.
pub fn sizes(bytes: &[u16]) -> String {
    match bytes {
        [] => UNKNOWN.to_string(),
        [one] => one.to_string(),
        [one, two] => format!("{one},{two}"),
        [one, .., last] => format!("{one}..{last}"),
    }
}

/// Microseconds as a number of milliseconds.
pub fn millis(us: Option<f64>) -> String {
    us.map_or(UNKNOWN.to_string(), |us| format!("{:.2}", us / 1e3))
}

/// A span in milliseconds, three digits or so; from ten seconds on in seconds.
pub fn short_millis(span: Option<Nanos>) -> String {
    let Some(span) = span else { return UNKNOWN.to_string() };
    match span.0 as f64 / 1e6 {
        ms if ms < 9.995 => format!("{ms:.2}"),
        ms if ms < 99.95 => format!("{ms:.1}"),
        ms if ms < 9_999.5 => format!("{ms:.0}"),
        ms if ms < 1e6 => format!("{:.0} s", ms / 1e3),
        ms => format!("{:.0} min", ms / 6e4),
    }
}

/// A time or a span, in seconds to the millisecond.
pub fn secs(t: Nanos) -> String {
    format!("{:.3} s", t.as_secs())
}

/// A span to the millisecond; from two minutes on in minutes and seconds.
pub fn span(span: Nanos) -> String {
    match span.0 / Nanos::SECOND.0 {
        ..120 => secs(span),
        seconds => format!("{} min {} s", seconds / 60, seconds % 60),
    }
}

/// How long something lasted, in the unit that suits it.
pub fn duration(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.1} s"),
        s if s < 7200.0 => format!("{:.1} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} days", s / 86_400.0),
    }
}

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

/// When it happened, to the millisecond: seconds after the start, with the hours and minutes that
/// a clock shows where there are any.
pub fn at(seconds: f64) -> String {
    if !(0.0..1e9).contains(&seconds) || seconds < 3600.0 {
        return format!("{seconds:.3} s");
    }
    let whole = seconds.floor() as u64;
    let (hours, minutes) = (whole / 3600, whole / 60 % 60);
    format!("{hours}:{minutes:02}:{:06.3}", seconds - (hours * 3600 + minutes * 60) as f64)
}

/// The date in words, and the time of day; both in UTC.
pub fn date_and_time(started: Timestamp) -> (String, String) {
    // A timestamp is written in UTC.
    let written = |format: &str| started.strftime(format).to_string();
    (written("%-d %B %Y"), written("%H:%M:%S UTC"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_have_their_noun() {
        assert_eq!(number(1, "poll"), "1 poll");
        assert_eq!(number_in_print(12_345, "poll"), "12\u{202F}345 polls");
        assert_eq!(grouped(9000), "9000");
        assert_eq!([0, 1, 2, 3].map(times), ["never", "once", "twice", "3 times"]);
        assert_eq!([99_999, 100_000, 12_345_678].map(short), ["99999", "100k", "12M"]);
    }

    #[test]
    fn moments_read_as_people_write_them() {
        assert_eq!(at(59.5), "59.500 s");
        assert_eq!(at(3661.25), "1:01:01.250");
        assert_eq!(at(-2.0), "-2.000 s");
        let started = date_and_time("2026-03-02T06:30:00Z".parse().unwrap());
        assert_eq!(started, ("2 March 2026".into(), "06:30:00 UTC".into()));
        assert_eq!(clock(Nanos::from_millis(12_345)), "0:12.3");
        assert_eq!(clock(Nanos::from_millis(-1_000)), "-0:01.0");
        assert_eq!(clock(Nanos(3_723 * Nanos::SECOND.0)), "1:02:03");
        assert_eq!(clock(Nanos(183_845 * Nanos::SECOND.0)), "2d 03:04:05");
        assert_eq!(clock(Nanos(i64::MIN)), "-106751d 23:47:16");
    }

    #[test]
    fn a_moment_is_read_as_people_type_it() {
        for (text, seconds) in [("12.5", 12.5), ("1:02", 62.0), ("1:02:03.5", 3723.5), ("0", 0.0)] {
            assert_eq!(parse_clock(text), Some(Nanos((seconds * 1e9) as i64)), "{text}");
        }
        for text in ["", ":", "1:", "x", "-1", "1e9", "1..2", "99999999999"] {
            assert_eq!(parse_clock(text), None, "{text}");
        }
    }

    #[test]
    fn spans_keep_three_digits() {
        let ms = |us| short_millis(Some(Nanos::from_micros(us)));
        let words = [990, 20_049, 350_000, 15_000_000, 3_600_000_000].map(ms);
        assert_eq!(words, ["0.99", "20.0", "350", "15 s", "60 min"]);
        assert_eq!(short_millis(None), "-");
        assert_eq!(duration(200_000.0), "2.3 days");
        assert_eq!(span(Nanos::from_millis(3_605_000)), "60 min 5 s");
    }
}
