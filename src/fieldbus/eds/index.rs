//! Many data sheet files, and which of them describes a device.
//!
//! That a wrong revision of the file is a classic cause of trouble, and that a different minor
//! revision often goes unnoticed, is common practice with no source.

use std::collections::BTreeMap;

use super::DataSheet;
use crate::fieldbus::{ConnectionKind, Identity};

/// Data sheets by the device that they describe.
#[derive(Debug, Clone, Default)]
pub struct Index {
    sheets: Vec<DataSheet>,
    by_product: BTreeMap<(u16, u16), Vec<usize>>,
    vendors: BTreeMap<u16, usize>,
}

/// How a device and the files agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SheetMatch<'a> {
    /// The wire has not told enough: vendor and product code are needed.
    IdentityUnknown,
    /// No file of this maker.
    NoFileOfVendor,
    /// There are files of this maker, but none of this product.
    WrongProduct {
        /// How many of this maker there are.
        of_vendor: usize,
    },
    /// A file of this maker and product code, but of another kind of device.
    WrongType(&'a DataSheet),
    /// The product, in another major revision; the nearest one.
    WrongMajor(&'a DataSheet),
    /// The product and major revision, in another minor one; the nearest one.
    WrongMinor(&'a DataSheet),
    /// The product; the revision is not known, of the device or of the file.
    RevisionUnknown(&'a DataSheet),
    /// The right file.
    Right(&'a DataSheet),
}

impl<'a> SheetMatch<'a> {
    /// The file, where there is one of the product.
    pub fn sheet(&self) -> Option<&'a DataSheet> {
        match *self {
            SheetMatch::IdentityUnknown
            | SheetMatch::NoFileOfVendor
            | SheetMatch::WrongProduct { .. } => None,
            SheetMatch::WrongType(sheet)
            | SheetMatch::WrongMajor(sheet)
            | SheetMatch::WrongMinor(sheet)
            | SheetMatch::RevisionUnknown(sheet)
            | SheetMatch::Right(sheet) => Some(sheet),
        }
    }
}

/// An I/O size on the wire that the device's file does not offer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SizeNotOffered {
    /// Bytes on the wire.
    pub bytes: u16,
    /// What the file offers for this connection.
    pub offered: Vec<u16>,
}

impl Index {
    /// Adds a file.
    pub fn add(&mut self, sheet: DataSheet) {
        if let Some(vendor) = sheet.vendor_id {
            *self.vendors.entry(vendor).or_default() += 1;
            if let Some(code) = sheet.product_code {
                self.by_product.entry((vendor, code)).or_default().push(self.sheets.len());
            }
        }
        self.sheets.push(sheet);
    }

    /// All files, in the order added.
    pub fn sheets(&self) -> &[DataSheet] {
        &self.sheets
    }

    /// The file that describes a device best. Of equals, the first added.
    pub fn find(&self, identity: &Identity) -> SheetMatch<'_> {
        let (Some(vendor), Some(code)) = (identity.vendor_id, identity.product_code) else {
            return SheetMatch::IdentityUnknown;
        };
        let Some(of_product) = self.by_product.get(&(vendor, code)) else {
            return match self.vendors.get(&vendor) {
                None => SheetMatch::NoFileOfVendor,
                Some(&of_vendor) => SheetMatch::WrongProduct { of_vendor },
            };
        };
        let fits = of_product.iter().map(|&index| fit(&self.sheets[index], identity));
        let best = fits.min_by_key(|(rank, _)| *rank).map(|(_, found)| found);
        best.unwrap_or(SheetMatch::IdentityUnknown)
    }
}

/// How well a file of the right product fits: the less the better.
fn fit<'a>(sheet: &'a DataSheet, identity: &Identity) -> ((u8, u8), SheetMatch<'a>) {
    if let (Some(ours), Some(theirs)) = (identity.device_type, sheet.device_type)
        && ours != theirs
    {
        return ((4, 0), SheetMatch::WrongType(sheet));
    }
    let (Some((major, minor)), Some(of_major), Some(of_minor)) =
        (identity.revision, sheet.major_revision, sheet.minor_revision)
    else {
        return ((3, 0), SheetMatch::RevisionUnknown(sheet));
    };
    if major != of_major {
        ((2, major.abs_diff(of_major)), SheetMatch::WrongMajor(sheet))
    } else if minor != of_minor {
        ((1, minor.abs_diff(of_minor)), SheetMatch::WrongMinor(sheet))
    } else {
        ((0, 0), SheetMatch::Right(sheet))
    }
}

impl DataSheet {
    /// Whether the file offers what the device sends (`produced`) on a connection. `None`: it
    /// does, or it says nothing of that connection.
    pub fn produced_not_offered(&self, kind: ConnectionKind, bytes: u16) -> Option<SizeNotOffered> {
        not_offered(&self.inputs, kind, bytes)
    }

    /// Whether the file offers what the device receives (`consumed`) on a connection.
    pub fn consumed_not_offered(&self, kind: ConnectionKind, bytes: u16) -> Option<SizeNotOffered> {
        not_offered(&self.outputs, kind, bytes)
    }
}

fn not_offered(
    offers: &[super::OfferedIo],
    kind: ConnectionKind,
    bytes: u16,
) -> Option<SizeNotOffered> {
    let mut offered: Vec<u16> =
        offers.iter().filter(|offer| offer.is_for(kind)).map(|offer| offer.bytes).collect();
    offered.sort_unstable();
    offered.dedup();
    let missing = !offered.is_empty() && !offered.contains(&bytes);
    missing.then_some(SizeNotOffered { bytes, offered })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(file: &str, code: u16, kind: u16, major: u8, minor: u8) -> DataSheet {
        DataSheet::parse(
            file,
            &format!(
                "[Device]\nVendCode=900;\nProdType={kind};\nProdCode={code};\nMajRev={major};\n\
                 MinRev={minor};\n[IO_Info]\nInput1=4,0,1,\"\";\nInput2=6,0,1,\"\";\n"
            ),
        )
    }

    fn index() -> Index {
        let mut index = Index::default();
        index.add(sheet("old.eds", 17, 2, 1, 9));
        index.add(sheet("capper.eds", 17, 2, 2, 3));
        index.add(sheet("near.eds", 17, 2, 2, 7));
        index.add(sheet("other.eds", 40, 7, 1, 1));
        index
    }

    fn device(code: u16, revision: (u8, u8)) -> Identity {
        Identity {
            vendor_id: Some(900),
            device_type: Some(2),
            product_code: Some(code),
            revision: Some(revision),
            ..Identity::default()
        }
    }

    fn file<'a>(found: SheetMatch<'a>) -> &'a str {
        found.sheet().map_or("", |sheet| sheet.file.as_str())
    }

    #[test]
    fn the_right_file_and_the_wrong_ones() {
        let index = index();
        let found = index.find(&device(17, (2, 3)));
        assert!(matches!(found, SheetMatch::Right(_)) && file(found) == "capper.eds");
        let found = index.find(&device(17, (2, 6)));
        assert!(matches!(found, SheetMatch::WrongMinor(_)) && file(found) == "near.eds");
        let found = index.find(&device(17, (9, 3)));
        assert!(matches!(found, SheetMatch::WrongMajor(_)) && file(found) == "capper.eds");
        let found = index.find(&device(40, (1, 1)));
        assert!(matches!(found, SheetMatch::WrongType(_)) && file(found) == "other.eds");
        assert_eq!(index.find(&device(18, (1, 1))), SheetMatch::WrongProduct { of_vendor: 4 });
        let other = Identity { vendor_id: Some(901), ..device(17, (2, 3)) };
        assert_eq!(index.find(&other), SheetMatch::NoFileOfVendor);
        let found = index.find(&Identity { revision: None, ..device(17, (2, 3)) });
        assert!(matches!(found, SheetMatch::RevisionUnknown(_)));
        assert_eq!(index.find(&Identity::default()), SheetMatch::IdentityUnknown);
    }

    #[test]
    fn sizes_that_the_file_does_not_offer() {
        let sheet = sheet("capper.eds", 17, 2, 2, 3);
        assert_eq!(sheet.produced_not_offered(ConnectionKind::Poll, 6), None);
        let wrong = SizeNotOffered { bytes: 8, offered: vec![4, 6] };
        assert_eq!(sheet.produced_not_offered(ConnectionKind::Poll, 8), Some(wrong));
        assert_eq!(sheet.produced_not_offered(ConnectionKind::Strobe, 8), None);
        assert_eq!(sheet.consumed_not_offered(ConnectionKind::Poll, 8), None);
    }

    #[test]
    fn hundreds_of_files_are_told_apart() {
        let mut index = Index::default();
        for code in 0..500 {
            index.add(sheet(&format!("{code}.eds"), code, 2, 1, 1));
        }
        assert_eq!(index.sheets().len(), 500);
        assert!((0..500).all(|code| {
            let found = index.find(&device(code, (1, 1)));
            matches!(found, SheetMatch::Right(_)) && file(found) == format!("{code}.eds")
        }));
    }
}
