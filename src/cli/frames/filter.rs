//! Which lines are wanted.

use anyhow::anyhow;
use clap::{Args, ValueEnum};

use super::entry::{Entry, Kind};
use crate::fieldbus::{Identifier, MacId};
use crate::wire::{Id, Nanos};

/// Which lines are wanted: all, unless something is asked for. Of one option that is given
/// several times any may hold; different options must all hold.
#[derive(Debug, Args, Default)]
#[command(next_help_heading = "Which lines")]
pub(super) struct Filter {
    /// Frames to or from this address, 0 to 63; may be repeated
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    node: Vec<MacId>,

    /// Lines of this kind; may be repeated
    #[arg(long, value_name = "KIND")]
    kind: Vec<Kind>,

    /// Frames of this identifier group; may be repeated
    #[arg(long, value_name = "GROUP")]
    group: Vec<Group>,

    /// From this time on: seconds, or such as 1m30s
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<Nanos>,

    /// Up to this time
    #[arg(long, value_name = "TIME", value_parser = time)]
    to: Option<Nanos>,

    /// Lines with this text in them, capitals or not
    #[arg(long, value_name = "TEXT")]
    text: Option<String>,

    /// Only lines with something worth noticing
    #[arg(long)]
    noted: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Group {
    /// 000 to 3FF
    #[value(name = "1")]
    Group1,
    /// 400 to 5FF
    #[value(name = "2")]
    Group2,
    /// 600 to 7BF
    #[value(name = "3")]
    Group3,
    /// 7C0 to 7EF
    #[value(name = "4")]
    Group4,
    /// 7F0 to 7FF
    Invalid,
    /// 29-bit identifiers
    Extended,
}

fn address(text: &str) -> anyhow::Result<MacId> {
    let wrong = || anyhow!("{text:?} is not an address from 0 to {}", MacId::MAX);
    text.parse().ok().and_then(MacId::new).ok_or_else(wrong)
}

/// Trunk time: a number is seconds, anything else a span such as "1m30s".
fn time(text: &str) -> anyhow::Result<Nanos> {
    let wrong = || anyhow!("{text:?} is neither seconds nor a time such as 1m30s");
    if let Ok(seconds) = text.parse::<f64>() {
        let nanos = seconds * 1e9;
        // Beyond this a float no longer counts single nanoseconds, and no capture lasts so long.
        return if nanos.abs() < 9e18 { Ok(Nanos(nanos.round() as i64)) } else { Err(wrong()) };
    }
    let span: jiff::SignedDuration = text.parse().map_err(|_| wrong())?;
    i64::try_from(span.as_nanos()).map(Nanos).map_err(|_| wrong())
}

impl Filter {
    /// Whether all but the text holds.
    pub(super) fn wants(&self, entry: &Entry) -> bool {
        self.from.is_none_or(|from| entry.t >= from)
            && self.to.is_none_or(|to| entry.t <= to)
            && (self.kind.is_empty() || self.kind.contains(&entry.kind))
            && (self.node.is_empty() || self.node.iter().any(|&node| entry.concerns(node)))
            && (self.group.is_empty() || group(entry).is_some_and(|g| self.group.contains(&g)))
            && (!self.noted || entry.noted())
    }

    /// Whether the line has the text that is asked for.
    pub(super) fn wants_text(&self, line: &str) -> bool {
        let Some(text) = &self.text else { return true };
        line.to_lowercase().contains(&text.to_lowercase())
    }
}

fn group(entry: &Entry) -> Option<Group> {
    if let Id::Extended(_) = entry.frame()?.id() {
        return Some(Group::Extended);
    }
    Some(match entry.identifier()? {
        Identifier::Group1 { .. } => Group::Group1,
        Identifier::Group2 { .. } => Group::Group2,
        Identifier::Group3 { .. } => Group::Group3,
        Identifier::Group4 { .. } => Group::Group4,
        Identifier::Invalid { .. } => Group::Invalid,
    })
}

#[cfg(test)]
mod tests {
    use super::super::entry::Reading;
    use super::*;
    use crate::wire::{Frame, Record, StandardId, What};

    #[test]
    fn times_and_addresses() {
        assert_eq!(time("1.5").ok(), Some(Nanos(1_500_000_000)));
        assert_eq!(time("1m30s").ok(), Some(Nanos(90_000_000_000)));
        assert_eq!(time("250ms").ok(), Some(Nanos::from_millis(250)));
        assert!(time("noon").is_err() && time("1e300").is_err() && time("NaN").is_err());
        assert!(address("63").is_ok() && address("64").is_err() && address("x").is_err());
    }

    fn wants(filter: &Filter, ms: i64, id: u16) -> bool {
        let frame = Frame::data(StandardId::new(id).unwrap(), &[0; 4]).unwrap();
        let record = Record { t: Nanos::from_millis(ms), what: What::Frame(frame) };
        filter.wants(&Reading::default().take(&record))
    }

    #[test]
    fn options_narrow_and_repetitions_widen() {
        let mac = |address| MacId::new(address).unwrap();
        let poll_of_12 = 0x465;
        assert!(wants(&Filter::default(), 0, poll_of_12));
        let mut filter = Filter { node: vec![mac(3), mac(12)], ..Filter::default() };
        assert!(wants(&filter, 0, poll_of_12) && !wants(&filter, 0, 0x46D));
        filter.kind = vec![Kind::Strobe];
        assert!(!wants(&filter, 0, poll_of_12));
        filter.kind.push(Kind::Poll);
        assert!(wants(&filter, 0, poll_of_12));
        filter.group = vec![Group::Group1];
        assert!(!wants(&filter, 0, poll_of_12) && wants(&filter, 0, 0x3CC));
        filter.to = Some(Nanos::from_millis(5));
        filter.from = Some(Nanos::from_millis(5));
        assert!(wants(&filter, 5, 0x3CC) && !wants(&filter, 4, 0x3CC) && !wants(&filter, 6, 0x3CC));
        filter.noted = true;
        assert!(!wants(&filter, 5, 0x3CC));
    }

    #[test]
    fn text_is_found_in_any_case() {
        let filter = Filter { text: Some("RevISION".into()), ..Filter::default() };
        assert!(filter.wants_text("identity 1 revision is 2.3"));
        assert!(!filter.wants_text("identity 1 vendor id"));
    }
}
