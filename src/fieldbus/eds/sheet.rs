//! What a data sheet file says of its device: who it is, and which I/O it offers.

use super::entries::{Entries, Entry, Problem};
use crate::fieldbus::ConnectionKind;

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
    pub problems: Vec<Problem>,
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
            ConnectionKind::Poll => 0x01,
            ConnectionKind::Strobe => 0x02,
            ConnectionKind::ChangeOfState => 0x04 | 0x08,
        };
        self.mask == 0 || self.mask & bits != 0
    }
}

impl DataSheet {
    /// Reads a file's text. It never fails: what cannot be read is among the problems.
    pub fn parse(file: &str, text: &str) -> DataSheet {
        let mut entries = Entries::parse(text);
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
            entries.problems.push(Problem { line, what });
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

fn number(entries: &mut Entries, name: &str, max: u32) -> Option<u32> {
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
fn offered(entries: &mut Entries, prefix: &str) -> Vec<OfferedIo> {
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

fn is_numbered(entry: &Entry, prefix: &str) -> bool {
    let name = entry.name.as_bytes();
    entry.section.eq_ignore_ascii_case("IO_Info")
        && name.len() > prefix.len()
        && name[..prefix.len()].eq_ignore_ascii_case(prefix.as_bytes())
        && name[prefix.len()..].iter().all(u8::is_ascii_digit)
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
}
