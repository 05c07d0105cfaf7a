//! Parameters: declared once, described to the daemon, read in force.

use crate::bindings::exports::tapewright::procedure::entry;
use crate::unable::{Result, Unable};
use tapewright_formats::{Limit, Limits, UnableCode, Unit};

/// A parameter that is a number.
#[derive(Debug, Clone, Copy)]
pub struct Number {
    /// Its name, e.g. `flatness-good`.
    pub name: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// Its unit.
    pub unit: Unit,
    /// Value that holds where nothing else is said.
    pub default: f64,
    /// Least that makes sense.
    pub least: f64,
    /// Greatest that makes sense.
    pub greatest: f64,
    /// Where the default comes from.
    pub source: &'static str,
}

/// The source of a limit that workshops use and no document states.
pub const PRACTICE: &str = "common practice, no source";

impl Number {
    /// A number of common practice: its default, least and greatest, in its unit.
    #[must_use]
    pub const fn practice(
        name: &'static str,
        meaning: &'static str,
        unit: Unit,
        [default, least, greatest]: [f64; 3],
    ) -> Self {
        Self { name, meaning, unit, default, least, greatest, source: PRACTICE }
    }

    /// A number of common practice from 0 to 1.
    #[must_use]
    pub const fn ratio(name: &'static str, meaning: &'static str, default: f64) -> Self {
        Self::practice(name, meaning, Unit::One, [default, 0.0, 1.0])
    }

    /// The same with another source.
    #[must_use]
    pub const fn of_source(self, source: &'static str) -> Self {
        Self { source, ..self }
    }
}

/// A parameter that is a text.
#[derive(Debug, Clone, Copy)]
pub struct Text {
    /// Its name.
    pub name: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// Value that holds where nothing else is said.
    pub default: &'static str,
    /// Where the default comes from.
    pub source: &'static str,
}

/// One parameter of either kind, as a description lists it.
#[derive(Debug, Clone, Copy)]
pub enum Parameter {
    /// A number.
    Number(Number),
    /// A text.
    Text(Text),
}

impl From<&Parameter> for entry::Parameter {
    fn from(parameter: &Parameter) -> Self {
        match parameter {
            Parameter::Number(p) => Self {
                name: p.name.into(),
                meaning: p.meaning.into(),
                unit: p.unit.as_str().into(),
                default: entry::Value::Number(p.default),
                least: p.least,
                greatest: p.greatest,
                source: p.source.into(),
            },
            Parameter::Text(p) => Self {
                name: p.name.into(),
                meaning: p.meaning.into(),
                unit: String::new(),
                default: entry::Value::Text(p.default.into()),
                least: 0.0,
                greatest: 0.0,
                source: p.source.into(),
            },
        }
    }
}

/// The parameters in force. The host has filled in defaults and checked ranges.
#[derive(Debug)]
pub struct Settings(Vec<entry::Setting>);

impl Settings {
    pub(crate) const fn new(settings: Vec<entry::Setting>) -> Self {
        Self(settings)
    }

    /// The value of a number, in its unit.
    ///
    /// # Panics
    /// If the description does not list the parameter: that is a fault of the procedure.
    #[must_use]
    pub fn number(&self, parameter: &Number) -> f64 {
        match self.find(parameter.name).value {
            entry::Value::Number(value) => value,
            entry::Value::Text(_) => panic!("parameter `{}` is a number, and was set to a text", parameter.name),
        }
    }

    /// The value of a number that counts something.
    ///
    /// # Panics
    /// See [`Self::number`].
    #[must_use]
    pub fn count(&self, parameter: &Number) -> u32 {
        self.number(parameter).round() as u32
    }

    /// Refuses limits that contradict each other: of each pair the first must not exceed the second, or good would lie beyond
    /// reject.
    ///
    /// # Errors
    /// [`UnableCode::NotPossible`].
    pub fn demand_order(&self, pairs: &[(&Number, &Number)]) -> Result<()> {
        for (first, second) in pairs {
            let (a, b) = (self.number(first), self.number(second));
            if a > b {
                let why = format!(
                    "setting `{}` is {a} and `{}` is {b}: the first must not exceed the second, or good would lie beyond reject",
                    first.name, second.name
                );
                return Err(Unable::new(UnableCode::NotPossible, why));
            }
        }
        Ok(())
    }

    /// The value of a text.
    ///
    /// # Panics
    /// See [`Self::number`].
    #[must_use]
    pub fn text(&self, parameter: &Text) -> &str {
        match &self.find(parameter.name).value {
            entry::Value::Text(text) => text,
            entry::Value::Number(_) => panic!("parameter `{}` is a text, and was set to a number", parameter.name),
        }
    }

    /// Where a parameter's value comes from.
    ///
    /// # Panics
    /// See [`Self::number`].
    #[must_use]
    pub fn source(&self, name: &str) -> &str {
        &self.find(name).source
    }

    /// Limits of a quantity that is good when large.
    #[must_use]
    pub fn at_least(&self, good: &Number, reject: &Number) -> Limits {
        let floor = |parameter| Limit { at_least: Some(self.number(parameter)), at_most: None };
        Limits { good: floor(good), reject: floor(reject), source: self.sources([good, reject]) }
    }

    /// Limits of a quantity that is good when small.
    #[must_use]
    pub fn at_most(&self, good: &Number, reject: &Number) -> Limits {
        let ceiling = |parameter| Limit { at_least: None, at_most: Some(self.number(parameter)) };
        Limits { good: ceiling(good), reject: ceiling(reject), source: self.sources([good, reject]) }
    }

    /// Limits of a quantity that is good near `centre`: within so much on either side, in its unit.
    #[must_use]
    pub fn within(&self, centre: f64, good: &Number, reject: &Number) -> Limits {
        let band = |parameter| {
            let half = self.number(parameter);
            Limit { at_least: Some(centre - half), at_most: Some(centre + half) }
        };
        Limits { good: band(good), reject: band(reject), source: self.sources([good, reject]) }
    }

    fn sources(&self, parameters: [&Number; 2]) -> String {
        let [good, reject] = parameters.map(|p| self.source(p.name));
        if good == reject { good.to_owned() } else { format!("good: {good}; reject: {reject}") }
    }

    fn find(&self, name: &str) -> &entry::Setting {
        match self.0.iter().find(|setting| setting.name == name) {
            Some(setting) => setting,
            None => panic!("parameter `{name}` is read, but the description does not list it"),
        }
    }
}
