//! Reading a TOML table key by key, with every fault kept and unknown keys refused.

use super::Fault;
use toml::{Table, Value};

/// One table being read.
pub(super) struct Fields<'a> {
    file: &'a str,
    path: String,
    table: &'a Table,
    known: Vec<&'static str>,
    faults: &'a mut Vec<Fault>,
}

impl<'a> Fields<'a> {
    pub(super) fn new(file: &'a str, path: &str, table: &'a Table, faults: &'a mut Vec<Fault>) -> Self {
        Self { file, path: path.to_owned(), table, known: Vec::new(), faults }
    }

    fn name(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    pub(super) fn fault(&mut self, key: &str, what: impl Into<String>) {
        let key = self.name(key);
        self.faults.push(Fault { file: self.file.to_owned(), key, what: what.into() });
    }

    /// The value of a key, which is known from now on.
    pub(super) fn get(&mut self, key: &'static str) -> Option<&'a Value> {
        self.known.push(key);
        self.table.get(key)
    }

    /// The value of a key that must be there unless there is a fallback.
    fn wanted(&mut self, key: &'static str, expected: &str, fallback: bool) -> Option<&'a Value> {
        let value = self.get(key);
        if value.is_none() && !fallback {
            self.fault(key, format!("it is missing; expected {expected}"));
        }
        value
    }

    pub(super) fn text(&mut self, key: &'static str) -> String {
        match self.wanted(key, "a text", false) {
            Some(Value::String(text)) if !text.trim().is_empty() => text.clone(),
            Some(other) => {
                self.fault(key, format!("{} is not a text with something in it", shown(other)));
                String::new()
            }
            None => String::new(),
        }
    }

    pub(super) fn maybe_text(&mut self, key: &'static str) -> Option<String> {
        if self.table.contains_key(key) {
            return Some(self.text(key));
        }
        self.known.push(key);
        None
    }

    /// A list of texts, each with something in it; empty where the key is absent.
    pub(super) fn texts(&mut self, key: &'static str) -> Vec<String> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let list: Option<Vec<String>> = value.as_array().and_then(|list| {
            list.iter().map(|item| item.as_str().filter(|text| !text.trim().is_empty()).map(str::to_owned)).collect()
        });
        list.unwrap_or_else(|| {
            self.fault(key, format!("{} is not a list of texts", shown(value)));
            Vec::new()
        })
    }

    pub(super) fn number(&mut self, key: &'static str, least: f64, greatest: f64, fallback: Option<f64>) -> f64 {
        let expected = format!("a number from {least:?} to {greatest:?}");
        let found = self.wanted(key, &expected, fallback.is_some());
        match found.map(|value| (value, as_number(value))) {
            Some((_, Some(number))) if (least..=greatest).contains(&number) => number,
            Some((value, _)) => {
                self.fault(key, format!("{} is not {expected}", shown(value)));
                least
            }
            None => fallback.unwrap_or(least),
        }
    }

    pub(super) fn maybe_number(
        &mut self,
        key: &'static str,
        least: f64,
        greatest: f64,
        fallback: Option<f64>,
    ) -> Option<f64> {
        if self.table.contains_key(key) {
            return Some(self.number(key, least, greatest, fallback));
        }
        self.known.push(key);
        fallback
    }

    pub(super) fn integer(&mut self, key: &'static str, least: u32, greatest: u32, fallback: Option<u32>) -> u32 {
        let expected = format!("an integer from {least} to {greatest}");
        match self.wanted(key, &expected, fallback.is_some()) {
            Some(Value::Integer(value)) if (i64::from(least)..=i64::from(greatest)).contains(value) => {
                u32::try_from(*value).unwrap_or(least)
            }
            Some(other) => {
                self.fault(key, format!("{} is not {expected}", shown(other)));
                least
            }
            None => fallback.unwrap_or(least),
        }
    }

    /// A rising list of integers, or none.
    pub(super) fn integers(&mut self, key: &'static str, fallback: &[u32]) -> Vec<u32> {
        let Some(value) = self.get(key) else { return fallback.to_vec() };
        let list: Option<Vec<u32>> = value
            .as_array()
            .map(|list| list.iter().map(|item| item.as_integer().and_then(|i| u32::try_from(i).ok())).collect())
            .unwrap_or_default();
        match list {
            Some(list) if list.is_sorted() && list.iter().all(|&count| count >= 2) => list,
            _ => {
                self.fault(key, format!("{} is not a rising list of integers from 2", shown(value)));
                Vec::new()
            }
        }
    }

    pub(super) fn boolean(&mut self, key: &'static str, fallback: Option<bool>) -> bool {
        match self.wanted(key, "true or false", fallback.is_some()) {
            Some(Value::Boolean(value)) => *value,
            Some(other) => {
                self.fault(key, format!("{} is neither true nor false", shown(other)));
                false
            }
            None => fallback.unwrap_or(false),
        }
    }

    /// The place of a word in a list of words; none if the key is absent, which `fallback` allows.
    pub(super) fn one_of(&mut self, key: &'static str, words: &[&str], fallback: Option<&str>) -> Option<usize> {
        let expected = words.iter().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(" or ");
        match self.wanted(key, &expected, fallback.is_some()) {
            Some(value) => {
                let place = value.as_str().and_then(|text| words.iter().position(|word| *word == text));
                if place.is_none() {
                    self.fault(key, format!("{} is not {expected}", shown(value)));
                }
                place
            }
            None => fallback.and_then(|text| words.iter().position(|word| *word == text)),
        }
    }

    /// A table; a fault if it is missing and must be there.
    pub(super) fn table(&mut self, key: &'static str, needed: bool) -> Option<&'a Table> {
        match self.wanted(key, "a table", !needed) {
            Some(Value::Table(table)) => Some(table),
            Some(other) => {
                self.fault(key, format!("{} is not a table", shown(other)));
                None
            }
            None => None,
        }
    }

    /// Reads a table inside this one.
    pub(super) fn inside<T>(&mut self, key: &str, table: &'a Table, read: impl FnOnce(&mut Fields<'_>) -> T) -> T {
        let path = self.name(key);
        let mut fields = Fields::new(self.file, &path, table, self.faults);
        let out = read(&mut fields);
        fields.finish();
        out
    }

    /// Refuses the keys that nobody asked for.
    pub(super) fn finish(mut self) {
        let unknown: Vec<String> =
            self.table.keys().filter(|key| !self.known.contains(&key.as_str())).cloned().collect();
        for key in unknown {
            let near = self.known.iter().copied().find(|known| is_near(known, &key));
            let hint = near
                .map_or_else(|| format!("known are {}", self.known.join(", ")), |near| format!("is `{near}` meant?"));
            self.fault(&key, format!("this key is not known here; {hint}"));
        }
    }
}

fn as_number(value: &Value) -> Option<f64> {
    match value {
        Value::Integer(value) => Some(*value as f64),
        Value::Float(value) if value.is_finite() => Some(*value),
        _ => None,
    }
}

/// A value as it stands in a file, shortened.
pub(super) fn shown(value: &Value) -> String {
    let text = value.to_string().replace('\n', " ");
    if text.chars().count() > 60 { format!("{}...", text.chars().take(57).collect::<String>()) } else { text }
}

/// Whether two words differ by at most two letters: added, left out, or other ones.
fn is_near(a: &str, b: &str) -> bool {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut before = core::mem::replace(&mut row[0], i + 1);
        for (j, y) in b.iter().enumerate() {
            let change = before + usize::from(x != *y);
            before = row[j + 1];
            row[j + 1] = change.min(before + 1).min(row[j] + 1);
        }
    }
    row[b.len()] <= 2 && b.len() > 3
}
