//! Numbers, spans and dates as a person reads them in the report.

use std::fmt::Display;

use jiff::Timestamp;

/// What stands where nothing is known.
pub(super) const UNKNOWN: &str = "–";

/// A count with its noun, with an s for more than one.
pub(super) fn number(count: u64, what: &str) -> String {
    format!("{} {what}{}", grouped(count), if count == 1 { "" } else { "s" })
}

/// Thousands apart by a space that does not break.
pub(super) fn grouped(count: u64) -> String {
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

pub(super) fn or_unknown(value: Option<impl Display>) -> String {
    value.map_or(UNKNOWN.to_string(), |value| value.to_string())
}

/// A share from 0 to 1.
pub(super) fn percent(share: f64) -> String {
    format!("{:.2}\u{A0}%", 100.0 * share)
}

/// Microseconds as milliseconds.
pub(super) fn millis(us: Option<f64>) -> String {
    us.map_or(UNKNOWN.to_string(), |us| format!("{:.2}", us / 1e3))
}

/// The bytes of an I/O message, each size that was seen.
pub(super) fn sizes(bytes: &[u16]) -> String {
    match bytes {
        [] => UNKNOWN.to_string(),
        [one] => one.to_string(),
        [one, two] => format!("{one}, {two}"),
        [one, .., last] => format!("{one}…{last}"),
    }
}

pub(super) fn duration(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.1} s"),
        s if s < 7200.0 => format!("{:.1} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} days", s / 86_400.0),
    }
}

/// When it happened: seconds after the start, with the hours and minutes that a clock shows
/// where there are any.
pub(super) fn at(seconds: f64) -> String {
    if !(0.0..1e9).contains(&seconds) || seconds < 3600.0 {
        return format!("{seconds:.3} s");
    }
    let whole = seconds.floor() as u64;
    let (hours, minutes) = (whole / 3600, whole / 60 % 60);
    format!("{hours}:{minutes:02}:{:06.3}", seconds - (hours * 3600 + minutes * 60) as f64)
}

/// The date in words, and the time of day; both in UTC.
pub(super) fn date_and_time(started: Timestamp) -> (String, String) {
    // A timestamp is written in UTC.
    let written = |format: &str| started.strftime(format).to_string();
    (written("%-d %B %Y"), written("%H:%M:%S UTC"))
}

/// A code such as `address-clash` as a heading.
pub(super) fn title(code: &str) -> String {
    let mut words = code.replace('-', " ");
    if words.starts_with("io ") {
        return words.replacen("io ", "I/O ", 1);
    }
    if let Some(first) = words.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn for_people() {
        assert_eq!(number(1, "poll"), "1 poll");
        assert_eq!(number(12_345, "poll"), "12\u{202F}345 polls");
        assert_eq!(grouped(9000), "9000");
        assert_eq!(title("address-clash"), "Address clash");
        assert_eq!(title("io-size-differs"), "I/O size differs");
        assert_eq!(at(59.5), "59.500 s");
        assert_eq!(at(3661.25), "1:01:01.250");
        assert_eq!(at(-2.0), "-2.000 s");
        let started = date_and_time("2026-03-02T06:30:00Z".parse().unwrap());
        assert_eq!(started, ("2 March 2026".into(), "06:30:00 UTC".into()));
        assert_eq!(duration(200_000.0), "2.3 days");
    }
}
