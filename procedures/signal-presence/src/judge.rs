//! What counts as there: the decisions, as functions of what was seen.

use crate::carrier::carrier_sight;
use tapewright_sdk::formats::{Expectation, Format, LineStandard, ProbePlace, SignalForm, expected_in};
use tapewright_sdk::measure::carrier_share::CarrierShare;
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::surely_above;

/// How a signal is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Radio frequency: what it spans within a moment.
    Carrier,
    /// A detector's output: how high it stands.
    Detected,
    /// Pulses, one a frame: their shape tells them from anything else.
    Pulses(SignalForm),
    /// Composite video: its sync pulses.
    Video,
    /// Sound, generators, references: what they span. Their rate is not known here.
    Slow,
    /// A supply rail: its volts.
    Rail,
}

impl Kind {
    pub(crate) fn of(point: &Point) -> Self {
        match (point.signal, point.form) {
            (Signal::Rf | Signal::HifiRf, SignalForm::Detected) => Self::Detected,
            (Signal::Rf | Signal::HifiRf, _) => Self::Carrier,
            (Signal::HeadSwitch | Signal::ControlTrack, SignalForm::Spike) => Self::Pulses(SignalForm::Spike),
            (Signal::HeadSwitch | Signal::ControlTrack, _) => Self::Pulses(SignalForm::Square),
            (Signal::Video, _) => Self::Video,
            (Signal::Supply, _) => Self::Rail,
            _ => Self::Slow,
        }
    }

    /// Whether it moves faster than the points of a look.
    pub(crate) const fn is_fast(self) -> bool {
        matches!(self, Self::Carrier | Self::Slow)
    }

    /// Whether it is known by its shape, and not by its level alone.
    const fn has_shape(self) -> bool {
        matches!(self, Self::Pulses(_) | Self::Video)
    }
}

/// The level that the point should have, in volts; none: nobody said.
pub(crate) fn expected_level_v(point: &Point, subject: &Subject) -> Option<f64> {
    match Kind::of(point) {
        Kind::Carrier => point.expected_v.or(subject.known_level_v.map(|amplitude| 2.0 * amplitude)),
        Kind::Detected => point.expected_v.or(subject.known_level_v),
        // One volt from sync tip to white (table of the line standard); sync is its share of that.
        Kind::Video => Some(point.expected_v.unwrap_or(1.0) * subject.format.lines.video().blanking_share()),
        Kind::Pulses(_) | Kind::Slow | Kind::Rail => point.expected_v,
    }
}

/// The rate that the format asks for, where it does.
pub(crate) fn nominal_hz(signal: Signal, lines: LineStandard) -> Option<f64> {
    match signal {
        Signal::HeadSwitch | Signal::ControlTrack => Some(lines.frame_rate_hz()),
        Signal::Video => Some(lines.line_rate_hz()),
        _ => None,
    }
}

/// Whether anything is judged here, and whether the rate is too: where a machine shifts it on purpose, or
/// sends the signal or not as it likes, or the format has no control track to read, it says nothing.
pub(crate) fn judged(mode: Mode, signal: Signal, format: &Format) -> (bool, bool) {
    if signal == Signal::ControlTrack && !format.control_track {
        return (false, false);
    }
    match expected_in(mode, signal) {
        Expectation::Present => (true, true),
        Expectation::Shifted => (true, false),
        Expectation::Absent | Expectation::Either => (false, false),
    }
}

/// What was seen of one signal.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Look {
    /// Level, in volts; none: an input that only triggers.
    pub(crate) level: Option<Estimate>,
    /// Rate, in hertz, where pulses or lines were found.
    pub(crate) rate: Option<Estimate>,
    /// Pulses or lines were found.
    pub(crate) shaped: bool,
    /// These pulses come at odd places: some are missing, or noise made some.
    pub(crate) uneven: bool,
    /// It swings slowly and far, as its kind never does.
    pub(crate) misshapen: bool,
    /// Of RF that was looked for in noise: how much of it is a carrier.
    pub(crate) carrier: Option<CarrierShare>,
    /// Triggers that came, of so many waited for.
    pub(crate) triggers: Option<(u32, u32)>,
}

/// What that makes of the signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sight {
    /// It is there.
    Seen,
    /// It is not: its absence is to be proven.
    Unseen,
    /// It may be there or not: its interval holds the border between them.
    Doubtful,
    /// Something is there, but it has not the signal's shape.
    Strange,
    /// Something is there that may be noise, or RF in noise; or spikes may hide in it.
    Noise,
    /// Nobody said which level to expect.
    Unknown,
    /// Automatic gain lies before the point: noise stands there as high as the signal.
    Hidden,
    /// Far above the expected level: the probe's factor or its point is wrong.
    TooHigh,
}

/// Shares of the expected level that decide about presence (unit 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shares {
    /// A signal without shape is there from here on.
    pub(crate) present: f64,
    /// Pulses of the right shape below this are crosstalk.
    pub(crate) crosstalk: f64,
    /// From here on the probe's factor or its point is wrong; none: not known.
    pub(crate) most: Option<f64>,
}

/// Decides by the whole interval: what may be there is never called unseen, what may be missing never seen.
pub(crate) fn sight(kind: Kind, place: ProbePlace, look: &Look, expected_v: Option<f64>, shares: Shares) -> Sight {
    if place == ProbePlace::AfterAgc && !kind.has_shape() {
        return Sight::Hidden;
    }
    if let Some((came, _)) = look.triggers {
        return if came > 0 { Sight::Seen } else { Sight::Unseen };
    }
    let Some(level) = &look.level else { return Sight::Unknown };
    if look.misshapen {
        return Sight::Strange;
    }
    // A rail may be negative: its size counts.
    let (a, b) = (level.interval.low.abs(), level.interval.high.abs());
    let (low, high) = (a.min(b), a.max(b));
    let Some(expected_v) = expected_v else {
        return if look.shaped { Sight::Seen } else { Sight::Unknown };
    };
    let sure = !kind.has_shape() || look.shaped;
    if sure && shares.most.is_some_and(|most| surely_above(level, expected_v, most)) {
        return Sight::TooHigh;
    }
    let (present_v, crosstalk_v) = (shares.present * expected_v, shares.crosstalk * expected_v);
    if let Some(told) = &look.carrier {
        return carrier_sight(told, level, present_v, crosstalk_v);
    }
    match (kind.has_shape(), look.shaped) {
        (true, true) if high >= crosstalk_v => Sight::Seen,
        (true, false) if low >= present_v => Sight::Strange,
        // Noise may hide as much as would count.
        (true, false) if kind == Kind::Pulses(SignalForm::Spike) && high >= present_v => Sight::Noise,
        (true, _) => Sight::Unseen,
        (false, _) if low >= present_v => Sight::Seen,
        (false, _) if high >= present_v => Sight::Doubtful,
        (false, _) => Sight::Unseen,
    }
}

/// Findings of a signal: present, absent, wrong rate, weak, of another shape, on another tape and not on this one.
pub(crate) struct Findings {
    pub(crate) present: Option<Finding>,
    pub(crate) absent: Option<Finding>,
    pub(crate) wrong_rate: Option<Finding>,
    pub(crate) weak: Option<Finding>,
    pub(crate) strange: Option<Finding>,
    pub(crate) not_on_tape: Option<Finding>,
}

/// The findings that the house knows of a signal.
pub(crate) const fn findings(signal: Signal) -> Findings {
    let (present, absent) = match signal {
        Signal::Rf => (Some(Finding::RfPresent), Some(Finding::RfAbsent)),
        Signal::HeadSwitch => (Some(Finding::HeadSwitchPresent), Some(Finding::HeadSwitchAbsent)),
        Signal::ControlTrack => (Some(Finding::ControlTrackPresent), Some(Finding::ControlTrackAbsent)),
        Signal::Video => (Some(Finding::VideoPresent), Some(Finding::VideoAbsent)),
        Signal::AudioLeft | Signal::AudioRight => (Some(Finding::AudioPresent), Some(Finding::AudioAbsent)),
        Signal::DrumPulse | Signal::CapstanPulse => (Some(Finding::GeneratorPresent), Some(Finding::GeneratorAbsent)),
        Signal::Reference => (Some(Finding::ReferencePresent), Some(Finding::ReferenceAbsent)),
        Signal::Supply => (Some(Finding::SupplyPresent), Some(Finding::SupplyWrong)),
        Signal::HifiRf => (None, None),
    };
    let (wrong_rate, weak) = match signal {
        Signal::HeadSwitch => (Some(Finding::HeadSwitchWrongRate), None),
        // This look rejects a rate only where it is far off: that is another speed than the recording's.
        Signal::ControlTrack => (Some(Finding::WrongTapeSpeed), Some(Finding::ControlTrackWeak)),
        Signal::Rf => (None, Some(Finding::LevelLow)),
        Signal::Supply => (None, Some(Finding::SupplyWrong)),
        _ => (None, None),
    };
    let (strange, not_on_tape) = match signal {
        Signal::Rf => (Some(Finding::RfWrongShape), Some(Finding::TapeNoRf)),
        Signal::ControlTrack => (None, Some(Finding::TapeNoControlTrack)),
        _ => (None, None),
    };
    Findings { present, absent, wrong_rate, weak, strange, not_on_tape }
}

/// Words of a list that are modes; each comes once, in the order given.
pub(crate) fn modes(text: &str) -> Result<Vec<Mode>> {
    let mut modes = Vec::new();
    for word in text.split_whitespace() {
        let why =
            |reason: String| Unable::new(UnableCode::NotPossible, format!("setting `modes` is `{text}`: {reason}"));
        let mode: Mode = word.parse().map_err(|e| why(format!("{e}")))?;
        if mode == Mode::Record {
            return Err(why("`record` is not looked at here: it would erase the tape".into()));
        }
        if !modes.contains(&mode) {
            modes.push(mode);
        }
    }
    if modes.is_empty() {
        return Err(Unable::new(
            UnableCode::NotPossible,
            "setting `modes` is empty: name at least one, e.g. `still play`",
        ));
    }
    Ok(modes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_sdk::formats::format_named;

    const SHARES: Shares = Shares { present: 0.2, crosstalk: 0.1, most: Some(1.8) };
    const SQUARE: Kind = Kind::Pulses(SignalForm::Square);

    fn look(level_v: f64, shaped: bool) -> Look {
        let level = Estimate::combined(level_v, vec![Contribution::type_b("gain", 0.02 * level_v.abs())]).unwrap();
        Look { level: Some(level), shaped, ..Look::default() }
    }

    #[test]
    fn presence_by_kind_level_and_shape() {
        let five = Some(5.0);
        for (what, kind, look, expected_v, expected) in [
            ("pulses at level", SQUARE, look(5.0, true), five, Sight::Seen),
            ("weak pulses", SQUARE, look(0.8, true), five, Sight::Seen),
            ("crosstalk of pulses", SQUARE, look(0.1, true), five, Sight::Unseen),
            ("pulses of unknown level", SQUARE, look(0.8, true), None, Sight::Seen),
            ("nothing", SQUARE, look(0.01, false), five, Sight::Unseen),
            ("hum instead of pulses", SQUARE, look(3.0, false), five, Sight::Strange),
            ("hum of unknown level", SQUARE, look(3.0, false), None, Sight::Unknown),
            ("RF", Kind::Carrier, look(4.0, false), five, Sight::Seen),
            ("noise where RF should be", Kind::Carrier, look(0.4, false), five, Sight::Unseen),
            ("RF that may be there", Kind::Carrier, look(0.99, false), five, Sight::Doubtful),
            ("RF of unknown level", Kind::Carrier, look(4.0, false), None, Sight::Unknown),
            (
                "pulses on the RF point",
                Kind::Carrier,
                Look { misshapen: true, ..look(5.0, false) },
                Some(0.4),
                Sight::Strange,
            ),
            ("a negative rail", Kind::Rail, look(-5.0, false), five, Sight::Seen),
            ("a dead rail", Kind::Rail, look(-0.01, false), five, Sight::Unseen),
            ("video", Kind::Video, look(0.3, true), Some(0.3), Sight::Seen),
            ("snow", Kind::Video, look(0.3, false), Some(0.3), Sight::Strange),
            ("a healthy supply's pulses, high", SQUARE, look(8.0, true), five, Sight::Seen),
            ("a fifth of the pulses' height, read ten times too high", SQUARE, look(9.71, true), five, Sight::TooHigh),
            ("pulses read ten times too high", SQUARE, look(48.6, true), five, Sight::TooHigh),
            ("RF read ten times too high", Kind::Carrier, look(4.32, false), Some(0.5), Sight::TooHigh),
            ("another point on the sound's probe", Kind::Slow, look(6.0, false), Some(1.3), Sight::TooHigh),
            ("high hum instead of pulses", SQUARE, look(30.0, false), five, Sight::Strange),
            ("triggers", SQUARE, Look { triggers: Some((1, 2)), ..Look::default() }, five, Sight::Seen),
            ("no trigger", SQUARE, Look { triggers: Some((0, 2)), ..Look::default() }, five, Sight::Unseen),
        ] {
            assert_eq!(sight(kind, ProbePlace::BeforeAgc, &look, expected_v, SHARES), expected, "{what}");
        }
        let unbounded = Shares { most: None, ..SHARES };
        let fast = sight(SQUARE, ProbePlace::BeforeAgc, &look(20.0, true), five, unbounded);
        assert_eq!(fast, Sight::Seen, "where no bound is known");
        assert_eq!(sight(Kind::Carrier, ProbePlace::AfterAgc, &look(4.0, false), Some(5.0), SHARES), Sight::Hidden);
    }

    #[test]
    fn what_is_normally_absent_is_not_judged() {
        for (format, mode, signal, expected) in [
            ("vhs-525-sp", Mode::Still, Signal::ControlTrack, (false, false)),
            ("vhs-525-sp", Mode::Still, Signal::HeadSwitch, (true, false)),
            ("vhs-525-sp", Mode::Play, Signal::ControlTrack, (true, true)),
            ("vhs-525-sp", Mode::Stop, Signal::Video, (false, false)),
            ("8mm-525-sp", Mode::Play, Signal::ControlTrack, (false, false)),
            ("8mm-525-sp", Mode::Play, Signal::HeadSwitch, (true, true)),
        ] {
            let format = format_named(format).expect("a row of the table");
            assert_eq!(judged(mode, signal, format), expected, "{signal} in {mode}, {}", format.name);
        }
    }

    #[test]
    fn lists_of_modes() {
        assert_eq!(modes("still  play still").unwrap(), [Mode::Still, Mode::Play]);
        for text in ["", "plya", "play record"] {
            assert_eq!(modes(text).unwrap_err().code, UnableCode::NotPossible, "{text}");
        }
    }

    #[test]
    fn no_finding_says_both_there_and_not_there() {
        for &signal in Signal::ALL {
            let of = findings(signal);
            assert!(of.present.is_none() || of.present != of.absent, "{signal}");
        }
    }
}
