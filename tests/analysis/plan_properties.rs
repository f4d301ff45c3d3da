//! Properties of every plan: reading never panics, more nodes never lighten the load.

use dropline::planning::{Plan, Traffic};
use proptest::prelude::*;

fn plan(nodes: &[(u8, u16, u16)]) -> Plan {
    let mut text = String::from(
        "[trunk]\nname = \"t\"\nbitrate = 125000\nscan_interval_ms = 100\n\
         explicit_interval_ms = 0\n",
    );
    for (mac_id, command, response) in nodes {
        text += &format!(
            "[[node]]\nmac_id = {mac_id}\nconnection = \"poll\"\ncommand_bytes = {command}\n\
             response_bytes = {response}\n"
        );
    }
    Plan::parse(&text).unwrap()
}

fn nodes() -> impl Strategy<Value = Vec<(u8, u16, u16)>> {
    prop::collection::btree_map(0u8..64, (0u16..20, 0u16..20), 2..20)
        .prop_map(|nodes| nodes.into_iter().map(|(mac_id, (c, r))| (mac_id, c, r)).collect())
}

/// Pieces of plans, so that a random row of them often gets past the first line.
const PIECES: [&str; 22] = [
    "[trunk]\n",
    "[[node]]\n",
    "[[trunk.section]]\n",
    "[[trunk.drop]]\n",
    "[[trunk.supply]]\n",
    "[node]\n",
    "name = \"a\"\n",
    "bitrate = 125000\n",
    "scan_interval_ms = 20\n",
    "mac_id = 5\n",
    "mac_id = -9223372036854775808\n",
    "connection = \"poll\"\n",
    "connection = \"strobe\"\n",
    "command_bytes = 4\n",
    "response_bytes = 448\n",
    "cable = \"thin\"\n",
    "length_m = 1e400\n",
    "position_m = inf\n",
    "drop = \"a\"\n",
    "terminators_at_m = [0, \"x\"]\n",
    "current_a = nan\n",
    "\"\\u0000\" = 1\n",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn another_node_only_adds(nodes in nodes(), without: prop::sample::Index) {
        let mut fewer = nodes.clone();
        fewer.remove(without.index(nodes.len()));
        let (more, fewer) = (Traffic::of(&plan(&nodes)), Traffic::of(&plan(&fewer)));
        prop_assert!(fewer.mean_load < more.mean_load);
        prop_assert!(fewer.worst_load < more.worst_load);
        prop_assert!(more.mean_load <= more.worst_load);
        prop_assert!(fewer.shortest_scan <= more.shortest_scan);
        prop_assert!(fewer.fits || !more.fits);
    }

    #[test]
    fn reading_any_bytes_gives_a_plan_or_problems(
        bytes in prop::collection::vec(any::<u8>(), 0..200),
    ) {
        let problems = Plan::parse(&String::from_utf8_lossy(&bytes));
        prop_assert!(problems.is_ok() || problems.unwrap_err().iter().len() > 0);
    }

    #[test]
    fn reading_any_pieces_gives_a_plan_or_problems(
        pieces in prop::collection::vec(prop::sample::select(&PIECES[..]), 0..24),
    ) {
        match Plan::parse(&pieces.concat()) {
            Ok(plan) => prop_assert!(plan.trunk.scan_interval.0 > 0),
            Err(error) => {
                let lines = pieces.len() + 1;
                prop_assert!(error.iter().len() > 0);
                prop_assert!(error.iter().all(|p| (1..=lines).contains(&p.line)));
            }
        }
    }
}
