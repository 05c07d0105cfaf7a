//! What a procedure says of itself, checked against the closed lists, and the settings of a run.

use crate::bindings::exports::tapewright::procedure::entry;
use crate::convert::mode;
use serde::{Deserialize, Serialize};
use std::str::FromStr;
use tapewright_formats::{Caution, Mode, Signal, Unit, UnknownWord};

/// A parameter's value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// In the parameter's unit.
    Number(f64),
    /// A word.
    Text(String),
}

/// One parameter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// What it means.
    pub meaning: String,
    /// Unit of a number; none for text.
    pub unit: Option<Unit>,
    /// Value that holds where nothing else is said.
    pub default: Value,
    /// Least of a number; 0 for text.
    pub least: f64,
    /// Greatest of a number; 0 for text.
    pub greatest: f64,
    /// Where the default comes from.
    pub source: String,
}

/// What a procedure says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Description {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// What it is for.
    pub purpose: String,
    /// Signals that must be hooked up.
    pub needs: Vec<Signal>,
    /// Signals that are used where they are.
    pub uses: Vec<Signal>,
    /// Modes that it goes to.
    pub modes: Vec<Mode>,
    /// What can be set.
    pub parameters: Vec<Parameter>,
    /// Hazards of it.
    pub cautions: Vec<Caution>,
    /// The machine's cover must be off.
    pub cover_off: bool,
    /// What it tells.
    pub tells: String,
    /// What to do when it fails.
    pub when_it_fails: String,
    /// Rough duration on a modest bench.
    pub duration_s: f64,
}

/// A parameter in force, and where its value comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setting {
    /// Name of the parameter.
    pub name: String,
    /// Its value.
    pub value: Value,
    /// Where the value comes from.
    pub source: String,
}

/// A setting that a procedure does not have, or that it cannot take.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SettingError {
    /// There is no such parameter.
    #[error("`{procedure}` has no parameter `{name}`; it has: {}", known.join(", "))]
    Unknown {
        /// The procedure.
        procedure: String,
        /// What was set.
        name: String,
        /// What there is.
        known: Vec<String>,
    },
    /// Outside its range, or no number.
    #[error("parameter `{name}` of `{procedure}` is {given}, and must be {expected}")]
    Value {
        /// The procedure.
        procedure: String,
        /// The parameter.
        name: String,
        /// What it was set to.
        given: String,
        /// What it may be.
        expected: String,
    },
}

impl Value {
    fn written(&self) -> String {
        match self {
            Self::Number(number) => number.to_string(),
            Self::Text(text) => format!("`{text}`"),
        }
    }
}

impl Parameter {
    /// What a value must be: in words if it is not.
    fn check(&self, value: &Value) -> Result<(), String> {
        let unit = self.unit.map_or("", Unit::as_str);
        match (&self.default, value) {
            (Value::Number(_), Value::Number(number)) if (self.least..=self.greatest).contains(number) => Ok(()),
            (Value::Number(_), _) => Err(format!("a number from {} to {} ({unit})", self.least, self.greatest)),
            (Value::Text(_), Value::Text(_)) => Ok(()),
            (Value::Text(_), Value::Number(_)) => Err("a text".into()),
        }
    }
}

impl Description {
    /// The settings of a run: every parameter once, with what is set, or its default.
    ///
    /// # Errors
    /// [`SettingError`] names a parameter that is not there, or a value that it cannot take.
    pub fn settings(&self, set: &[Setting]) -> Result<Vec<Setting>, SettingError> {
        if let Some(unknown) = set.iter().find(|setting| self.parameters.iter().all(|p| p.name != setting.name)) {
            return Err(SettingError::Unknown {
                procedure: self.name.clone(),
                name: unknown.name.clone(),
                known: self.parameters.iter().map(|p| p.name.clone()).collect(),
            });
        }
        let in_force = |parameter: &Parameter| {
            let default = || Setting {
                name: parameter.name.clone(),
                value: parameter.default.clone(),
                source: parameter.source.clone(),
            };
            // The last one set wins, as on a command line.
            let setting = set.iter().rfind(|setting| setting.name == parameter.name).cloned().unwrap_or_else(default);
            match parameter.check(&setting.value) {
                Ok(()) => Ok(setting),
                Err(expected) => Err(SettingError::Value {
                    procedure: self.name.clone(),
                    name: setting.name,
                    given: setting.value.written(),
                    expected,
                }),
            }
        };
        self.parameters.iter().map(in_force).collect()
    }

    /// Takes over what a component says of itself. All faults are collected.
    pub(crate) fn from_told(told: entry::Description) -> Result<Self, Vec<String>> {
        let mut faults = Vec::new();
        if !is_name(&told.name) {
            faults.push(format!("its name `{}` is not of small letters, digits and hyphens", told.name));
        }
        let mut demand = |what: &str, text: &str| {
            if text.trim().is_empty() {
                faults.push(format!("`{what}` is empty"));
            }
        };
        demand("version", &told.version);
        demand("purpose", &told.purpose);
        demand("tells", &told.tells);
        demand("when-it-fails", &told.when_it_fails);
        if !told.duration_s.is_finite() || told.duration_s < 0.0 {
            faults.push(format!("a duration of {} s makes no sense", told.duration_s));
        }
        let needs = words("needs", &told.needs, &mut faults);
        let uses = words("uses", &told.uses, &mut faults);
        let cautions = words("cautions", &told.cautions, &mut faults);
        let mut parameters: Vec<Parameter> = Vec::new();
        for parameter in told.parameters {
            if parameters.iter().any(|p| p.name == parameter.name) {
                faults.push(format!("parameter `{}` is there twice", parameter.name));
            }
            parameters.extend(parameter_from(parameter, &mut faults));
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Self {
            name: told.name,
            version: told.version,
            purpose: told.purpose,
            needs,
            uses,
            modes: told.modes.into_iter().map(mode).collect(),
            parameters,
            cautions,
            cover_off: told.cover_off,
            tells: told.tells,
            when_it_fails: told.when_it_fails,
            duration_s: told.duration_s,
        })
    }
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

fn words<T: FromStr<Err = UnknownWord>>(what: &str, told: &[String], faults: &mut Vec<String>) -> Vec<T> {
    let mut known = Vec::with_capacity(told.len());
    for word in told {
        match word.parse() {
            Ok(word) => known.push(word),
            Err(error) => faults.push(format!("{what}: {error}")),
        }
    }
    known
}

fn parameter_from(told: entry::Parameter, faults: &mut Vec<String>) -> Option<Parameter> {
    let name = told.name;
    if !is_name(&name) {
        faults.push(format!("parameter name `{name}` is not of small letters, digits and hyphens"));
    }
    if told.source.trim().is_empty() {
        faults.push(format!("parameter `{name}` does not say where its default comes from"));
    }
    let (unit, default) = match told.default {
        entry::Value::Text(text) => (None, Value::Text(text)),
        entry::Value::Number(number) => match told.unit.parse() {
            Ok(unit) => (Some(unit), Value::Number(number)),
            Err(error) => {
                faults.push(format!("parameter `{name}`: {error}"));
                return None;
            }
        },
    };
    let parameter = Parameter {
        name,
        meaning: told.meaning,
        unit,
        default,
        least: told.least,
        greatest: told.greatest,
        source: told.source,
    };
    if !parameter.least.is_finite() || !parameter.greatest.is_finite() {
        faults.push(format!("parameter `{}`: its range is not of finite numbers", parameter.name));
    }
    if let Err(expected) = parameter.check(&parameter.default) {
        faults.push(format!(
            "parameter `{}`: its default {} is not {expected}",
            parameter.name,
            parameter.default.written()
        ));
    }
    Some(parameter)
}
