//! The procedure dropouts: how often, how long and how deep the RF falls, per observed time.

mod parameters;

use parameters as p;
use tapewright_sdk::measure::dropouts::{Definition, Dropouts, FEWEST, Fall, pairs_of_samples};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{BEARABLE_S, demand_level};

struct CountDropouts;

/// Most pairs in one record: more take too long to carry at once.
const MOST_PAIRS: f64 = 500_000.0;

/// Captures that are taken in one go.
const BATCH: u32 = 40;

/// Most captures in one run.
const MOST_CAPTURES: f64 = 6000.0;

/// Bins that the level around a dropout is told by: a record has at least so many pairs.
const LEAST_PAIRS: f64 = 260.0;

/// More than this share of time without RF is no dropout.
const MOST_LOST: f64 = 0.2;

impl Procedure for CountDropouts {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        demand_level(&hooked_up(Signal::Rf)?, "which fills dropouts up")?;
        let what = Definition { fall_db: settings.number(&p::FALL), length_s: 1e-6 * settings.number(&p::LENGTH) };
        let set_s = 1e-6 * settings.number(&p::BIN);
        if set_s > 0.5 * what.length_s * (1.0 + 1e-9) {
            let why = format!(
                "pairs of {:.1} us are longer than half of the shortest dropout ({:.1} us): one could lie between two of them unseen; set `pair-us` to {:.1} or less",
                1e6 * set_s,
                1e6 * what.length_s,
                0.5e6 * what.length_s
            );
            return Err(Unable::new(UnableCode::NotPossible, why).on("dropouts.rate"));
        }
        let bin_s = if set_s > 0.0 { set_s } else { 0.5 * what.length_s };
        let subject = subject()?;
        let looks = Looks::of(bin_s, subject.format.fm_white_hz.value).on("dropouts.rate")?;
        if now() != Mode::Stop {
            go(Mode::Stop)?;
        }
        let (floor_v, span_s) = looks.floor().on("noise floor")?;
        go(Mode::Play)?;
        stopped_after(observe(&looks, span_s, floor_v, &what, settings, report))
    }
}

/// How records are taken on this scope.
struct Looks {
    bin_s: f64,
    white_hz: f64,
    /// Least sample rate; none: by peak detection.
    rate_hz: Option<f64>,
    /// Most pairs of a record.
    pairs: f64,
}

impl Looks {
    fn of(bin_s: f64, white_hz: f64) -> Result<Self> {
        let can = abilities();
        let points = f64::from(can.greatest_points).min(BEARABLE_S / can.seconds_a_point.max(1e-9));
        if can.peak_pulse_s.is_some_and(|caught_s| caught_s <= 0.25 / white_hz) {
            return Ok(Self { bin_s, white_hz, rate_hz: None, pairs: (points / 2.0).min(MOST_PAIRS) });
        }
        let rate_hz = 2.6 * white_hz;
        let pairs = points / (rate_hz * bin_s).ceil();
        if can.greatest_rate_hz < rate_hz || pairs < LEAST_PAIRS {
            let why = format!(
                "the scope has no peak detection that catches the carrier, and its {points:.0} points do not hold {LEAST_PAIRS:.0} intervals of {:.1} us at {:.1} MHz",
                1e6 * bin_s,
                1e-6 * rate_hz
            );
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        Ok(Self { bin_s, white_hz, rate_hz: Some(rate_hz), pairs: pairs.min(MOST_PAIRS) })
    }

    fn take(&self, span_s: f64, count: u32) -> Result<Vec<Capture>> {
        let ask = Acquire::of(&[Signal::Rf]).span_s(span_s).count(count);
        match self.rate_hz {
            Some(rate_hz) => ask.least_rate_hz(rate_hz),
            None => ask.peak().least_rate_hz(1.0 / self.bin_s),
        }
        .take()
    }

    fn pairs_of(&self, capture: &Capture) -> Result<PairTrace> {
        let codes = capture.trace(Signal::Rf)?;
        Ok(match self.rate_hz {
            Some(_) => pairs_of_samples(&codes.samples()?, self.white_hz, self.bin_s)?,
            None => codes.pairs()?,
        })
    }

    /// What the point shows without RF, and the length of record that the scope takes. A scope that steps its time base
    /// cannot always take the longest that its points would hold.
    fn floor(&self) -> Result<(f64, f64)> {
        let longest_s = self.pairs * self.bin_s;
        let mut last = None;
        for span_s in [longest_s, round_down(longest_s), round_down(0.5 * longest_s)] {
            match self.take(span_s, 1) {
                Ok(taken) => {
                    let capture =
                        taken.first().ok_or_else(|| Unable::new(UnableCode::BadData, "the daemon sent no capture"))?;
                    let pairs = self.pairs_of(capture)?;
                    let ranges =
                        pairs.greatest().iter().zip(pairs.least()).map(|(g, l)| 0.5 * (f64::from(*g) - f64::from(*l)));
                    return Ok((ranges.sum::<f64>() / pairs.len().max(1) as f64, span_s));
                }
                Err(unable) if unable.code == UnableCode::NotPossible => last = Some(unable),
                Err(unable) => return Err(unable),
            }
        }
        Err(last.unwrap_or_else(|| Unable::new(UnableCode::NotPossible, "no record fits")))
    }
}

/// The next lower step of a time base of 1, 2, 5.
fn round_down(seconds: f64) -> f64 {
    let decade = 10.0_f64.powf(seconds.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|step| step * decade).find(|step| *step <= seconds * (1.0 + 1e-9)).unwrap_or(decade)
}

fn observe(
    looks: &Looks,
    span_s: f64,
    floor_v: f64,
    what: &Definition,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let wanted_s = settings.number(&p::OBSERVE);
    if wanted_s / span_s > MOST_CAPTURES {
        let why = format!(
            "{wanted_s} s in records of {:.2} ms are {:.0} captures, more than {MOST_CAPTURES:.0}: set `observe-s` to {:.0} or less, or take a scope with more memory",
            1e3 * span_s,
            wanted_s / span_s,
            MOST_CAPTURES * span_s
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("dropouts.rate"));
    }
    // Records of one length, so that no longer than asked for is looked at.
    let span_s = wanted_s / (wanted_s / span_s).ceil().max(1.0);
    let mut seen = Dropouts::default();
    let mut timebase_u = 0.0;
    while seen.observed_s + seen.lost_s < wanted_s * (1.0 - 1e-6) {
        report.progress((seen.observed_s / wanted_s).min(1.0), "counts dropouts");
        let left = ((wanted_s - seen.observed_s - seen.lost_s) / span_s).ceil().max(1.0);
        for capture in looks.take(span_s, BATCH.min(left as u32)).on("dropouts.rate")? {
            timebase_u = capture.info.timebase_uncertainty;
            seen.look(&looks.pairs_of(&capture)?, floor_v, what).on("dropouts.rate")?;
        }
    }
    let lost = seen.lost_s / (seen.lost_s + seen.observed_s);
    if lost > MOST_LOST {
        let why = format!(
            "{:.0} % of the time the heads read too little for a fall of {} dB to show: that is no dropout; run `still-against-play` and `envelope` first",
            100.0 * lost,
            what.fall_db
        );
        return Err(Unable::new(UnableCode::NotSteady, why).on("dropouts.rate"));
    }
    let observed = Estimate::combined(
        seen.observed_s,
        vec![Contribution::type_b("time base of the scope", timebase_u * seen.observed_s)],
    )?;
    report.measured(Measured::new("observed-time", Unit::Second, &observed));
    let rate = seen.a_minute(what)?;
    let count = seen.likely(what).len();
    report.note(&format!(
        "{count} dropouts ({} dB for {:.0} us or more: {}) in {:.2} s of observed time, in intervals of {:.1} us.",
        what.fall_db,
        1e6 * what.length_s,
        settings.source(p::FALL.name),
        seen.observed_s,
        1e6 * looks.bin_s
    ));
    if seen.lost_s > 0.0 {
        report.note(&format!("In {:.2} s more the heads read too little: not observed.", seen.lost_s));
    }
    report.measured(
        Measured::new("dropouts.rate", Unit::PerMinute, &rate).judged(settings.at_most(&p::GOOD, &p::REJECT)),
    );
    if let Some(length) = seen.length_us(what)? {
        report.measured(Measured::new("dropouts.length", Unit::Microsecond, &length));
    }
    if let Some(depth) = seen.depth_db(what)? {
        report.measured(Measured::new("dropouts.depth", Unit::Decibel, &depth));
    }
    if (1..FEWEST).contains(&count) {
        let each = seen.likely(what).iter().map(of_one).collect::<Vec<_>>().join("; ");
        report.note(&format!(
            "Fewer than {FEWEST} do not bound the tape's median length and depth. Those seen, with what intervals and noise leave open: {each}."
        ));
    }
    if rate.interval.low > settings.number(&p::REJECT) {
        report.found(Finding::DropoutsMany, &format!("{:.0} a minute over {:.1} s", rate.value, seen.observed_s));
        report.advise("Clean the heads, then play another tape: a rate that stays is the machine's.");
    }
    Ok(())
}

/// Length and depth of one dropout.
fn of_one(fall: &Fall) -> String {
    let [depth_db, least_db, greatest_db] = fall.depth_db;
    format!(
        "{:.0} us ({:.0} to {:.0}), {depth_db:.0} dB ({least_db:.0} to {greatest_db:.0})",
        1e6 * fall.length_s(),
        1e6 * fall.least_s,
        1e6 * fall.greatest_s
    )
}

tapewright_sdk::export!(CountDropouts);

#[cfg(test)]
mod tests {
    use super::round_down;

    #[test]
    fn records_are_rounded_down_to_steps() {
        for (seconds, want) in [(9.375e-3, 5e-3), (5e-3, 5e-3), (0.03, 0.02), (3.75, 2.0), (1.2e-3, 1e-3)] {
            assert!((round_down(seconds) / want - 1.0).abs() < 1e-9, "{seconds}");
        }
    }
}
