//! From the text of a scenario to a [`Scenario`], or to everything that has to be put right in it.

use std::collections::BTreeMap;

use super::check::{check_fault, check_group, check_node, check_scan, check_tool};
use super::{
    Fault, FaultKind, MasterPlan, NodePlan, Scenario, Seconds, TalkerPlan, ToolPlan, TrunkPlan,
};
use crate::toml_reader::{TableReader, TomlProblems, read_toml};

impl Scenario {
    /// Reads a scenario.
    ///
    /// # Errors
    /// All problems at once, each with its line and key: what is no TOML, unknown or missing keys,
    /// values out of range, a fault at an address that no node has, a key without effect.
    pub fn parse(text: &str) -> Result<Scenario, TomlProblems> {
        read_toml(text, read)
    }
}

fn read(root: &TableReader) -> Option<Scenario> {
    let trunk_keys = part(root, "trunk");
    let trunk: Option<TrunkPlan> = trunk_keys.and_then(|keys| keys.deserialize());
    let master_keys = part(root, "master");
    let master: Option<MasterPlan> = master_keys.as_ref().and_then(TableReader::deserialize);
    let node_keys = root.tables("node", "node");
    let nodes: Vec<Option<NodePlan>> = node_keys.iter().map(TableReader::deserialize).collect();
    let talkers: Vec<Option<TalkerPlan>> =
        root.tables("talker", "talker").iter().map(TableReader::deserialize).collect();
    let tool_keys = root.tables("tool", "tool");
    let tools: Vec<Option<ToolPlan>> = tool_keys.iter().map(TableReader::deserialize).collect();
    let mut addresses = BTreeMap::new();
    if let Some((keys, master)) = master_keys.as_ref().zip(master.as_ref()) {
        addresses.insert(master.mac_id, "the master");
        check_scan(keys, master);
    }
    let mut grouped = None;
    for (keys, node) in node_keys.iter().zip(&nodes) {
        let Some(node) = node else { continue };
        check_group(keys, node, &mut grouped);
        if let Some(other) = addresses.insert(node.mac_id, &node.name) {
            keys.problem("mac_id", format!("{} is already that of {other}", node.mac_id));
        }
        check_node(keys, node);
    }
    for (keys, tool) in tool_keys.iter().zip(&tools) {
        let Some(tool) = tool else { continue };
        if let Some(other) = addresses.insert(tool.mac_id, "a tool") {
            keys.problem("mac_id", format!("{} is already that of {other}", tool.mac_id));
        }
        check_tool(keys, tool, nodes.iter().flatten());
    }
    let fault_keys = root.tables("fault", "fault");
    let faults: Vec<Option<Fault>> = fault_keys.iter().map(read_fault).collect();
    // A fault is compared with a trunk of which all is known.
    let mut scenario = Scenario {
        trunk: trunk?,
        master: master?,
        node: nodes.into_iter().collect::<Option<_>>()?,
        tool: tools.into_iter().collect::<Option<_>>()?,
        talker: talkers.into_iter().collect::<Option<_>>()?,
        faults: Vec::new(),
    };
    for (keys, fault) in fault_keys.iter().zip(&faults) {
        if let Some(fault) = fault {
            check_fault(keys, fault, &scenario);
        }
    }
    scenario.faults = faults.into_iter().collect::<Option<_>>()?;
    Some(scenario)
}

/// A table that a scenario cannot be without.
fn part<'a, 't>(root: &TableReader<'a, 't>, name: &'static str) -> Option<TableReader<'a, 't>> {
    if !root.has(name) {
        root.problem(name, format!("missing: a scenario has a [{name}]"));
    }
    root.table(name, name)
}

fn read_fault(keys: &TableReader) -> Option<Fault> {
    let kinds: Vec<_> = FaultKind::NAMES.iter().map(|&name| (name, name)).collect();
    let from_s = keys.number("from_s", Seconds::RANGE).map(Seconds);
    let until_s = keys.number("until_s", Seconds::RANGE).map(Seconds);
    let sound = keys.has("from_s") == from_s.is_some() && keys.has("until_s") == until_s.is_some();
    // Only its kind says which other keys it has.
    let kind = keys.need("kind", keys.choice("kind", &kinds))?;
    let kind = keys.deserialize_variant(kind)?;
    sound.then_some(Fault { kind, from_s: from_s.unwrap_or_default(), until_s })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::sim::SimSource;
    use crate::sim::scenario::Millis;

    const SMALL: &str = r#"
[trunk]
name = "Orchard Lane rinser"
bitrate = 125000
duration_s = 2

[master]
vendor_id = 900
serial = 1

[[node]]
mac_id = 5
name = "rinser"
connection = "poll"
vendor_id = 901
serial = 2
"#;

    fn error(extra: &str) -> String {
        Scenario::parse(&format!("{SMALL}{extra}")).unwrap_err().to_string()
    }

    #[test]
    fn the_least_scenario() {
        let scenario = Scenario::parse(SMALL).unwrap();
        assert_eq!(scenario.node.len(), 1);
        assert_eq!(scenario.node[0].expected_packet_rate_ms, Millis(75.0));
    }

    #[test]
    fn errors_name_line_and_key() {
        let cases = [
            ("speed = 3", "line 17: node.speed: unknown key"),
            (
                "delay_mean_us = 1",
                "line 17: node.delay_mean_us: the response delays are not in order: least 600, \
                 mean 1, most 4000",
            ),
            (
                "response_bytes = 449",
                "line 17: node.response_bytes: 449 is not a length from 0 to 448 bytes",
            ),
            (
                "change_interval_ms = 5",
                "line 17: node.change_interval_ms: has an effect only on a change-of-state",
            ),
            (
                "[[tool]]\nmac_id = 62\nvendor_id = 902\nserial = 5\nreads = 7\nparameters = 0",
                "line 21: tool.reads: no node has the address 7",
            ),
            (
                "acknowledged = false",
                "line 17: node.acknowledged: has an effect only on a change-of-state or cyclic",
            ),
            (
                "[[node]]\nmac_id = 6\nname = \"a\"\nvendor_id = 901\nserial = 3\n\
                 connection = \"multicast-poll\"\ncommand_bytes = 9",
                "line 23: node.command_bytes: a multicast poll has 8 bytes at most, not 9",
            ),
            ("[[fault]]\nkind = 'gremlin'", "line 18: fault.kind: \"gremlin\" is none of"),
            ("[[fault]]\nfrom_s = 1", "line 17: fault.kind: missing from this [fault]"),
            ("[[node]]\nmac_id = 64", "line 18: node.mac_id: 64 is not an address from 0 to 63"),
            (
                "[[talker]]\nid = 2048\nperiod_ms = 1",
                "line 18: talker.id: 2048 is not an identifier from 0 to 2047",
            ),
            (
                "[[talker]]\nid = 1\nperiod_ms = 1\ndata = [1, 2, 3, 4, 5, 6, 7, 8, 9]",
                "line 20: talker.data: 9 bytes is not the data of a frame (0 to 8)",
            ),
            (
                "command_bytes = 4\nresponse_bytes = 4\ndrive = { output_assembly = 99 }",
                "line 19: node.drive.output_assembly: 99 is not an assembly of the drive profile",
            ),
            ("drive = {}\nresponse_bytes = 4", "line 1"),
        ];
        for (extra, expected) in cases {
            let message = error(extra);
            assert!(message.contains(expected), "{message}");
        }
        let twice = SMALL.replace("mac_id = 5", "mac_id = 0");
        let message = Scenario::parse(&twice).unwrap_err().to_string();
        assert_eq!(message, "line 12: node.mac_id: 0 is already that of the master");
    }

    #[test]
    fn errors_of_a_fault_name_line_and_key() {
        let cases = [
            ("'skip-polls'\nmac_id = 5\nshare = 1.5", "line 20: fault.share: 1.5 is not a share"),
            ("'skip-polls'\nmac_id = 5\nshare = 0", "line 20: fault.share: has to be above 0"),
            ("'skip-polls'\nmac_id = 6", "line 19: fault.mac_id: no node has the address 6"),
            ("'skip-polls'\nmac_id = 5\nrpm = 1", "line 20: fault.rpm: unknown key"),
            ("'skip-polls'\nmac_id = 5\nfrom_s = -1", "line 20: fault.from_s: -1 is not from 0"),
            ("'skip-polls'\nmac_id = 5\nfrom_s = 2", "line 20: fault.from_s: 2 s is not before"),
            ("'master-stop'\nfrom_s = 1\nuntil_s = 1", "line 20: fault.until_s: 1 s is not after"),
            ("'noisy-node'\nmac_id = 5", "line 17: fault.share: needs a share or a receive_share"),
            ("'supply-sag'\nmac_ids = []\noff_ms = 5", "line 19: fault.mac_ids: names no node"),
            (
                "'receive-overflow'\nframes = 5\nuntil_s = 1",
                "line 20: fault.until_s: receive-overflow ends by itself; remove it",
            ),
            (
                "'noise'\npattern = 'random'\nrate_per_s = 5\nperiod_ms = 5",
                "line 21: fault.period_ms: has no effect on noise of this pattern",
            ),
            ("'noise'\npattern = 'periodic'", "line 17: fault.period_ms: has to be above 0"),
            (
                "'noise'\npattern = 'drive-speed'\nrate_per_s = 5",
                "line 17: fault.mac_id: missing: noise of this pattern comes with a drive",
            ),
            ("'drive-trip'\nmac_id = 5", "line 19: fault.mac_id: node 5 is no drive"),
            ("'wrong-size'\nmac_id = 5\nresponse_bytes = 0", "line 20: fault.response_bytes: node"),
            (
                "'wrong-bitrate'\nmac_id = 40\nbitrate = 125000",
                "line 20: fault.bitrate: 125000 is the bit rate of the trunk",
            ),
            (
                "'wrong-bitrate'\nmac_id = 40\nbitrate = 100000",
                "line 20: fault.bitrate: 100000 is not a bit rate of a device",
            ),
        ];
        for (extra, expected) in cases {
            let message = error(&format!("[[fault]]\nkind = {extra}"));
            assert!(message.starts_with(expected), "{message}");
            assert_eq!(message.lines().count(), 1, "{message}");
        }
    }

    #[test]
    fn a_fault_that_changes_nothing_is_none() {
        let fault = "[[fault]]\nkind = 'control-not-asked'\nmac_id = 5";
        let message = Scenario::parse(&format!("{TRUNK}{fault}")).unwrap_err().to_string();
        assert!(message.contains("fault.mac_id: node 5 is set so already"), "{message}");
    }

    #[test]
    fn all_problems_at_once() {
        let extra = "[[fault]]\nkind = 'skip-polls'\nmac_id = 70\n[[fault]]\nkind = 'slow-nod'\n";
        let text = format!("{SMALL}{extra}").replace("serial = 1\n", "serial = -1\nspeed = 1\n");
        let message = Scenario::parse(&text).unwrap_err().to_string();
        let keys = ["master.serial", "master.speed", "fault.mac_id", "fault.kind"];
        assert!(keys.iter().all(|key| message.contains(key)), "{message}");
        assert_eq!(message.lines().count(), 4, "{message}");
    }

    /// Nodes 5 and 6 are drives, node 7 changes by itself.
    const TRUNK: &str = r#"
trunk = { name = "Orchard Lane", bitrate = 125000, duration_s = 9, length_m = 200 }
master = { vendor_id = 900, serial = 1, scan_interval_ms = 10 }
node = [
  { mac_id = 5, name = "rinser", connection = "poll", vendor_id = 901, serial = 2, command_bytes = 4, response_bytes = 4, drive = { output_assembly = 20, run_from_s = 3.2 } },
  { mac_id = 6, name = "filler", connection = "poll", vendor_id = 901, serial = 3, command_bytes = 4, response_bytes = 4, position_m = 180, drive = { run_from_s = 4 } },
  { mac_id = 7, name = "capper", connection = "change-of-state", vendor_id = 901, serial = 4, response_bytes = 8, position_m = 190 },
]
"#;

    /// A key with two values.
    type KeyValues = (&'static str, &'static str, &'static str);

    /// Each kind of fault with its keys, and for each key two values that make another capture.
    const FAULTS: &[(&str, &[KeyValues])] = &[
        (
            "duplicate-address",
            &[
                ("mac_id", "5", "6"),
                ("vendor_id", "902", "903"),
                ("serial", "8", "9"),
                ("sharing", "'contested'", "'silent'"),
            ],
        ),
        (
            "duplicate-address",
            &[
                ("mac_id", "5", "5"),
                ("vendor_id", "902", "902"),
                ("serial", "8", "8"),
                ("sharing", "'silent'", "'silent'"),
            ],
        ),
        ("slow-node", &[("mac_id", "5", "6"), ("extra_us", "900", "3000"), ("share", "1", "0.3")]),
        ("skip-polls", &[("mac_id", "5", "6"), ("share", "1", "0.5")]),
        (
            "loose-connector",
            &[
                ("mac_id", "5", "6"),
                ("mean_on_s", "0.2", "0.5"),
                ("mean_off_ms", "100", "300"),
                ("loses_power", "false", "true"),
            ],
        ),
        (
            "noise",
            &[("pattern", "'random'", "'drive-running'\nmac_id = 5"), ("rate_per_s", "40", "90")],
        ),
        ("noise", &[("pattern", "'periodic'", "'periodic'"), ("period_ms", "40", "90")]),
        (
            "noise",
            &[
                ("pattern", "'drive-running'", "'drive-speed'"),
                ("mac_id", "5", "6"),
                ("rate_per_s", "40", "90"),
            ],
        ),
        (
            "noisy-node",
            &[("mac_id", "5", "6"), ("share", "0.1", "0.3"), ("receive_share", "0", "0.1")],
        ),
        ("missing-terminator", &[("share", "0.3", "0.9")]),
        (
            "wrong-bitrate",
            &[
                // Nobody can read what it sends; only the truth names it.
                ("mac_id", "40", "40"),
                ("bitrate", "250000", "500000"),
                ("bus_off_recovery", "'automatic'", "'manual'"),
            ],
        ),
        ("no-acknowledge", &[("mac_id", "5", "6")]),
        ("bus-off", &[("mac_id", "5", "6")]),
        ("wrong-size", &[("mac_id", "5", "6"), ("response_bytes", "3", "6")]),
        ("wrong-command-size", &[("mac_id", "5", "6"), ("command_bytes", "3", "6")]),
        ("node-off", &[("mac_id", "5", "6")]),
        ("not-on-scan-list", &[("mac_id", "5", "6")]),
        ("not-polled", &[("mac_id", "5", "6")]),
        ("packet-rate", &[("mac_id", "5", "6"), ("rate_ms", "10", "20")]),
        ("refuses-setup", &[("mac_id", "5", "6")]),
        (
            "wrong-assembly",
            &[
                ("mac_id", "5", "6"),
                ("output_assembly", "21", "20"),
                ("input_assembly", "70", "71"),
            ],
        ),
        ("local-control", &[("mac_id", "5", "6"), ("takes", "'both'", "'reference'")]),
        ("drive-not-ready", &[("mac_id", "5", "6")]),
        ("drive-trip", &[("mac_id", "5", "6")]),
        // The other drive's assembly has no way to ask.
        ("control-not-asked", &[("mac_id", "6", "6")]),
        ("master-stop", &[]),
        ("master-idle", &[]),
        ("overload", &[("scan_interval_ms", "3", "5")]),
        ("babble", &[("id", "1", "2"), ("bytes", "3", "4"), ("interval_ms", "5", "9")]),
        ("invalid-identifier", &[("interval_ms", "50", "90")]),
        ("supply-sag", &[("mac_ids", "[5]", "[5, 6]"), ("off_ms", "90", "500")]),
        ("receive-overflow", &[("frames", "5", "9")]),
        ("adapter-unplugged", &[]),
    ];

    /// What the adapter hears of the trunk with this fault.
    fn heard(fault: &str) -> Vec<String> {
        let text = format!("{TRUNK}[[fault]]\n{fault}");
        let scenario = Scenario::parse(&text).unwrap_or_else(|error| panic!("{text}{error}"));
        let (mut trunk, mut batch) = (SimSource::new(scenario, Some(7)), Vec::new());
        let mut heard = Vec::new();
        while trunk.next_records(&mut batch) {
            heard.extend(batch.drain(..).map(|record| format!("{record:?}")));
        }
        heard
    }

    /// The fault with the first value of each key, but the second one of one key.
    fn fault(kind: &str, keys: &[KeyValues], second: &str) -> String {
        let mut text = format!("kind = '{kind}'\n");
        for (key, a, b) in keys {
            text += &format!("{key} = {}\n", if *key == second { b } else { a });
        }
        let momentary = ["supply-sag", "receive-overflow", "bus-off"].contains(&kind);
        // Set up is a node at the beginning only.
        let from = if kind == "refuses-setup" { "0" } else { "3" };
        for (key, a, b) in [("from_s", from, "3.5"), ("until_s", "5", "7.8")] {
            if !(momentary && key == "until_s") {
                text += &format!("{key} = {}\n", if key == second { b } else { a });
            }
        }
        text
    }

    #[test]
    fn every_key_of_every_fault_has_an_effect() {
        let (mut all, mut seen) = (BTreeSet::new(), BTreeSet::new());
        for (kind, keys) in FAULTS {
            let first = fault(kind, keys, "");
            let heard_first = heard(&first);
            for key in keys.iter().map(|(key, ..)| *key).chain(["from_s", "until_s"]) {
                let second = fault(kind, keys, key);
                if first != second {
                    all.insert((*kind, key));
                    if heard_first != heard(&second) {
                        seen.insert((*kind, key));
                    }
                }
            }
        }
        // By then the newcomer is error-passive and quiet.
        seen.insert(("wrong-bitrate", "until_s"));
        assert_eq!(all.difference(&seen).collect::<Vec<_>>(), Vec::<&(&str, &str)>::new());
    }

    /// The list above is whole: as serde knows the kinds and their keys.
    #[test]
    fn the_effects_of_no_key_are_left_out() {
        for kind in FaultKind::NAMES {
            let text = format!("['{kind}']\nno_such_key = 1\n");
            let message = toml::from_str::<FaultKind>(&text).unwrap_err().message().to_owned();
            let (_, known) = message.rsplit_once("available keys: ").unwrap_or_default();
            let listed = FAULTS.iter().filter(|(listed, _)| listed == kind);
            let listed: Vec<_> =
                listed.flat_map(|(_, keys)| keys.iter().map(|key| key.0)).collect();
            assert!(FAULTS.iter().any(|(listed, _)| listed == kind), "{kind}");
            for key in
                known.split(", ").map(|key| key.trim_matches('`')).filter(|key| !key.is_empty())
            {
                assert!(listed.contains(&key), "{kind}: {key} of {message}");
            }
        }
    }
}
