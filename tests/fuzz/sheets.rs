//! Data sheets put together as authors write them: in any order, spacing and encoding, with comments
//! and sections of other tools between. The form of the I/O entries is from memory, as in the reader.

use std::fmt::Write;

use arbitrary::{Arbitrary, Unstructured};
use dropline::internal::fieldbus::{DataSheet, decode_text};

#[derive(Debug, Arbitrary)]
struct Sheet {
    encoding: Encoding,
    line_end: LineEnd,
    /// Vendor, type, code.
    words: [Number<u16>; 3],
    /// Revisions.
    bytes: [Number<u8>; 2],
    name: String,
    /// How the entries of [Device] are rotated.
    first: u8,
    inputs: Vec<Offer>,
    outputs: Vec<Offer>,
    between: Vec<Between>,
    capitals: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Arbitrary)]
enum Encoding {
    Utf8,
    Utf8Marked,
    Utf16Little,
    Utf16Big,
}

#[derive(Debug, Clone, Copy, Arbitrary)]
enum LineEnd {
    Lf,
    CrLf,
    Cr,
}

#[derive(Debug, Arbitrary)]
struct Number<T> {
    value: T,
    form: Form,
}

#[derive(Debug, Clone, Copy, Arbitrary)]
enum Form {
    Decimal,
    Hexadecimal,
    Binary,
}

#[derive(Debug, Arbitrary)]
struct Offer {
    bytes: u16,
    mask: u8,
    name: String,
    split: bool,
}

/// What stands before an entry and says nothing of it.
#[derive(Debug, Clone, Copy, Arbitrary)]
enum Between {
    Nothing,
    Empty,
    Comment,
    Entry,
    SpacesAndTab,
}

impl<T: std::fmt::Display + std::fmt::LowerHex + std::fmt::Binary> Number<T> {
    fn text(&self) -> String {
        match self.form {
            Form::Decimal => self.value.to_string(),
            Form::Hexadecimal => format!("0x{:x}", self.value),
            Form::Binary => format!("0b{:b}", self.value),
        }
    }
}

/// What the author wrote is what is read, without a problem.
pub fn sheets(bytes: &[u8]) {
    let Ok(sheet) = Sheet::arbitrary_take_rest(Unstructured::new(bytes)) else { return };
    let read = DataSheet::parse("any.eds", &decode_text(&sheet.encoded()));
    assert!(read.problems.is_empty(), "{:?}", read.problems);
    let [vendor, kind, code] = &sheet.words;
    assert_eq!(read.vendor_id, Some(vendor.value));
    assert_eq!(read.device_type, Some(kind.value));
    assert_eq!(read.product_code, Some(code.value));
    assert_eq!(read.major_revision, Some(sheet.bytes[0].value));
    assert_eq!(read.minor_revision, Some(sheet.bytes[1].value));
    assert_eq!(read.product_name, Some(one_line(&sheet.name)));
    for (offers, read) in [(&sheet.inputs, &read.inputs), (&sheet.outputs, &read.outputs)] {
        let written: Vec<_> = offers.iter().map(|o| (o.bytes, one_line(&o.name))).collect();
        let read: Vec<_> = read.iter().map(|o| (o.bytes, o.name.clone())).collect();
        assert_eq!(read, written);
    }
}

impl Sheet {
    fn encoded(&self) -> Vec<u8> {
        let end = match self.line_end {
            LineEnd::Lf => "\n",
            LineEnd::CrLf => "\r\n",
            LineEnd::Cr => "\r",
        };
        let text = self.text().replace('\n', end);
        match self.encoding {
            Encoding::Utf8 => text.into_bytes(),
            Encoding::Utf8Marked => [&[0xEF, 0xBB, 0xBF], text.as_bytes()].concat(),
            Encoding::Utf16Little => ['\u{FEFF}'.to_string(), text]
                .concat()
                .encode_utf16()
                .flat_map(u16::to_le_bytes)
                .collect(),
            Encoding::Utf16Big => ['\u{FEFF}'.to_string(), text]
                .concat()
                .encode_utf16()
                .flat_map(u16::to_be_bytes)
                .collect(),
        }
    }

    fn text(&self) -> String {
        let mut entries = vec![
            ("VendCode", self.words[0].text()),
            ("ProdType", self.words[1].text()),
            ("ProdCode", self.words[2].text()),
            ("MajRev", self.bytes[0].text()),
            ("MinRev", self.bytes[1].text()),
            ("ProdName", quoted(&self.name)),
        ];
        entries.rotate_left(usize::from(self.first) % 6);
        let mut out = String::from("$ made by hand\n[File]\nDescText = \"any\";\n[Device]\n");
        let mut between = self.between.iter();
        for (at, (name, value)) in entries.into_iter().enumerate() {
            let before = between.next().copied().unwrap_or(Between::Nothing);
            self.entry(&mut out, before, at, name, &value);
        }
        out.push_str("[IO_Info]\n");
        for (kind, offers) in [("Input", &self.inputs), ("Output", &self.outputs)] {
            for (at, offer) in offers.iter().enumerate() {
                let before = between.next().copied().unwrap_or(Between::Nothing);
                let comma = if offer.split { ", $ goes on\n\t" } else { "," };
                let Offer { bytes, mask, name, .. } = offer;
                let value = format!("{bytes}{comma}0{comma}{mask:#06x}{comma}{}", quoted(name));
                self.entry(&mut out, before, 100 + at, &format!("{kind}{}", at + 1), &value);
            }
        }
        out.push_str("[Groups]\n");
        out
    }

    fn entry(&self, out: &mut String, before: Between, at: usize, name: &str, value: &str) {
        match before {
            Between::Nothing => {}
            Between::Empty => out.push_str("\n \n"),
            Between::Comment => out.push_str("$ [Device] VendCode = 7;\n"),
            Between::Entry => {
                // One that is not looked for; the same name twice would be a problem.
                writeln!(out, "Note{}{at} = 1, \"a;b\";", name.len()).unwrap();
            }
            Between::SpacesAndTab => out.push_str("  \t"),
        }
        let name = if self.capitals { name.to_ascii_uppercase() } else { name.to_owned() };
        let space = if matches!(before, Between::Comment) { "" } else { " " };
        writeln!(out, "{name}{space}={space}{value}{space}; $ \"; = [x]").unwrap();
    }
}

/// A text without what ends a line.
fn one_line(text: &str) -> String {
    text.replace(['\n', '\r'], " ")
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", one_line(text).replace('\\', "\\\\").replace('"', "\\\""))
}
