//! From the text of a plan to a [`Plan`], or to everything that has to be put right in it.
//!
//! The keys, all lengths in metres, all currents in amperes:
//!
//! | table | keys |
//! |---|---|
//! | `[trunk]` | `name`, `bitrate`, `scan_interval_ms`; optional `explicit_interval_ms` (100; 0 for none), `reaction_ms` (0.5), `terminators_at_m` (a list of positions), `class_2` (true where North American Class 2 circuits are required) |
//! | `[[node]]` | `mac_id`, `connection` (poll, strobe, change-of-state, cyclic, explicit, master), `command_bytes`, `response_bytes`; optional `name`, `interval_ms` and `acknowledged` (change-of-state and cyclic), `profile` (ac-drive) with `output_assembly`, `input_assembly`; `vendor_id`, `device_type`, `product_code`, `major_revision`, `minor_revision`, `serial`; `current_a` with either `position_m`, `drop_m`, `cable` for a drop of its own or `drop` for a named one |
//! | `[[trunk.section]]` | `cable` (thick, thin, flat), `length_m`; of flat cable `ohm_per_m`, `most_current_a`, `longest_m` as its maker says; in order from the end that is 0 m |
//! | `[[trunk.drop]]` | `name`, `position_m`; optional `drop_m` (0), `cable` (thin), `current_a` (of what has no address) |
//! | `[[trunk.supply]]` | `name`, `position_m`; optional `voltage_v` (24), `current_a` (the most it gives) |

use super::model::{
    Cable, CableFigures, Cabling, Connection, CurrentDraw, Plan, PlannedIdentity, PlannedNode,
    PlannedTrunk, Section, Supply, Tap,
};
use crate::fieldbus::{AssemblyDirection, MacId, Profile, assembly_row};
use crate::toml_reader::{TableReader, TomlProblems, read_toml};
use crate::wire::{Bitrate, Nanos};

impl Plan {
    /// Reads a plan.
    ///
    /// # Errors
    /// All problems at once, each with its line and key: what is no TOML, unknown or missing
    /// keys, values out of range, and values that contradict each other.
    pub fn parse(text: &str) -> Result<Plan, TomlProblems> {
        read_toml(text, read)
    }
}

fn read(root: &TableReader) -> Option<Plan> {
    let node_keys = root.tables("node", "node");
    let trunk_keys = root.table("trunk", "trunk");
    if !root.has("trunk") {
        root.problem("trunk", "missing: a plan begins with [trunk]");
    }
    let nodes: Vec<_> = node_keys.iter().map(read_node).collect();
    report_duplicates(&node_keys, &nodes);
    let trunk_keys = trunk_keys?;
    let trunk = read_trunk(&trunk_keys);
    let cabling = read_cabling(&trunk_keys, &node_keys, &nodes);
    trunk_keys.finish();
    node_keys.iter().for_each(TableReader::finish);
    let mut nodes: Vec<PlannedNode> = nodes.into_iter().collect::<Option<_>>()?;
    nodes.sort_by_key(|node| node.mac_id);
    Some(Plan { trunk: trunk?, nodes, cabling: cabling? })
}

fn read_trunk(keys: &TableReader) -> Option<PlannedTrunk> {
    let name = keys.need("name", keys.text("name"));
    let bitrate = keys.need("bitrate", read_bitrate(keys));
    let scan_interval = keys.need("scan_interval_ms", millis(keys, "scan_interval_ms", 0.1));
    let explicit_interval = keys.number("explicit_interval_ms", 0.0..=3_600_000.0);
    if explicit_interval.is_some_and(|ms| ms > 0.0 && ms < 1.0) {
        keys.problem("explicit_interval_ms", "is under 1 ms; 0 stands for no explicit messages");
    }
    let reaction = millis(keys, "reaction_ms", 0.0);
    Some(PlannedTrunk {
        name: name?,
        bitrate: bitrate?,
        scan_interval: scan_interval?,
        explicit_interval: Some(nanos(explicit_interval.unwrap_or(100.0)))
            .filter(|interval| interval.0 > 0),
        reaction: reaction.unwrap_or(Nanos::from_micros(500)),
    })
}

fn read_bitrate(keys: &TableReader) -> Option<Bitrate> {
    let rate: u32 = keys.integer("bitrate", 0..=i64::from(u32::MAX))?;
    if ![125_000, 250_000, 500_000].contains(&rate) {
        let meant = match rate {
            125 | 250 | 500 => {
                format!("; it is in bits per second, so {rate}000 for {rate} kbit/s")
            }
            _ => String::new(),
        };
        let rates = "a trunk runs at 125000, 250000 or 500000 bit/s (IEC 62026-3)";
        keys.problem("bitrate", format!("{rate}: {rates}{meant}"));
        return None;
    }
    Bitrate::new(rate)
}

fn millis(keys: &TableReader, key: &'static str, least: f64) -> Option<Nanos> {
    // The longest expected packet rate of a connection has 16 bits of milliseconds.
    keys.number(key, least..=65_535.0).map(nanos)
}

fn nanos(ms: f64) -> Nanos {
    Nanos((ms * 1e6).round() as i64)
}

const CONNECTIONS: [(&str, Connection); 6] = [
    ("poll", Connection::Poll),
    ("strobe", Connection::Strobe),
    ("change-of-state", Connection::ChangeOfState),
    ("cyclic", Connection::Cyclic),
    ("explicit", Connection::Explicit),
    ("master", Connection::Master),
];

fn read_node(keys: &TableReader) -> Option<PlannedNode> {
    let mac_id = keys.need("mac_id", keys.integer("mac_id", 0..=63)).and_then(MacId::new);
    let connection = keys.need("connection", keys.choice("connection", &CONNECTIONS));
    let sizes = connection.and_then(|connection| read_sizes(keys, connection));
    // Known keys even where the connection, which says how to read them, is not.
    let _ = (keys.has("command_bytes"), keys.has("response_bytes"));
    let own_interval = matches!(connection, Some(Connection::ChangeOfState | Connection::Cyclic));
    let interval = millis(keys, "interval_ms", 0.1);
    let acknowledged = keys.flag("acknowledged");
    if connection.is_some() && !own_interval {
        for key in ["interval_ms", "acknowledged"].into_iter().filter(|key| keys.has(key)) {
            keys.problem(key, "is only for change-of-state and cyclic; remove it");
        }
    }
    let profile = keys.choice("profile", Profile::WORDS);
    let sizes_known = sizes.unwrap_or_default();
    let output_assembly =
        read_assembly(keys, "output_assembly", AssemblyDirection::Output, sizes_known.0);
    let input_assembly =
        read_assembly(keys, "input_assembly", AssemblyDirection::Input, sizes_known.1);
    let identity = PlannedIdentity {
        vendor_id: keys.integer("vendor_id", 0..=0xFFFF),
        device_type: keys.integer("device_type", 0..=0xFFFF),
        product_code: keys.integer("product_code", 0..=0xFFFF),
        major_revision: keys.integer("major_revision", 0..=127),
        minor_revision: keys.integer("minor_revision", 0..=255),
        serial: keys.integer("serial", 0..=0xFFFF_FFFF),
    };
    let name = keys.text("name");
    let (command_bytes, response_bytes) = sizes?;
    Some(PlannedNode {
        mac_id: mac_id?,
        name,
        connection: connection?,
        command_bytes,
        response_bytes,
        interval,
        acknowledged: acknowledged.unwrap_or(own_interval),
        profile,
        output_assembly,
        input_assembly,
        identity,
    })
}

/// The I/O sizes, as far as the kind of connection has any.
fn read_sizes(keys: &TableReader, connection: Connection) -> Option<(u16, u16)> {
    // As far as the six bits that count fragments of 7 bytes go: 64 of them.
    let most = 448;
    match connection {
        Connection::Explicit | Connection::Master => {
            for key in ["command_bytes", "response_bytes"].into_iter().filter(|key| keys.has(key)) {
                keys.problem(
                    key,
                    format!(
                        "a node with connection {:?} has no I/O of its own; remove it",
                        connection.word()
                    ),
                );
            }
            Some((0, 0))
        }
        Connection::Strobe => {
            let command: Option<u16> = keys.integer("command_bytes", 0..=8);
            if !matches!(command, None | Some(0 | 8)) {
                keys.problem(
                    "command_bytes",
                    "the bit-strobe command is one frame of 8 bytes for all nodes; write 8 or leave it out",
                );
            }
            // A bit-strobe response is not fragmented: 8 bytes at most (IEC 62026-3).
            let response = keys.integer("response_bytes", 0..=8);
            Some((0, keys.need("response_bytes", response)?))
        }
        _ => {
            let command = keys.need("command_bytes", keys.integer("command_bytes", 0..=most));
            let response = keys.need("response_bytes", keys.integer("response_bytes", 0..=most));
            Some((command?, response?))
        }
    }
}

/// The number of an assembly. One that can be read has a length of its own.
fn read_assembly(
    keys: &TableReader,
    key: &'static str,
    direction: AssemblyDirection,
    bytes: u16,
) -> Option<u16> {
    let assembly = keys.integer(key, 1..=0xFFFF)?;
    if !keys.has("profile") {
        keys.problem(key, "needs a profile that says how to read it; add profile = \"ac-drive\"");
    } else if let Some(row) = assembly_row(direction, assembly)
        && usize::from(bytes) != row.bytes
    {
        let length = row.bytes;
        keys.problem(
            key,
            format!("assembly {assembly} of an AC drive has {length} bytes, this node {bytes}"),
        );
    }
    Some(assembly)
}

fn report_duplicates(keys: &[TableReader], nodes: &[Option<PlannedNode>]) {
    let mut first: [Option<usize>; MacId::COUNT] = [None; MacId::COUNT];
    for (keys, node) in keys.iter().zip(nodes) {
        let Some(node) = node else { continue };
        let line = keys.line_of("mac_id");
        match first[node.mac_id.index()] {
            Some(other) => keys.problem(
                "mac_id",
                format!("{} is already the address of the node at line {other}", node.mac_id),
            ),
            None => first[node.mac_id.index()] = Some(line),
        }
    }
}

const CABLES: [(&str, Cable); 2] = [("thick", Cable::Thick), ("thin", Cable::Thin)];
/// Of which a trunk can be. Flat cable has no standard figures.
const TRUNK_CABLES: [(&str, Cable); 3] =
    [("thick", Cable::Thick), ("thin", Cable::Thin), ("flat", Cable::Flat)];

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
    let class_2 = trunk.flag("class_2");
    let terminators_at_m = trunk.numbers("terminators_at_m", 0.0..=MOST_M);
    for &position in terminators_at_m.iter().flatten() {
        check_position(trunk, "terminators_at_m", Some(position), length);
    }
    if !given {
        for key in ["drop", "supply", "terminators_at_m", "class_2"]
            .into_iter()
            .filter(|key| trunk.has(key))
        {
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
    let class_2 = class_2.unwrap_or(false);
    Some(Some(Cabling { sections: sections?, class_2, terminators_at_m, taps, supplies }))
}

fn read_section(keys: &TableReader) -> Option<Section> {
    let cable = keys.need("cable", keys.choice("cable", &TRUNK_CABLES));
    let length_m = keys.need("length_m", keys.number("length_m", 0.01..=MOST_M));
    let given = [
        ("ohm_per_m", keys.number("ohm_per_m", 0.0005..=1.0)),
        ("most_current_a", keys.number("most_current_a", 0.1..=MOST_A)),
        ("longest_m", keys.number("longest_m", 1.0..=MOST_M)),
    ];
    let standard = cable.and_then(Cable::figures);
    for (key, value) in &given {
        if cable == Some(Cable::Flat) && !keys.has(key) {
            keys.problem(
                key,
                "missing: makers of flat cable differ; take it from the data of yours",
            );
        } else if standard.is_some() && value.is_some() {
            keys.problem(key, "is the standard's for thick and thin cable; leave it out");
        }
    }
    keys.finish();
    let [(_, ohm_per_m), (_, most_current_a), (_, longest_m)] = given;
    let figures = match standard {
        Some(standard) => standard,
        None => CableFigures {
            ohm_per_m: ohm_per_m?,
            most_current_a: most_current_a?,
            longest_m: Some(longest_m?),
        },
    };
    Some(Section { cable: cable?, length_m: length_m?, figures })
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
    let loads = current_a.filter(|&current| current > 0.0).map(|current_a| CurrentDraw {
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
    let load = CurrentDraw {
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
