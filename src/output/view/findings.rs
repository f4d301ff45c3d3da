//! The verdict at the top, and the findings: what was seen, what it means, what to do.

use ratatui::text::{Line as TextLine, Span};

use super::screen::Screen;
use super::snapshot::Found;
use super::theme::heading;
use crate::fieldbus::MacId;
use crate::health::{Code, Condition, Evidence, Severity, Verdict};
use crate::output::event_log::Grade;
use crate::output::text::consequences;
use crate::words::numbers::{clock, number, short};
use crate::words::{CAUTIONS, called, fit, printable, wrap};

/// The heading and at most so many lines.
pub fn brief(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let found: Vec<&Found> = causes(screen).collect();
    let open = found.iter().filter(|found| found.open).count();
    let answer = match (open, found.len() - open) {
        (0, 0) => "nothing".to_string(),
        (open, 0) => format!("{open} open"),
        (open, earlier) => format!("{open} open, {earlier} earlier"),
    };
    // In short here, where the first check stands; whole on the page of the findings.
    let is_grave = |found: &&Found| found.finding.severity > Severity::Note;
    let answer = match found.iter().any(is_grave) {
        true => format!("{answer}; qualified people only, isolate first"),
        false => answer,
    };
    let mut lines = vec![heading("What is wrong", &answer, width, screen.theme)];
    let fits = found.len() <= rows;
    let shown = if fits { rows } else { rows.saturating_sub(1) };
    lines.extend(found.iter().take(shown).map(|found| one(screen, found, width)));
    if !fits {
        let more = found.len() - shown;
        lines.push(TextLine::from(format!("  {more} more, key f shows them all")));
    }
    lines
}

/// The heading and the findings, each with all of its evidence, as many as there is room for.
pub fn with_evidence(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let mut lines = brief(screen, width, 0);
    lines.truncate(1);
    for found in causes(screen) {
        let finding = &found.finding;
        let who = subject(screen, found);
        let lead = " ".repeat(12);
        let mut each = paragraph(&lead, &format!("{who}{}", finding.evidence), width);
        each[0].spans.insert(0, Span::raw("  "));
        each[0].spans[1] = Span::raw(each[0].spans[1].content.trim_start().to_string());
        each[0].spans.insert(1, tag(screen, found));
        each[0].spans.insert(2, Span::raw(" "));
        lines.extend(each);
    }
    if lines.len() > rows + 1 {
        lines.truncate(rows);
        lines.push(TextLine::from("  more: key f shows them all"));
    }
    lines
}

/// What nothing else explains.
fn causes(screen: &Screen) -> impl Iterator<Item = &Found> {
    screen.snapshot.findings.iter().filter(|found| found.finding.explained_by.is_none())
}

/// What follows from it, in words.
fn others(screen: &Screen, found: &Found) -> Option<String> {
    let all = &screen.snapshot.findings;
    let explained: Vec<_> = all
        .iter()
        .map(|f| (f.finding.code, f.finding.mac_id, f.finding.explained_by.as_ref()))
        .collect();
    let index = all.iter().position(|other| std::ptr::eq(other, found))?;
    consequences(&explained, index)
}

/// The node that it is about, with its name, or the nodes, before what was seen.
fn subject(screen: &Screen, found: &Found) -> String {
    if let Evidence::GroupDropout { mac_ids, .. } = &found.finding.evidence {
        let nodes: Vec<String> = mac_ids.iter().map(MacId::to_string).collect();
        return format!("nodes {}: ", nodes.join(", "));
    }
    found.finding.mac_id.map_or(String::new(), |mac_id| {
        format!("node {}: ", called(mac_id, screen.snapshot.name(mac_id)))
    })
}

fn one(screen: &Screen, found: &Found, width: usize) -> TextLine<'static> {
    let finding = &found.finding;
    let who = subject(screen, found);
    let mut when = match (found.open, finding.last) {
        (false, Some(last)) => format!(" (last at {})", clock(last)),
        _ => String::new(),
    };
    if let Some(others) = others(screen, found) {
        let count = others.split(':').next().unwrap_or_default();
        when += &format!(" [explains {count}]");
    }
    let tag = tag(screen, found);
    let room = width.saturating_sub(tag.width() + when.len() + 3);
    let since = finding.first.filter(|_| found.open);
    let since = since.map_or(String::new(), |first| format!(" since {}", clock(first)));
    let first = finding.code.entry().check.first().copied().unwrap_or_default();
    let text = format!("{who}{}{since}. First: {first} Seen: {}", phrase(found), finding.evidence);
    let text = printable(&text);
    let text = match text.chars().count() > room {
        true => text.chars().take(room.saturating_sub(2)).collect::<String>() + "..",
        false => text,
    };
    TextLine::from(vec![Span::raw("  "), tag, Span::raw(format!(" {text}{when}"))])
}

fn tag(screen: &Screen, found: &Found) -> Span<'static> {
    let word = match (found.open, found.finding.severity) {
        (true, Severity::Fault) => " FAULT   ",
        (true, Severity::Warning) => " WARNING ",
        (true, Severity::Note) => " note    ",
        (false, Severity::Fault) => "(fault)  ",
        (false, Severity::Warning) => "(warning)",
        (false, Severity::Note) => "(note)   ",
    };
    let grade = if found.open { found.finding.severity.into() } else { Grade::Plain };
    Span::styled(word, screen.theme.tag(grade))
}

/// The page of all findings.
pub fn in_full(screen: &Screen, width: u16) -> Vec<TextLine<'static>> {
    let width = usize::from(width);
    let mut lines = brief(screen, width, 0);
    lines.truncate(1);
    if !screen.snapshot.findings.is_empty() {
        lines.extend(cautions(screen, width));
    }
    for found in causes(screen) {
        lines.extend(finding_in_full(screen, found, width));
    }
    lines
}

/// The findings about one node, in full.
pub fn about(screen: &Screen, mac_id: MacId, width: usize) -> Vec<TextLine<'static>> {
    let about = |found: &&Found| found.finding.mac_id == Some(mac_id);
    let mut lines = Vec::new();
    for found in screen.snapshot.findings.iter().filter(about) {
        lines.extend(finding_in_full(screen, found, width));
    }
    if !lines.is_empty() {
        lines.splice(0..0, cautions(screen, width));
    }
    lines
}

fn finding_in_full(screen: &Screen, found: &Found, width: usize) -> Vec<TextLine<'static>> {
    let finding = &found.finding;
    let entry = finding.code.entry();
    let who = finding.mac_id.map_or(String::new(), |mac_id| {
        format!(", node {}", called(mac_id, screen.snapshot.name(mac_id)))
    });
    let wall = screen.subject.clock();
    let when = match (finding.first, finding.last) {
        (Some(first), Some(last)) if first != last => {
            let times = [first, last].map(|t| wall.time(t.as_secs()));
            format!(", {} to {} ({} to {})", clock(first), clock(last), times[0], times[1])
        }
        (Some(first), _) => format!(", at {} ({})", clock(first), wall.time(first.as_secs())),
        _ => String::new(),
    };
    let title = format!(" {}{who}{when}", finding.code.name());
    let mut lines = vec![
        TextLine::default(),
        TextLine::from(vec![tag(screen, found), Span::styled(title, screen.theme.heading())]),
    ];
    lines.extend(paragraph("  seen   ", &finding.evidence.to_string(), width));
    lines.extend(paragraph("  means  ", entry.means, width));
    for (index, other) in entry.or_else.iter().enumerate() {
        lines.extend(paragraph(
            if index == 0 { "  or     - " } else { "         - " },
            other,
            width,
        ));
    }
    for (index, check) in entry.check.iter().enumerate() {
        let lead = if index == 0 { "  check  - " } else { "         - " };
        lines.extend(paragraph(lead, check, width));
    }
    if let Some(others) = others(screen, found) {
        lines.extend(paragraph("  so     ", &format!("it explains {others}"), width));
    }
    if let Some(cause) = &finding.explained_by {
        let node = cause.mac_id.map_or(String::new(), |mac_id| format!(" at {mac_id}"));
        let cause = format!("{}{node}: {}", cause.code.name().replace('-', " "), cause.reason);
        lines.extend(paragraph("  from   ", &cause, width));
    }
    lines
}

fn cautions(screen: &Screen, width: usize) -> Vec<TextLine<'static>> {
    let mut lines = vec![heading("Caution", "before any check", width, screen.theme)];
    for caution in CAUTIONS {
        lines.extend(paragraph("  ", caution, width));
    }
    lines
}

/// A label and its text, wrapped.
pub fn paragraph(lead: &str, text: &str, width: usize) -> Vec<TextLine<'static>> {
    // Long lines are hard to read, however wide the screen is.
    const WIDEST: usize = 110;
    let indent = lead.chars().count();
    let wrapped = wrap(&printable(text), width.min(WIDEST).saturating_sub(indent));
    let lead_of = |index: usize| if index == 0 { lead.to_string() } else { " ".repeat(indent) };
    let lines = wrapped.iter().enumerate();
    lines.map(|(index, text)| TextLine::from(lead_of(index) + text)).collect()
}

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
    let open = causes(screen).filter(|found| found.open);
    let grave: Vec<&Found> = open.filter(|found| found.finding.severity > Severity::Note).collect();
    let mut says = String::new();
    for (index, found) in grave.iter().enumerate() {
        let node = subject(screen, found);
        let node = node.strip_suffix(": ").map_or(String::new(), |node| format!("{node} "));
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
        Code::AddressClash => "address claimed twice",
        Code::NeverAnswered => "never answered",
        Code::NodeLeft if found.finding.severity == Severity::Fault => "gone",
        Code::NodeLeft => "was gone",
        Code::MissedPolls => "misses polls",
        Code::NodeRestarted => "restarted",
        Code::SeveralAtOnce => "left or restarted at once",
        Code::DeviceReplaced => "is another device",
        Code::BusErrors => "errors on the wire",
        Code::LoadHigh => "the bus is nearly full",
        Code::FramesLost => "frames lost here",
        Code::LinkDown => "the interface was down",
        Code::PollingStopped if found.finding.mac_id.is_some() => "the master stopped polling",
        Code::MasterIdle => "the master is idle",
        Code::EmptyAnswers => "answers with no data",
        Code::DriveFaulted if found.finding.severity == Severity::Fault => "is faulted",
        Code::DriveFaulted => "was faulted",
        Code::DriveControlElsewhere => "takes run and stop from elsewhere",
        Code::DriveControlNotAsked => "is not asked for network control",
        Code::DriveAssemblyPair => "assemblies do not go together",
        Code::DriveSpeedElsewhere => "takes its speed from elsewhere",
        Code::DriveBothDirections => "is asked to run both ways at once",
        Code::DriveRunHeld => "waits for run to be given again",
        Code::DriveNotReady => "is not ready to run",
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
    parts.push(format!("since {}", subject.clock().start()));
    TextLine::from(fit(parts, screen.theme.dot(), width))
}
