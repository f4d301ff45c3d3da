//! What masters and nodes said to each other about a node, in words for its row and its page.

use crate::analysis::Analysis;
use crate::fieldbus::eds::SheetIndex;
use crate::fieldbus::{Assembly, ConnectionKind, ConnectionState, Light, MacId};
use crate::health::Expectation;
use crate::trunk::{Known, Node, Origin, Trunk};
use crate::wire::Nanos;
use crate::words::numbers::{times, without_io};
use crate::words::printable;

/// What a snapshot is taken of.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// What each node and the bus did.
    pub trunk: &'a Trunk,
    /// What the trunk is meant to be.
    pub plan: Option<&'a Expectation>,
    /// The data sheet files.
    pub sheets: Option<&'a SheetIndex>,
}

impl<'a> From<&'a Analysis> for Seen<'a> {
    fn from(analysis: &'a Analysis) -> Seen<'a> {
        Seen { trunk: analysis.trunk(), plan: analysis.plan(), sheets: analysis.sheets() }
    }
}

/// Facts about one node; empty where the wire did not tell.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Facts {
    /// What its module light and its network light should show.
    pub lights: [Option<Light>; 2],
    /// What people call it, by the plan; else its product name.
    pub name: Option<String>,
    /// For its page: a label and its text, in order.
    pub lines: Vec<(&'static str, String)>,
}

impl Facts {
    /// The facts of a node; with its lines if `page`.
    pub fn of(seen: &Seen, mac_id: MacId, page: bool) -> Facts {
        let node = seen.trunk.node(mac_id);
        let planned = seen
            .plan
            .and_then(|plan| plan.plan().nodes().iter().find(|planned| planned.mac_id == mac_id));
        let planned = planned.and_then(|planned| planned.name.as_deref());
        let lights = seen.trunk.lights(mac_id);
        let name = planned.or(node.identity.name.as_deref()).map(printable);
        let mut lines = Vec::new();
        if page {
            lines.extend(planned.map(|name| ("called", printable(name))));
            identity(node, &mut lines);
            let owns = seen.trunk.owned_by(mac_id);
            if !owns.is_empty() || node.requests_sent > 0 {
                let scans = seen.trunk.scan_interval(mac_id).map(Nanos::as_micros);
                lines.push(("role", without_io(&owns, scans, node.requests_sent)));
            }
            let colours = [("module", lights.module), ("network", lights.network)];
            let colours = colours.map(|(which, light)| {
                format!("{which} {}", light.map_or("unknown".into(), |light| light.to_string()))
            });
            lines.push(("lights", format!("{}; compare with the device", colours.join(", "))));
            if let Some((device, light)) = lights.refused {
                let text = format!(
                    "a second device, vendor {} serial {}, was refused this address: network {light}",
                    device.vendor_id, device.serial
                );
                lines.push(("", text));
            }
            connections(node, &mut lines);
            drive(node, &mut lines);
            explicit(node, &mut lines);
        }
        Facts { lights: [lights.module, lights.network], name, lines }
    }
}

/// A light in at most four letters; `~` flashes.
pub fn short_light(light: Option<Light>) -> &'static str {
    match light {
        None => "?",
        Some(Light::Off) => "off",
        Some(Light::Green) => "grn",
        Some(Light::FlashingGreen) => "grn~",
        Some(Light::FlashingRed) => "red~",
        Some(Light::Red) => "red",
        Some(Light::FlashingRedGreen) => "r/g~",
    }
}

fn identity(node: &Node, lines: &mut Vec<(&'static str, String)>) {
    let identity = &node.identity;
    let mut parts = Vec::new();
    if let Some(name) = &identity.name {
        parts.push(printable(name));
    }
    let numbers = [
        ("vendor", identity.vendor_id.map(u32::from)),
        ("device type", identity.device_type.map(u32::from)),
        ("product", identity.product_code.map(u32::from)),
        ("serial", identity.serial),
    ];
    let known = numbers.iter().filter_map(|(what, number)| Some((what, (*number)?)));
    parts.extend(known.map(|(what, number)| format!("{what} {number}")));
    if let Some((major, minor)) = identity.revision {
        parts.push(format!("revision {major}.{minor}"));
    }
    let text = match parts.is_empty() {
        true => "unknown; a node says so in its address check, when it starts".to_string(),
        false => parts.join(", "),
    };
    lines.push(("who", text));
}

fn connections(node: &Node, lines: &mut Vec<(&'static str, String)>) {
    let connections = &node.connections;
    if let Some(owner) = connections.owner {
        lines.push(("owner", format!("master {}{}", owner.value, in_brackets(owner.origin))));
    }
    let names = ["explicit", "poll", "strobe", "change of state or cyclic", "multicast poll"];
    for (kind, name) in ConnectionKind::ALL.into_iter().zip(names) {
        let connection = connections.get(kind);
        if connection.state == ConnectionState::Nonexistent && connection.timeouts.count() == 0 {
            continue;
        }
        // What is there no more is closed to whoever looks at a trunk.
        let mut text = match connection.state {
            ConnectionState::Nonexistent => format!("{name}: closed"),
            state => format!("{name}: {state}"),
        };
        match connection.rate_ms {
            Some(0) => text += ", no watchdog",
            Some(rate) => text += &format!(", expected every {rate} ms"),
            None => {}
        }
        for (size, way) in [(connection.consumed, "to it"), (connection.produced, "from it")] {
            if let Some(Known { value, origin }) = size {
                text += &format!(", {value} bytes {way}{}", in_brackets(origin));
            }
        }
        if connection.timeouts.count() > 0 {
            text += &format!(", timed out {}", times(connection.timeouts.count()));
        }
        lines.push(("connection", text));
    }
}

fn drive(node: &Node, lines: &mut Vec<(&'static str, String)>) {
    let drive = &node.drive;
    if let (Some(output), Some(command)) = (drive.output, drive.command()) {
        let origin = guessed(output.origin);
        let text = format!("{command} (assembly {}{origin})", output.value.number());
        lines.push(("command", text));
    }
    if let (Some(input), Some(status)) = (drive.input, drive.status()) {
        let origin = guessed(input.origin);
        lines.push(("status", format!("{status} (assembly {}{origin})", input.value.number())));
    }
    if let Some(scale) = drive.speed_scale.filter(|&scale| scale != 0) {
        lines.push(("speed in", format!("rpm / 2^{scale}")));
    }
    match drive.network_fault_mode {
        Some(0) => lines.push(("net lost", "it faults and stops".to_string())),
        Some(1) => lines.push(("net lost", "IT RUNS ON: set to ignore a lost network".to_string())),
        Some(mode) => lines.push(("net lost", format!("as its maker says (mode {mode})"))),
        None => {}
    }
}

fn explicit(node: &Node, lines: &mut Vec<(&'static str, String)>) {
    let counts = &node.explicit;
    if counts.requests == 0 && counts.heartbeats == 0 {
        return;
    }
    let mut text = format!("{} requests, {} granted", counts.requests, counts.responses);
    let more = [
        (counts.errors, "refused"),
        (counts.unanswered, "unanswered"),
        (counts.heartbeats, "heartbeats"),
    ];
    for (count, word) in more.iter().filter(|(count, _)| *count > 0) {
        text += &format!(", {count} {word}");
    }
    lines.push(("explicit", text));
}

fn in_brackets(origin: Origin) -> &'static str {
    match origin {
        Origin::Learnt => "",
        Origin::Planned => " (by the plan)",
        Origin::Inferred => " (guessed)",
    }
}

fn guessed(origin: Origin) -> &'static str {
    match origin {
        Origin::Learnt => "",
        Origin::Planned => ", by the plan",
        Origin::Inferred => ", guessed",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trunk::Trunk;
    use crate::wire::{Frame, Nanos, Record, StandardId, What};

    /// Allocation and an expected packet rate: converter manual I-7242D, p. 89 and p. 83.
    #[test]
    fn what_was_said_is_told() {
        let mut trunk = Trunk::default();
        let frames: [(u16, &[u8]); 4] = [
            (0x44E, &[0x0A, 0x4B, 0x03, 0x01, 0x03, 0x0A]),
            (0x44B, &[0x0A, 0xCB, 0x00]),
            (0x44C, &[0x0A, 0x10, 0x05, 0x02, 0x09, 0x4B, 0x00]),
            (0x44B, &[0x0A, 0x90, 0x4B, 0x00]),
        ];
        for (index, (id, data)) in frames.into_iter().enumerate() {
            let frame = Frame::data(StandardId::new(id).unwrap(), data).unwrap();
            let t = Nanos::from_millis(index as i64);
            trunk.take(&Record { t, what: What::Frame(frame) }, &mut |_, _| {});
        }
        let mac_id = MacId::new(9).unwrap();
        let seen = Seen { trunk: &trunk, plan: None, sheets: None };
        let facts = Facts::of(&seen, mac_id, true);
        assert_eq!(facts.lights[1], Some(Light::Green));
        let lines: Vec<String> = facts.lines.iter().map(|(l, t)| format!("{l}: {t}")).collect();
        let lines = lines.join("\n");
        assert!(lines.contains("owner: master 10\n"), "{lines}");
        assert!(lines.contains("connection: poll: established, expected every 75 ms"), "{lines}");
        assert!(Facts::of(&seen, mac_id, false).lines.is_empty());
    }
}
