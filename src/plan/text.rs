//! The report on a plan as text for people: limits first, then traffic, cable and supply.

use std::fmt::{self, Write};

use super::limits::{Limit, LimitVerdict, Side};
use super::report::{MessageReport, PlanReport, SupplyReport};
use crate::wire::Bitrate;
use crate::words::paragraph;

/// The text, lines of at most some 96 characters.
pub fn text(report: &PlanReport) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write_text(&mut out, report);
    out
}

fn write_text(out: &mut String, report: &PlanReport) -> fmt::Result {
    let plan = &report.plan;
    let rate = Bitrate::new(plan.bitrate).map_or(String::new(), |rate| rate.to_string());
    writeln!(
        out,
        "{}: {rate}, a scan every {} ms, {} nodes",
        plan.name, plan.scan_interval_ms, plan.nodes
    )?;
    let count = |verdict| report.limits.iter().filter(|limit| limit.verdict == verdict).count();
    writeln!(
        out,
        "{} limits kept, {} tight (less than a tenth to spare), {} broken",
        count(LimitVerdict::Kept),
        count(LimitVerdict::Tight),
        count(LimitVerdict::Broken)
    )?;
    write_limits(out, &report.limits)?;
    write_traffic(out, report)?;
    if let Some(cable) = &report.cable {
        writeln!(out, "\nCable")?;
        let thick = match cable.counted_as_thick_m == cable.trunk_m {
            true => String::new(),
            false => format!(", counted as {:.1} m of thick cable", cable.counted_as_thick_m),
        };
        writeln!(out, "  trunk {} m{thick}; drop lines {} m", cable.trunk_m, cable.drops_m)?;
        if let Some(ohm) = cable.between_data_wires_ohm {
            writeln!(out, "  {ohm:.1} ohm between the data wires, measured with the power off")?;
        }
    }
    if let Some(supply) = &report.supply {
        write_supply(out, supply)?;
    }
    writeln!(out, "\nSupposed, and left open")?;
    for note in &report.notes {
        write_paragraph(out, "  - ", note)?;
    }
    writeln!(out)?;
    for caution in &report.cautions {
        write_paragraph(out, "", caution)?;
    }
    Ok(())
}

fn write_limits(out: &mut String, limits: &[Limit]) -> fmt::Result {
    writeln!(out, "\n{:>10} {:>17}   {:<6}", "plan", "limit", "")?;
    for limit in limits {
        let value = limit.value.map_or("no bound".to_owned(), |value| figure(value, limit.unit));
        let side = match limit.side {
            Side::AtMost => "at most",
            Side::AtLeast => "at least",
            Side::Exactly => "just",
        };
        let bound = format!("{side} {}", figure(limit.limit, limit.unit));
        let verdict = match limit.verdict {
            LimitVerdict::Broken => "BROKEN",
            verdict => verdict.word(),
        };
        let head = format!("{value:>10} {bound:>17}   {verdict:<6}  ");
        write_paragraph(out, &head, &limit.what)?;
        if limit.verdict != LimitVerdict::Kept {
            write_paragraph(out, &" ".repeat(39), &format!("what to do: {}", limit.advice))?;
        }
    }
    Ok(())
}

fn figure(value: f64, unit: &str) -> String {
    match unit {
        "" => format!("{value}"),
        "%" => format!("{value:.1} %"),
        "m" => format!("{} m", (value * 100.0).round() / 100.0),
        unit => format!("{value:.2} {unit}"),
    }
}

fn write_traffic(out: &mut String, report: &PlanReport) -> fmt::Result {
    let traffic = &report.traffic;
    writeln!(out, "\nTraffic")?;
    writeln!(
        out,
        "  bus load {:.1} % with random data, {:.1} % at most",
        traffic.mean_load * 100.0,
        traffic.worst_load * 100.0
    )?;
    let room = &traffic.room;
    writeln!(
        out,
        "  room for {} more polled {} of {} bytes out and {} bytes in; {} addresses are free",
        room.nodes,
        if room.nodes == 1 { "node" } else { "nodes" },
        room.command_bytes,
        room.response_bytes,
        room.free_addresses
    )?;
    if let (Some(now), Some(with_one)) =
        (traffic.shortest_scan_interval_ms, room.shortest_scan_interval_ms_with_one)
    {
        writeln!(
            out,
            "  the shortest scan that fits is {now:.1} ms now, {with_one:.1} ms with one more such node"
        )?;
    }
    if traffic.messages.is_empty() {
        return Ok(());
    }
    writeln!(out, "\nMessages, the highest priority first")?;
    writeln!(
        out,
        "  {:<4} {:<27} {:>4} {:>5} {:>6} {:>25} {:>8} {:>9}",
        "id",
        "message",
        "node",
        "bytes",
        "frames",
        "wire us least/mean/worst",
        "every ms",
        "worst ms"
    )?;
    traffic.messages.iter().try_for_each(|message| write_message(out, message))
}

fn write_message(out: &mut String, message: &MessageReport) -> fmt::Result {
    let wire = &message.wire_us;
    writeln!(
        out,
        "  {:<4} {:<27} {:>4} {:>5} {:>6} {:>25} {:>8} {:>9}",
        message.id,
        message.message,
        message.mac_id.map_or("all".to_owned(), |mac_id| mac_id.to_string()),
        message.bytes,
        message.frames,
        format!("{:.0}/{:.0}/{:.0}", wire.least, wire.mean, wire.worst),
        message.interval_ms,
        message.worst_response_ms.map_or("no bound".to_owned(), |ms| format!("{ms:.2}")),
    )
}

fn write_supply(out: &mut String, supply: &SupplyReport) -> fmt::Result {
    writeln!(out, "\nSupply")?;
    for point in &supply.supplies {
        let rated = point.rated_a.map_or(String::new(), |rated| format!(" of {rated} A"));
        writeln!(
            out,
            "  {:.2} A{rated} from {} at {} m, {} V",
            point.current_a, point.name, point.position_m, point.voltage_v
        )?;
    }
    writeln!(out, "\n  Current counts away from 0 m, so less than 0 flows towards it.")?;
    writeln!(
        out,
        "  {:>7} {:>7}  {:<5} {:>9} {:>9} {:>16}",
        "from m", "to m", "cable", "current A", "most A", "one conductor V"
    )?;
    for piece in &supply.pieces {
        writeln!(
            out,
            "  {:>7} {:>7}  {:<5} {:>9.2} {:>9} {:>16.3}",
            piece.from_m,
            piece.to_m,
            format!("{:?}", piece.cable).to_lowercase(),
            piece.current_a,
            piece.most_a,
            piece.drop_v
        )?;
    }
    writeln!(
        out,
        "\n  {:>4} {:<32} {:>7} {:>7} {:>9} {:>9}",
        "node", "device", "at m", "drop m", "current A", "voltage V"
    )?;
    for device in &supply.devices {
        writeln!(
            out,
            "  {:>4} {:<32} {:>7} {:>7} {:>9.2} {:>9.2}",
            device.mac_id.map_or("-".to_owned(), |mac_id| mac_id.to_string()),
            device.name,
            device.position_m,
            device.drop_m,
            device.current_a,
            device.voltage_v
        )?;
    }
    Ok(())
}

/// Words behind a head, wrapped and set in under it.
fn write_paragraph(out: &mut String, head: &str, words: &str) -> fmt::Result {
    out.write_str(&paragraph(head, words))
}
