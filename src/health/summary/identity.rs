//! Which device a node is, and how it agrees with its data sheet file, in the summary.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::fieldbus::eds::{SheetIndex, SheetMatch};
use crate::fieldbus::{DeviceId, IdentityObject};
use crate::health::evidence::NotOffered;
use crate::health::expectation::not_offered;
use crate::trunk::Node;

/// Who a node is; each part `null` until the wire tells it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names are those of the identity object")]
pub struct DeviceIdentity {
    pub vendor_id: Option<u16>,
    pub serial: Option<u32>,
    pub device_type: Option<u16>,
    pub product_code: Option<u16>,
    pub major_revision: Option<u8>,
    pub minor_revision: Option<u8>,
    pub product_name: Option<String>,
}

impl DeviceIdentity {
    /// The device that holds the address, with what was read of it; `None` if neither is known.
    pub(super) fn new(holder: Option<DeviceId>, read: &IdentityObject) -> Option<DeviceIdentity> {
        if holder.is_none() && *read == IdentityObject::default() {
            return None;
        }
        // What was read may belong to a device that had the address before.
        let is_other = holder.is_some_and(|holder| {
            read.serial.is_some_and(|serial| serial != holder.serial)
                || read.vendor_id.is_some_and(|vendor_id| vendor_id != holder.vendor_id)
        });
        let blank = IdentityObject::default();
        let read = if is_other { &blank } else { read };
        Some(DeviceIdentity {
            vendor_id: holder.map(|holder| holder.vendor_id).or(read.vendor_id),
            serial: holder.map(|holder| holder.serial).or(read.serial),
            device_type: read.device_type,
            product_code: read.product_code,
            major_revision: read.revision.map(|(major, _)| major),
            minor_revision: read.revision.map(|(_, minor)| minor),
            product_name: read.name.as_deref().map(str::to_string),
        })
    }
}

/// How a node and the data sheet files agree.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DataSheetCheck {
    /// How they agree.
    pub verdict: DataSheetVerdict,
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
pub enum DataSheetVerdict {
    /// The wire does not tell vendor and product code.
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

impl DataSheetCheck {
    /// How a node and the files agree.
    pub(super) fn new(node: &Node, sheets: &SheetIndex) -> DataSheetCheck {
        let found = sheets.find(&node.identity);
        let sheet = found.sheet();
        let not_offered = sheet.map_or(Vec::new(), |sheet| not_offered(sheet, node));
        DataSheetCheck {
            verdict: DataSheetVerdict::new(&found),
            file: sheet.map(|sheet| sheet.file.clone()),
            file_revision: sheet.and_then(|s| s.major_revision.zip(s.minor_revision)),
            not_offered,
            problems: sheet.map_or(Vec::new(), |sheet| {
                sheet.problems.iter().map(|p| format!("line {}: {}", p.line, p.what)).collect()
            }),
        }
    }
}

impl DataSheetVerdict {
    fn new(found: &SheetMatch) -> DataSheetVerdict {
        match found {
            SheetMatch::IdentityUnknown => DataSheetVerdict::IdentityUnknown,
            SheetMatch::NoFileOfVendor => DataSheetVerdict::NoFileOfVendor,
            SheetMatch::WrongProduct { .. } => DataSheetVerdict::WrongProduct,
            SheetMatch::WrongType(_) => DataSheetVerdict::WrongType,
            SheetMatch::WrongMajor(_) => DataSheetVerdict::WrongMajor,
            SheetMatch::WrongMinor(_) => DataSheetVerdict::WrongMinor,
            SheetMatch::RevisionUnknown(_) => DataSheetVerdict::RevisionUnknown,
            SheetMatch::Right(_) => DataSheetVerdict::Right,
        }
    }
}
