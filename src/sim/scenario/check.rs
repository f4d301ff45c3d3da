//! Whether a scenario holds together: values that contradict one another, faults at nodes that cannot
//! have them, keys without effect.

use super::{
    ControlSource, Fault, FaultKind, IoConnection, Length, MasterPlan, NodePlan, NoisePattern,
    Scenario, ToolPlan,
};
use crate::fieldbus::OutputAssembly;
use crate::toml_reader::TableReader;

/// What only a master that scans back to back has.
pub(super) fn check_scan(keys: &TableReader, master: &MasterPlan) {
    if master.scan_interval_ms.is_some() {
        for key in ["scan_gap_ms", "response_timeout_ms"].into_iter().filter(|key| keys.has(key)) {
            keys.problem(key, "has no effect beside scan_interval_ms; remove one of them");
        }
    }
}

pub(super) fn check_node(keys: &TableReader, node: &NodePlan) {
    if node.delay_min_us > node.delay_mean_us || node.delay_mean_us > node.delay_max_us {
        let key = ["delay_mean_us", "delay_min_us", "delay_max_us"];
        let key = key.into_iter().find(|key| keys.has(key)).unwrap_or("delay_mean_us");
        let (least, mean, most) = (node.delay_min_us.0, node.delay_mean_us.0, node.delay_max_us.0);
        keys.problem(
            key,
            format!(
                "the response delays are not in order: least {least}, mean {mean}, most {most}"
            ),
        );
    }
    if keys.has("change_interval_ms") && node.connection != IoConnection::ChangeOfState {
        keys.problem("change_interval_ms", "has an effect only on a change-of-state connection");
    }
    if keys.has("acknowledged") && !node.connection.sends_by_itself() {
        let what = "has an effect only on a change-of-state or cyclic connection";
        keys.problem("acknowledged", what);
    }
    let Some(drive) = &node.drive else { return };
    for (key, bytes) in
        [("command_bytes", node.command_bytes), ("response_bytes", node.response_bytes)]
    {
        if bytes.0 != 4 {
            keys.problem(key, format!("a drive has 4 bytes each way, not {}", bytes.0));
        }
    }
    if drive.run_until_s.is_some_and(|until| until <= drive.run_from_s) {
        keys.problem("drive", "run_until_s is not after run_from_s");
    }
    if drive.cycle_stand_s.0 > 0.0 && drive.cycle_run_s.is_none() {
        keys.problem("drive", "cycle_stand_s has no effect without cycle_run_s");
    }
}

/// What a tool reads has to be there.
pub(super) fn check_tool<'a>(
    keys: &TableReader,
    tool: &ToolPlan,
    mut nodes: impl Iterator<Item = &'a NodePlan>,
) {
    if nodes.all(|node| node.mac_id != tool.reads) {
        keys.problem("reads", format!("no node has the address {}", tool.reads));
    }
    if tool.parameters == 0 {
        keys.problem("parameters", "has to be above 0");
    }
}

/// The nodes of the multicast poll all get the same command, in one frame.
pub(super) fn check_group(keys: &TableReader, node: &NodePlan, grouped: &mut Option<Length>) {
    if node.connection != IoConnection::MulticastPoll {
        return;
    }
    let bytes = node.command_bytes;
    if bytes.0 > 8 {
        keys.problem(
            "command_bytes",
            format!("a multicast poll has 8 bytes at most, not {}", bytes.0),
        );
    }
    let others = *grouped.get_or_insert(bytes);
    if others != bytes {
        let what =
            format!("{}, and {} for others that the same multicast poll is for", bytes.0, others.0);
        keys.problem("command_bytes", what);
    }
    if node.drive.is_some() {
        keys.problem("connection", "a drive gets commands of its own, not those of a group");
    }
}

/// Whether the nodes that a fault names are there and can have it, and each of its keys does
/// something.
pub(super) fn check_fault(keys: &TableReader, fault: &Fault, scenario: &Scenario) {
    check_times(keys, fault, scenario);
    check_strength(keys, &fault.kind);
    if let FaultKind::WrongBitrate { bitrate, .. } = fault.kind {
        // A newcomer at the trunk's own bit rate would be no fault, and a device has no bit rate
        // beside the three of IEC 62026-3.
        let own = bitrate.get();
        if own == scenario.trunk.bitrate.get() {
            keys.problem("bitrate", format!("{own} is the bit rate of the trunk, not a wrong one"));
        } else if ![125_000, 250_000, 500_000].contains(&own) {
            let what = "is not a bit rate of a device (125000, 250000 or 500000)";
            keys.problem("bitrate", format!("{own} {what}"));
        }
    }
    let key = if keys.has("mac_ids") { "mac_ids" } else { "mac_id" };
    for mac_id in fault.kind.mac_ids() {
        match scenario.node_at(mac_id) {
            Some(node) => check_victim(keys, key, &fault.kind, node),
            None => keys.problem(key, format!("no node has the address {mac_id}")),
        }
    }
}

fn check_times(keys: &TableReader, fault: &Fault, scenario: &Scenario) {
    if let Some(until) = fault.until_s {
        if fault.kind.ends_by_itself() {
            keys.problem("until_s", format!("{} ends by itself; remove it", fault.kind.name()));
        } else if until <= fault.from_s {
            keys.problem("until_s", format!("{} s is not after from_s", until.0));
        }
    }
    let end = scenario.trunk.duration_s;
    if fault.from_s >= end {
        keys.problem(
            "from_s",
            format!("{} s is not before the end at {} s", fault.from_s.0, end.0),
        );
    }
}

/// A fault without strength is none.
fn check_strength(keys: &TableReader, kind: &FaultKind) {
    use FaultKind::*;
    let needed = |key: &'static str, given: bool, why: &str| {
        if !given {
            keys.problem(key, format!("has to be above 0: {why}"));
        }
    };
    match kind {
        SlowNode { extra_us, share, .. } => {
            needed("extra_us", extra_us.0 > 0.0, "a slow node is late by it");
            needed("share", share.0 > 0.0, "so often it strikes");
        }
        SkipPolls { share, .. } | MissingTerminator { share } => {
            needed("share", share.0 > 0.0, "so often it strikes");
        }
        NoisyNode { share, receive_share, .. } if share.0 == 0.0 && receive_share.0 == 0.0 => {
            keys.problem("share", "needs a share or a receive_share above 0");
        }
        ReceiveOverflow { frames } => needed("frames", *frames > 0, "so many are lost"),
        SupplySag { mac_ids, .. } if mac_ids.is_empty() => {
            keys.problem("mac_ids", "names no node");
        }
        Noise { pattern, rate_per_s, period_ms, mac_id } => {
            let periodic = *pattern == NoisePattern::Periodic;
            let drive = matches!(pattern, NoisePattern::DriveRunning | NoisePattern::DriveSpeed);
            needed(
                "period_ms",
                !periodic || period_ms.0 > 0.0,
                "noise of this pattern has a period",
            );
            needed(
                "rate_per_s",
                periodic || rate_per_s.0 > 0.0,
                "noise of this pattern has a rate",
            );
            if drive && mac_id.is_none() {
                keys.problem("mac_id", "missing: noise of this pattern comes with a drive");
            }
            let unused = [("period_ms", periodic), ("rate_per_s", !periodic), ("mac_id", drive)];
            for (key, used) in unused {
                if !used && keys.has(key) {
                    keys.problem(key, "has no effect on noise of this pattern; remove it");
                }
            }
        }
        _ => {}
    }
}

/// Whether a node can have a fault, and was not so before.
fn check_victim(keys: &TableReader, key: &str, kind: &FaultKind, node: &NodePlan) {
    use FaultKind::*;
    let mac_id = node.mac_id;
    let polled = node.connection == IoConnection::Poll;
    let asked = polled || node.connection.is_for_several();
    if kind.needs_drive() && node.drive.is_none() {
        keys.problem(key, format!("node {mac_id} is no drive"));
    }
    if matches!(kind, SkipPolls { .. }) && !asked {
        keys.problem(key, format!("node {mac_id} is not asked for its data"));
    }
    if matches!(kind, NotPolled { .. } | WrongCommandSize { .. }) && !polled {
        keys.problem(key, format!("node {mac_id} is not polled"));
    }
    let as_before = match (kind, &node.drive) {
        (WrongSize { response_bytes, .. }, _) => {
            (*response_bytes == node.response_bytes).then_some("response_bytes")
        }
        (WrongCommandSize { command_bytes, .. }, _) => {
            (*command_bytes == node.command_bytes).then_some("command_bytes")
        }
        (PacketRate { rate_ms, .. }, _) => {
            (*rate_ms == node.expected_packet_rate_ms).then_some("rate_ms")
        }
        (WrongAssembly { output_assembly, input_assembly, .. }, Some(drive)) => {
            let planned = (drive.output_assembly, drive.input_assembly);
            ((*output_assembly, *input_assembly) == planned).then_some("output_assembly")
        }
        // Without these bits it cannot ask, and without asking it cannot stop to.
        (ControlNotAsked { .. }, Some(drive)) => {
            let asks = drive.asks_control && drive.output_assembly.0 == OutputAssembly::EXTENDED;
            (!asks).then_some("mac_id")
        }
        (LocalControl { .. }, Some(drive)) => {
            (drive.source == ControlSource::Local).then_some("mac_id")
        }
        _ => None,
    };
    if let Some(key) = as_before {
        keys.problem(key, format!("node {mac_id} is set so already, which is no fault"));
    }
}
