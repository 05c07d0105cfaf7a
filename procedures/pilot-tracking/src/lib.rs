//! The procedure pilot-tracking: how 8 mm heads lie on their tracks, by the pilot tones in the RF.

mod own;
mod parameters;
mod sides;

use own::{BySwitch, Whose, by_carrier, by_switch, not_told, say, state, whose};
use parameters as p;
use sides::{Side, conclude};
use tapewright_sdk::formats::pilots::pilots_hz;
use tapewright_sdk::formats::{ProbePlace, SignalForm};
use tapewright_sdk::heads::name;
use tapewright_sdk::measure::pilots::{Beats, CarrierMoments, Seen, beats, carrier_moments, look};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

struct PilotTracking;

/// Samples a cycle of peak white: what of the carrier is aliased lies far above the pilots.
const SAMPLES_A_CYCLE: f64 = 1.5;

/// Length of a capture: some cycles of the smallest distance of two pilots.
const SHORT_S: f64 = 3e-4;

impl Procedure for PilotTracking {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&[(&p::OWN_REJECT, &p::OWN_GOOD)])?;
        let subject = subject()?;
        if !subject.format.has_pilots() {
            report.advise("Run `control-track` for the pulses, and the tracking control for the centre.");
            let why = format!(
                "format {} has a control track and no pilot tones: its pulses say where the tracks lie",
                subject.format.name
            );
            return Err(Unable::new(UnableCode::NotInFormat, why));
        }
        let point = hooked_up(Signal::Rf)?;
        if point.trigger_only {
            let why = format!("RF is on {}, which can only trigger: put it on a channel", point.channel);
            return Err(Unable::new(UnableCode::NotPossible, why).on("rf"));
        }
        if point.form != SignalForm::Raw {
            let why = format!("the RF point is hooked up as `{}`: put the probe on the RF itself", point.form);
            return Err(Unable::new(UnableCode::NotPossible, why).on("rf"));
        }
        if point.place == ProbePlace::AfterAgc {
            report.note("The point lies after the automatic gain: each beat is held over the track's own pilot, so that the gain cancels.");
        }
        let bench = Bench::of(&subject)?;
        go(Mode::Play)?;
        let result = bench.measure(&point, settings, report);
        let stopped = if now() == Mode::Stop { Ok(0.0) } else { go(Mode::Stop) };
        result.and(stopped.map(|_| ()))
    }
}

/// How the RF is listened to.
pub(crate) struct Bench {
    pilots_hz: [f64; 4],
    /// The carrier lies above this, or is aliased to there.
    carrier_hz: f64,
    rate_hz: f64,
    span_s: f64,
}

/// What captures at any place of the scans show.
#[derive(Default)]
pub(crate) struct Heard {
    /// What each shows whose track is told, and its carrier.
    told: Vec<(Seen, CarrierMoments)>,
    /// Captures without a pilot clear of the noise.
    without: usize,
    /// Captures in which two pilots are about as strong.
    between: usize,
    /// All captures.
    all: usize,
}

impl Heard {
    fn of(&self, head: ScanHead) -> impl Iterator<Item = &(Seen, CarrierMoments)> {
        self.told.iter().filter(move |(seen, _)| seen.head == head)
    }

    fn seen(&self) -> Vec<Seen> {
        self.told.iter().map(|(seen, _)| *seen).collect()
    }
}

impl Bench {
    fn of(subject: &Subject) -> Result<Self> {
        let white_hz = subject.format.fm_white_hz.value;
        let rate_hz = SAMPLES_A_CYCLE * white_hz;
        let can = abilities();
        if can.greatest_rate_hz < rate_hz || f64::from(can.greatest_points) < 0.8 * SHORT_S * rate_hz {
            let why = format!(
                "pilots need {:.1} MHz for {:.1} ms: the carrier above them must not be aliased onto them",
                1e-6 * rate_hz,
                1e3 * SHORT_S
            );
            return Err(Unable::new(UnableCode::NotPossible, why).on("pilots"));
        }
        Ok(Self {
            pilots_hz: pilots_hz(subject.format.lines),
            carrier_hz: (SAMPLES_A_CYCLE - 1.0) * white_hz,
            rate_hz,
            span_s: SHORT_S.min(f64::from(can.greatest_points) / rate_hz),
        })
    }

    /// So many captures, in free run unless it is said otherwise.
    pub(crate) fn ask(&self, count: u32) -> Acquire {
        Acquire::of(&[Signal::Rf]).span_s(self.span_s).least_rate_hz(self.rate_hz).count(count)
    }

    /// What one capture shows; none: no pilot stands clear, or the heads were being switched over.
    pub(crate) fn look(&self, trace: &Trace) -> Result<Option<Option<Seen>>> {
        match look(trace, &self.pilots_hz) {
            Ok(seen) => Ok(Some(seen)),
            Err(MeasureError::InNoise { .. }) => Ok(None),
            Err(error) => Err(Unable::from(error).on("pilots")),
        }
    }

    /// Listens to captures in free run.
    pub(crate) fn hear(&self, count: u32) -> Result<Heard> {
        let captures = self.ask(count).take().on("pilots")?;
        let mut heard = Heard { all: captures.len(), ..Heard::default() };
        for capture in &captures {
            let trace = capture.trace(Signal::Rf)?.samples()?;
            match self.look(&trace)? {
                None => heard.without += 1,
                Some(None) => heard.between += 1,
                Some(Some(seen)) => {
                    heard.told.push((seen, carrier_moments(&trace, self.carrier_hz).on("pilots")?));
                }
            }
        }
        Ok(heard)
    }

    fn measure(&self, point: &Point, settings: &Settings, report: &mut Report) -> Result<()> {
        report.progress(0.1, "listens to the pilots");
        let heard = self.hear(settings.count(&p::CAPTURES))?;
        // A head that gives nothing takes its half of the captures with it, and leaves those of the other.
        if 4 * heard.without > 3 * heard.all {
            let why = format!("{} of {} captures show no pilot tone clear of the noise", heard.without, heard.all);
            return Err(Unable::new(UnableCode::InNoise, why).on("pilots"));
        }
        report.progress(0.6, "holds the tracks against the head switch");
        let switch = by_switch(self, point, settings.count(&p::EDGES))?;
        report.progress(0.8, "judges");
        let mut of_heads = Vec::new();
        let mut silent = Vec::new();
        for head in [ScanHead::A, ScanHead::B] {
            match beats(&heard.seen(), head) {
                Ok(beats) => of_heads.push((head, heard.of(head).map(|(_, carrier)| *carrier).collect(), beats)),
                Err(error @ MeasureError::TooShort { .. }) => silent.push((head, error)),
                Err(error) => return Err(Unable::from(error).on(name(head))),
            }
        }
        let carriers = by_carrier(&of_heads)?;
        let whose = whose(&switch, carriers, settings);
        state(&switch, whose, settings, report);
        if !say(whose, report) {
            return Ok(());
        }
        for (head, error) in silent {
            report.unable(not_heard(head, error, &heard, &switch));
        }
        let limits = settings.within(0.0, &p::GOOD, &p::REJECT);
        self.judge(&of_heads, (&switch, whose), &limits, settings, report)
    }

    fn judge(
        &self,
        of_heads: &[(ScanHead, Vec<CarrierMoments>, Beats)],
        (switch, whose): (&BySwitch, Whose),
        limits: &Limits,
        settings: &Settings,
        report: &mut Report,
    ) -> Result<()> {
        let tracking = |head: ScanHead, of: &Estimate| {
            Measured::new(format!("{}.tracking", name(head)), Unit::One, of).judged(limits.clone())
        };
        let outcomes: Vec<Outcome> = of_heads
            .iter()
            .filter_map(|(head, _, beats)| tracking(*head, beats.tracking.as_ref()?).outcome())
            .collect();
        // What is surely off fails wherever it stands; only a pass needs to know whose tracks these are.
        let worth = match whose {
            Whose::Several => outcomes.is_empty() || outcomes.contains(&Outcome::Fail),
            Whose::Open => outcomes.is_empty() || outcomes.iter().any(|outcome| *outcome != Outcome::Pass),
            _ => true,
        };
        let mut sides = Vec::new();
        for (head, _, beats) in of_heads {
            let head_name = name(*head);
            for (what, estimate) in
                [("beat-small", &beats.small), ("beat-large", &beats.large), ("beat-difference", &beats.difference)]
            {
                report.measured(Measured::new(format!("{head_name}.{what}"), Unit::One, estimate));
            }
            let Some(estimate) = &beats.tracking else {
                let why = "neither neighbour's pilot stands clear: heads no wider than the track and well centred show none, and so does a point where pilots are filtered off";
                report.unable(Unable::new(UnableCode::InNoise, why).on(format!("{head_name}.tracking")));
                continue;
            };
            let measured = tracking(*head, estimate);
            report.measured(if worth { measured } else { Measured { limits: None, ..measured } });
            sides.push(Side { name: head_name, tracking: estimate.clone(), beats: beats.clone() });
        }
        if worth {
            conclude(self, &sides, !matches!(switch, BySwitch::NotThere), settings, report)
        } else {
            not_told(switch, whose, report);
            Ok(())
        }
    }
}

/// That too few captures show tracks of a head.
fn not_heard(head: ScanHead, error: MeasureError, heard: &Heard, switch: &BySwitch) -> Unable {
    // Of a length of captures, switchings meet few.
    if 2 * heard.between > heard.all {
        let why = format!(
            "{} of {} captures show two pilots about as strong: the heads stand between two tracks, about half a pitch off, and there is no own one; look whether the tape is locked (`still-against-play`), then at the tracking servo's centre",
            heard.between, heard.all
        );
        return Unable::new(UnableCode::NotPossible, why).on(name(head));
    }
    if 4 * heard.without <= heard.all {
        return Unable::from(error).on(name(head));
    }
    let cause = if matches!(switch, BySwitch::NoEdges(_)) {
        "it gives little or nothing, or the head switch, which gives no edge, does not put it through"
    } else {
        "it gives little or nothing"
    };
    let why = format!(
        "{} of {} captures show no pilot clear of the noise, and only {} show one of this head: {cause}; look with `envelope`",
        heard.without,
        heard.all,
        heard.of(head).count()
    );
    Unable::new(UnableCode::InNoise, why).on(name(head))
}

tapewright_sdk::export!(PilotTracking);
