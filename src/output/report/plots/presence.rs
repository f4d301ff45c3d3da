//! Who was on line when: a row a node, time to the right.

use super::axis::{TIME_AXIS, TimeAxis};
use super::canvas::LEFT;
use super::canvas::{
    At, Canvas, Drawn, GRID, INK, LABEL, PALE_TEAL, Picture, PlotError, RUST, SMALL, SOFT, TEAL,
    picture,
};
use super::marks::{Mark, legend, node_of};
use crate::fieldbus::MacId;
use crate::output::event_log::EventDigest;
use crate::trunk::{Node, Trunk};
use crate::wire::Nanos;

const TOP: i32 = 34;
const ROW: i32 = 26;

/// So many rows fit on a printed page with what stands around them.
const MOST_ROWS: usize = 36;

/// Who was on line; more than one picture where there are many nodes.
pub(in super::super) fn presence(
    trunk: &Trunk,
    log: &EventDigest,
) -> Result<Vec<Picture>, PlotError> {
    let nodes: Vec<(MacId, &Node)> = trunk.nodes().collect();
    nodes.chunks(MOST_ROWS).map(|rows| one_picture(rows, trunk.now(), log)).collect()
}

fn one_picture(
    rows: &[(MacId, &Node)],
    end: Nanos,
    log: &EventDigest,
) -> Result<Picture, PlotError> {
    let foot = TOP + ROW * rows.len() as i32;
    let description: Vec<String> = rows
        .iter()
        .map(|(mac_id, node)| match (node.sent.first(), node.presence.count()) {
            (None, _) => format!("{mac_id} never heard"),
            (Some(_), 0) => format!("{mac_id} heard throughout"),
            (Some(_), count) => format!("{mac_id} fell silent {count} times"),
        })
        .collect();
    let description = format!("By address: {}.", description.join(", "));
    picture("Who was on line".to_string(), description, foot + TIME_AXIS, |canvas| {
        let time = TimeAxis::new(end.as_secs());
        legend(canvas, (LEFT + 6, 14))?;
        time.draw(canvas, TOP, foot)?;
        for (index, (mac_id, node)) in rows.iter().enumerate() {
            let middle = TOP + ROW * index as i32 + ROW / 2;
            row(canvas, &time, middle, *mac_id, node)?;
            // What a whole trunk's nodes do at the start is no event of one of them.
            for line in log.lines().filter(|line| node_of(line) == Some(*mac_id)) {
                Mark::of(line).draw_on_bar(canvas, (time.x(line.t.as_secs()), middle))?;
            }
        }
        Ok(())
    })
}

fn row(canvas: &Canvas<'_>, time: &TimeAxis, middle: i32, mac_id: MacId, node: &Node) -> Drawn {
    canvas.text(&format!("node {mac_id}"), (LEFT - 8, middle), At::Right, (LABEL, INK))?;
    canvas.line((LEFT, middle), (time.right(), middle), GRID, 1)?;
    let (Some(first), Some(last)) = (node.sent.first(), node.sent.last()) else {
        let words = "asked for, never heard";
        return canvas.text(words, (LEFT + 8, middle), At::Left, (SMALL, RUST));
    };
    let bar = |from: Nanos, to: Nanos, colour| {
        let (left, right) = (time.x(from.as_secs()), time.x(to.as_secs()));
        canvas.bar((left, middle - 6), (right.max(left + 2), middle + 6), colour)
    };
    let presence = &node.presence;
    let mut from = first;
    // Older absences are known by their number only.
    if presence.count() > presence.recent().len() as u64
        && let (Some(began), Some(known)) = (presence.first(), presence.recent().next())
    {
        bar(from, began, TEAL)?;
        bar(began, known.from, PALE_TEAL)?;
        let place = (time.x(began.as_secs()) + 6, middle);
        canvas.text("came and went", place, At::Left, (SMALL, INK))?;
        from = known.from;
    }
    for absence in presence.recent() {
        if absence.from > from {
            bar(from, absence.from, TEAL)?;
        }
        match absence.to {
            Some(back) => from = back,
            None => {
                let place = (time.x(absence.from.as_secs()) + 12, middle);
                return match time.right() - place.0 > 60 {
                    true => canvas.text("gone", place, At::Left, (SMALL, SOFT)),
                    false => Ok(()),
                };
            }
        }
    }
    bar(from, last, TEAL)
}
