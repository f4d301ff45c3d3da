//! What a data sheet file says of its device, who it is and which I/O it offers; and which of many
//! files describes a device.
//!
//! That a wrong revision of the file is a classic cause of trouble, and that a different minor
//! revision often goes unnoticed, is common practice with no source.

use std::collections::BTreeMap;

use super::entries::{SheetEntries, SheetEntry, SheetProblem};
use crate::fieldbus::{ConnectionKind, IdentityObject};

/// What a file says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DataSheet {
    /// The file's name, as it was given.
    pub file: String,
    /// The maker's number.
    pub vendor_id: Option<u16>,
    /// What kind of device.
    pub device_type: Option<u16>,
    /// The maker's number for the product.
    pub product_code: Option<u16>,
    /// Major revision.
    pub major_revision: Option<u8>,
    /// Minor revision.
    pub minor_revision: Option<u8>,
    /// Product name.
    pub product_name: Option<String>,
    /// I/O that the device can send.
    pub inputs: Vec<OfferedIo>,
    /// I/O that the device can receive.
    pub outputs: Vec<OfferedIo>,
    /// What is wrong with the file.
    pub problems: Vec<SheetProblem>,
}

/// I/O data that a device offers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OfferedIo {
    /// How many bytes.
    pub bytes: u16,
    /// For which connections; bits as in the file.
    mask: u32,
    /// What the file calls it.
    pub name: String,
    /// The line that says so.
    pub line: usize,
}

impl OfferedIo {
    /// Whether it is offered for this connection (bits from memory). A file that names no
    /// connection offers it for all.
    pub fn is_for(&self, kind: ConnectionKind) -> bool {
        let bits = match kind {
            ConnectionKind::Explicit => return false,
            // A multicast poll asks for the same as a poll (from memory).
            ConnectionKind::Poll | ConnectionKind::MulticastPoll => 0x01,
            ConnectionKind::Strobe => 0x02,
            ConnectionKind::ChangeOfState => 0x04 | 0x08,
        };
        self.mask == 0 || self.mask & bits != 0
    }
}

impl DataSheet {
    /// Reads a file's text. It never fails: what cannot be read is among the problems.
    pub fn parse(file: &str, text: &str) -> DataSheet {
        let mut entries = SheetEntries::parse(text);
        let vendor_id = number(&mut entries, "VendCode", u16::MAX.into());
        let device_type = number(&mut entries, "ProdType", u16::MAX.into());
        let product_code = number(&mut entries, "ProdCode", u16::MAX.into());
        let major_revision = number(&mut entries, "MajRev", u8::MAX.into());
        let minor_revision = number(&mut entries, "MinRev", u8::MAX.into());
        let product_name = entries
            .find("Device", "ProdName")
            .and_then(|entry| entry.fields.first())
            .map(|field| field.text.clone());
        let inputs = offered(&mut entries, "Input");
        let outputs = offered(&mut entries, "Output");
        // The checks ran after the reading: back into the order of lines.
        entries.problems.sort_by_key(|problem| problem.line);
        if entries.unlisted_problems > 0 {
            let line = entries.problems.last().map_or(1, |problem| problem.line);
            let what = format!("and {} more problems", entries.unlisted_problems);
            entries.problems.push(SheetProblem { line, what });
        }
        DataSheet {
            file: file.to_string(),
            vendor_id: vendor_id.map(|n| n as u16),
            device_type: device_type.map(|n| n as u16),
            product_code: product_code.map(|n| n as u16),
            major_revision: major_revision.map(|n| n as u8),
            minor_revision: minor_revision.map(|n| n as u8),
            product_name,
            inputs,
            outputs,
            problems: entries.problems,
        }
    }
}

fn number(entries: &mut SheetEntries, name: &str, max: u32) -> Option<u32> {
    let Some(entry) = entries.find("Device", name) else {
        entries.problem(1, format!("{name}: missing in [Device]"));
        return None;
    };
    let line = entry.line;
    let value = entry.fields.first().and_then(|field| field.number()).filter(|&n| n <= max);
    if value.is_none() {
        let text = entry.fields.first().map_or("nothing", |field| field.text.as_str());
        let what = format!("{name}: {text:?} is not a number from 0 to {max}");
        entries.problem(line, what);
    }
    value
}

/// `Input1 = bytes, bits, connections, "name", path length, "path", "help";` (from memory)
fn offered(entries: &mut SheetEntries, prefix: &str) -> Vec<OfferedIo> {
    let mut offered = Vec::new();
    let mut wrong = Vec::new();
    for entry in entries.entries.iter().filter(|entry| is_numbered(entry, prefix)) {
        let number = |place: usize| entry.fields.get(place).and_then(|field| field.number());
        match number(0).and_then(|bytes| u16::try_from(bytes).ok()) {
            Some(bytes) => offered.push(OfferedIo {
                bytes,
                mask: number(2).unwrap_or(0),
                name: entry.fields.get(3).map(|field| field.text.clone()).unwrap_or_default(),
                line: entry.line,
            }),
            None => wrong.push((entry.line, format!("{}: no size in bytes", entry.name))),
        }
    }
    for (line, what) in wrong {
        entries.problem(line, what);
    }
    offered
}

fn is_numbered(entry: &SheetEntry, prefix: &str) -> bool {
    let name = entry.name.as_bytes();
    entry.section.eq_ignore_ascii_case("IO_Info")
        && name.len() > prefix.len()
        && name[..prefix.len()].eq_ignore_ascii_case(prefix.as_bytes())
        && name[prefix.len()..].iter().all(u8::is_ascii_digit)
}

/// Data sheets by the device that they describe.
#[derive(Debug, Clone, Default)]
pub struct SheetIndex {
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

impl SheetIndex {
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
    pub fn find(&self, identity: &IdentityObject) -> SheetMatch<'_> {
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
fn fit<'a>(sheet: &'a DataSheet, identity: &IdentityObject) -> ((u8, u8), SheetMatch<'a>) {
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

    const CAPPER: &str = "[Device]\nVendCode = 900;\nProdType = 2;\nProdCode = 17;\nMajRev = 2;\n\
    MinRev = 3;\nProdName = \"Capper turret drive\";\n[IO_Info]\nDefault = 0x0001;\n\
    Input1 = 4, 0, 0x0001, \"Status\", 6, \"20 04 24 47 30 03\", \"\";\n\
    Output1 = 4, 0, 0x0005, \"Command\", 6, \"20 04 24 15 30 03\", \"\";\n";

    /// Names of the entries: CIP electronic data sheets; the places in Input and Output from
    /// memory; invented device.
    #[test]
    fn who_it_is_and_what_it_offers() {
        let sheet = DataSheet::parse("capper.eds", CAPPER);
        assert_eq!(sheet.problems, []);
        assert_eq!((sheet.vendor_id, sheet.device_type), (Some(900), Some(2)));
        assert_eq!((sheet.product_code, sheet.major_revision), (Some(17), Some(2)));
        assert_eq!(sheet.minor_revision, Some(3));
        assert_eq!(sheet.product_name.as_deref(), Some("Capper turret drive"));
        assert_eq!((sheet.inputs.len(), sheet.outputs.len()), (1, 1));
        assert_eq!((sheet.inputs[0].bytes, sheet.inputs[0].line), (4, 10));
        assert!(sheet.inputs[0].is_for(ConnectionKind::Poll));
        assert!(!sheet.inputs[0].is_for(ConnectionKind::ChangeOfState));
        assert!(sheet.outputs[0].is_for(ConnectionKind::ChangeOfState));
    }

    #[test]
    fn what_is_missing_or_wrong_leaves_the_rest() {
        let text = CAPPER.replace("ProdCode = 17;\n", "").replace("MajRev = 2", "MajRev = 300");
        let sheet = DataSheet::parse("capper.eds", &text.replace("Input1 = 4", "Input1 = four"));
        assert_eq!((sheet.product_code, sheet.major_revision), (None, None));
        assert_eq!(sheet.vendor_id, Some(900));
        let problems: Vec<String> =
            sheet.problems.iter().map(|p| format!("{}: {}", p.line, p.what)).collect();
        assert_eq!(
            problems,
            [
                "1: ProdCode: missing in [Device]",
                "4: MajRev: \"300\" is not a number from 0 to 255",
                "9: Input1: no size in bytes",
            ]
        );
    }

    fn sheet(file: &str, code: u16, kind: u16, major: u8, minor: u8) -> DataSheet {
        DataSheet::parse(
            file,
            &format!(
                "[Device]\nVendCode=900;\nProdType={kind};\nProdCode={code};\nMajRev={major};\n\
             MinRev={minor};\n[IO_Info]\nInput1=4,0,1,\"\";\nInput2=6,0,1,\"\";\n"
            ),
        )
    }

    fn index() -> SheetIndex {
        let mut index = SheetIndex::default();
        index.add(sheet("old.eds", 17, 2, 1, 9));
        index.add(sheet("capper.eds", 17, 2, 2, 3));
        index.add(sheet("near.eds", 17, 2, 2, 7));
        index.add(sheet("other.eds", 40, 7, 1, 1));
        index
    }

    fn device(code: u16, revision: (u8, u8)) -> IdentityObject {
        IdentityObject {
            vendor_id: Some(900),
            device_type: Some(2),
            product_code: Some(code),
            revision: Some(revision),
            ..IdentityObject::default()
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
        let other = IdentityObject { vendor_id: Some(901), ..device(17, (2, 3)) };
        assert_eq!(index.find(&other), SheetMatch::NoFileOfVendor);
        let found = index.find(&IdentityObject { revision: None, ..device(17, (2, 3)) });
        assert!(matches!(found, SheetMatch::RevisionUnknown(_)));
        assert_eq!(index.find(&IdentityObject::default()), SheetMatch::IdentityUnknown);
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
        let mut index = SheetIndex::default();
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
