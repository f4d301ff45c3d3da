//! The part of a plan that is copper: sections of cable, drops, terminators, supplies.

use crate::toml_reader::TableReader;

use super::model::{Cable, Cabling, Load, PlannedNode, Section, Supply, Tap};

const CABLES: [(&str, Cable); 2] = [("thick", Cable::Thick), ("thin", Cable::Thin)];

/// More than any trunk or drop may have, and little enough to tell a slip from a length.
const MOST_M: f64 = 10_000.0;
const MOST_A: f64 = 100.0;

/// Reads the cabling; `None` if it has problems, `Some(None)` if the plan has none.
pub(super) fn read_cabling(
    trunk: &TableReader,
    node_keys: &[TableReader],
    nodes: &[Option<PlannedNode>],
) -> Option<Option<Cabling>> {
    let sections: Vec<_> =
        trunk.tables("section", "trunk.section").iter().map(read_section).collect();
    let drop_keys = trunk.tables("drop", "trunk.drop");
    let supply_keys = trunk.tables("supply", "trunk.supply");
    let sections = sections.into_iter().collect::<Option<Vec<_>>>();
    let given = trunk.has("section");
    let length = match &sections {
        Some(sections) if given => sections.iter().map(|section| section.length_m).sum(),
        // The sections are at fault, or missing; no position is compared with them.
        _ => f64::INFINITY,
    };
    let terminators_at_m = trunk.numbers("terminators_at_m", 0.0..=MOST_M);
    for &position in terminators_at_m.iter().flatten() {
        check_position(trunk, "terminators_at_m", Some(position), length);
    }
    if !given {
        for key in ["drop", "supply", "terminators_at_m"].into_iter().filter(|key| trunk.has(key)) {
            trunk.problem(key, "needs the cable: add [[trunk.section]] with cable and length_m");
        }
    }
    let mut supplies = Vec::new();
    for keys in &supply_keys {
        let supply = read_supply(keys, length);
        // No length between them would share the current out by nothing.
        if let Some(supply) = &supply
            && supplies.iter().flatten().any(|other: &Supply| other.position_m == supply.position_m)
        {
            keys.problem("position_m", "another supply feeds the trunk here; give them as one");
        }
        supplies.push(supply);
    }
    let mut taps = Vec::new();
    for keys in &drop_keys {
        let tap = read_drop(keys, length);
        if let Some(tap) = &tap
            && taps.iter().flatten().any(|other: &Tap| other.name == tap.name)
        {
            keys.problem("name", format!("{:?} is already the name of another drop", tap.name));
        }
        taps.push(tap);
    }
    for (keys, node) in node_keys.iter().zip(nodes) {
        read_node_tap(keys, node.as_ref(), &mut taps, given, length);
    }
    if !given {
        return Some(None);
    }
    let mut taps = taps.into_iter().collect::<Option<Vec<_>>>()?;
    let mut supplies = supplies.into_iter().collect::<Option<Vec<_>>>()?;
    taps.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
    supplies.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
    Some(Some(Cabling { sections: sections?, terminators_at_m, taps, supplies }))
}

fn read_section(keys: &TableReader) -> Option<Section> {
    let cable = keys.need("cable", keys.choice("cable", &CABLES));
    let length_m = keys.need("length_m", keys.number("length_m", 0.01..=MOST_M));
    keys.finish();
    Some(Section { cable: cable?, length_m: length_m? })
}

fn read_supply(keys: &TableReader, length: f64) -> Option<Supply> {
    let name = keys.need("name", keys.text("name"));
    let position_m = read_position(keys, length);
    // 24 V nominal; far outside it is a slip of the pen.
    let voltage_v = keys.number("voltage_v", 11.0..=30.0);
    let current_a = keys.number("current_a", 0.1..=MOST_A);
    keys.finish();
    Some(Supply {
        name: name?,
        position_m: position_m?,
        voltage_v: voltage_v.unwrap_or(24.0),
        current_a,
    })
}

fn read_drop(keys: &TableReader, length: f64) -> Option<Tap> {
    let name = keys.need("name", keys.text("name"));
    let position_m = read_position(keys, length);
    let drop_m = keys.number("drop_m", 0.0..=MOST_M);
    let cable = keys.choice("cable", &CABLES);
    let current_a = keys.number("current_a", 0.0..=MOST_A);
    keys.finish();
    let name = name?;
    let loads = current_a.filter(|&current| current > 0.0).map(|current_a| Load {
        name: name.clone(),
        mac_id: None,
        current_a,
    });
    Some(Tap {
        name,
        position_m: position_m?,
        drop_m: drop_m.unwrap_or(0.0),
        cable: cable.unwrap_or(Cable::Thin),
        loads: loads.into_iter().collect(),
    })
}

/// A node hangs on a named drop or on a drop of its own, which it then brings along.
fn read_node_tap(
    keys: &TableReader,
    node: Option<&PlannedNode>,
    taps: &mut Vec<Option<Tap>>,
    given: bool,
    length: f64,
) {
    let drop = keys.text("drop");
    let position_m = keys.number("position_m", 0.0..=MOST_M);
    let drop_m = keys.number("drop_m", 0.0..=MOST_M);
    let cable = keys.choice("cable", &CABLES);
    let current_a = keys.number("current_a", 0.0..=MOST_A);
    let all = ["drop", "position_m", "drop_m", "cable", "current_a"];
    if !given {
        for key in all.into_iter().filter(|key| keys.has(key)) {
            keys.problem(key, "needs the cable: add [[trunk.section]] with cable and length_m");
        }
        return;
    }
    if keys.has("drop") {
        for key in ["position_m", "drop_m", "cable"].into_iter().filter(|key| keys.has(key)) {
            keys.problem(key, "is that of the named drop; give one or the other");
        }
    } else if !keys.has("position_m")
        && let Some(key) = ["drop_m", "cable", "current_a"].into_iter().find(|key| keys.has(key))
    {
        keys.problem(key, "needs position_m, or the name of a [[trunk.drop]] as drop");
    }
    check_position(keys, "position_m", position_m, length);
    let Some(node) = node else { return };
    let load = Load {
        name: node.name.clone().unwrap_or_else(|| format!("node {}", node.mac_id)),
        mac_id: Some(node.mac_id),
        current_a: current_a.unwrap_or(0.0),
    };
    if let Some(name) = drop {
        let names: Vec<_> = taps.iter().flatten().map(|tap| tap.name.clone()).collect();
        let unread = taps.iter().any(Option::is_none);
        match taps.iter_mut().flatten().find(|tap| tap.name == name) {
            Some(tap) => tap.loads.push(load),
            // A drop that could not be read may be the one.
            None if unread => {}
            None => {
                let names = if names.is_empty() { "none".into() } else { names.join(", ") };
                keys.problem(
                    "drop",
                    format!("no [[trunk.drop]] is named {name:?}; there are: {names}"),
                );
            }
        }
    } else if let Some(position_m) = position_m {
        taps.push(Some(Tap {
            name: load.name.clone(),
            position_m,
            drop_m: drop_m.unwrap_or(0.0),
            cable: cable.unwrap_or(Cable::Thin),
            loads: vec![load],
        }));
    }
}

fn read_position(keys: &TableReader, length: f64) -> Option<f64> {
    let position = keys.need("position_m", keys.number("position_m", 0.0..=MOST_M));
    check_position(keys, "position_m", position, length);
    position
}

fn check_position(keys: &TableReader, key: &'static str, position: Option<f64>, length: f64) {
    if position.is_some_and(|position| position > length + 1e-9) {
        let position = position.unwrap_or_default();
        keys.problem(key, format!("{position} m lies beyond the trunk, which is {length} m long"));
    }
}
