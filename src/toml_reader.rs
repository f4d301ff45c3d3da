//! Reads a TOML file to the end: every problem is kept with its line and key, so that a user mends
//! them all at once. Unknown keys are refused with the nearest known one.
//!
//! A table is read key by key ([`TableReader::number`] and so on) or as a whole into a type that
//! derives `Deserialize` ([`TableReader::deserialize`]).

use std::borrow::Cow;
use std::cell::RefCell;
use std::fmt::{self, Display};
use std::ops::{Range, RangeInclusive};

use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::words::{did_you_mean, excerpt};

/// So much of a name is shown.
const LONGEST_NAME: usize = 120;

/// One thing to put right in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TomlProblem {
    /// The line of the file, from 1.
    pub line: usize,
    /// The key at fault with the tables above it; empty where the text itself is no TOML.
    pub key: String,
    /// What is wrong and what to do.
    pub what: String,
}

impl Display for TomlProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.key.as_str() {
            "" => write!(f, "line {}: {}", self.line, self.what),
            key => write!(f, "line {}: {key}: {}", self.line, self.what),
        }
    }
}

/// Everything that is wrong with a file, in its order; never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TomlProblems(Vec<TomlProblem>);

impl TomlProblems {
    /// The problems, at least one.
    pub fn iter(&self) -> std::slice::Iter<'_, TomlProblem> {
        self.0.iter()
    }
}

impl Display for TomlProblems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let lines: Vec<_> = self.0.iter().map(TomlProblem::to_string).collect();
        f.write_str(&lines.join("\n"))
    }
}

impl std::error::Error for TomlProblems {}

/// Reads a text by a function that takes its root table apart. The function gives nothing where it
/// reported a problem that leaves nothing to build.
///
/// # Errors
/// All problems at once: what is no TOML, and whatever the function reports.
pub fn read_toml<T>(
    text: &str,
    read: impl FnOnce(&TableReader) -> Option<T>,
) -> Result<T, TomlProblems> {
    let file = TomlText::new(text);
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let line = file.line(error.span().map_or(0, |span| span.start));
        file.report(line, "", format!("not TOML: {}", error.message().replace('\n', ", ")));
    }
    // What follows from a line that could not be read would only confuse.
    let value = match errors.is_empty() {
        true => {
            let root = TableReader::new(&file, table.get_ref(), "", 0);
            let value = read(&root);
            root.finish();
            value
        }
        false => None,
    };
    let mut problems = file.problems.into_inner();
    problems.sort_by_key(|problem| problem.line);
    match value {
        Some(value) if problems.is_empty() => Ok(value),
        _ => Err(TomlProblems(problems)),
    }
}

/// The text of a file and what is wrong with it so far.
struct TomlText<'t> {
    text: &'t str,
    /// Where each line feed stands.
    feeds: Vec<usize>,
    problems: RefCell<Vec<TomlProblem>>,
}

impl<'t> TomlText<'t> {
    fn new(text: &'t str) -> TomlText<'t> {
        let feeds = memchr::memchr_iter(b'\n', text.as_bytes()).collect();
        TomlText { text, feeds, problems: RefCell::default() }
    }

    /// The line in which a byte stands, from 1.
    fn line(&self, offset: usize) -> usize {
        1 + self.feeds.partition_point(|&feed| feed < offset)
    }

    fn report(&self, line: usize, key: impl Into<String>, what: impl Into<String>) {
        self.problems.borrow_mut().push(TomlProblem { line, key: key.into(), what: what.into() });
    }
}

/// One table being read. Each key that is asked for becomes a known one;
/// [`TableReader::finish`] reports the rest.
pub struct TableReader<'a, 't> {
    file: &'a TomlText<'t>,
    table: &'a DeTable<'t>,
    path: &'static str,
    /// Where it begins.
    start: usize,
    known: RefCell<Vec<String>>,
}

impl<'a, 't> TableReader<'a, 't> {
    fn new(
        file: &'a TomlText<'t>,
        table: &'a DeTable<'t>,
        path: &'static str,
        offset: usize,
    ) -> TableReader<'a, 't> {
        TableReader { file, table, path, start: offset, known: RefCell::default() }
    }

    /// The line of a key, or of the table's head where the key is absent.
    pub fn line_of(&self, key: &str) -> usize {
        let name = self.table.iter().map(|(name, _)| name).find(|name| name.get_ref() == key);
        self.file.line(name.map_or(self.start, |name| name.span().start))
    }

    /// Reports a problem with a key.
    pub fn problem(&self, key: &str, what: impl Into<String>) {
        self.file.report(self.line_of(key), self.full(key), what);
    }

    /// Whether the table has this key, which becomes a known one.
    pub fn has(&self, key: &'static str) -> bool {
        self.get(key).is_some()
    }

    /// The value, or a report that it is missing.
    pub fn need<T>(&self, key: &'static str, value: Option<T>) -> Option<T> {
        if value.is_none() && !self.has(key) {
            self.problem(key, format!("missing from this [{}]", self.path));
        }
        value
    }

    /// One line of text.
    pub fn text(&self, key: &'static str) -> Option<String> {
        let value = self.get(key)?;
        match value.get_ref().as_str() {
            Some("") => self.problem(key, "is empty"),
            Some(text) if text.chars().any(char::is_control) => {
                self.problem(key, "holds a control character; one line of plain text is wanted");
            }
            Some(text) => return Some(text.to_owned()),
            None => self.wrong_type(key, value, "text in quotes"),
        }
        None
    }

    /// True or false.
    pub fn flag(&self, key: &'static str) -> Option<bool> {
        let value = self.get(key)?;
        value.get_ref().as_bool().or_else(|| {
            self.wrong_type(key, value, "true or false");
            None
        })
    }

    /// A whole number of a type, in a range.
    pub fn integer<T: TryFrom<i64>>(
        &self,
        key: &'static str,
        range: RangeInclusive<i64>,
    ) -> Option<T> {
        let value = self.get(key)?;
        let Some(number) = value.get_ref().as_integer() else {
            self.wrong_type(key, value, "a whole number");
            return None;
        };
        let parsed = i64::from_str_radix(number.as_str(), number.radix()).ok();
        let sound = parsed.filter(|n| range.contains(n)).and_then(|n| T::try_from(n).ok());
        if sound.is_none() {
            let (low, high) = range.into_inner();
            self.problem(key, format!("{number} is not from {low} to {high}"));
        }
        sound
    }

    /// A number in a range, written with or without a point.
    pub fn number(&self, key: &'static str, range: RangeInclusive<f64>) -> Option<f64> {
        self.number_in(key, self.get(key)?, range)
    }

    /// A list of numbers, each in a range.
    pub fn numbers(&self, key: &'static str, range: RangeInclusive<f64>) -> Option<Vec<f64>> {
        let value = self.get(key)?;
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_type(key, value, "a list of numbers");
            return None;
        };
        list.iter().map(|item| self.number_in(key, item, range.clone())).collect()
    }

    fn number_in(
        &self,
        key: &str,
        value: &Spanned<DeValue<'t>>,
        range: RangeInclusive<f64>,
    ) -> Option<f64> {
        let number = match value.get_ref() {
            DeValue::Integer(n) => {
                i64::from_str_radix(n.as_str(), n.radix()).ok().map(|n| n as f64)
            }
            DeValue::Float(n) => n.as_str().parse::<f64>().ok(),
            _ => {
                self.wrong_type(key, value, "a number");
                return None;
            }
        };
        let sound = number.filter(|n| range.contains(n));
        if sound.is_none() {
            let (low, high) = range.into_inner();
            let written = self.file.text.get(value.span()).unwrap_or_default();
            self.problem(key, format!("{written} is not from {low} to {high}"));
        }
        sound
    }

    /// One of a few words.
    pub fn choice<T: Copy>(&self, key: &'static str, choices: &[(&'static str, T)]) -> Option<T> {
        let value = self.get(key)?;
        let Some(word) = value.get_ref().as_str() else {
            self.wrong_type(key, value, "a word in quotes");
            return None;
        };
        let found = choices.iter().find(|(name, _)| *name == word).map(|(_, choice)| *choice);
        if found.is_none() {
            let names: Vec<_> = choices.iter().map(|(name, _)| *name).collect();
            let hint = did_you_mean(word, names.iter().copied());
            self.problem(key, format!("{word:?} is none of {}{hint}", names.join(", ")));
        }
        found
    }

    /// The table under a key.
    pub fn table(&self, key: &'static str, path: &'static str) -> Option<TableReader<'a, 't>> {
        let value = self.get(key)?;
        match value.get_ref().as_table() {
            Some(table) => Some(TableReader::new(self.file, table, path, value.span().start)),
            None => {
                self.wrong_type(key, value, &format!("a table, written [{path}]"));
                None
            }
        }
    }

    /// The tables of a list under a key, in the order of the file.
    pub fn tables(&self, key: &'static str, path: &'static str) -> Vec<TableReader<'a, 't>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let list = value.get_ref().as_array().map(|list| list.iter().collect::<Vec<_>>());
        let mut tables = Vec::new();
        for item in list.as_deref().unwrap_or_else(|| std::slice::from_ref(&value)) {
            match item.get_ref().as_table() {
                Some(table) if list.is_some() => {
                    tables.push(TableReader::new(self.file, table, path, item.span().start));
                }
                _ => self.wrong_type(
                    key,
                    item,
                    &format!("one or more tables, each written [[{path}]]"),
                ),
            }
        }
        tables
    }

    /// What is left of the table as a type that derives `Deserialize` and denies unknown fields.
    pub fn deserialize<T: DeserializeOwned>(&self) -> Option<T> {
        self.deserialize_by(|rest| T::deserialize(toml::Deserializer::from(self.spanned(rest))))
    }

    /// What is left of the table as the variant of this name of such an enum.
    pub fn deserialize_variant<T: DeserializeOwned>(&self, name: &str) -> Option<T> {
        self.deserialize_by(|rest| {
            let mut tagged = DeTable::new();
            let name = self.spanned(Cow::Owned(name.to_owned()));
            tagged.insert(name, self.spanned(DeValue::Table(rest)));
            T::deserialize(toml::Deserializer::from(self.spanned(tagged)))
        })
    }

    fn spanned<V>(&self, value: V) -> Spanned<V> {
        Spanned::new(self.start..self.start, value)
    }

    /// serde stops at the first problem: the key at fault is taken out and the rest is read again,
    /// until nothing is wrong any more.
    fn deserialize_by<T>(
        &self,
        read: impl Fn(DeTable<'t>) -> Result<T, toml::de::Error>,
    ) -> Option<T> {
        let mut rest = DeTable::new();
        for (name, value) in self.table.iter() {
            if !self.known.borrow().iter().any(|known| known == name.get_ref()) {
                rest.insert(name.clone(), value.clone());
            }
        }
        let read_before = self.known.borrow().clone();
        self.known.borrow_mut().extend(rest.keys().map(|name| name.get_ref().to_string()));
        let mut refused: Vec<String> = Vec::new();
        let mut stand_ins = STAND_INS.iter();
        let mut missing = String::new();
        loop {
            let error = match read(rest.clone()) {
                Ok(value) => return refused.is_empty().then_some(value),
                Err(error) => error,
            };
            let message = error.message();
            let at = error.span().map_or(self.start, |span| span.start);
            let absent = message.strip_prefix("missing field ").map(|key| key.trim_matches('`'));
            if error.span() != Some(STAND_IN) {
                if let Some((mut path, place, value)) = remove_at(&mut rest, at) {
                    let what = match absent {
                        // Absent from a table inside, which goes as a whole.
                        Some(key) => {
                            refused.push(path.clone());
                            path = format!("{path}.{key}");
                            "missing from this table".to_owned()
                        }
                        None => serde_in_words(message, &path, &value, &read_before),
                    };
                    if !refused.contains(&path) {
                        let key =
                            self.full(&excerpt(&path.escape_debug().to_string(), LONGEST_NAME));
                        self.file.report(self.file.line(place), key, what);
                        refused.push(path);
                    }
                    continue;
                }
                let Some(key) = absent.filter(|&key| key != missing) else {
                    let what = message.replace('\n', ", ");
                    self.file.report(self.file.line(at), self.path, what);
                    return None;
                };
                if !refused.iter().any(|name| name == key) {
                    self.problem(key, format!("missing from this [{}]", self.path));
                }
                refused.push(key.to_owned());
                stand_ins = STAND_INS.iter();
                missing = key.to_owned();
            }
            // With something in its place the next one that is missing is found, too.
            rest.insert(self.spanned(Cow::Owned(missing.clone())), stand_in(stand_ins.next()?)?);
        }
    }

    /// Reports the keys that nobody asked for.
    pub fn finish(&self) {
        let known = self.known.borrow();
        for (name, _) in self.table.iter() {
            if known.iter().any(|known| known == name.get_ref()) {
                continue;
            }
            let hint = did_you_mean(name.get_ref(), known.iter().map(String::as_str));
            let line = self.file.line(name.span().start);
            let name = excerpt(&name.get_ref().escape_debug().to_string(), LONGEST_NAME);
            self.file.report(line, self.full(&name), format!("unknown key{hint}"));
        }
    }

    fn get(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'t>>> {
        let mut known = self.known.borrow_mut();
        if !known.iter().any(|known| known == key) {
            known.push(key.to_owned());
        }
        self.table.get(key)
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'t>>, wanted: &str) {
        let found = type_in_words(value.get_ref());
        self.problem(key, format!("is {found}, wanted is {wanted}"));
    }

    fn full(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }
}

fn type_in_words(value: &DeValue) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// Where a stand-in for a missing value is, beyond any file.
const STAND_IN: Range<usize> = usize::MAX - 1..usize::MAX;

/// Values of each type, of which one may do in the place of a missing one.
const STAND_INS: [&str; 6] = ["1", "125000", "\"x\"", "true", "[]", "{}"];

fn stand_in(text: &'static str) -> Option<Spanned<DeValue<'static>>> {
    let value = DeValue::parse(text).ok()?.into_inner();
    Some(Spanned::new(STAND_IN, value))
}

/// Takes out the key at this place of the text, also of a table inside: its path, where it stood,
/// and its value.
fn remove_at<'t>(table: &mut DeTable<'t>, at: usize) -> Option<(String, usize, DeValue<'t>)> {
    let holds = |span: Range<usize>| span.contains(&at) && span != STAND_IN;
    let (name, place) = table.iter().find_map(|(name, value)| {
        (holds(name.span()) || holds(value.span()))
            .then(|| (name.get_ref().to_string(), name.span().start))
    })?;
    if let Some(value) = table.get_mut(name.as_str())
        && let DeValue::Table(inner) = value.get_mut()
        && let Some((path, place, value)) = remove_at(inner, at)
    {
        return Some((format!("{name}.{path}"), place, value));
    }
    let value = table.remove(name.as_str())?;
    Some((name, place, value.into_inner()))
}

/// What serde says is wrong with the value of a key, in the words of this reader.
/// `read_before` are the keys of the table that were read one by one.
fn serde_in_words(message: &str, path: &str, value: &DeValue, read_before: &[String]) -> String {
    let key = path.rsplit('.').next().unwrap_or(path);
    let names = || message.split('`').skip(1).step_by(2);
    let expected = message.rsplit_once("expected ").map_or("", |(_, expected)| expected);
    // Not those of a table inside.
    let read_before = read_before.iter().map(String::as_str).filter(|_| !path.contains('.'));
    if message.starts_with("unknown field") {
        let known = names().skip(1).chain(read_before);
        return format!("unknown key{}", did_you_mean(key, known));
    }
    if let Some(keys) = message.strip_prefix("unexpected keys in table: ") {
        let known = keys.split_once("available keys: ").map_or("", |(_, known)| known);
        let known = known.split(", ").chain(read_before);
        return format!("unknown key{}", did_you_mean(key, known));
    }
    if message.starts_with("unknown variant")
        && let Some(written) = value.as_str()
    {
        let known: Vec<_> = names().skip(1).collect();
        let hint = did_you_mean(written, known.iter().copied());
        return format!(
            "{:?} is none of {}{hint}",
            excerpt(written, LONGEST_NAME),
            known.join(", ")
        );
    }
    if message.starts_with("invalid type") {
        let wanted = match expected {
            "f64" => "a number",
            "u8" | "u16" | "u32" | "u64" | "i16" | "i32" | "i64" => "a whole number",
            "a string" | "string or table" => "text in quotes",
            "a boolean" => "true or false",
            "a sequence" => "a list",
            other => other,
        };
        return format!("is {}, wanted is {wanted}", type_in_words(value));
    }
    let range = match expected {
        "u8" => Some((0, 255)),
        "u16" => Some((0, 65_535)),
        "u32" => Some((0_i64, i64::from(u32::MAX))),
        "i16" => Some((-32_768, 32_767)),
        _ => None,
    };
    match (range, value.as_integer()) {
        (Some((low, high)), Some(number)) => format!("{number} is not from {low} to {high}"),
        _ => message.replace('\n', ", "),
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Pump {
        name: String,
        speed: u16,
        share: f64,
        #[serde(default)]
        source: Source,
        inner: Option<Inner>,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Inner {
        on: bool,
    }

    #[derive(Debug, Default, PartialEq, Deserialize)]
    #[serde(rename_all = "kebab-case")]
    enum Source {
        #[default]
        Network,
        Local,
    }

    fn pump(text: &str) -> Result<Pump, String> {
        let read = |root: &TableReader| root.table("pump", "pump")?.deserialize();
        read_toml(text, read).map_err(|problems| problems.to_string())
    }

    #[test]
    fn a_whole_table_is_read() {
        let inner = Some(Inner { on: true });
        let all = Pump { name: "a".into(), speed: 3, share: 0.5, source: Source::Local, inner };
        let text = "[pump]\nname = 'a'\nspeed = 3\nshare = 0.5\nsource = 'local'\ninner.on = true";
        assert_eq!(pump(text), Ok(all));
    }

    #[test]
    fn every_problem_is_told_with_line_and_key() {
        let text = "[pump]\nspeed = 70000\nshar = 1\nsource = 'lokal'\ninner = { on = 1, of = 2 }\n\
                    [pomp]\n";
        let lines = [
            "line 1: pump.name: missing from this [pump]",
            "line 1: pump.share: missing from this [pump]",
            "line 2: pump.speed: 70000 is not from 0 to 65535",
            "line 3: pump.shar: unknown key; did you mean share?",
            "line 4: pump.source: \"lokal\" is none of network, local; did you mean local?",
            "line 5: pump.inner.on: is a whole number, wanted is true or false",
            "line 5: pump.inner.of: unknown key; did you mean on?",
            "line 6: pomp: unknown key; did you mean pump?",
        ];
        let told = pump(text).unwrap_err();
        let mut told: Vec<_> = told.lines().collect();
        told.sort_unstable();
        let mut wanted = lines.to_vec();
        wanted.sort_unstable();
        assert_eq!(told, wanted);
    }

    #[test]
    fn what_is_no_toml_is_told_alone() {
        let told = pump("[pump]\nspeed 3\nshar = 1\n").unwrap_err();
        assert!(told.starts_with("line 2: not TOML: ") && told.lines().count() == 1, "{told}");
    }
}
