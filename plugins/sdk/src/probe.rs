//! A probe whose factor or point is not what the hookup says: its level lies far above what is expected there.
//!
//! A weak signal read ten times too high looks healthy, so a level that is surely too high tells nothing.

use crate::bench::Point;
use crate::parameters::{Number, PRACTICE, Settings};
use crate::unable::Unable;
use tapewright_formats::{Mode, Signal, SignalForm, UnableCode, Unit};
use tapewright_measure::Estimate;

/// Most that a level varies with head and tape.
pub const LEVEL_MOST: Number = Number {
    name: "level-most",
    meaning: "Level over the expected one above which the probe's factor or its point is wrong, where head and tape set the level",
    unit: Unit::One,
    default: 3.0,
    least: 1.1,
    greatest: 100.0,
    source: PRACTICE,
};

/// Most of square pulses, whose height a supply sets.
pub const SQUARE_MOST: Number = Number {
    name: "square-most",
    meaning: "Height of square pulses over the expected one above which the probe's factor or its point is wrong: a supply sets it",
    unit: Unit::One,
    default: 1.8,
    least: 1.1,
    greatest: 100.0,
    source: PRACTICE,
};

/// Spikes off a head that are not seen, where the noise may hide as many volts as would count.
#[must_use]
pub fn hides_spikes(point: &Point, most_v: f64) -> Unable {
    let why = format!(
        "the noise on {} may hide spikes of up to {:.2} mV: put the probe behind the amplifier, or an amplifier before the scope",
        point.channel,
        1e3 * most_v
    );
    Unable::new(UnableCode::InNoise, why)
}

/// Most that a level at a point may be over the expected one; none where no such bound is known.
#[must_use]
pub fn most(point: &Point, mode: Mode, settings: &Settings) -> Option<f64> {
    match bound(point, mode) {
        Bound::Varies => Some(settings.number(&LEVEL_MOST)),
        Bound::Supply => Some(settings.number(&SQUARE_MOST)),
        Bound::Unknown => None,
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Bound {
    /// Head and tape set the level.
    Varies,
    /// A supply sets the height.
    Supply,
    /// None.
    Unknown,
}

const fn bound(point: &Point, mode: Mode) -> Bound {
    match (point.signal, point.form) {
        // A rail has limits on both sides of its own.
        (Signal::Supply, _) => Bound::Unknown,
        // Spikes grow with the tape's speed.
        (Signal::ControlTrack, SignalForm::Spike) if !matches!(mode, Mode::Play) => Bound::Unknown,
        (Signal::HeadSwitch | Signal::ControlTrack, SignalForm::Spike) => Bound::Varies,
        (Signal::HeadSwitch | Signal::ControlTrack, _) => Bound::Supply,
        _ => Bound::Varies,
    }
}

/// Whether the whole interval of a level lies above so many times the expected one.
#[must_use]
pub fn surely_above(level: &Estimate, expected_v: f64, most: f64) -> bool {
    level.interval.low > most * expected_v
}

/// That a level tells nothing, since it is far above the expected one.
#[must_use]
pub fn wrong(point: &Point, level: &Estimate, expected_v: f64) -> Unable {
    let why = format!(
        "{:.3} V on {}, {:.2} times what the hookup expects ({expected_v:.3} V): check the probe's factor and its point, then `expected-v`",
        level.value,
        point.channel,
        level.value / expected_v
    );
    Unable::new(UnableCode::BadData, why)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Head;
    use tapewright_formats::ProbePlace;
    use tapewright_measure::Contribution;

    fn point(signal: Signal, form: SignalForm) -> Point {
        Point {
            signal,
            channel: "CH2".into(),
            trigger_only: false,
            place: ProbePlace::BeforeAgc,
            form,
            head: Head::Both,
            high_is_a: true,
            expected_v: Some(5.0),
        }
    }

    #[test]
    fn only_a_whole_interval_says_that_a_probe_is_wrong() {
        let level = |value: f64| Estimate::combined(value, vec![Contribution::type_b("gain", 0.015 * value)]).unwrap();
        for (value, most, want) in
            [(5.0, 1.8, false), (9.1, 1.8, false), (9.71, 1.8, true), (14.0, 3.0, false), (48.6, 3.0, true)]
        {
            assert_eq!(surely_above(&level(value), 5.0, most), want, "{value}");
        }
        let told = wrong(&point(Signal::ControlTrack, SignalForm::Square), &level(9.71), 5.0);
        assert_eq!(told.code, UnableCode::BadData);
        assert!(told.why.starts_with("9.710 V on CH2, 1.94 times what the hookup expects"), "{}", told.why);
    }

    #[test]
    fn a_bound_is_known_where_the_level_is_no_ones_choice() {
        for (signal, form, mode, want) in [
            (Signal::ControlTrack, SignalForm::Square, Mode::Play, Bound::Supply),
            (Signal::HeadSwitch, SignalForm::Square, Mode::Still, Bound::Supply),
            (Signal::ControlTrack, SignalForm::Spike, Mode::Play, Bound::Varies),
            (Signal::ControlTrack, SignalForm::Spike, Mode::FastForward, Bound::Unknown),
            (Signal::Rf, SignalForm::Raw, Mode::Play, Bound::Varies),
            (Signal::AudioLeft, SignalForm::Raw, Mode::Play, Bound::Varies),
            (Signal::Supply, SignalForm::Raw, Mode::Play, Bound::Unknown),
        ] {
            assert_eq!(bound(&point(signal, form), mode), want, "{signal} {form} in {mode}");
        }
    }
}
