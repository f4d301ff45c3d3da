//! From the trunk's state to the summary.

use super::{
    AddressClash, Errors, Finding, Groups, Kind, Load, Node, ProbableCause, Source, Summary,
};
use crate::health::{self, Context, Rank, References, Severity, Verdict};
use crate::trunk::Trunk;
use crate::wire::Header;
use crate::words::caution::CAUTIONS;

impl Summary {
    /// The summary of a trunk whose last record has been taken and that is finished.
    pub fn of(trunk: &Trunk, header: &Header, kind: Kind, name: &str, unreadable: u64) -> Summary {
        Summary::against(References::default(), trunk, header, kind, name, unreadable)
    }

    /// The same; with a plan, and data sheets, also where the wire differs from them.
    pub fn against(
        references: References,
        trunk: &Trunk,
        header: &Header,
        kind: Kind,
        name: &str,
        unreadable: u64,
    ) -> Summary {
        let context = Context::new(header, unreadable);
        let findings = health::findings(trunk, &context, references);
        let mut summary = Summary {
            format: Self::FORMAT.to_string(),
            version: Self::VERSION,
            source: source(trunk, header, kind, name, unreadable),
            verdict: Verdict::from_findings(&findings),
            probable_cause: ProbableCause::of(&findings),
            load: Load::of(trunk, header.bitrate),
            groups: Groups::of(&trunk.groups),
            nodes: trunk.nodes().map(|(mac_id, node)| Node::of(mac_id, node)).collect(),
            address_clashes: trunk.clashes().iter().map(AddressClash::from).collect(),
            address_clashes_unlisted: trunk.unlisted_clashes(),
            errors: Errors::of(trunk),
            findings: findings.iter().map(Finding::of).collect(),
            cautions: CAUTIONS.map(String::from).to_vec(),
        };
        summary.add_said(trunk);
        if let Some(sheets) = references.sheets {
            summary.add_data_sheets(trunk, sheets);
        }
        summary
    }
}

fn source(trunk: &Trunk, header: &Header, kind: Kind, name: &str, unreadable: u64) -> Source {
    let tally = trunk.tally();
    Source {
        kind,
        name: name.to_string(),
        interface: header.interface.clone(),
        started: header.started,
        duration_s: trunk.now().as_secs().max(0.0),
        bitrate: header.bitrate,
        listen_only: header.listen_only,
        reports_errors: header.reports_errors,
        clock: header.clock,
        tool: header.tool.clone(),
        complete: trunk.end().is_some(),
        frames: tally.frames,
        error_frames: tally.error_frames,
        lost_frames: tally.lost_frames,
        unreadable_lines: unreadable,
        clock_steps: trunk.clock_steps.count(),
        link_downs: trunk.link_downs.count(),
    }
}

impl ProbableCause {
    /// The first finding, unless it only notes something or tells no more than a symptom.
    fn of(findings: &[health::Finding]) -> Option<ProbableCause> {
        let first = findings.first().filter(|finding| finding.severity > Severity::Note)?;
        let entry = first.code.entry();
        (entry.rank > Rank::Symptom).then(|| ProbableCause {
            code: first.code,
            mac_id: first.mac_id,
            means: entry.means.to_string(),
            or_else: entry.or_else.iter().map(|line| line.to_string()).collect(),
        })
    }
}

impl Finding {
    /// As a summary tells it.
    pub fn of(finding: &health::Finding) -> Finding {
        let entry = finding.code.entry();
        Finding {
            code: finding.code,
            severity: finding.severity,
            mac_id: finding.mac_id,
            count: finding.count,
            first_s: finding.first.map(|t| t.as_secs()),
            last_s: finding.last.map(|t| t.as_secs()),
            evidence: Some(finding.evidence.clone()),
            text: finding.evidence.to_string(),
            means: entry.means.to_string(),
            or_else: entry.or_else.iter().map(|line| line.to_string()).collect(),
            check: entry.check.iter().map(|line| line.to_string()).collect(),
        }
    }
}
