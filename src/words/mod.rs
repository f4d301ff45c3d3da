//! How dropline words things for people, on every page, screen and line: text from outside made
//! safe to show, wrapping, the cautions, what somebody who wrote an unknown name probably meant; in
//! [`numbers`] counts, shares and times.

pub mod numbers;
pub mod wall_clock;

use std::fmt::Display;

use textwrap::{Options, WordSplitter};

/// The cautions that go with every check at a cabinet, a conductor or a drive.
pub const CAUTIONS: [&str; 3] = [
    "Work inside cabinets and on drives is for qualified people only. Isolate, lock off and prove \
     dead before touching a conductor; drives hold dangerous energy after power is off.",
    "Local codes and the makers' manuals come first.",
    "dropline listens and reports. It is not a safety device and nothing may rely on it as one.",
];

/// What an adapter is clipped on to. Colours of the conductors: IEC 62026-3; one ground point for a
/// trunk, so that an adapter has to be isolated: design guide 9ARD000015-600, p. 62.
pub const CLIP_ON: &str = "Clip on to white (CAN_H), blue (CAN_L) and black (V-) only, with an isolated adapter; leave red \
     (V+) and the bare shield alone.";

/// The widest line of a page of text.
pub const PAGE_WIDTH: usize = 96;

/// The character, or a question mark for one that a terminal would obey or that turns the direction
/// of writing. Every terminal can show that one.
pub fn printable_char(c: char) -> char {
    let obeyed = c.is_control()
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}');
    if obeyed { '?' } else { c }
}

/// JSON that says the same, with an escape for each character that is not printable, see
/// [`printable_char`]: whoever looks at a file in a terminal is safe from what is in it.
pub fn printable_json(json: String) -> String {
    // Outside its texts JSON has no such character but line feeds.
    let stays = |c: char| c == '\n' || printable_char(c) == c;
    if json.chars().all(stays) {
        return json;
    }
    let mut escaped = String::with_capacity(json.len() + 64);
    for c in json.chars() {
        if stays(c) {
            escaped.push(c);
        } else {
            escaped.extend(c.encode_utf16(&mut [0; 2]).iter().map(|unit| format!("\\u{unit:04x}")));
        }
    }
    escaped
}

/// Text from a file, the wire or a keyboard, as it can be shown.
pub fn printable(text: &str) -> String {
    text.chars().map(printable_char).collect()
}

/// The beginning of a text, at most so many characters, as it can be shown.
pub fn excerpt(text: &str, longest: usize) -> String {
    let mut shown: String = text.chars().take(longest).map(printable_char).collect();
    if text.chars().nth(longest).is_some() {
        shown.push('…');
    }
    shown
}

/// The text as one line of bounded length, so that what a file holds can be shown in a message.
pub fn one_line(text: &str) -> String {
    const LONGEST: usize = 300;
    excerpt(text, LONGEST)
}

/// Breaks text at its spaces into lines no wider than this; a longer word stands alone.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    wrap_with(text, options(width))
}

/// Text as lines of a page after `lead`; the lines below the first are indented as far.
pub fn paragraph(lead: &str, text: &str) -> String {
    let indent = " ".repeat(lead.chars().count());
    let options = options(PAGE_WIDTH).initial_indent(lead).subsequent_indent(&indent);
    match wrap_with(&printable(text), options) {
        lines if lines.iter().all(String::is_empty) => format!("{lead}\n"),
        lines => lines.join("\n") + "\n",
    }
}

fn options<'a>(width: usize) -> Options<'a> {
    Options::new(width).word_splitter(WordSplitter::NoHyphenation).break_words(false)
}

fn wrap_with(text: &str, options: Options) -> Vec<String> {
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let lines = textwrap::wrap(&words, options);
    lines.into_iter().map(|line| line.into_owned()).collect()
}

/// As many of the parts, in order, as fit into one line; the first one always.
pub fn fit(parts: impl IntoIterator<Item = String>, between: &str, width: usize) -> String {
    let mut line = String::new();
    for part in parts {
        let longer = if line.is_empty() { part } else { format!("{line}{between}{part}") };
        if !line.is_empty() && longer.chars().count() > width {
            return line;
        }
        line = longer;
    }
    line
}

/// A code such as `address-clash` as a heading.
pub fn title(code: &str) -> String {
    let mut words = code.replace('-', " ");
    if words.starts_with("io ") {
        return words.replacen("io ", "I/O ", 1);
    }
    if let Some(first) = words.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    words
}

/// A node by its address and its name, where it has one.
pub fn called(mac_id: impl Display, name: Option<&str>) -> String {
    match name {
        Some(name) => format!("{mac_id} {}", printable(name)),
        None => mac_id.to_string(),
    }
}

/// No name is longer; how near a longer one is would cost memory by its length.
const LONGEST_NAME: usize = 100;

/// The known name closest to what was written, if one is close. Upper and lower case, `_`, `-`
/// and spaces make no difference.
pub fn nearest<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if written.len() > LONGEST_NAME {
        return None;
    }
    let plain = |name: &str| name.to_lowercase().replace(['_', ' '], "-");
    let written = plain(written);
    let distance = |name: &str| strsim::damerau_levenshtein(&written, &plain(name));
    let (distance, name) = known.into_iter().map(|name| (distance(name), name)).min()?;
    (distance <= 1 + name.chars().count() / 4).then_some(name)
}

/// "; did you mean …?" where one of the names is close to what was written, else nothing.
pub fn did_you_mean<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    nearest(written, known).map_or(String::new(), |name| format!("; did you mean {name}?"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_a_terminal_obeys_gets_through() {
        assert_eq!(printable("a\x1b[2Jb\u{9b}\n\u{202e}c\té"), "a?[2Jb???c?é");
        assert_eq!(one_line("a\n\x1b[2Jb"), "a??[2Jb");
        assert_eq!(one_line(&"x".repeat(5000)).chars().count(), 301);
    }

    #[test]
    fn json_says_the_same_without_what_a_terminal_obeys() {
        let text = "a\u{9b}31m\u{7f}\u{202e}\u{feff}\ny \\ é 🍎";
        let json = serde_json::to_string_pretty(&[text]).unwrap();
        let safe = printable_json(json.clone());
        assert!(safe.contains("a\\u009b31m\\u007f\\u202e\\ufeff\\ny"), "{safe}");
        assert_eq!(serde_json::from_str::<[String; 1]>(&safe).unwrap(), [text]);
        let plain = "[\n  \"é\"\n]".to_owned();
        assert_eq!(printable_json(plain.clone()), plain);
    }

    #[test]
    fn a_line_ends_with_a_whole_part() {
        let parts = || ["aaa", "bb", "c"].map(String::from);
        assert_eq!(fit(parts(), ", ", 80), "aaa, bb, c");
        assert_eq!(fit(parts(), ", ", 9), "aaa, bb");
        assert_eq!(fit(parts(), ", ", 2), "aaa");
    }

    #[test]
    fn long_words_stand_alone() {
        assert_eq!(wrap("aa bb  ccccccc d", 5), ["aa bb", "ccccccc", "d"]);
        assert_eq!(wrap("error-passive", 8), ["error-passive"]);
        assert_eq!(wrap("", 5), [""]);
    }

    #[test]
    fn a_paragraph_hangs_from_its_lead() {
        let text = paragraph("  seen   ", &"word ".repeat(30));
        let lines: Vec<_> = text.lines().collect();
        assert!(lines.len() == 2 && lines[0].starts_with("  seen   word"), "{text}");
        assert!(lines[1].starts_with("         word") && lines[0].len() <= PAGE_WIDTH, "{text}");
        assert_eq!(paragraph("  - ", ""), "  - \n");
    }

    #[test]
    fn codes_as_headings() {
        assert_eq!(title("address-clash"), "Address clash");
        assert_eq!(title("io-size-differs"), "I/O size differs");
    }

    #[test]
    fn only_what_is_close() {
        let known = ["can0", "can1", "vcan0"];
        assert_eq!(nearest("cna1", known), Some("can1"));
        assert_eq!(nearest("CAN0", known), Some("can0"));
        assert_eq!(nearest("eth0", known), None);
        assert_eq!(nearest("", known), None);
        assert_eq!(did_you_mean("can2", []), "");
        assert_eq!(nearest(&"can0".repeat(1_000_000), known), None);
    }
}
