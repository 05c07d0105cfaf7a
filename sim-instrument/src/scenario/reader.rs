//! Reads tables key by key and remembers every fault, so that all are told at once.

use super::ScenarioFault;
use std::cell::RefCell;
use toml::{Table, Value};

/// Faults found so far.
#[derive(Debug, Default)]
pub(super) struct Faults(RefCell<Vec<ScenarioFault>>);

impl Faults {
    pub(super) fn add(&self, place: &str, what: impl Into<String>) {
        self.0.borrow_mut().push(ScenarioFault { place: place.to_owned(), what: what.into() });
    }

    pub(super) fn into_vec(self) -> Vec<ScenarioFault> {
        self.0.into_inner()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.borrow().is_empty()
    }
}

/// A table that is being read. When it is dropped, the keys that nobody asked for are faults.
pub(super) struct Section<'a> {
    path: String,
    table: Option<&'a Table>,
    asked: Vec<&'static str>,
    faults: &'a Faults,
}

impl<'a> Section<'a> {
    pub(super) const fn new(path: String, table: Option<&'a Table>, faults: &'a Faults) -> Self {
        Self { path, table, asked: Vec::new(), faults }
    }

    pub(super) fn place(&self, key: &str) -> String {
        match (self.path.is_empty(), key.is_empty()) {
            (true, _) => key.to_owned(),
            (_, true) => self.path.clone(),
            _ => format!("{}.{key}", self.path),
        }
    }

    pub(super) fn fault(&self, key: &str, what: impl Into<String>) {
        self.faults.add(&self.place(key), what);
    }

    fn value(&mut self, key: &'static str) -> Option<&'a Value> {
        self.asked.push(key);
        self.table?.get(key)
    }

    fn expected(&self, key: &str, value: &Value, what: &str) {
        self.fault(key, format!("{} was given, {what} was expected", value.type_str()));
    }

    pub(super) fn number(&mut self, key: &'static str, least: f64, greatest: f64) -> Option<f64> {
        let value = self.value(key)?;
        let number = match value {
            Value::Integer(number) => *number as f64,
            Value::Float(number) => *number,
            _ => {
                self.expected(key, value, "a number");
                return None;
            }
        };
        if (least..=greatest).contains(&number) {
            return Some(number);
        }
        self.fault(key, format!("{number} was given, a number from {least} to {greatest} was expected"));
        None
    }

    pub(super) fn whole(&mut self, key: &'static str, least: u32, greatest: u32) -> Option<u32> {
        let number = self.number(key, f64::from(least), f64::from(greatest))?;
        if number.fract() == 0.0 {
            return Some(number as u32);
        }
        self.fault(key, format!("{number} was given, a whole number was expected"));
        None
    }

    pub(super) fn flag(&mut self, key: &'static str) -> Option<bool> {
        match self.value(key)? {
            Value::Boolean(flag) => Some(*flag),
            other => {
                self.expected(key, other, "true or false");
                None
            }
        }
    }

    pub(super) fn text(&mut self, key: &'static str) -> Option<String> {
        match self.value(key)? {
            Value::String(text) => Some(text.clone()),
            other => {
                self.expected(key, other, "a text");
                None
            }
        }
    }

    pub(super) fn choice(&mut self, key: &'static str, words: &[&str]) -> Option<usize> {
        let text = self.text(key)?;
        let found = words.iter().position(|word| *word == text);
        if found.is_none() {
            self.fault(key, format!("`{text}` was given, one of {} was expected", words.join(", ")));
        }
        found
    }

    fn strings(place: &str, value: &Value, faults: &Faults) -> Vec<String> {
        let items = match value {
            Value::String(text) => return vec![text.clone()],
            Value::Array(items) => items,
            other => {
                faults.add(place, format!("{} was given, a text or a list of texts was expected", other.type_str()));
                return Vec::new();
            }
        };
        let text = |item: &Value| {
            if item.as_str().is_none() {
                faults.add(place, format!("{} was given in the list, texts were expected", item.type_str()));
            }
            item.as_str().map(str::to_owned)
        };
        items.iter().filter_map(text).collect()
    }

    /// A text, or a list of texts.
    pub(super) fn texts(&mut self, key: &'static str) -> Vec<String> {
        match self.value(key) {
            Some(value) => Self::strings(&self.place(key), value, self.faults),
            None => Vec::new(),
        }
    }

    /// A table below this one; an absent one reads as empty.
    pub(super) fn section(&mut self, key: &'static str) -> Self {
        let table = match self.value(key) {
            None => None,
            Some(Value::Table(table)) => Some(table),
            Some(other) => {
                self.expected(key, other, "a table");
                None
            }
        };
        Self::new(self.place(key), table, self.faults)
    }

    /// Tables with free names below this one.
    pub(super) fn named(&mut self, key: &'static str) -> Vec<(String, Self)> {
        let mut below = self.section(key);
        let mut sections = Vec::new();
        for (name, value) in below.table.take().into_iter().flatten() {
            match value {
                Value::Table(table) => {
                    sections.push((name.clone(), Self::new(below.place(name), Some(table), self.faults)));
                }
                other => below.expected(name, other, "a table"),
            }
        }
        sections
    }

    /// Texts, or lists of texts, with free names.
    pub(super) fn named_texts(&mut self, key: &'static str) -> Vec<(String, Vec<String>)> {
        let mut below = self.section(key);
        let table = below.table.take();
        table
            .into_iter()
            .flatten()
            .map(|(name, value)| (name.clone(), Self::strings(&below.place(name), value, self.faults)))
            .collect()
    }

    /// The tables of an array.
    pub(super) fn array(&mut self, key: &'static str) -> Vec<Self> {
        let place = self.place(key);
        let items = match self.value(key) {
            None => return Vec::new(),
            Some(Value::Array(items)) => items,
            Some(other) => {
                self.expected(key, other, "a list of tables");
                return Vec::new();
            }
        };
        let mut sections = Vec::new();
        for (i, item) in items.iter().enumerate() {
            match item {
                Value::Table(table) => {
                    sections.push(Self::new(format!("{place}[{}]", i + 1), Some(table), self.faults))
                }
                other => self.expected(key, other, "a list of tables"),
            }
        }
        sections
    }

    /// The whole table, for whoever reads it in another way.
    pub(super) fn take(mut self) -> Table {
        self.table.take().cloned().unwrap_or_default()
    }
}

impl Drop for Section<'_> {
    fn drop(&mut self) {
        for key in self.table.into_iter().flat_map(Table::keys) {
            if !self.asked.contains(&key.as_str()) {
                self.fault(key, format!("there is no such key; there are: {}", self.asked.join(", ")));
            }
        }
    }
}
