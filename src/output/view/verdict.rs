//! The first two lines: is it well, and if not, who; and what is being listened to.

use ratatui::text::{Line as TextLine, Span};

use super::Screen;
use super::snapshot::Found;
use crate::health::{Code, Condition, Severity, Verdict};
use crate::output::event_log::Grade;
use crate::words::numbers::{clock, number, short};
use crate::words::{fit, printable};

/// Both lines.
pub fn lines(screen: &Screen, width: usize) -> Vec<TextLine<'static>> {
    vec![verdict(screen, width), source(screen, width)]
}

fn verdict(screen: &Screen, width: usize) -> TextLine<'static> {
    let (now, earlier) = screen.snapshot.verdict();
    let had = earlier.faults + earlier.warnings > 0;
    let (grade, word) = match now.state {
        Condition::Well if had => (Grade::Well, "WELL NOW".to_string()),
        Condition::Well => (Grade::Well, now.state.to_string()),
        Condition::WantsALook => (Grade::Warning, now.state.to_string()),
        Condition::NotWell => (Grade::Fault, now.state.to_string()),
        Condition::CannotTell => (Grade::Warning, now.state.to_string()),
    };
    let tag = Span::styled(format!(" {word} "), screen.theme.tag(grade));
    let room = width.saturating_sub(tag.width() + 2);
    let says = match now.state {
        Condition::Well => well(screen, &earlier),
        _ => who(screen, &earlier, room),
    };
    TextLine::from(vec![tag, Span::styled(format!("  {says}"), screen.theme.heading())])
}

fn well(screen: &Screen, earlier: &Verdict) -> String {
    let nodes = &screen.snapshot.nodes;
    let asked = nodes.iter().filter(|row| row.missed.is_some()).count();
    let answering = nodes.iter().filter(|row| row.answered > 0 && !row.gone).count();
    let mut says = match (asked, answering) {
        (_, 0) => "no node answers a master yet".to_string(),
        (1, _) => "the one node that is asked answers".to_string(),
        (all, n) if all <= n => format!("all {all} nodes that are asked answer"),
        (all, n) => format!("{n} of {all} nodes that are asked answer"),
    };
    if earlier.faults + earlier.warnings > 0 {
        says += &format!("; earlier {}", counts(earlier));
    }
    says
}

/// Who is in trouble, the gravest first, as many as there is room for.
fn who(screen: &Screen, earlier: &Verdict, room: usize) -> String {
    let open = screen.snapshot.findings.iter().filter(|found| found.open);
    let grave: Vec<&Found> = open.filter(|found| found.finding.severity > Severity::Note).collect();
    let mut says = String::new();
    for (index, found) in grave.iter().enumerate() {
        let node = found.finding.mac_id.map_or(String::new(), |mac| format!("node {mac} "));
        let next = format!("{node}{}", phrase(found));
        let left = grave.len() - index;
        if index > 0 && says.chars().count() + next.chars().count() + 12 > room {
            says += &format!(", {left} more");
            return says;
        }
        says += if index > 0 { ", " } else { "" };
        says += &next;
    }
    let had = format!("; earlier {}", counts(earlier));
    if earlier.faults + earlier.warnings > 0 && says.chars().count() + had.len() <= room {
        says += &had;
    }
    says
}

fn counts(verdict: &Verdict) -> String {
    let each = [(verdict.faults, "fault"), (verdict.warnings, "warning")];
    let some = each.iter().filter(|(n, _)| *n > 0);
    some.map(|&(n, what)| number(n as u64, what)).collect::<Vec<_>>().join(", ")
}

/// A finding in a few words that follow the node's name.
pub fn phrase(found: &Found) -> String {
    match found.finding.code {
        Code::NothingHeard => "nothing is heard",
        Code::NothingUnderstood => "only errors are heard",
        Code::BusOff => "the adapter went bus-off",
        Code::AddressClash => "address wanted twice",
        Code::NeverAnswered => "never answered",
        Code::NodeLeft if found.finding.severity == Severity::Fault => "gone",
        Code::NodeLeft => "was gone",
        Code::MissedPolls => "misses polls",
        Code::NodeRestarted => "restarted",
        Code::DeviceReplaced => "is another device",
        Code::BusErrors => "errors on the wire",
        Code::LoadHigh => "the bus is nearly full",
        Code::FramesLost => "frames lost here",
        Code::LinkDown => "the interface was down",
        other => return other.name().replace('-', " "),
    }
    .to_string()
}

fn source(screen: &Screen, width: usize) -> TextLine<'static> {
    let (subject, snapshot) = (&screen.subject, &screen.snapshot);
    let header = &subject.header;
    let mut parts = vec![printable(&subject.name)];
    parts.push(header.bitrate.map_or("bit rate unknown".into(), |rate| rate.to_string()));
    match header.listen_only {
        Some(true) if subject.live => parts.push("listening only".into()),
        Some(false) => parts.push("CONTROLLER ABLE TO SEND".into()),
        _ => {}
    }
    parts.push(match screen.playback {
        Some(playback) => clock(playback.at),
        None => clock(snapshot.now),
    });
    let tally = snapshot.tally;
    parts.push(format!("{} frames", short(tally.frames)));
    if tally.lost_frames > 0 {
        parts.push(format!("{} LOST", short(tally.lost_frames)));
    }
    let started = header.started.to_string();
    parts.push(format!("since {}", started.get(..19).unwrap_or(&started).replace('T', " ")));
    TextLine::from(fit(parts, screen.theme.dot(), width))
}
