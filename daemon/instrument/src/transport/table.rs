//! The table of keys: which relays press which key, and how long the machine then takes.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use tapewright_formats::Mode;

/// One key.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Key {
    /// Relays that press it together.
    pub relays: Vec<u32>,
    /// How long the machine takes to reach the mode after the key.
    pub settle_s: f64,
    /// The mode from which the key leads there, where it does so from one only (a key that toggles).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub via: Option<Mode>,
    /// Whether the key is pressed again when the machine is in the mode already (frame advance).
    #[serde(default)]
    pub again: bool,
    /// The mode in which the machine is afterwards, where it is another one (after an advance: still).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lands_in: Option<Mode>,
}

/// The keys of digital tracking: two, which together set it to its own centre (common practice, no source).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TrackingKeys {
    /// Relays that press tracking up together.
    #[serde(default)]
    pub up: Vec<u32>,
    /// Relays that press tracking down together.
    #[serde(default)]
    pub down: Vec<u32>,
    /// Relays that press the key of its own centre, where there is one; else up and down close at once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub centre: Option<Vec<u32>>,
    /// How long the machine takes after a press before the next is one of its own.
    pub settle_s: f64,
}

impl TrackingKeys {
    /// Relays that set it to its own centre.
    #[must_use]
    pub fn centre(&self) -> Vec<u32> {
        self.centre.clone().unwrap_or_else(|| self.up.iter().chain(&self.down).copied().collect())
    }

    fn faults(&self, keys: &BTreeMap<Mode, Key>) -> Vec<String> {
        let mut faults = Vec::new();
        let of = [("up", Some(&self.up)), ("down", Some(&self.down)), ("centre", self.centre.as_ref())];
        let mut used: Vec<(String, u32)> =
            keys.iter().flat_map(|(mode, key)| key.relays.iter().map(move |r| (format!("keys.{mode}"), *r))).collect();
        for (word, relays) in of.into_iter().filter_map(|(word, relays)| Some((word, relays?))) {
            if relays.is_empty() || relays.contains(&0) {
                faults.push(format!(
                    "`tracking.{word}` is {relays:?}: expected relay numbers from 1; give both `up` and `down`, or no `tracking`"
                ));
            }
            for relay in relays {
                if let Some((other, _)) = used.iter().find(|(_, of)| of == relay) {
                    faults.push(format!(
                        "relay {relay} is in `tracking.{word}` and in `{other}`: a tracking key needs relays of its own"
                    ));
                }
                used.push((format!("tracking.{word}"), *relay));
            }
        }
        if !(self.settle_s.is_finite() && (0.0..=60.0).contains(&self.settle_s)) {
            faults.push(format!("`tracking.settle-s` is {}: expected 0 to 60", self.settle_s));
        }
        faults
    }
}

/// The whole table, as its TOML file has it.
///
/// ```
/// use tapewright_instrument::transport::TransportTable;
/// let table = TransportTable::parse(r#"
///     pulse-s = 0.3
///     [keys.stop]
///     relays = [1]
///     settle-s = 4.0
///     [keys.play]
///     relays = [2]
///     settle-s = 8.0
///     [keys.still]
///     relays = [3]
///     via = "play"
///     settle-s = 2.0
///     [tracking]
///     up = [10]
///     down = [11]
///     settle-s = 0.3
/// "#).unwrap();
/// assert_eq!(table.keys.len(), 3);
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TransportTable {
    /// How long a key is pressed.
    pub pulse_s: f64,
    /// Whether each relay is asked whether it closed and opened.
    #[serde(default = "yes")]
    pub verify: bool,
    /// Keys by the mode that they lead to.
    pub keys: BTreeMap<Mode, Key>,
    /// The tracking keys, where relays press them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tracking: Option<TrackingKeys>,
}

const fn yes() -> bool {
    true
}

/// Longest press: a box whose own time-out opens its relays after 2 s must not be outlasted.
const LONGEST_PULSE_S: f64 = 1.5;

/// Most keys on the way to a mode.
pub(super) const MOST_STEPS: usize = 3;

/// What is wrong with a table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the table of transport keys has faults: {}", .0.join("; "))]
pub struct TableFault(pub Vec<String>);

impl TransportTable {
    /// Reads and checks a table.
    ///
    /// # Errors
    /// [`TableFault`] with every fault that was found.
    pub fn parse(text: &str) -> Result<Self, TableFault> {
        let table: Self = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(1, |span| text[..span.start.min(text.len())].lines().count().max(1));
            TableFault(vec![format!("line {line}: {}", error.message().replace('\n', "; "))])
        })?;
        let faults = table.faults();
        if faults.is_empty() { Ok(table) } else { Err(TableFault(faults)) }
    }

    /// Whether a mode has a key, and its way ends within the steps there may be.
    fn leads_on(&self, mode: Mode) -> bool {
        let mut at = mode;
        for _ in 0..MOST_STEPS {
            match self.keys.get(&at) {
                None => return false,
                Some(Key { via: None, .. }) => return true,
                Some(Key { via: Some(next), .. }) => at = *next,
            }
        }
        false
    }

    /// Every fault of the table.
    #[must_use]
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        if !(0.02..=LONGEST_PULSE_S).contains(&self.pulse_s) {
            faults.push(format!(
                "`pulse-s` is {}: expected 0.02 to {LONGEST_PULSE_S}, so that the box's own time-out stays behind it",
                self.pulse_s
            ));
        }
        if !self.keys.contains_key(&Mode::Stop) {
            faults.push("`keys.stop` is missing: nothing may move that cannot be stopped".into());
        }
        for (mode, key) in &self.keys {
            if key.relays.is_empty() || key.relays.contains(&0) {
                faults.push(format!("`keys.{mode}.relays` is {:?}: expected relay numbers from 1", key.relays));
            }
            if !(key.settle_s.is_finite() && (0.0..=600.0).contains(&key.settle_s)) {
                faults.push(format!("`keys.{mode}.settle-s` is {}: expected 0 to 600", key.settle_s));
            }
            if let Some(via) = key.via
                && !self.leads_on(via)
            {
                faults.push(format!("`keys.{mode}.via` is `{via}`: expected a mode with a key, at most {MOST_STEPS} keys away from anywhere"));
            }
        }
        if self.keys.get(&Mode::Stop).is_some_and(|key| key.via.is_some()) {
            faults.push("`keys.stop.via` is set: stop must work from everywhere".into());
        }
        // One pattern of relays for two keys is only right where the key toggles between the two.
        for (mode, key) in &self.keys {
            let toggles = |other: Mode, k: &Key| {
                mode.min(&other) != &Mode::Stop && (k.via == Some(*mode) || key.via == Some(other))
            };
            let twin =
                self.keys.iter().find(|(other, k)| *other > mode && k.relays == key.relays && !toggles(**other, k));
            if let Some((other, _)) = twin {
                faults.push(format!("`keys.{mode}` and `keys.{other}` close the same relays"));
            }
        }
        faults.extend(self.tracking.iter().flat_map(|tracking| tracking.faults(&self.keys)));
        faults
    }
}
