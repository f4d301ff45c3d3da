//! The trunk by position, from the plan's cabling: who hangs where, and along which stretch the
//! nodes with findings lie.

use super::PlotError;
use super::canvas::{
    AMBER, At, Canvas, Drawn, GRID, INK, LABEL, LEFT, PAPER, Picture, RUST, SHADE, SMALL, SOFT,
    TEAL, WIDTH, picture, width_of,
};
use crate::fieldbus::MacId;
use crate::health::{Code, Severity, Summary};
use crate::plan::{Cable, Cabling, Plan, Tap};
use crate::words::numbers::number;

const RIGHT: i32 = WIDTH - 56;
/// Above the trunk: supplies and terminators in words.
const TRUNK: i32 = 66;
/// From the trunk to the first row of addresses.
const DROP: i32 = 36;
/// From one row of addresses to the next.
const ROW: i32 = 36;
/// The room that an address takes, with its sign.
const MARK: i32 = 22;

/// A stretch of trunk in metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct Stretch {
    /// Its beginning.
    pub(in super::super) from_m: f64,
    /// Its end.
    pub(in super::super) to_m: f64,
}

/// A device on the drawn trunk.
#[derive(Debug, Clone, PartialEq)]
struct Placed {
    position_m: f64,
    label: String,
    /// The gravest finding about it.
    found: Option<Severity>,
    /// It was lost, restarted or struck: what a place on the trunk can do to it.
    lost: bool,
    /// Whether it has an address, so that something could have been found.
    addressed: bool,
}

/// The drawn trunk; `None` without any cable in the plan. Also where the nodes with findings lie,
/// if they lie side by side.
pub(in super::super) fn trunk_map(
    plan: &Plan,
    summary: &Summary,
) -> Result<Option<(Picture, Option<Stretch>)>, PlotError> {
    let Some(cabling) = &plan.cabling else { return Ok(None) };
    let length = cabling.length_m();
    if length <= 0.0 {
        return Ok(None);
    }
    let placed: Vec<Placed> = cabling.taps.iter().flat_map(|tap| on_tap(tap, summary)).collect();
    let affected = affected(&placed);
    let x = |m: f64| LEFT + (f64::from(RIGHT - LEFT) * (m / length).clamp(0.0, 1.0)).round() as i32;
    let levels = levels(&placed, x);
    let rows = levels.iter().max().map_or(1, |most| most + 1) as i32;
    let foot = TRUNK + DROP + ROW * rows - ROW / 2;
    let marked: Vec<&str> = placed
        .iter()
        .filter(|placed| placed.found.is_some())
        .map(|placed| placed.label.as_str())
        .collect();
    let description = format!(
        "The trunk of {length} m with {} on it. Findings about: {}.",
        number(placed.len() as u64, "device"),
        if marked.is_empty() { "none".to_string() } else { marked.join(", ") }
    );
    let drawn = picture("The trunk by position".to_string(), description, foot + 40, |canvas| {
        if let Some(stretch) = affected {
            canvas.bar(
                (x(stretch.from_m) - 14, TRUNK - 16),
                (x(stretch.to_m) + 14, foot),
                SHADE,
            )?;
        }
        trunk(canvas, cabling, x, foot)?;
        for (placed, level) in placed.iter().zip(&levels) {
            device(canvas, placed, x(placed.position_m), TRUNK + DROP + ROW * *level as i32)?;
        }
        scale(canvas, cabling, x, foot)
    })?;
    Ok(Some((drawn, affected)))
}

/// The devices on a tap; one without an address goes by the name of the tap.
fn on_tap(tap: &Tap, summary: &Summary) -> Vec<Placed> {
    let place = |mac_id: Option<MacId>| Placed {
        position_m: tap.position_m,
        label: mac_id.map_or(tap.name.clone(), |mac_id| mac_id.to_string()),
        found: mac_id.and_then(|mac_id| gravest(mac_id, summary)),
        lost: mac_id.is_some_and(|mac_id| lost(mac_id, summary)),
        addressed: mac_id.is_some(),
    };
    let addressed: Vec<MacId> = tap.loads.iter().filter_map(|load| load.mac_id).collect();
    if addressed.is_empty() {
        return vec![place(None)];
    }
    addressed.into_iter().map(|mac_id| place(Some(mac_id))).collect()
}

fn gravest(mac_id: MacId, summary: &Summary) -> Option<Severity> {
    let about = summary.findings.iter().filter(|finding| finding.mac_id == Some(mac_id));
    about.map(|finding| finding.severity).filter(|severity| *severity > Severity::Note).max()
}

fn lost(mac_id: MacId, summary: &Summary) -> bool {
    let about = summary.findings.iter().filter(|finding| finding.mac_id == Some(mac_id));
    about.map(|finding| finding.code).any(|code| {
        matches!(
            code,
            Code::NodeLeft
                | Code::NeverAnswered
                | Code::MissedPolls
                | Code::NodeRestarted
                | Code::ConnectionTimedOut
                | Code::ErrorsStrikeNode
                | Code::NodeBusOff
                | Code::NodeMissing
        )
    })
}

/// From the first to the last node that was lost or struck, if there are several and no other lies between.
fn affected(placed: &[Placed]) -> Option<Stretch> {
    let nodes: Vec<&Placed> = placed.iter().filter(|placed| placed.addressed).collect();
    let first = nodes.iter().position(|node| node.lost)?;
    let last = nodes.iter().rposition(|node| node.lost)?;
    let between = &nodes[first..=last];
    let side_by_side = last > first && between.iter().all(|node| node.lost);
    // That all of them are affected says nothing of the place.
    (side_by_side && between.len() < nodes.len())
        .then(|| Stretch { from_m: nodes[first].position_m, to_m: nodes[last].position_m })
}

/// In which row each stands, so that none covers another.
fn levels(placed: &[Placed], x: impl Fn(f64) -> i32) -> Vec<usize> {
    let mut ends: Vec<i32> = Vec::new();
    let level = |placed: &Placed| {
        let half = half_width(placed);
        let middle = x(placed.position_m);
        let free = ends.iter().position(|&end| end < middle - half);
        let level = free.unwrap_or(ends.len());
        if level == ends.len() {
            ends.push(i32::MIN);
        }
        ends[level] = middle + half + 6;
        level
    };
    placed.iter().map(level).collect()
}

fn half_width(placed: &Placed) -> i32 {
    (width_of(&words(placed), SMALL) / 2 + 6).max(MARK / 2)
}

/// A sign beside the colour, which not everybody sees and no grey printer prints.
fn words(placed: &Placed) -> String {
    match placed.found {
        Some(Severity::Fault) => format!("{} !!", placed.label),
        Some(_) => format!("{} !", placed.label),
        None => placed.label.clone(),
    }
}

fn trunk(canvas: &Canvas<'_>, cabling: &Cabling, x: impl Fn(f64) -> i32, foot: i32) -> Drawn {
    let mut from = 0.0;
    for section in &cabling.sections {
        let to = from + section.length_m;
        let (half, word) = match section.cable {
            Cable::Thick => (4, "thick"),
            Cable::Thin => (2, "thin"),
            Cable::Flat => (3, "flat"),
        };
        let (left, right) = (x(from), x(to));
        canvas.bar((left, TRUNK - half), (right, TRUNK + half), TEAL)?;
        let label = format!("{word}, {} m", section.length_m);
        // Between the figures at both ends.
        if width_of(&label, SMALL) + 60 < right - left {
            canvas.text(&label, ((left + right) / 2, foot + 18), At::Middle, (SMALL, SOFT))?;
        }
        if from > 0.0 {
            canvas.line((left, foot + 10), (left, foot + 26), SOFT, 1)?;
        }
        from = to;
    }
    for &position in cabling.terminators_at_m.iter().flatten() {
        let middle = x(position);
        canvas.bar((middle - 6, TRUNK - 12), (middle + 6, TRUNK + 12), INK)?;
        canvas.text("terminator", (middle, TRUNK - 24), At::Middle, (SMALL, SOFT))?;
    }
    for supply in &cabling.supplies {
        let middle = x(supply.position_m);
        canvas.line((middle, 32), (middle, TRUNK), INK, 2)?;
        let label = format!("{}, {} V", supply.name, supply.voltage_v);
        let half = width_of(&label, SMALL) / 2;
        let place = middle.clamp(half + 4, (WIDTH - half - 4).max(half + 4));
        canvas.text(&label, (place, 18), At::Middle, (SMALL, INK))?;
    }
    Ok(())
}

fn device(canvas: &Canvas<'_>, placed: &Placed, x: i32, y: i32) -> Drawn {
    canvas.line((x, TRUNK + 4), (x, y - MARK / 2), SOFT, 1)?;
    let half = half_width(placed) - 2;
    let (fill, ink) = match placed.found {
        Some(Severity::Fault) => (RUST, PAPER),
        Some(_) => (AMBER, INK),
        None => (PAPER, INK),
    };
    let corners = ((x - half, y - MARK / 2), (x + half, y + MARK / 2));
    canvas.bar(corners.0, corners.1, if placed.addressed { INK } else { GRID })?;
    let inner = ((corners.0.0 + 1, corners.0.1 + 1), (corners.1.0 - 1, corners.1.1 - 1));
    canvas.bar(inner.0, inner.1, fill)?;
    canvas.text(&words(placed), (x, y), At::Middle, (SMALL, ink))
}

fn scale(canvas: &Canvas<'_>, cabling: &Cabling, x: impl Fn(f64) -> i32, foot: i32) -> Drawn {
    let length = cabling.length_m();
    canvas.text("0 m", (x(0.0), foot + 18), At::Middle, (LABEL, SOFT))?;
    canvas.text(&format!("{length} m"), (x(length), foot + 18), At::Middle, (LABEL, SOFT))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn placed(nodes: &[(f64, Option<Severity>)]) -> Vec<Placed> {
        let place = |(index, &(position_m, found)): (usize, &(f64, Option<Severity>))| Placed {
            position_m,
            label: index.to_string(),
            found,
            lost: found.is_some(),
            addressed: true,
        };
        nodes.iter().enumerate().map(place).collect()
    }

    #[test]
    fn a_stretch_is_told_where_the_affected_lie_side_by_side() {
        let fault = Some(Severity::Fault);
        let nodes = [(1.0, None), (8.0, None), (16.0, fault), (24.0, fault)];
        let stretch = Stretch { from_m: 16.0, to_m: 24.0 };
        assert_eq!(affected(&placed(&nodes)), Some(stretch));
        // One alone, one in between that is well, all of them.
        assert_eq!(affected(&placed(&nodes[..3])), None);
        assert_eq!(affected(&placed(&[(1.0, fault), (2.0, None), (3.0, fault)])), None);
        assert_eq!(affected(&placed(&nodes[2..])), None);
    }

    #[test]
    fn addresses_that_stand_close_have_rows_of_their_own() {
        let nodes = placed(&[(0.0, None), (1.0, None), (2.0, None), (50.0, None)]);
        assert_eq!(levels(&nodes, |m| 10 * m as i32), [0, 1, 2, 0]);
    }
}
