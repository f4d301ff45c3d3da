//! How an AC drive is driven, then and now, as it stood at the end of each visit.

use super::line::{Judgement, Line, Value, What};
use crate::health::summary::{Drive, Node};
use crate::trunk::{Known, Origin};

pub(super) fn lines(then: &Node, now: &Node) -> Vec<Line> {
    let (Some(then), Some(now)) = (&then.said.drive, &now.said.drive) else { return Vec::new() };
    let mut lines: Vec<Line> = Vec::new();
    lines.extend(assemblies(then, now));
    let status = |drive: &Drive| drive.status;
    let (Some(then), Some(now)) = (status(then), status(now)) else { return lines };
    let yes = |value: Option<bool>| {
        value.map(|yes| Value::Text(if yes { "yes" } else { "no" }.to_string()))
    };
    for (what, then, now, good, why) in [
        (
            What::DriveFaulted,
            Some(then.faulted),
            Some(now.faulted),
            false,
            "the drive reports a fault at the end",
        ),
        (
            What::DriveControlFromNetwork,
            then.control_from_network,
            now.control_from_network,
            true,
            "at the end it does not take run and stop from the network",
        ),
        (
            What::DriveReferenceFromNetwork,
            then.reference_from_network,
            now.reference_from_network,
            true,
            "at the end it does not take its speed from the network",
        ),
    ] {
        let line = Line::new(what, yes(then), yes(now));
        match (then, now) {
            (Some(then), Some(now)) if then == now => lines.push(line),
            (Some(_), Some(now)) if now == good => lines.push(line.judged(Judgement::Better, "")),
            (Some(_), Some(_)) => lines.push(line.judged(Judgement::Worse, why)),
            _ => {}
        }
    }
    lines
}

/// `None` unless both are known.
fn assemblies(then: &Drive, now: &Drive) -> Option<Line> {
    let pair = |drive: &Drive| Some([drive.output_assembly?, drive.input_assembly?]);
    let (then, now) = (pair(then)?, pair(now)?);
    let words = |[output, input]: [Known<u16>; 2]| {
        Some(Value::Text(format!("{} / {}", output.value, input.value)))
    };
    let line = Line::new(What::DriveAssemblies, words(then), words(now));
    let guessed = then.iter().chain(&now).any(|known| known.origin == Origin::Inferred);
    Some(if then.map(|known| known.value) == now.map(|known| known.value) {
        line
    } else if guessed {
        let why = "the data look like other assemblies: do both ends still use the same pair?";
        line.judged(Judgement::Worse, why)
    } else {
        line.judged(Judgement::Worse, "other assemblies: do both ends still use the same pair?")
    })
}
