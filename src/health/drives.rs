//! Findings about drives: run asked and not running, with what the drive says meanwhile.

use super::nodes::{seconds, times};
use super::{Code, Finding, Severity};
use crate::fieldbus::Origin;
use crate::trunk::{Reasons, Trunk};

pub(super) fn find(trunk: &Trunk, found: &mut Vec<Finding>) {
    for (mac_id, node) in trunk.nodes() {
        let following = &node.following;
        let Some((first, last)) = following.times() else { continue };
        let drive = &trunk.decoder().node(mac_id).drive;
        let guessed = [drive.output.map(|o| o.origin), drive.input.map(|i| i.origin)]
            .contains(&Some(Origin::Inferred));
        let evidence = format!(
            "asked to run and did not, {}, for {} at most; meanwhile it said: {}{}",
            times(following.episodes()),
            seconds(following.longest()),
            reasons(following.reasons(), following.has_followed()),
            if guessed { " (its assemblies are guessed from the traffic)" } else { "" }
        );
        found.push(Finding {
            code: Code::DriveNotFollowing,
            severity: Severity::Fault,
            mac_id: Some(mac_id),
            count: following.episodes(),
            first: Some(first),
            last: Some(last),
            evidence,
        });
    }
}

fn reasons(reasons: Reasons, has_followed: bool) -> String {
    let Reasons { faulted, control_elsewhere, reference_elsewhere, not_ready, no_speed } = reasons;
    let said: Vec<&str> = [
        (faulted, "faulted"),
        (control_elsewhere, "run and stop do not come from the network"),
        (reference_elsewhere, "speed does not come from the network"),
        (not_ready && !faulted, "not ready"),
        (no_speed, "and the speed asked for is zero"),
    ]
    .into_iter()
    .filter_map(|(holds, words)| holds.then_some(words))
    .collect();
    match (said.is_empty(), has_followed) {
        (false, _) => said.join(", "),
        (true, true) => "nothing that explains it".to_string(),
        (true, false) => {
            "nothing that explains it; master and drive may be set to different assemblies"
                .to_string()
        }
    }
}
