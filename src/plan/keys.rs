//! The keys of a TOML table taken one by one: every problem kept with its line and key, unknown
//! keys refused with the nearest known one.

use std::cell::RefCell;
use std::fmt::{self, Display};
use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::near::{did_you_mean, excerpt};

/// One thing to put right in a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The line of the file, from 1.
    pub line: usize,
    /// The key at fault with the tables above it; empty where the text itself is no TOML.
    pub key: String,
    /// What is wrong and what to do.
    pub what: String,
}

impl Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.key.as_str() {
            "" => write!(f, "line {}: {}", self.line, self.what),
            key => write!(f, "line {}: {key}: {}", self.line, self.what),
        }
    }
}

/// The text of a plan and what is wrong with it so far.
pub(super) struct Source<'t> {
    text: &'t str,
    /// Where each line feed stands.
    feeds: Vec<usize>,
    problems: RefCell<Vec<Problem>>,
}

impl<'t> Source<'t> {
    pub fn new(text: &'t str) -> Source<'t> {
        let feeds = memchr::memchr_iter(b'\n', text.as_bytes()).collect();
        Source { text, feeds, problems: RefCell::default() }
    }

    /// The line in which a byte stands, from 1.
    pub fn line(&self, offset: usize) -> usize {
        1 + self.feeds.partition_point(|&feed| feed < offset)
    }

    pub fn report(&self, line: usize, key: impl Into<String>, what: impl Into<String>) {
        self.problems.borrow_mut().push(Problem { line, key: key.into(), what: what.into() });
    }

    /// All problems, in the order of the file.
    pub fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| problem.line);
        problems
    }
}

/// One table being read. Each key that is asked for becomes a known one; [`Keys::finish`]
/// reports the rest.
pub(super) struct Keys<'a, 't> {
    source: &'a Source<'t>,
    table: &'a DeTable<'t>,
    path: &'static str,
    line: usize,
    known: RefCell<Vec<&'static str>>,
}

impl<'a, 't> Keys<'a, 't> {
    pub fn new(
        source: &'a Source<'t>,
        table: &'a DeTable<'t>,
        path: &'static str,
        offset: usize,
    ) -> Keys<'a, 't> {
        Keys { source, table, path, line: source.line(offset), known: RefCell::default() }
    }

    /// The line of a key, or of the table's head where the key is absent.
    pub fn line_of(&self, key: &str) -> usize {
        self.table
            .iter()
            .find(|(name, _)| name.get_ref() == key)
            .map_or(self.line, |(name, _)| self.source.line(name.span().start))
    }

    /// Reports a problem with a key.
    pub fn problem(&self, key: &str, what: impl Into<String>) {
        self.source.report(self.line_of(key), self.full(key), what);
    }

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

    pub fn flag(&self, key: &'static str) -> Option<bool> {
        let value = self.get(key)?;
        value.get_ref().as_bool().or_else(|| {
            self.wrong_type(key, value, "true or false");
            None
        })
    }

    /// A whole number of a type, in a range.
    pub fn whole<T: TryFrom<i64>>(
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
            let written = self.source.text.get(value.span()).unwrap_or_default();
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
    pub fn table(&self, key: &'static str, path: &'static str) -> Option<Keys<'a, 't>> {
        let value = self.get(key)?;
        match value.get_ref().as_table() {
            Some(table) => Some(Keys::new(self.source, table, path, value.span().start)),
            None => {
                self.wrong_type(key, value, &format!("a table, written [{path}]"));
                None
            }
        }
    }

    /// The tables of a list under a key, in the order of the file.
    pub fn tables(&self, key: &'static str, path: &'static str) -> Vec<Keys<'a, 't>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let list = value.get_ref().as_array().map(|list| list.iter().collect::<Vec<_>>());
        let mut tables = Vec::new();
        for item in list.as_deref().unwrap_or_else(|| std::slice::from_ref(&value)) {
            match item.get_ref().as_table() {
                Some(table) if list.is_some() => {
                    tables.push(Keys::new(self.source, table, path, item.span().start));
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

    /// Reports the keys that nobody asked for.
    pub fn finish(&self) {
        let known = self.known.borrow();
        for (name, _) in self.table.iter().filter(|(name, _)| !known.contains(&&**name.get_ref())) {
            let what =
                format!("unknown key{}", did_you_mean(name.get_ref(), known.iter().copied()));
            let line = self.source.line(name.span().start);
            let name = excerpt(&name.get_ref().escape_debug().to_string());
            self.source.report(line, self.full(&name), what);
        }
    }

    fn get(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'t>>> {
        let mut known = self.known.borrow_mut();
        if !known.contains(&key) {
            known.push(key);
        }
        self.table.get(key)
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'t>>, wanted: &str) {
        let found = match value.get_ref() {
            DeValue::String(_) => "text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        self.problem(key, format!("is {found}, wanted is {wanted}"));
    }

    fn full(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }
}
