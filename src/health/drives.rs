//! Findings about drives: whether one is faulted, and why it does not do what its master asks.

use super::{Code, Evidence, Finding, Severity};
use crate::fieldbus::Assembly;
use crate::trunk::{DriveObstacle, Node, Origin};

/// What is found of a drive, by what keeps it from what it is asked. A fault stands for itself.
const BY_OBSTACLE: &[(DriveObstacle, Code)] = &[
    (DriveObstacle::BothDirections, Code::DriveBothDirections),
    (DriveObstacle::AssemblyPair, Code::DriveAssemblyPair),
    (DriveObstacle::ControlNotAsked, Code::DriveControlNotAsked),
    (DriveObstacle::ControlElsewhere, Code::DriveControlElsewhere),
    (DriveObstacle::SpeedElsewhere, Code::DriveSpeedElsewhere),
    (DriveObstacle::NotReady, Code::DriveNotReady),
    (DriveObstacle::RunEdge, Code::DriveRunHeld),
    (DriveObstacle::Unexplained, Code::DriveNotFollowing),
];

pub(super) fn find(node: &Node) -> impl Iterator<Item = Finding> {
    let obstacles = BY_OBSTACLE.iter();
    obstacles
        .filter_map(|&(obstacle, code)| not_following(node, obstacle, code))
        .chain(faulted(node))
}

fn not_following(node: &Node, obstacle: DriveObstacle, code: Code) -> Option<Finding> {
    let episodes = node.following.episodes(obstacle);
    let (output, input) = (node.drive.output, node.drive.input);
    let inferred = Some(Origin::Inferred);
    let evidence = Evidence::DriveNotRunning {
        episodes: episodes.count,
        longest_ns: episodes.longest,
        reasons: episodes.reported,
        has_followed: node.following.has_followed(),
        assemblies_guessed: output.map(|o| o.origin) == inferred
            || input.map(|i| i.origin) == inferred,
        output_assembly: output.map(|output| output.value.number()),
        input_assembly: input.map(|input| input.value.number()),
        ongoing: node.following.is_kept_by(obstacle),
    };
    let finding = Finding::new(code, Severity::Fault, evidence).with_count(episodes.count);
    let times = (Some(episodes.first), Some(episodes.last));
    (episodes.count > 0).then(|| finding.with_times(times.0, times.1))
}

fn faulted(node: &Node) -> Option<Finding> {
    let (faults, since) = (node.following.faults(), node.following.faulted_since());
    let severity = if since.is_some() { Severity::Fault } else { Severity::Warning };
    let run_asked = node.following.episodes(DriveObstacle::Faulted).count > 0;
    let evidence =
        Evidence::DriveFaults { faults: faults.count(), faulted_since_ns: since, run_asked };
    let finding = Finding::new(Code::DriveFaulted, severity, evidence);
    (faults.count() > 0).then(|| finding.with_occurrences(faults))
}
