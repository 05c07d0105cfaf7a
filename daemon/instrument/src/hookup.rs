//! Which signal is on which input, and what the point is.

use serde::{Deserialize, Serialize};
use tapewright_formats::{ProbePlace, Signal, SignalForm};

/// Input coupling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupling {
    /// Through a capacitor: no direct voltage.
    Ac,
    /// Direct.
    Dc,
}

/// Which head a point carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum Head {
    /// Both, switched.
    #[default]
    Both,
    /// Head A alone.
    A,
    /// Head B alone.
    B,
}

/// One hooked-up signal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Point {
    /// Which signal.
    pub signal: Signal,
    /// Label of the channel or trigger-only input, as the dialect spells it.
    pub channel: String,
    /// Factor of the probe: 1, 10, 100...
    #[serde(default = "ten")]
    pub probe_factor: f64,
    /// Before or after automatic gain.
    #[serde(default = "before")]
    pub place: ProbePlace,
    /// What form the signal has there.
    #[serde(default = "raw")]
    pub form: SignalForm,
    /// Which head the point carries.
    #[serde(default)]
    pub head: Head,
    /// For a head switch: whether the high state means head A.
    #[serde(default = "yes")]
    pub high_is_a: bool,
    /// Volts peak to peak at the test point that are expected in play, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_v: Option<f64>,
    /// Volts at the test point half-way between the expected extremes, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub middle_v: Option<f64>,
    /// Volts at the test point to trigger at where a request names none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trigger_level_v: Option<f64>,
    /// Input coupling; none: AC for RF and sound, DC for the rest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coupling: Option<Coupling>,
}

const fn ten() -> f64 {
    10.0
}
const fn before() -> ProbePlace {
    ProbePlace::BeforeAgc
}
const fn raw() -> SignalForm {
    SignalForm::Raw
}
const fn yes() -> bool {
    true
}

impl Point {
    /// A point with a ten-to-one probe and nothing else known.
    #[must_use]
    pub fn new(signal: Signal, channel: impl Into<String>) -> Self {
        Self {
            signal,
            channel: channel.into(),
            probe_factor: ten(),
            place: before(),
            form: raw(),
            head: Head::Both,
            high_is_a: true,
            expected_v: None,
            middle_v: None,
            trigger_level_v: None,
            coupling: None,
        }
    }

    /// Coupling in force.
    #[must_use]
    pub const fn coupling(&self) -> Coupling {
        match (self.coupling, self.signal) {
            (Some(coupling), _) => coupling,
            (None, Signal::Rf | Signal::HifiRf | Signal::AudioLeft | Signal::AudioRight) => Coupling::Ac,
            (None, _) => Coupling::Dc,
        }
    }

    /// Volts half-way between the expected extremes, where that is known or follows from the coupling.
    ///
    /// A square of known height with nothing else said is taken to stand on 0 V (common practice, no source).
    #[must_use]
    pub fn middle(&self) -> Option<f64> {
        match (self.middle_v, self.coupling(), self.form, self.expected_v) {
            (Some(middle), ..) => Some(middle),
            (None, Coupling::Ac, ..) | (None, _, SignalForm::Spike, _) => Some(0.0),
            (None, Coupling::Dc, SignalForm::Square, Some(height)) => Some(height / 2.0),
            (None, Coupling::Dc, ..) => None,
        }
    }

    /// Volts to trigger at where a request names none: as given, else the middle.
    #[must_use]
    pub fn trigger_level(&self) -> Option<f64> {
        self.trigger_level_v.or_else(|| self.middle())
    }
}

/// Which signals are hooked up, and where.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Hookup {
    /// Lines a frame of the composite video, 525 or 625: a video trigger needs it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lines: Option<u32>,
    /// The points.
    #[serde(default, rename = "point")]
    pub points: Vec<Point>,
}

impl Hookup {
    /// The point of a signal, if it is hooked up.
    #[must_use]
    pub fn point(&self, signal: Signal) -> Option<&Point> {
        self.points.iter().find(|point| point.signal == signal)
    }

    /// Every fault of this hookup that shows without an instrument.
    #[must_use]
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        if let Some(lines) = self.lines.filter(|lines| ![525, 625].contains(lines)) {
            faults.push(format!("`lines` is {lines}: expected 525 or 625"));
        }
        for (i, point) in self.points.iter().enumerate() {
            let name = point.signal;
            if self.points[..i].iter().any(|other| other.signal == name) {
                faults.push(format!("signal `{name}` is hooked up twice"));
            }
            if let Some(other) = self.points[..i].iter().find(|other| other.channel == point.channel) {
                faults.push(format!("`{name}` and `{}` are both on `{}`", other.signal, point.channel));
            }
            if !(point.probe_factor.is_finite() && (1e-3..=1e5).contains(&point.probe_factor)) {
                faults.push(format!("probe factor of `{name}` is {}: expected 0.001 to 100000", point.probe_factor));
            }
            if let Some(v) = point.expected_v.filter(|v| !(v.is_finite() && *v > 0.0)) {
                faults.push(format!("expected volts of `{name}` are {v}: expected more than 0, peak to peak"));
            }
            for (key, value) in [("middle-v", point.middle_v), ("trigger-level-v", point.trigger_level_v)] {
                if let Some(v) = value.filter(|v| !v.is_finite()) {
                    faults.push(format!("`{key}` of `{name}` is {v}: expected a finite number of volts"));
                }
            }
        }
        faults
    }
}
