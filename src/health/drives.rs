//! Findings about drives: run asked and not running, with what the drive says meanwhile.

use super::{Code, Evidence, Finding, Severity};
use crate::trunk::Origin;
use crate::trunk::Trunk;

pub(super) fn find(trunk: &Trunk, found: &mut Vec<Finding>) {
    for (mac_id, node) in trunk.nodes() {
        let following = &node.following;
        let Some((first, last)) = following.times() else { continue };
        let drive = &trunk.node(mac_id).drive;
        let assemblies_guessed = [drive.output.map(|o| o.origin), drive.input.map(|i| i.origin)]
            .contains(&Some(Origin::Inferred));
        let evidence = Evidence::DriveNotRunning {
            episodes: following.episodes(),
            longest_ns: following.longest(),
            reasons: following.reasons(),
            has_followed: following.has_followed(),
            assemblies_guessed,
        };
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
