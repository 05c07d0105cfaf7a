//! The procedure supply-ripple: mean, ripple and its frequency on a low-voltage rail.

mod parameters;
mod rail;
mod slow;
mod wander;

use parameters as p;
use slow::{Slow, record, records};
use tapewright_sdk::measure::Spread;
use tapewright_sdk::measure::ripple::{Part, Ripple, ripple};
use tapewright_sdk::prelude::*;

struct SupplyRipple;

/// Rails above this are not low voltage (the limit of extra-low direct voltage, from memory), and not this procedure's.
const HIGHEST_V: f64 = 60.0;

/// Where lines are looked for, slowly and fast, in hertz.
const SLOW_HZ: (f64, f64) = (24.0, 1500.0);
const FAST_HZ: (f64, f64) = (5000.0, 500e3);

/// Spans and points of the two records of each kind: unlike rates, also where a scope steps its time base 1, 2, 5.
const SLOW: [(f64, u32); 2] = [(0.2, 2000), (0.246, 1000)];
const FAST: [(f64, u32); 2] = [(1e-3, 2000), (1.23e-3, 1500)];

/// What to do where the greatest ripple is not the one that was fitted.
const UNFITTED: &str = "Look at the rail with a faster and a slower time base by hand: most of its ripple lies outside the frequencies that are fitted.";

/// Steps of the converter below which a ripple is only bounded.
const STEPS: f64 = 4.0;

impl Procedure for SupplyRipple {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let point = hooked_up(Signal::Supply)?;
        if point.trigger_only {
            let why =
                format!("supply is on {}, which can only trigger: put it on a channel that samples", point.channel);
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        let by_ac = match settings.text(&p::COUPLING) {
            "dc" => false,
            "ac" => true,
            other => {
                let why = format!("`coupling` is `{other}`: say `dc` or `ac`, as the hookup has it");
                return Err(Unable::new(UnableCode::NotPossible, why));
            }
        };
        let mode = match settings.text(&p::MODE) {
            "play" => Mode::Play,
            "stop" => Mode::Stop,
            other => {
                return Err(Unable::new(UnableCode::NotPossible, format!("`mode` is `{other}`: say `play` or `stop`")));
            }
        };
        go(mode)?;
        let result = measure(&point, by_ac, settings, report);
        let stopped = if now() == Mode::Stop { Ok(0.0) } else { go(Mode::Stop) };
        result.and(stopped.map(|_| ()))
    }
}

fn measure(point: &Point, by_ac: bool, settings: &Settings, report: &mut Report) -> Result<()> {
    report.progress(0.2, "slow records: mains");
    let ([first, second], u) = records(SLOW).on("ripple")?;
    let step_v = first.conversion().step_v;
    let slow = ripple(&first, &second, SLOW_HZ, u).on("ripple")?;
    if slow.mean_v.value.abs() > HIGHEST_V {
        let why = format!(
            "the point stands at {:.0} V: that is no low-voltage rail; unplug the machine before the probe comes off, and measure nothing on the mains side",
            slow.mean_v.value
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("supply"));
    }
    report.progress(0.5, "fast records: switching");
    let fast = match records(FAST).and_then(|([first, second], u)| Ok(ripple(&first, &second, FAST_HZ, u)?)) {
        Ok(fast) => Some(fast),
        Err(unable) if matches!(unable.code, UnableCode::NotPossible | UnableCode::TooShort) => {
            report.note(&format!("No look at switching frequencies: {}.", unable.why));
            None
        }
        Err(unable) => return Err(unable.on("ripple")),
    };
    report.progress(0.7, "slow records: aliases");
    let records = vec![first, second];
    let mut slow = Slow::of(slow, fast.as_ref()).or_clearer(records.clone(), u, fast.as_ref(), record).on("ripple")?;
    report.progress(0.8, "a long record: what wanders");
    let wander_v = wander::look(&records, fast.as_ref()).on("ripple")?;
    if let Some(wander_v) = wander_v.filter(|wander_v| *wander_v > 0.0) {
        report.note(&format!(
            "The rail wanders by up to {:.1} mV peak to peak, within the records or from one to the next, more slowly than {:.0} Hz: this raises the upper end of the interval.",
            1e3 * wander_v,
            SLOW_HZ.0
        ));
        let share = Contribution::rectangular("wander of the rail", 0.5 * wander_v);
        slow.ripple.mean_v = slow.ripple.mean_v.also(share).on("mean")?;
    } else if wander_v.is_none() {
        report.note("The scope takes no record of some seconds: what wanders more slowly than 5 Hz is not looked at.");
    }
    report.progress(0.9, "judging");
    let rail_v = rail::rail(point, by_ac, &slow.ripple.mean_v, settings, report)?;
    let beside = Beside { lines_v: beside(&slow, fast.as_ref()), wander_v: wander_v.unwrap_or(0.0) };
    let seen = [Some(&slow.ripple), fast.as_ref()];
    let all: Vec<&Ripple> = seen.into_iter().flatten().collect();
    tell(&all, &beside, step_v, &rail_v, settings, report)
}

/// Peak to peak of what is there beside the parts.
struct Beside {
    /// Lines that were not fitted.
    lines_v: f64,
    /// What wanders more slowly.
    wander_v: f64,
}

/// Peak to peak of what stands in the records and was not fitted. The slow ones show all of it, if only as aliases; the fast
/// ones, where a line of the slow ones would hide it, from their own lowest frequency on.
fn beside(slow: &Slow, fast: Option<&Ripple>) -> f64 {
    let in_fast_v = fast.map_or(0.0, |fast| fast.beside_v(&slow.ripple.parts, FAST_HZ.0));
    slow.in_aliases_v + slow.beside_v.max(in_fast_v)
}

/// Without what the gain adds: it is the same for rail and ripple, and cancels in their ratio.
fn without_gain(estimate: &Estimate) -> Vec<Contribution> {
    estimate.contributions.iter().filter(|c| c.name != "gain of the scope").cloned().collect()
}

fn tell(
    all: &[&Ripple],
    beside: &Beside,
    step_v: f64,
    rail_v: &Estimate,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let parts: Vec<&Part> = all.iter().flat_map(|ripple| &ripple.parts).collect();
    let beside_v = beside.lines_v + beside.wander_v;
    // What did not stand clear may still be there, up to twice the amplitude that would have; and what stands clear unfitted is.
    let unclear = all.iter().filter(|ripple| ripple.parts.is_empty()).map(|ripple| 2.0 * ripple.least_v);
    let hidden_v = unclear.fold(beside_v, |sum, v| sum + v);
    let sum_v = parts.iter().fold(0.0, |sum, part| sum + part.peak_to_peak_v.value);
    let unlike_v = parts.iter().fold(0.0, |sum, part| sum + part.unlike_v);
    let mut contributions: Vec<Contribution> =
        parts.iter().flat_map(|part| without_gain(&part.peak_to_peak_v)).collect();
    if sum_v < STEPS * step_v {
        contributions.push(Contribution::rectangular("few steps of the converter", 0.5 * step_v));
    }
    let gain: f64 = parts
        .iter()
        .flat_map(|part| &part.peak_to_peak_v.contributions)
        .filter(|c| c.name == "gain of the scope")
        .map(|c| c.standard_uncertainty)
        .sum();
    let mut absolute = contributions.clone();
    absolute.push(Contribution::type_b("gain of the scope", gain).spread(Spread::Rectangular));
    let widened = |estimate: Estimate, less_v: f64, more_v: f64| -> Result<Estimate> {
        let Estimate { value, standard_uncertainty: u, degrees_of_freedom: dof, interval, mut contributions } =
            estimate;
        if more_v > 0.0 {
            contributions.push(Contribution::rectangular("what would not stand clear of the noise", 0.5 * more_v));
        }
        if less_v > 0.0 {
            contributions.push(Contribution::rectangular("what one record shows and the other does not", less_v));
        }
        let u = u.hypot(more_v / 12.0_f64.sqrt()).hypot(less_v / 3.0_f64.sqrt());
        let (low, high) = ((interval.low - less_v).max(0.0), interval.high + less_v + more_v);
        Ok(Estimate::with_interval(value, low, high, u, dof, contributions)?)
    };
    let peak = widened(Estimate::combined(sum_v, absolute)?, unlike_v, hidden_v)?;
    report.measured(Measured::new("ripple.peak-to-peak", Unit::Millivolt, &peak.scaled(1e3)));
    let scale = 100.0 / rail_v.value;
    let mut share = Estimate::combined(
        sum_v * scale,
        contributions
            .iter()
            .map(|c| Contribution { standard_uncertainty: c.standard_uncertainty * scale, ..c.clone() })
            .collect(),
    )?;
    let rest = rail_v
        .contributions
        .iter()
        .filter(|c| c.name != "gain of the scope")
        .map(|c| c.standard_uncertainty.powi(2))
        .sum::<f64>()
        .sqrt();
    share = share.also(Contribution::type_b("rail", sum_v * scale * rest / rail_v.value))?;
    let share = widened(share, unlike_v * scale, hidden_v * scale)?;
    let outcome = report.measured(
        Measured::new("ripple", Unit::Percent, &share).judged(settings.at_most(&p::RIPPLE_GOOD, &p::RIPPLE_REJECT)),
    );
    if !parts.is_empty() {
        let square: f64 = parts.iter().map(|part| part.rms_v.value.powi(2)).sum();
        let rms_v = square.sqrt();
        let contributions = parts
            .iter()
            .flat_map(|part| {
                let weight = part.rms_v.value / rms_v;
                part.rms_v
                    .contributions
                    .iter()
                    .map(move |c| Contribution { standard_uncertainty: c.standard_uncertainty * weight, ..c.clone() })
            })
            .collect();
        // What stayed hidden: a sine of its amplitude at most.
        let rms = Estimate::combined(rms_v, contributions)?;
        let most_v = rms_v.hypot(0.5 * hidden_v) - rms_v;
        report.measured(Measured::new(
            "ripple.rms",
            Unit::Millivolt,
            &widened(rms, 0.5 * unlike_v, most_v)?.scaled(1e3),
        ));
    }
    if beside.lines_v > 0.0 {
        report.note(&format!(
            "Beside what was fitted the records show lines of up to {:.1} mV peak to peak in all, which may be aliases of anything up to the channel's bandwidth: they raise the upper end of the interval.",
            1e3 * beside.lines_v
        ));
    }
    let good = settings.number(&p::RIPPLE_GOOD);
    name_it(&parts, beside_v, outcome, share.value > good, report);
    Ok(())
}

/// The frequency of the larger part, and where that comes from. A ripple that is `good` has no cause to look for.
fn name_it(parts: &[&Part], beside_v: f64, outcome: Option<Outcome>, beyond: bool, report: &mut Report) {
    let larger = parts.iter().max_by(|a, b| a.peak_to_peak_v.value.total_cmp(&b.peak_to_peak_v.value));
    match larger {
        // The greatest ripple may be another: its frequency is not known.
        found if beside_v > 0.0 && found.is_none_or(|part| part.peak_to_peak_v.value <= beside_v) => {
            if outcome != Some(Outcome::Pass) {
                report.advise(UNFITTED);
            }
        }
        Some(part) => {
            report.measured(Measured::new("ripple.frequency", Unit::Hertz, &part.hz));
            let Origin { finding, what, cause } = origin(part.hz.value);
            let hz = part.hz.value;
            if !beyond {
                report.note(&format!("The larger part has {hz:.1} Hz, {what}."));
                return;
            }
            report.note(&format!("The larger part has {hz:.1} Hz, {what}: {cause}."));
            if matches!(outcome, Some(Outcome::Fail | Outcome::Marginal)) {
                report.found(finding, &format!("{:.1} mV at {hz:.1} Hz", 1e3 * part.peak_to_peak_v.value));
                report.advise(&format!("The ripple's frequency is {what}: {cause}."));
            }
        }
        None => report.note(&format!("Nothing that repeats stands clear of the noise, from {:.0} Hz to {:.0} Hz and from {:.0} kHz to {:.0} kHz.", SLOW_HZ.0, SLOW_HZ.1, FAST_HZ.0 * 1e-3, FAST_HZ.1 * 1e-3)),
    }
}

/// Where a ripple comes from.
struct Origin {
    finding: Finding,
    /// What its frequency is.
    what: &'static str,
    /// What is wrong where there is too much of it.
    cause: &'static str,
}

/// Where a ripple comes from by its frequency.
const fn origin(hz: f64) -> Origin {
    match hz {
        48.5..=51.5 | 58.5..=61.5 => Origin {
            finding: Finding::RippleMains,
            what: "the mains frequency itself",
            cause: "half of the rectifier does not conduct, or the probe's earth lead picks up a loop",
        },
        97.0..=103.0 | 117.0..=123.0 => Origin {
            finding: Finding::RippleTwiceMains,
            what: "twice the mains frequency",
            cause: "the reservoir capacitor behind the rectifier is tired, or the rail is loaded too much",
        },
        5000.0.. => Origin {
            finding: Finding::RippleSwitching,
            what: "that of a switching converter",
            cause: "look at its output capacitors",
        },
        _ => Origin {
            finding: Finding::RippleOther,
            what: "neither the mains' nor a converter's",
            cause: "a motor or a head drum that loads a weak rail",
        },
    }
}

tapewright_sdk::export!(SupplyRipple);

#[cfg(test)]
mod tests {
    use super::*;

    /// A rail of 12 V with two ripples, in the records that a scope of 2,500 points takes.
    fn seen(ripples: [(f64, f64); 2]) -> (Ripple, Ripple) {
        let mut state = 7_u64;
        let mut uniform = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let mut record = |span_s: f64| {
            let dt_s = span_s / 2500.0;
            let volts = (0..2500_u32).map(|i| {
                let noise = (uniform() + uniform() - 1.0) * 2e-3;
                let wave = |(peak_to_peak_v, hz): (f64, f64)| {
                    0.5 * peak_to_peak_v * (std::f64::consts::TAU * hz * (f64::from(i) * dt_s + span_s)).cos()
                };
                (12.0 + noise + ripples.map(wave).iter().sum::<f64>()) as f32
            });
            Trace::from_volts(0.0, dt_s, volts.collect()).unwrap()
        };
        let mut both = |[a, b]: [f64; 2], band| ripple(&record(a), &record(b), band, 5e-5).unwrap();
        (both([0.2, 0.25], SLOW_HZ), both([1e-3, 1.25e-3], FAST_HZ))
    }

    #[test]
    fn what_lies_outside_the_bands_is_not_lost() {
        for hz in [3e3, 4.7e3, 800e3, 1.9e6] {
            let (slow, fast) = seen([(0.02, 120.0), (1.0, hz)]);
            let beside_v = beside(&Slow::of(slow, Some(&fast)), Some(&fast));
            assert!((0.97..1.2).contains(&beside_v), "{hz}: {beside_v}");
        }
    }

    #[test]
    fn two_parts_of_a_band_are_both_measured_and_leave_nothing() {
        for ripples in
            [[(0.09, 120.0), (0.05, 1050.0)], [(0.095, 41e3), (0.045, 71.3e3)], [(0.06, 120.0), (0.08, 71.3e3)]]
        {
            let (slow, fast) = seen(ripples);
            let slow = Slow::of(slow, Some(&fast));
            let beside_v = beside(&slow, Some(&fast));
            let slow = &slow.ripple;
            let parts: Vec<&Part> = slow.parts.iter().chain(&fast.parts).collect();
            let sum_v: f64 = parts.iter().map(|part| part.peak_to_peak_v.value).sum();
            assert_eq!(parts.len(), 2, "{parts:?}");
            assert!((sum_v - ripples[0].0 - ripples[1].0).abs() < 2e-3 && beside_v < 1e-3, "{sum_v} {beside_v}");
        }
    }

    #[test]
    fn the_frequency_says_where_it_comes_from() {
        for (hz, want) in [
            (50.1, Finding::RippleMains),
            (60.0, Finding::RippleMains),
            (99.8, Finding::RippleTwiceMains),
            (120.2, Finding::RippleTwiceMains),
            (72e3, Finding::RippleSwitching),
            (29.97, Finding::RippleOther),
            (300.0, Finding::RippleOther),
        ] {
            assert_eq!(origin(hz).finding, want, "{hz}");
        }
    }
}
