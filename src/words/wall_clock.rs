//! Times of a capture as a clock on the wall shows them: date and time of day in a zone that is
//! named, beside the seconds after the start.

use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp, ZonedDateTime};

use super::numbers::at;

/// The clock beside a capture that began at a time.
#[derive(Debug, Clone)]
pub struct WallClock {
    start: ZonedDateTime,
}

impl WallClock {
    /// The clock in a zone.
    pub fn new(started: Timestamp, zone: TimeZone) -> WallClock {
        WallClock { start: started.to_zoned_datetime(zone) }
    }

    /// The date on which the capture began, in words.
    pub fn date(&self) -> String {
        self.start.strftime("%-d %B %Y").to_string()
    }

    /// The time of day at which it began, with the offset from UTC.
    pub fn time_of_day(&self) -> String {
        format!("{} {}", self.start.strftime("%H:%M:%S"), offset(&self.start))
    }

    /// Date and time of day at which it began, in figures, with the offset from UTC.
    pub fn start(&self) -> String {
        format!("{} {}", self.start.strftime("%F %T"), offset(&self.start))
    }

    /// The time of day so many seconds after the start; with the date where that is another one,
    /// and with the offset where that changed.
    pub fn time(&self, seconds: f64) -> String {
        const MOST: f64 = 1e9;
        let span = SignedDuration::try_from_secs_f64(seconds.clamp(-MOST, MOST));
        let then = span.ok().and_then(|span| self.start.checked_add(span).ok());
        let Some(then) = then else { return "?".to_string() };
        let mut text = then.strftime("%H:%M:%S").to_string();
        if then.date() != self.start.date() {
            text = format!("{} {text}", then.strftime("%-d %b"));
        }
        if then.offset() != self.start.offset() {
            text += &format!(" {}", offset(&then));
        }
        text
    }

    /// When something was: the seconds after the start, and the time of day.
    pub fn moment(&self, seconds: f64) -> String {
        format!("{}, {}", at(seconds), self.time(seconds))
    }

    /// From when to when something was; `None` if that is not known.
    pub fn span(&self, first: Option<f64>, last: Option<f64>) -> Option<String> {
        match (first, last) {
            (Some(first), Some(last)) if first != last => Some(format!(
                "from {} to {}, {} to {}",
                at(first),
                at(last),
                self.time(first),
                self.time(last)
            )),
            (Some(first), _) => Some(format!("at {}", self.moment(first))),
            _ => None,
        }
    }
}

fn offset(time: &ZonedDateTime) -> String {
    match time.offset() {
        Offset::UTC => "UTC".to_string(),
        offset => offset.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_zone_is_named_and_another_day_too() {
        let started = "2026-03-02T22:30:00Z".parse().unwrap();
        let utc = WallClock::new(started, TimeZone::UTC);
        assert_eq!(utc.start(), "2026-03-02 22:30:00 UTC");
        assert_eq!(utc.span(Some(8.181), Some(8.181)).unwrap(), "at 8.181 s, 22:30:08");
        assert_eq!(utc.time(5400.0), "3 Mar 00:00:00");
        let east = WallClock::new(started, TimeZone::fixed(Offset::constant(2)));
        assert_eq!(
            (east.date(), east.time_of_day()),
            ("3 March 2026".into(), "00:30:00 +02".into())
        );
        let span = east.span(Some(1.0), Some(3600.0)).unwrap();
        assert_eq!(span, "from 1.000 s to 1:00:00.000, 00:30:01 to 01:30:00");
        assert_eq!(utc.time(f64::NAN), "?");
        assert_eq!(utc.span(None, None), None);
    }

    /// The night in which clocks are set forward: Directive 2000/84/EC, last Sunday in March.
    #[test]
    fn a_changed_offset_is_named() {
        let rule = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        let started = "2026-03-29T00:30:00Z".parse().unwrap();
        let clock = WallClock::new(started, rule);
        assert_eq!(clock.start(), "2026-03-29 01:30:00 +01");
        assert_eq!(clock.time(3600.0), "03:30:00 +02");
    }
}
