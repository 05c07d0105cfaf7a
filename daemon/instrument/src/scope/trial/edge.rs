//! Which edge a trigger takes, and at what level: no read-back shows it, only a signal that has edges.

use super::record::{DIVISION_S, PATIENCE, PAUSE};
use super::settings::named;
use super::volts::{SAME_DIVISIONS, Seen};
use super::{Draft, ScopeError, TrialOutcome, TrialRow, Walk};
use crate::dialect::{Input, Op, Slot, State, Values};

/// Volts a division, and seconds a division, at which a signal is looked for; the coarsest first.
const LOOK_V: [f64; 3] = [2.0, 0.5, 0.1];
const LOOK_S: [f64; 2] = [DIVISION_S, 10.0 * DIVISION_S];
/// Least swing of a signal that can be judged, in divisions.
const LEAST_DIVISIONS: f64 = 1.5;
/// Points that an edge takes at least: with fewer the record does not show which way it goes.
const POINTS_AN_EDGE: usize = 40;
/// Share of the swing by which the signal must have left the level before it counts as above or below.
const AWAY: f64 = 0.1;
/// Points on either side of the trigger that say nothing: its place is not known better.
const UNSURE: usize = 2;

/// A signal whose edges can be told apart.
struct Signal {
    input: Input,
    division_v: f64,
    division_s: f64,
    /// A level that it passes.
    level_v: f64,
    swing_v: f64,
}

/// What a record that was triggered shows.
enum Shown {
    Rises,
    Falls,
    /// It is elsewhere at the trigger: so many volts.
    Elsewhere(f64),
    Unclear,
}

impl Walk<'_> {
    /// A trigger on each slope must take that slope, at its level.
    pub(super) async fn edges(&mut self) -> Result<(), ScopeError> {
        let mut draft =
            Draft::new("the edge of a trigger", "the signal passes the level at the trigger, the way asked for");
        let Some(signal) = self.signal_with_edges().await? else {
            let advice =
                "no channel shows a signal with edges to tell apart: hook the scope's own test output up to one";
            self.rows.push(draft.end(TrialOutcome::NotTried, Some(advice.into())));
            return Ok(());
        };
        draft
            .sent
            .push(format!("what is on {}, triggered at {:.3} V: rising, falling", signal.input.label, signal.level_v));
        let mut shown = Vec::new();
        for slope in ["POSitive", "NEGative"] {
            let one =
                match self.triggered(&signal, slope).await? {
                    Ok(seen) => shown_by(&seen, &signal),
                    Err(why) => {
                        draft.came.push(why.clone());
                        self.rows.push(draft.differs(format!(
                            "{why}, though the signal passes that level: look commands.trigger-edge up"
                        )));
                        return Ok(());
                    }
                };
            draft.came.push(match one {
                Shown::Rises => "it rises".into(),
                Shown::Falls => "it falls".into(),
                Shown::Elsewhere(volts) => format!("it is at {volts:.3} V"),
                Shown::Unclear => "it cannot be told".into(),
            });
            shown.push(one);
        }
        self.rows.push(judged(draft, &shown, signal.level_v));
        Ok(())
    }

    /// Looks for a signal that passes a level a few times in a record.
    async fn signal_with_edges(&mut self) -> Result<Option<Signal>, ScopeError> {
        let limits = self.scope.dialect.limits.clone();
        let channels: Vec<Input> = self.scope.dialect.channels().cloned().collect();
        for input in channels {
            let name = named(&input);
            let on = [
                (Op::ChannelOn, name.clone()),
                (Op::Coupling, name.clone().word(Slot::Coupling, "DC")),
                (Op::Probe, name.clone().number(Slot::Probe, 1.0)),
            ];
            for (op, values) in on {
                self.quietly(op, &values).await?;
            }
            for division_s in LOOK_S {
                for division_v in LOOK_V {
                    let division_v = division_v.clamp(limits.least_volts_a_division, limits.greatest_volts_a_division);
                    self.come_to_rest(&name, division_v, 0.0, division_s).await?;
                    let rows = self.rows.len();
                    let came = self.shot().await?;
                    self.rows.truncate(rows);
                    if !came {
                        return Ok(None);
                    }
                    let Ok(seen) = self.volts(&name, division_v, 0.0).await? else { return Ok(None) };
                    if seen.clipped {
                        break;
                    }
                    if let Some((level_v, swing_v)) = passed(&seen.volts, LEAST_DIVISIONS * division_v) {
                        return Ok(Some(Signal { input, division_v, division_s, level_v, swing_v }));
                    }
                }
            }
        }
        Ok(None)
    }

    /// A record of a signal, triggered in its middle; `Err`: why there is none.
    async fn triggered(&mut self, signal: &Signal, slope: &str) -> Result<Result<Seen, String>, ScopeError> {
        let name = named(&signal.input);
        self.come_to_rest(&name, signal.division_v, 0.0, signal.division_s).await?;
        let span_s = signal.division_s * self.scope.dialect.limits.time_divisions;
        let (time, ..) = self.timebase(signal.division_s, span_s / 2.0);
        let edge = Values::new()
            .word(Slot::Source, &signal.input.trigger)
            .word(Slot::Slope, slope)
            .number(Slot::Level, signal.level_v);
        for (op, values) in [(Op::Timebase, &time), (Op::TriggerEdge, &edge), (Op::Arm, &Values::new())] {
            self.quietly(op, values).await?;
        }
        if !self.comes_to_its_end().await? {
            self.quietly(Op::Stop, &Values::new()).await?;
            return Ok(Err(format!("no trigger came at {:.3} V", signal.level_v)));
        }
        self.volts(&name, signal.division_v, 0.0).await
    }

    /// Whether the record that was begun ends in good time.
    async fn comes_to_its_end(&mut self) -> Result<bool, ScopeError> {
        let question = self.scope.dialect.render(Op::AskState, &Values::new()).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(false) };
        let until = self.scope.clock.now() + PATIENCE;
        self.scope.clock.sleep(self.scope.dialect.profile.state_lag).await;
        loop {
            let told = self.ask(&mut Draft::new("", ""), &question).await?;
            let state = told.ok().and_then(|text| self.state_told(&text));
            if state == Some(State::Done) {
                return Ok(true);
            }
            if self.scope.clock.now() >= until {
                return Ok(false);
            }
            self.scope.clock.sleep(PAUSE).await;
        }
    }

    /// Sends an operation that was tried before; what the instrument says of it was told there.
    async fn quietly(&mut self, op: Op, values: &Values) -> Result<(), ScopeError> {
        let words = self.scope.dialect.render(op, values).unwrap_or_default();
        self.send(&mut Draft::new("", ""), &words).await.map(|_complaints| ())
    }
}

/// A level that a signal of at least that swing passes a few times, and its swing; none of a signal that does so
/// never, or too often for the record to show it.
fn passed(volts: &[f64], least_v: f64) -> Option<(f64, f64)> {
    let mut sorted = volts.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (&low, &high) = (sorted.first()?, sorted.last()?);
    let middle = sorted[sorted.len() / 2];
    let swing_v = high - low;
    if swing_v < least_v {
        return None;
    }
    // Halfway up the greater part: of pulses that stand on a line, that is halfway up a pulse.
    let level_v = if high - middle > middle - low { 0.5 * (high + middle) } else { 0.5 * (low + middle) };
    let mut above = None;
    let mut edges = 0;
    for &volt in volts {
        if (volt - level_v).abs() > AWAY * swing_v {
            let now = volt > level_v;
            edges += usize::from(above.is_some_and(|before| before != now));
            above = Some(now);
        }
    }
    (edges >= 2 && edges * POINTS_AN_EDGE <= volts.len()).then_some((level_v, swing_v))
}

/// Which way a record goes at its trigger.
fn shown_by(seen: &Seen, signal: &Signal) -> Shown {
    let volts = &seen.volts;
    let place = seen.trigger.unwrap_or(volts.len() as f64 / 2.0).round();
    if place < UNSURE as f64 + 1.0 || place + UNSURE as f64 + 1.0 >= volts.len() as f64 {
        return Shown::Unclear;
    }
    let place = place as usize;
    let near = &volts[place - UNSURE..=place + UNSURE];
    let (low, high) = near.iter().fold((f64::MAX, f64::MIN), |(low, high), &v| (low.min(v), high.max(v)));
    let slack_v = SAME_DIVISIONS * signal.division_v;
    if signal.level_v < low - slack_v || signal.level_v > high + slack_v {
        return Shown::Elsewhere(volts[place]);
    }
    // On either side, the first point that is well away from the level.
    let away = |v: &&f64| (**v - signal.level_v).abs() > AWAY * signal.swing_v;
    let before = volts[..=place - UNSURE].iter().rev().find(away);
    let after = volts[place + UNSURE..].iter().find(away);
    match (before, after) {
        (Some(&before), Some(&after)) if before < signal.level_v && after > signal.level_v => Shown::Rises,
        (Some(&before), Some(&after)) if before > signal.level_v && after < signal.level_v => Shown::Falls,
        _ => Shown::Unclear,
    }
}

fn judged(draft: Draft, shown: &[Shown], level_v: f64) -> TrialRow {
    match shown {
        [Shown::Rises, Shown::Falls] => draft.good(),
        [Shown::Falls, Shown::Rises] => draft.differs(
            "rising and falling are taken for each other: swap slope-rising and slope-falling in [words], or look commands.trigger-edge up",
        ),
        [Shown::Rises, Shown::Rises] | [Shown::Falls, Shown::Falls] => draft.differs(
            "the edge is the same whichever is asked for: look up {slope} in commands.trigger-edge, and slope-rising and slope-falling in [words]",
        ),
        _ => match shown.iter().find_map(|one| if let Shown::Elsewhere(volts) = one { Some(volts) } else { None }) {
            Some(volts) => draft.differs(format!(
                "the signal is at {volts:.3} V at the trigger, and {level_v:.3} V were asked for: look up {{level-v}} and the trigger's mode in commands.trigger-edge, and what the scaling says of the trigger's place"
            )),
            None => draft.end(TrialOutcome::NotTried, Some("the record does not show which way the signal goes".into())),
        },
    }
}
