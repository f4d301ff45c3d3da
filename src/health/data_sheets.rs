//! Findings about where the devices differ from their data sheet files.

use super::summary::{NotOffered, not_offered};
use super::{Code, Finding, Severity};
use crate::fieldbus::eds::{DataSheet, Index, SheetMatch};
use crate::fieldbus::{self, Identity};
use crate::trunk::{Node, Trunk};

pub(super) fn find(sheets: &Index, trunk: &Trunk, found: &mut Vec<Finding>) {
    for (mac_id, node) in trunk.nodes() {
        let said = trunk.decoder().node(mac_id);
        let matched = sheets.find(&said.identity);
        let sizes = matched.sheet().and_then(|sheet| sizes(sheet, node, said));
        let faulty = matched.sheet().and_then(faulty);
        let about_node = [file(&matched, &said.identity), sizes, faulty];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
    }
}

fn file(matched: &SheetMatch, identity: &Identity) -> Option<Finding> {
    let number = |value: Option<u16>| value.map_or("unknown".to_string(), |n| n.to_string());
    let vendor = number(identity.vendor_id);
    let product = number(identity.product_code);
    let is = identity.revision.map_or(String::new(), |(major, minor)| format!("{major}.{minor}"));
    let (code, severity, evidence) = match *matched {
        SheetMatch::IdentityUnknown | SheetMatch::RevisionUnknown(_) | SheetMatch::Right(_) => {
            return None;
        }
        SheetMatch::NoFileOfVendor => {
            let evidence =
                format!("vendor {vendor}, product code {product}: no file of this maker");
            (Code::DataSheetMissing, Severity::Note, evidence)
        }
        SheetMatch::WrongProduct { of_vendor } => {
            let files = if of_vendor == 1 { "file" } else { "files" };
            let evidence = format!(
                "vendor {vendor}, product code {product}: {of_vendor} {files} of this maker, none \
                 of this product"
            );
            (Code::DataSheetProduct, Severity::Warning, evidence)
        }
        SheetMatch::WrongType(sheet) => {
            let evidence = format!(
                "device type {}, {} is for type {}",
                number(identity.device_type),
                sheet.file,
                number(sheet.device_type)
            );
            (Code::DataSheetProduct, Severity::Warning, evidence)
        }
        SheetMatch::WrongMajor(sheet) | SheetMatch::WrongMinor(sheet) => {
            let part = match matched {
                SheetMatch::WrongMajor(_) => "major",
                _ => "minor",
            };
            let of = |part: Option<u8>| part.map_or("?".to_string(), |part| part.to_string());
            let evidence = format!(
                "revision {is}, the nearest file, {}, is for {}.{}: another {part} revision",
                sheet.file,
                of(sheet.major_revision),
                of(sheet.minor_revision)
            );
            (Code::DataSheetRevision, Severity::Warning, evidence)
        }
    };
    Some(whole(code, severity, evidence))
}

fn sizes(sheet: &DataSheet, node: &Node, said: &fieldbus::Node) -> Option<Finding> {
    let wrong: Vec<String> = not_offered(sheet, node, said)
        .into_iter()
        .map(|NotOffered { connection, produced, bytes, offered }| {
            let offered: Vec<String> = offered.iter().map(u16::to_string).collect();
            format!(
                "it {} {bytes} bytes ({connection}), {} offers {}",
                if produced { "sends" } else { "receives" },
                sheet.file,
                offered.join(", ")
            )
        })
        .collect();
    (!wrong.is_empty()).then(|| whole(Code::DataSheetSize, Severity::Warning, wrong.join("; ")))
}

/// So many of a file's faults are named.
const NAMED: usize = 3;

fn faulty(sheet: &DataSheet) -> Option<Finding> {
    let faults = sheet.problems.len();
    let mut named: Vec<String> = sheet
        .problems
        .iter()
        .take(NAMED)
        .map(|problem| format!("line {}: {}", problem.line, problem.what))
        .collect();
    if faults > NAMED {
        named.push(format!("and {} more", faults - NAMED));
    }
    let evidence = format!("{}: {}", sheet.file, named.join("; "));
    (faults > 0).then(|| whole(Code::DataSheetFaulty, Severity::Note, evidence))
}

/// A finding about the whole of a measurement, not about a moment in it.
fn whole(code: Code, severity: Severity, evidence: String) -> Finding {
    Finding { code, severity, mac_id: None, count: 1, first: None, last: None, evidence }
}
