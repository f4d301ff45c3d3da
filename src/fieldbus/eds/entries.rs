//! Sections and entries of a data sheet file, read as far as they can be, with the line of
//! each and of everything that is wrong; and the text of a file in whatever encoding.
//!
//! Source of the syntax: CIP electronic data sheets: sections in brackets, `name = value,
//! value …;` over any number of lines, `$` opens a comment, text in double quotes.

use std::collections::HashMap;
use std::collections::hash_map::Entry as Slot;

use encoding_rs::{Encoding, UTF_8, WINDOWS_1252};

/// The most problems that are kept one by one.
const MAX_PROBLEMS: usize = 100;

/// The most characters of each: a value may be as long as the file.
const LONGEST_PROBLEM: usize = 200;

/// The most entries and values that are read; a large drive has some ten thousand.
pub(super) const MAX_VALUES: usize = 100_000;

/// Something wrong with a data sheet file.
#[derive(
    Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
pub struct SheetProblem {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong.
    pub what: String,
}

/// One value of an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetValue {
    /// Its text, without the quotes that it may have had.
    pub text: String,
    /// Whether it was in quotes.
    pub quoted: bool,
}

impl SheetValue {
    /// The number that it is: decimal, `0x` hexadecimal or `0b` binary.
    pub fn number(&self) -> Option<u32> {
        let text = self.text.trim();
        let lower = text.to_ascii_lowercase();
        if let Some(digits) = lower.strip_prefix("0x") {
            return u32::from_str_radix(digits, 16).ok();
        }
        if let Some(digits) = lower.strip_prefix("0b") {
            return u32::from_str_radix(&digits.replace('_', ""), 2).ok();
        }
        text.parse().ok()
    }
}

/// One entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetEntry {
    /// The section that it is in, without its brackets.
    pub section: String,
    /// Its name.
    pub name: String,
    /// The line on which it begins, from 1.
    pub line: usize,
    /// Its values; empty ones are kept, so that each has its place.
    pub fields: Vec<SheetValue>,
}

/// All that a file holds.
#[derive(Debug, Clone, Default)]
pub struct SheetEntries {
    /// The entries in their order.
    pub entries: Vec<SheetEntry>,
    /// What is wrong, in the order of lines.
    pub problems: Vec<SheetProblem>,
    /// How many more problems there were.
    pub unlisted_problems: usize,
}

impl SheetEntries {
    /// Reads a file's text. It never fails: what cannot be read is a problem, the rest is read.
    pub fn parse(text: &str) -> SheetEntries {
        let mut reader = EntryReader::default();
        for (index, line) in lines(text).enumerate() {
            reader.line(index + 1, line);
            if reader.values > MAX_VALUES {
                let what = format!("more than {MAX_VALUES} values; what follows is left out");
                reader.entries.problem(index + 1, what);
                break;
            }
        }
        reader.end(None);
        reader.entries
    }

    /// The first entry of that name in that section, capitals or not.
    pub fn find(&self, section: &str, name: &str) -> Option<&SheetEntry> {
        self.entries.iter().find(|entry| {
            entry.section.eq_ignore_ascii_case(section) && entry.name.eq_ignore_ascii_case(name)
        })
    }

    pub(super) fn problem(&mut self, line: usize, what: impl Into<String>) {
        if self.problems.len() < MAX_PROBLEMS {
            let mut what: String = what.into();
            if let Some((cut, _)) = what.char_indices().nth(LONGEST_PROBLEM) {
                what.truncate(cut);
                what.push('…');
            }
            self.problems.push(SheetProblem { line, what });
        } else {
            self.unlisted_problems += 1;
        }
    }
}

/// Lines that end in any of the three ways.
fn lines(text: &str) -> impl Iterator<Item = &str> {
    text.split('\n').flat_map(|line| line.strip_suffix('\r').unwrap_or(line).split('\r'))
}

#[derive(Default)]
struct EntryReader {
    entries: SheetEntries,
    section: Option<String>,
    open: Option<OpenEntry>,
    /// How many values and entries there are so far.
    values: usize,
    /// The line of each entry, by section and name in small letters.
    lines: HashMap<(String, String), usize>,
}

/// An entry whose semicolon has not come.
struct OpenEntry {
    entry: SheetEntry,
    /// The last line that held any of it.
    last: usize,
    /// A value has begun since the last comma.
    begun: bool,
}

impl EntryReader {
    fn line(&mut self, number: usize, line: &str) {
        let mut rest = line.trim();
        while self.values <= MAX_VALUES {
            rest =
                rest.trim_start_matches(|c: char| c.is_whitespace() || c == '\u{1A}' || c == '\0');
            if rest.is_empty() || rest.starts_with('$') {
                return;
            }
            let begins = begins_entry(rest);
            if self.open.is_some() && (begins.is_some() || begins_section(rest)) {
                self.end(Some("no semicolon at its end"));
            }
            rest = if let Some(open) = &mut self.open {
                open.last = number;
                let before = open.entry.fields.len();
                let taken = values(open, rest, MAX_VALUES.saturating_sub(self.values));
                self.values += open.entry.fields.len() - before;
                match taken {
                    Taken::All => return,
                    Taken::Unquoted => {
                        self.entries.problem(number, "a text without its closing quote");
                        return;
                    }
                    Taken::Ended(rest) => {
                        self.end(None);
                        rest
                    }
                }
            } else if let Some((name, rest)) = begins {
                self.begin(number, name);
                rest
            } else if let Some(rest) = rest.strip_prefix('[') {
                self.section_line(number, rest)
            } else if let Some(rest) = rest.strip_prefix(';') {
                rest
            } else {
                self.entries.problem(number, "neither a section nor an entry");
                return;
            };
        }
    }

    fn section_line<'a>(&mut self, number: usize, rest: &'a str) -> &'a str {
        let (name, rest) = rest.split_once(']').unwrap_or_else(|| {
            self.entries.problem(number, "a section without its closing bracket");
            (rest.split('$').next().unwrap_or_default(), "")
        });
        self.section = Some(name.trim().to_string());
        rest
    }

    fn begin(&mut self, number: usize, name: &str) {
        if self.section.is_none() {
            self.entries.problem(number, format!("{name}: before any section"));
        }
        let section = self.section.clone().unwrap_or_default();
        let entry =
            SheetEntry { section, name: name.to_string(), line: number, fields: Vec::new() };
        self.open = Some(OpenEntry { entry, last: number, begun: false });
    }

    fn end(&mut self, problem: Option<&str>) {
        let Some(open) = self.open.take() else { return };
        self.values += 1;
        let entry = open.entry;
        if let Some(problem) = problem {
            self.entries.problem(open.last, format!("{}: {problem}", entry.name));
        }
        let key = (entry.section.to_ascii_lowercase(), entry.name.to_ascii_lowercase());
        match self.lines.entry(key) {
            Slot::Occupied(first) => {
                let what = format!("{}: again; line {} counts", entry.name, first.get());
                self.entries.problem(entry.line, what);
            }
            Slot::Vacant(slot) => {
                slot.insert(entry.line);
            }
        }
        self.entries.entries.push(entry);
    }
}

/// "name =" at the start of a line: the name, and what follows.
fn begins_entry(text: &str) -> Option<(&str, &str)> {
    let end = text.find(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))?;
    let (name, rest) = text.split_at(end);
    let rest = rest.trim_start().strip_prefix('=')?;
    name.starts_with(|c: char| c.is_ascii_alphabetic() || c == '_').then_some((name, rest))
}

fn begins_section(text: &str) -> bool {
    text.starts_with('[') && text.contains(']')
}

enum Taken<'a> {
    /// The line, and the entry goes on.
    All,
    /// The line, and a text in it has no end.
    Unquoted,
    /// Up to the semicolon.
    Ended(&'a str),
}

/// Takes values up to the semicolon or the end of the line, or until there are more than `most`.
fn values<'a>(open: &mut OpenEntry, text: &'a str, most: usize) -> Taken<'a> {
    let fields = &mut open.entry.fields;
    let most = fields.len() + most;
    let mut rest = text;
    loop {
        if fields.len() > most {
            return Taken::All;
        }
        rest = rest.trim_start();
        let Some(first) = rest.chars().next() else { return Taken::All };
        match first {
            '$' => return Taken::All,
            ';' | ',' => {
                if !open.begun && (first == ',' || !fields.is_empty()) {
                    fields.push(SheetValue { text: String::new(), quoted: false });
                }
                open.begun = false;
                rest = &rest[1..];
                if first == ';' {
                    return Taken::Ended(rest);
                }
            }
            '"' => {
                let (text, after) = quoted(&rest[1..]);
                add(fields, &mut open.begun, &text, true);
                let Some(after) = after else { return Taken::Unquoted };
                rest = after;
            }
            _ => {
                let end = rest.find(['$', ';', ',', '"']).unwrap_or(rest.len());
                add(fields, &mut open.begun, rest[..end].trim_end(), false);
                rest = &rest[end..];
            }
        }
    }
}

/// A text up to its closing quote, and what follows that; `None` where there is none.
fn quoted(text: &str) -> (String, Option<&str>) {
    let mut out = String::new();
    let mut escaped = false;
    for (index, c) in text.char_indices() {
        match c {
            '"' if !escaped => return (out, Some(&text[index + 1..])),
            '\\' if !escaped => {
                escaped = true;
                continue;
            }
            '"' | '\\' => {}
            // A backslash before anything else is just that.
            _ if escaped => out.push('\\'),
            _ => {}
        }
        out.push(c);
        escaped = false;
    }
    (out, None)
}

/// A new value, or more of the one that has begun: texts side by side are one text.
fn add(fields: &mut Vec<SheetValue>, begun: &mut bool, text: &str, quoted: bool) {
    match fields.last_mut() {
        Some(last) if *begun => {
            if !(last.quoted && quoted) {
                last.text.push(' ');
            }
            last.text.push_str(text);
        }
        _ => fields.push(SheetValue { text: text.to_string(), quoted }),
    }
    *begun = true;
}

/// The text of a file: by its byte order mark where it has one, else as UTF-8 where it is
/// that, else as Windows-1252, in which every byte is something.
pub fn decode_text(bytes: &[u8]) -> String {
    if let Some((encoding, length)) = Encoding::for_bom(bytes) {
        return encoding.decode_without_bom_handling(&bytes[length..]).0.into_owned();
    }
    UTF_8
        .decode_without_bom_handling_and_without_replacement(bytes)
        .unwrap_or_else(|| WINDOWS_1252.decode_without_bom_handling(bytes).0)
        .into_owned()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn texts(entries: &SheetEntries, name: &str) -> Vec<String> {
        let entry = entries.entries.iter().find(|entry| entry.name == name).unwrap();
        entry.fields.iter().map(|field| field.text.clone()).collect()
    }

    #[test]
    fn a_file_as_it_should_be() {
        let entries = SheetEntries::parse(
            "$ Orchard Lane\n[Device]\n  VendCode = 900; $ ours\n  ProdName = \"Capper; 0.5 $\" \
         \" kW\";\n[IO_Info]\nInput1 =\n  4, 0, $ bytes\n  0x0001, \"say \\\"go\\\"\", , 3;\n",
        );
        assert_eq!(entries.problems, []);
        assert_eq!(texts(&entries, "VendCode"), ["900"]);
        assert_eq!(texts(&entries, "ProdName"), ["Capper; 0.5 $ kW"]);
        assert_eq!(texts(&entries, "Input1"), ["4", "0", "0x0001", "say \"go\"", "", "3"]);
        let input = entries.find("io_info", "INPUT1").unwrap();
        assert_eq!((input.line, input.fields[2].number()), (6, Some(1)));
        assert!(input.fields[3].quoted && !input.fields[0].quoted);
    }

    #[test]
    fn faults_of_real_files_are_told_with_their_lines() {
        let text = "stray\r[Device\r\nVendCode = 900\r\nProdCode = 17;\rProdName = \"no end;\r\
                MajRev = 2;;\rMajRev = 3;\r[File]\rHome = 1";
        let entries = SheetEntries::parse(text);
        let problems: Vec<(usize, &str)> =
            entries.problems.iter().map(|p| (p.line, p.what.as_str())).collect();
        assert_eq!(
            problems,
            [
                (1, "neither a section nor an entry"),
                (2, "a section without its closing bracket"),
                (3, "VendCode: no semicolon at its end"),
                (5, "a text without its closing quote"),
                (5, "ProdName: no semicolon at its end"),
                (7, "MajRev: again; line 6 counts"),
            ]
        );
        assert_eq!(texts(&entries, "ProdCode"), ["17"]);
        assert_eq!(entries.find("Device", "MajRev").unwrap().fields[0].number(), Some(2));
        assert_eq!(texts(&entries, "Home"), ["1"]);
    }

    #[test]
    fn numbers() {
        let number = |text: &str| SheetValue { text: text.into(), quoted: false }.number();
        assert_eq!(number("0x1F"), Some(31));
        assert_eq!(number(" 012 "), Some(12));
        assert_eq!(number("0b0000_0101"), Some(5));
        assert_eq!((number("0x"), number("-1"), number("")), (None, None, None));
    }

    proptest! {
        #[test]
        fn any_text_is_read(text in "[\\[\\]A-c=;,\"$\\\\ \r\n0-9é]{0,200}") {
            let entries = SheetEntries::parse(&text);
            let lines = lines(&text).count();
            prop_assert!(entries.problems.iter().all(|p| (1..=lines).contains(&p.line)));
        }

        #[test]
        fn any_bytes_are_read(bytes: Vec<u8>) {
            SheetEntries::parse(&decode_text(&bytes));
        }
    }

    #[test]
    fn encodings_of_real_files() {
        let text = "ProdName = \"Förderband ½ kW\";";
        assert_eq!(decode_text(text.as_bytes()), text);
        let marked = [b"\xEF\xBB\xBF", text.as_bytes()].concat();
        assert_eq!(decode_text(&marked), text);
        let wide: Vec<u8> =
            std::iter::once(0xFEFF).chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
        assert_eq!(decode_text(&wide), text);
        let single: Vec<u8> = text.chars().map(|c| c as u8).collect();
        assert_eq!(decode_text(&single), text);
        assert_eq!(decode_text(b""), "");
    }
}
