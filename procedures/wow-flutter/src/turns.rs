//! What turns at the rate of a flutter line.

use crate::parameters as p;
use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::prelude::*;

/// A line belongs to a part when it lies within this of its rate, or within its own uncertainty (common practice, no source).
const WITHIN: f64 = 0.03;

/// Multiples of a rate that a part may show.
const MULTIPLES: [f64; 3] = [1.0, 2.0, 3.0];

/// Slower lines than this come from reels and tension (common practice, no source).
const SLOW_HZ: f64 = 1.0;

/// Rates of what turns.
#[derive(Debug, Clone)]
pub(crate) struct Turns {
    parts: Vec<(&'static str, f64, Finding)>,
}

impl Turns {
    pub(crate) fn of(settings: &Settings, lines: LineStandard) -> Self {
        let drum_hz = settings.number(&p::DRUM);
        let drum_hz = if drum_hz > 0.0 { drum_hz } else { lines.frame_rate_hz() };
        Self::at(drum_hz, settings.number(&p::CAPSTAN), settings.number(&p::REEL))
    }

    fn at(drum_hz: f64, capstan_hz: f64, reel_hz: f64) -> Self {
        let parts = [
            ("capstan", capstan_hz, Finding::FlutterCapstan),
            ("reel", reel_hz, Finding::FlutterReel),
            ("drum", drum_hz, Finding::FlutterDrum),
        ];
        Self { parts: parts.into_iter().filter(|(_, hz, _)| *hz > 0.0).collect() }
    }

    /// The part and the multiple of its rate that fit best; the lowest multiple first.
    fn part(&self, line: &Estimate) -> Option<(&'static str, f64, Finding)> {
        MULTIPLES.into_iter().find_map(|times| {
            self.parts
                .iter()
                .map(|(name, hz, finding)| (*name, times, *finding, (line.value - times * hz).abs(), times * hz))
                .filter(|(.., away, hz)| {
                    let unsure = 0.5 * (line.interval.high - line.interval.low);
                    *away <= (WITHIN * hz).max(unsure)
                })
                .min_by(|a, b| a.3.total_cmp(&b.3))
                .map(|(name, times, finding, ..)| (name, times, finding))
        })
    }

    pub(crate) fn text(&self, line: &Estimate) -> String {
        match self.part(line) {
            Some((name, 1.0, _)) => format!("it turns with the {name}"),
            Some((name, times, _)) => format!("{times} times the rate of the {name}"),
            None if line.value < SLOW_HZ => {
                "no known rate; so slow a line comes from a reel, its clutch or the tension".into()
            }
            None => "nothing whose rate is known turns so; measure the rates of capstan and reels and set them".into(),
        }
    }

    /// The finding for a line that turns with a part.
    pub(crate) fn finding(&self, line: &Estimate) -> Option<Finding> {
        self.part(line).map(|(.., finding)| finding)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_belong_to_what_turns_at_their_rate() {
        let turns = Turns::at(29.97, 3.5, 0.6);
        for (hz, want) in [
            (29.9, Some(Finding::FlutterDrum)),
            (3.55, Some(Finding::FlutterCapstan)),
            (7.0, Some(Finding::FlutterCapstan)),
            (0.61, Some(Finding::FlutterReel)),
            (5.0, None),
            (13.0, None),
        ] {
            let line = Estimate::with_interval(hz, hz - 0.02, hz + 0.02, 0.01, None, Vec::new()).unwrap();
            assert_eq!(turns.finding(&line), want, "{hz}");
        }
        let slow = Estimate::with_interval(0.3, 0.28, 0.32, 0.01, None, Vec::new()).unwrap();
        assert!(Turns::at(29.97, 0.0, 0.0).text(&slow).contains("reel"));
    }
}
