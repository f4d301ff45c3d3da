//! From the text of a plan to a [`Plan`], or to everything that has to be put right in it.
//!
//! The keys, all lengths in metres, all currents in amperes:
//!
//! | table | keys |
//! |---|---|
//! | `[trunk]` | `name`, `bitrate`, `scan_interval_ms`; optional `explicit_interval_ms` (100; 0 for none), `reaction_ms` (0.5), `terminators_at_m` (a list of positions) |
//! | `[[node]]` | `mac_id`, `connection` (poll, strobe, change-of-state, cyclic, explicit, master), `command_bytes`, `response_bytes`; optional `name`, `interval_ms` and `acknowledged` (change-of-state and cyclic), `profile` (ac-drive) with `output_assembly`, `input_assembly`; `vendor_id`, `device_type`, `product_code`, `major_revision`, `minor_revision`, `serial`; `current_a` with either `position_m`, `drop_m`, `cable` for a drop of its own or `drop` for a named one |
//! | `[[trunk.section]]` | `cable` (thick, thin), `length_m`; in order from the end that is 0 m |
//! | `[[trunk.drop]]` | `name`, `position_m`; optional `drop_m` (0), `cable` (thin), `current_a` (of what has no address) |
//! | `[[trunk.supply]]` | `name`, `position_m`; optional `voltage_v` (24), `current_a` (the most it gives) |

use super::model::{Connection, Plan, PlannedIdentity, PlannedNode, PlannedTrunk};
use super::read_cabling::read_cabling;
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
    let rate: u32 = keys.whole("bitrate", 0..=i64::from(u32::MAX))?;
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
    let mac_id = keys.need("mac_id", keys.whole("mac_id", 0..=63)).and_then(MacId::new);
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
        vendor_id: keys.whole("vendor_id", 0..=0xFFFF),
        device_type: keys.whole("device_type", 0..=0xFFFF),
        product_code: keys.whole("product_code", 0..=0xFFFF),
        major_revision: keys.whole("major_revision", 0..=127),
        minor_revision: keys.whole("minor_revision", 0..=255),
        serial: keys.whole("serial", 0..=0xFFFF_FFFF),
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
            let command: Option<u16> = keys.whole("command_bytes", 0..=8);
            if !matches!(command, None | Some(0 | 8)) {
                keys.problem(
                    "command_bytes",
                    "the bit-strobe command is one frame of 8 bytes for all nodes; write 8 or leave it out",
                );
            }
            // A bit-strobe response is not fragmented: 8 bytes at most (IEC 62026-3).
            let response = keys.whole("response_bytes", 0..=8);
            Some((0, keys.need("response_bytes", response)?))
        }
        _ => {
            let command = keys.need("command_bytes", keys.whole("command_bytes", 0..=most));
            let response = keys.need("response_bytes", keys.whole("response_bytes", 0..=most));
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
    let assembly = keys.whole(key, 1..=0xFFFF)?;
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
