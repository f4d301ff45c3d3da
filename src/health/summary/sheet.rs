//! The part of the summary about data sheet files: which describes a node, and whether it is
//! the right one.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Summary;
use crate::fieldbus::eds::{SheetIndex, SheetMatch};
use crate::health::evidence::NotOffered;
use crate::health::expectation::not_offered;
use crate::trunk::{Node, Trunk};

/// How a node and the data sheet files agree.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DataSheetFacts {
    /// How they agree.
    pub verdict: SheetVerdict,
    /// The file that describes the node best.
    pub file: Option<String>,
    /// Major and minor revision that the file is for.
    pub file_revision: Option<(u8, u8)>,
    /// I/O sizes on the wire that the file does not offer.
    pub not_offered: Vec<NotOffered>,
    /// What is wrong with the file itself, with its lines.
    pub problems: Vec<String>,
}

/// How a node and a file agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SheetVerdict {
    /// The wire has not told vendor and product code.
    IdentityUnknown,
    /// No file of this maker.
    NoFileOfVendor,
    /// Files of this maker, none of this product.
    WrongProduct,
    /// This maker's product code, another kind of device.
    WrongType,
    /// Another major revision.
    WrongMajor,
    /// The same major revision, another minor one.
    WrongMinor,
    /// The product; the revision is not known.
    RevisionUnknown,
    /// The right file.
    Right,
}

impl Summary {
    /// Adds what the data sheet files say of each node.
    pub(super) fn add_data_sheets(&mut self, trunk: &Trunk, sheets: &SheetIndex) {
        for node in &mut self.nodes {
            node.data_sheet = Some(DataSheetFacts::of(trunk.node(node.mac_id), sheets));
        }
    }
}

impl DataSheetFacts {
    /// How a node and the files agree.
    pub fn of(node: &Node, sheets: &SheetIndex) -> DataSheetFacts {
        let found = sheets.find(&node.identity);
        let sheet = found.sheet();
        let not_offered = sheet.map_or(Vec::new(), |sheet| not_offered(sheet, node));
        DataSheetFacts {
            verdict: SheetVerdict::of(&found),
            file: sheet.map(|sheet| sheet.file.clone()),
            file_revision: sheet.and_then(|s| s.major_revision.zip(s.minor_revision)),
            not_offered,
            problems: sheet.map_or(Vec::new(), |sheet| {
                sheet.problems.iter().map(|p| format!("line {}: {}", p.line, p.what)).collect()
            }),
        }
    }
}

impl SheetVerdict {
    fn of(found: &SheetMatch) -> SheetVerdict {
        match found {
            SheetMatch::IdentityUnknown => SheetVerdict::IdentityUnknown,
            SheetMatch::NoFileOfVendor => SheetVerdict::NoFileOfVendor,
            SheetMatch::WrongProduct { .. } => SheetVerdict::WrongProduct,
            SheetMatch::WrongType(_) => SheetVerdict::WrongType,
            SheetMatch::WrongMajor(_) => SheetVerdict::WrongMajor,
            SheetMatch::WrongMinor(_) => SheetVerdict::WrongMinor,
            SheetMatch::RevisionUnknown(_) => SheetVerdict::RevisionUnknown,
            SheetMatch::Right(_) => SheetVerdict::Right,
        }
    }
}
