//! The procedure signal-presence: looks whether each signal is there, in each mode.
//!
//! First every mode is looked at, then whatever is missing is proven absent (all of it together, with the
//! fewest probe moves and tape changes), and only then anything is judged.

mod carrier;
mod judge;
mod line;
mod look;
mod parameters;
mod record;

use carrier::level_of_carrier;
use judge::{Kind, Look, Shares, Sight, expected_level_v, findings, judged, nominal_hz, sight};
use look::Eyes;
use parameters as p;
use tapewright_sdk::absence::{Proof, Suspect, Tape, prove};
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe;

struct SignalPresence;

impl Procedure for SignalPresence {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let modes = judge::modes(settings.text(&p::MODES))?;
        settings.demand_order(&p::PAIRS)?;
        let mut bench = Bench::at_hand(settings)?;
        for (place, &mode) in modes.iter().enumerate() {
            report.progress(0.8 * place as f64 / modes.len() as f64, &format!("looks at every signal in {mode}"));
            match go(mode) {
                Ok(_) => bench.look(mode),
                Err(unable) => report.unable(unable.on(mode.as_str())),
            }
        }
        let suspects = bench.suspects();
        if !suspects.is_empty() {
            report.progress(0.8, "proves that what is missing is missing");
            bench.prove(&suspects, report);
        }
        report.progress(0.95, "judges");
        bench.judge(report);
        Ok(())
    }
}

/// What was seen of one signal in one mode, and what became of it if it was not.
struct Seen {
    mode: Mode,
    point: Point,
    look: Result<Look>,
    proof: Option<Proof>,
}

struct Bench<'a> {
    eyes: Eyes,
    shares: Shares,
    settings: &'a Settings,
    seen: Vec<Seen>,
}

impl<'a> Bench<'a> {
    fn at_hand(settings: &'a Settings) -> Result<Self> {
        let points = hookup()?;
        if points.is_empty() {
            return Err(Unable::new(
                UnableCode::NotHookedUp,
                "nothing is hooked up: put probes on the points and say so in the hookup",
            ));
        }
        let share = |parameter| settings.number(parameter) / 100.0;
        let eyes = Eyes {
            points,
            subject: subject()?,
            scope: abilities(),
            enough: share(&p::LEVEL_GOOD),
            crosstalk: share(&p::CROSSTALK),
            longer_s: settings.number(&p::RF_LONGER_S),
        };
        Ok(Self {
            eyes,
            shares: Shares { present: share(&p::LEVEL_REJECT), crosstalk: share(&p::CROSSTALK), most: None },
            settings,
            seen: Vec::new(),
        })
    }

    fn look(&mut self, mode: Mode) {
        let signals: Vec<Signal> = self.eyes.points.iter().map(|point| point.signal).collect();
        let looks = self.eyes.look(mode, &signals);
        for point in &self.eyes.points {
            let look = looks.iter().find(|(signal, _)| *signal == point.signal);
            self.seen.extend(look.map(|(_, look)| Seen {
                mode,
                point: point.clone(),
                look: look.clone(),
                proof: None,
            }));
        }
    }

    fn sight(&self, mode: Mode, point: &Point, look: &Look) -> Sight {
        let shares = Shares { most: probe::most(point, mode, self.settings), ..self.shares };
        sight(Kind::of(point), point.place, look, expected_level_v(point, &self.eyes.subject), shares)
    }

    fn sight_of(&self, seen: &Seen) -> Option<Sight> {
        seen.look.as_ref().ok().map(|look| self.sight(seen.mode, &seen.point, look))
    }

    /// Whether the signal counts in this mode. A muted machine sends video of its own, so video says something only
    /// where RF is not known to be missing.
    fn counts(&self, seen: &Seen) -> bool {
        let followed = |other: &&Seen| other.mode == seen.mode && other.point.signal == Signal::Rf;
        let rf = self.seen.iter().find(followed).and_then(|rf| self.sight_of(rf));
        judged(seen.mode, seen.point.signal, self.eyes.subject.format).0
            && (seen.point.signal != Signal::Video || rf.is_none_or(|rf| rf != Sight::Unseen))
    }

    fn suspects(&self) -> Vec<Suspect> {
        let unseen = self.seen.iter().filter(|seen| self.counts(seen) && self.sight_of(seen) == Some(Sight::Unseen));
        unseen.map(|seen| Suspect { point: seen.point.clone(), mode: seen.mode }).collect()
    }

    fn prove(&mut self, suspects: &[Suspect], report: &mut Report) {
        let mut again: Vec<(Mode, Signal, Result<Look>)> = Vec::new();
        let proved = prove(
            suspects,
            self.eyes.subject.format.lines.frame_rate_hz(),
            self.eyes.subject.tape,
            |mode, signals, tape| {
                let mut there = Vec::new();
                for (signal, look) in self.eyes.look(mode, signals) {
                    let unseen = match (&look, self.eyes.points.iter().find(|point| point.signal == signal)) {
                        (Ok(look), Some(point)) => match self.sight(mode, point, look) {
                            // What noise may hide with another tape, or what may be crosstalk, says nothing of the first one.
                            Sight::Noise if tape == Tape::Second => return Err(noise(point, look)),
                            Sight::Doubtful if tape == Tape::Second => return Err(doubtful(point, look)),
                            sight => sight == Sight::Unseen,
                        },
                        // What cannot be looked at with the first tape is no absence: its own fault is told.
                        (Err(unable), _) if tape == Tape::Second => return Err(unable.clone()),
                        _ => false,
                    };
                    if unseen {
                        continue;
                    }
                    there.push(signal);
                    if tape == Tape::First {
                        again.push((mode, signal, look));
                    }
                }
                Ok(there)
            },
        );
        for (suspect, proof) in suspects.iter().zip(proved.proofs) {
            let same = |seen: &&mut Seen| seen.mode == suspect.mode && seen.point.signal == suspect.point.signal;
            let Some(seen) = self.seen.iter_mut().find(same) else { continue };
            if let Some((.., look)) =
                again.iter().find(|(mode, signal, _)| (*mode, *signal) == (suspect.mode, suspect.point.signal))
            {
                seen.look = look.clone();
            }
            seen.proof = Some(proof);
        }
        if let Some(unable) = proved.wrong_tape {
            report.unable(unable);
        }
    }

    fn judge(&self, report: &mut Report) {
        for seen in &self.seen {
            self.judge_one(seen, report);
        }
        for point in &self.eyes.points {
            self.find(point, report);
        }
    }

    fn judge_one(&self, seen: &Seen, report: &mut Report) {
        let Seen { mode, point, .. } = seen;
        let name = format!("{mode}.{}", point.signal);
        if !self.counts(seen) {
            self.remark(seen, report);
            return;
        }
        let look = match (&seen.look, &seen.proof) {
            (Err(unable), _) => return report.unable(unable.clone().on(name)),
            (_, Some(Proof::Open(unable))) => return report.unable(unable.clone().on(name)),
            (_, Some(Proof::OnOtherTape)) => {
                if let Some(finding) = findings(point.signal).not_on_tape {
                    report.found(
                        finding,
                        &format!("in {mode}: tape `{}` shows none, another tape does", self.eyes.subject.tape_name),
                    );
                }
                return report.unable(lacking(point, &self.eyes.subject).on(name));
            }
            (Ok(look), _) => look,
        };
        if let Some(Proof::Absent(how)) = &seen.proof {
            report.note(&format!("{} is absent {how}", point.signal));
        }
        match self.sight(*mode, point, look) {
            Sight::Strange => {
                if let Some(finding) = findings(point.signal).strange {
                    let level_v = look.level.as_ref().map_or(0.0, |level| level.value);
                    report.found(finding, &format!("{} swings over {level_v:.3} V in {mode}", point.channel));
                }
                return report.unable(strange(point, look).on(name));
            }
            Sight::Noise => return report.unable(noise(point, look).on(name)),
            Sight::Unknown => return report.unable(no_expectation(point).on(name)),
            Sight::Hidden => return report.unable(hidden(point).on(name)),
            Sight::TooHigh => return report.unable(self.too_high(point, look).on(format!("{name}.level"))),
            Sight::Seen | Sight::Doubtful | Sight::Unseen => {}
        }
        if let Some((came, asked)) = look.triggers {
            report.measured(p::trigger_count(&format!("{name}.triggers"), came, asked));
            report.note(&format!("{name}: {} can only trigger, so its level and rate are not judged", point.channel));
        }
        self.judge_level(&name, seen, look, report);
        self.judge_rate(&name, seen, look, report);
    }

    fn too_high(&self, point: &Point, look: &Look) -> Unable {
        match (&look.level, expected_level_v(point, &self.eyes.subject)) {
            (Some(level), Some(expected_v)) => probe::wrong(point, level, expected_v),
            _ => no_expectation(point),
        }
    }

    fn judge_level(&self, name: &str, seen: &Seen, look: &Look, report: &mut Report) {
        let Some(level) = &look.level else { return };
        let expected_v = expected_level_v(&seen.point, &self.eyes.subject);
        let level = match (&look.carrier, expected_v) {
            (Some(told), Some(expected_v)) => match level_of_carrier(told, level, self.eyes.enough * expected_v) {
                Ok(level) => level,
                Err(unable) => return report.unable(unable.on(format!("{name}.level"))),
            },
            _ => level.clone(),
        };
        let measured = Measured::new(format!("{name}.level"), Unit::Volt, &level);
        let Some(expected_v) = expected_v else {
            report.measured(measured);
            return report.note(&format!("{name}.level is not judged: the hookup does not say which to expect"));
        };
        let outcome =
            report.measured(measured.judged(p::level_limits(self.settings, &seen.point, expected_v, level.value)));
        let proven_absent = matches!(seen.proof, Some(Proof::Absent(_)));
        if outcome == Some(Outcome::Fail)
            && !proven_absent
            && let Some(weak) = findings(seen.point.signal).weak
        {
            report.found(weak, &format!("{:.4} V in {}, {expected_v:.4} V expected", level.value, seen.mode));
        }
    }

    fn judge_rate(&self, name: &str, seen: &Seen, look: &Look, report: &mut Report) {
        let signal = seen.point.signal;
        let Some(nominal_hz) = nominal_hz(signal, self.eyes.subject.format.lines) else { return };
        if matches!(seen.proof, Some(Proof::Absent(_))) || look.triggers.is_some() {
            return;
        }
        let Some(rate) = &look.rate else {
            return report.unable(too_few(&seen.point).on(format!("{name}.rate")));
        };
        let measured = Measured::new(format!("{name}.rate"), Unit::Hertz, rate);
        if !judged(seen.mode, signal, self.eyes.subject.format).1 {
            report.measured(measured);
            return report
                .note(&format!("{name}.rate is not judged: a healthy machine shifts it in {} on purpose", seen.mode));
        }
        let judged = measured.clone().judged(p::rate_limits(self.settings, nominal_hz));
        // A train with many gaps in it may be counted by a period that is none.
        if look.uneven {
            let why = format!(
                "the pulses on {} come at odd places: many are missing, or some are noise; run `control-track`, which counts them",
                seen.point.channel
            );
            if judged.outcome() == Some(Outcome::Fail) {
                report.measured(measured);
                return report.unable(Unable::new(UnableCode::BadData, why).on(format!("{name}.rate")));
            }
            report.note(&format!("{name}.rate: {why}"));
        }
        if report.measured(judged) == Some(Outcome::Fail)
            && let Some(wrong) = findings(signal).wrong_rate
        {
            report.found(wrong, &format!("{:.3} Hz in {}, {nominal_hz:.3} Hz by the format", rate.value, seen.mode));
        }
    }

    /// Says what is there although it is not asked for.
    fn remark(&self, seen: &Seen, report: &mut Report) {
        let (mode, signal) = (seen.mode, seen.point.signal);
        let format = self.eyes.subject.format;
        match (self.sight_of(seen), signal) {
            (_, Signal::ControlTrack) if !format.control_track => report.note(&format!(
                "{mode}: {} has no control track, so what is on {} is not judged: pilot tones take its place (`pilot-tracking`)",
                format.name, seen.point.channel
            )),
            (Some(Sight::Seen), Signal::Video) => report
                .note(&format!("{mode}: there is video without RF, which may be the machine's own: it is not judged")),
            (Some(Sight::Seen), _) => {
                report.note(&format!("{mode}: {signal} is there, which is not judged in this mode"))
            }
            _ => {}
        }
    }

    /// One finding a signal: present in any mode, or proven absent in every mode that asks for it.
    fn find(&self, point: &Point, report: &mut Report) {
        let here: Vec<&Seen> =
            self.seen.iter().filter(|seen| seen.point.signal == point.signal && self.counts(seen)).collect();
        let in_modes = |list: &[&Seen]| list.iter().map(|seen| seen.mode.as_str()).collect::<Vec<_>>().join(" and ");
        let absent = |seen: &&&Seen| matches!(seen.proof, Some(Proof::Absent(_)));
        let there: Vec<&Seen> = here.iter().filter(|seen| self.sight_of(seen) == Some(Sight::Seen)).copied().collect();
        let of = findings(point.signal);
        if let (false, Some(finding)) = (there.is_empty(), of.present) {
            report.found(finding, &format!("{} in {}", point.channel, in_modes(&there)));
        } else if let (false, true, Some(finding)) = (here.is_empty(), here.iter().all(|seen| absent(&seen)), of.absent)
        {
            report.found(finding, &format!("{} in {}", point.channel, in_modes(&here)));
        }
    }
}

fn lacking(point: &Point, subject: &Subject) -> Unable {
    let why = format!(
        "tape `{}` carries no {} that this machine could read, and another tape does: use a tape that plays elsewhere to judge the machine",
        subject.tape_name, point.signal
    );
    Unable::new(UnableCode::WrongTape, why)
}

fn strange(point: &Point, look: &Look) -> Unable {
    let level_v = look.level.as_ref().map_or(0.0, |level| level.value);
    let why = format!(
        "{} spans {level_v:.3} V, but it has not the shape of {}: look at it, then at the probe's place and earth",
        point.channel, point.signal
    );
    Unable::new(UnableCode::BadData, why)
}

fn doubtful(point: &Point, look: &Look) -> Unable {
    let level_v = look.level.as_ref().map_or(0.0, |level| level.value);
    let why = format!(
        "with another tape {} spans {level_v:.3} V, which may be {} or not: take a tape that plays well elsewhere",
        point.channel, point.signal
    );
    Unable::new(UnableCode::BadData, why)
}

fn noise(point: &Point, look: &Look) -> Unable {
    if look.carrier.is_none() {
        return probe::hides_spikes(point, look.level.as_ref().map_or(0.0, |level| level.interval.high));
    }
    let level_v = look.level.as_ref().map_or(0.0, |level| level.value);
    let most_v = look.carrier.as_ref().map_or(0.0, |told| told.peak_to_peak_v().1);
    let why = format!(
        "{} spans {level_v:.3} V, which noise may do as well: no carrier stands out in it, though one of up to {most_v:.3} V may be there. \
         Look at the probe's earth and at what radiates nearby, then at heads and head amplifier: without the heads' signal \
         an amplifier gives noise",
        point.channel
    );
    Unable::new(UnableCode::InNoise, why)
}

fn no_expectation(point: &Point) -> Unable {
    let why = format!(
        "nothing says which level to expect of {} on {}: give `expected-v` in the hookup",
        point.signal, point.channel
    );
    Unable::new(UnableCode::NotPossible, why)
}

fn hidden(point: &Point) -> Unable {
    let why = format!(
        "{} lies after automatic gain, which lifts noise to the level of RF: put its probe before it",
        point.channel
    );
    Unable::new(UnableCode::LevelHidden, why)
}

fn too_few(point: &Point) -> Unable {
    let why = format!("too few pulses of {} came for a rate: they come far too seldom, or drop out", point.signal);
    Unable::new(UnableCode::TooShort, why)
}

tapewright_sdk::export!(SignalPresence);
