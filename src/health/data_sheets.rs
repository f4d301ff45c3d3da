//! Findings about where the devices differ from their data sheet files.

use super::evidence::{FileFault, NotOffered};
use super::{Code, Evidence, Finding, Severity};
use crate::fieldbus::eds::{DataSheet, SheetIndex, SheetMatch, SheetProblem, SizeNotOffered};
use crate::fieldbus::{ConnectionKind, Identity};
use crate::trunk::{IoSizes, Known, Node, Origin, Trunk};

pub(super) fn find(sheets: &SheetIndex, trunk: &Trunk, found: &mut Vec<Finding>) {
    for (mac_id, node) in trunk.nodes() {
        let matched = sheets.find(&node.identity);
        let sizes = matched.sheet().and_then(|sheet| sizes(sheet, node));
        let faulty = matched.sheet().and_then(faulty);
        let about_node = [file(&matched, &node.identity), sizes, faulty];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
    }
}

fn file(matched: &SheetMatch, identity: &Identity) -> Option<Finding> {
    let (code, severity, evidence) = match *matched {
        SheetMatch::IdentityUnknown | SheetMatch::RevisionUnknown(_) | SheetMatch::Right(_) => {
            return None;
        }
        SheetMatch::NoFileOfVendor => {
            (Code::DataSheetMissing, Severity::Note, no_data_sheet(identity, 0))
        }
        SheetMatch::WrongProduct { of_vendor } => {
            (Code::DataSheetProduct, Severity::Warning, no_data_sheet(identity, of_vendor))
        }
        SheetMatch::WrongType(sheet) => {
            let evidence = Evidence::DataSheetType {
                file: sheet.file.clone(),
                device_type: identity.device_type,
                file_device_type: sheet.device_type,
            };
            (Code::DataSheetProduct, Severity::Warning, evidence)
        }
        SheetMatch::WrongMajor(sheet) | SheetMatch::WrongMinor(sheet) => {
            let evidence = Evidence::DataSheetRevision {
                file: sheet.file.clone(),
                revision: identity.revision,
                file_major: sheet.major_revision,
                file_minor: sheet.minor_revision,
                major_differs: matches!(matched, SheetMatch::WrongMajor(_)),
            };
            (Code::DataSheetRevision, Severity::Warning, evidence)
        }
    };
    Some(whole(code, severity, evidence))
}

fn no_data_sheet(identity: &Identity, files_of_vendor: usize) -> Evidence {
    let (vendor_id, product_code) = (identity.vendor_id, identity.product_code);
    Evidence::NoDataSheet { vendor_id, product_code, files_of_vendor }
}

fn sizes(sheet: &DataSheet, node: &Node) -> Option<Finding> {
    let sizes = not_offered(sheet, node);
    (!sizes.is_empty()).then(|| {
        let evidence = Evidence::DataSheetSizes { file: sheet.file.clone(), sizes };
        whole(Code::DataSheetSize, Severity::Warning, evidence)
    })
}

/// The I/O sizes on the wire that a file does not offer. A size that only the plan names is not
/// on the wire.
pub(super) fn not_offered(sheet: &DataSheet, node: &Node) -> Vec<NotOffered> {
    let mut not_offered = Vec::new();
    for kind in ConnectionKind::ALL {
        let connection = node.connections.get(kind);
        let said = |known: Option<Known<u16>>| {
            known.filter(|known| known.origin != Origin::Planned).map(|known| known.value)
        };
        let polled = |sizes: &IoSizes| match kind {
            // An empty message says that there are no data now, and counts as no size.
            ConnectionKind::Poll => sizes.sizes().into_iter().filter(|&bytes| bytes > 0).collect(),
            _ => Vec::new(),
        };
        let mut note = |produced, said: Option<u16>, mut sizes: Vec<u16>| {
            sizes.extend(said.filter(|bytes| !sizes.contains(bytes)));
            not_offered.extend(sizes.into_iter().filter_map(|bytes| {
                let offer = match produced {
                    true => sheet.produced_not_offered(kind, bytes),
                    false => sheet.consumed_not_offered(kind, bytes),
                };
                let SizeNotOffered { bytes, offered } = offer?;
                Some(NotOffered { connection: kind, produced, bytes, offered })
            }));
        };
        note(true, said(connection.produced), polled(&node.response_sizes));
        note(false, said(connection.consumed), polled(&node.command_sizes));
    }
    not_offered
}

/// So many of a file's faults are named.
const NAMED: usize = 3;

fn faulty(sheet: &DataSheet) -> Option<Finding> {
    let fault = |p: &SheetProblem| FileFault { line: p.line, what: p.what.clone() };
    let faults: Vec<_> = sheet.problems.iter().take(NAMED).map(fault).collect();
    (!faults.is_empty()).then(|| {
        let more = sheet.problems.len() - faults.len();
        let evidence = Evidence::DataSheetFaults { file: sheet.file.clone(), faults, more };
        whole(Code::DataSheetFaulty, Severity::Note, evidence)
    })
}

/// A finding about the whole of a measurement, not about a moment in it.
fn whole(code: Code, severity: Severity, evidence: Evidence) -> Finding {
    Finding { code, severity, mac_id: None, count: 1, first: None, last: None, evidence }
}
