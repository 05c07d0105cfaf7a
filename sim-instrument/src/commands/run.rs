//! Commands carried out on the bench.

use super::parse::{Command, CommandError, Input, LinkChange, USAGES, point_word};
use crate::bench::Inner;
use crate::line::LinkFaults;
use crate::world::Probe;

/// Does one command at the bench's present moment.
pub(crate) fn run(inner: &mut Inner, text: &str) -> Result<String, CommandError> {
    let command = Command::parse(text)?;
    let refused = |why: String| CommandError::Refused { given: text.trim().to_owned(), why };
    let now_s = inner.now_s();
    match command {
        Command::Probe { input, point, factor } => {
            inner.flush();
            let count = inner.probes.channels.len();
            let probe = match input {
                Input::External => &mut inner.probes.external,
                Input::Channel(index) => match inner.probes.channels.get_mut(index) {
                    Some(probe) => probe,
                    None => {
                        return Err(refused(format!(
                            "there is no channel {}, only CH1 to CH{count} and EXT",
                            index + 1
                        )));
                    }
                },
            };
            *probe = Probe { point, factor: factor.unwrap_or(probe.factor), ..*probe };
            Ok(format!("the probe (x{}) touches {}", probe.factor, point_word(point)))
        }
        Command::Tape(name) => {
            inner.flush();
            inner.deck.insert(name.as_deref(), now_s).map_err(refused)?;
            Ok(name.map_or_else(|| "the machine is empty".to_owned(), |name| format!("tape {name} is in")))
        }
        Command::Key(mode) => {
            inner.flush();
            inner.deck.key(mode, now_s);
            Ok(format!("key {mode}"))
        }
        Command::Fault { name, value } => {
            inner.flush();
            inner.deck.fault(&name, &value, now_s).map_err(refused)?;
            Ok(format!("fault {name} {value}").trim_end().to_owned())
        }
        Command::Clear(name) => {
            inner.flush();
            inner.deck.clear(&name, now_s).map_err(refused)?;
            Ok(format!("{name} is as it was"))
        }
        Command::Link(which, change) => {
            let faults = &mut inner.line(which).faults;
            match change {
                LinkChange::Closed => faults.closed = true,
                LinkChange::Silent => faults.silent = true,
                LinkChange::Clear => *faults = LinkFaults::default(),
                LinkChange::Answer(count) => faults.answers_left = Some(count),
                LinkChange::Only(count) => faults.replies_left = Some(count),
                LinkChange::Drop(rate) => faults.drop = rate,
                LinkChange::Garble(rate) => faults.garble = rate,
                LinkChange::Double(rate) => faults.double = rate,
                LinkChange::Cut(rate) => faults.cut = rate,
                LinkChange::DropIn(rate) => faults.drop_in = rate,
                LinkChange::GarbleIn(rate) => faults.garble_in = rate,
                LinkChange::Late(rate, late_s) => {
                    faults.late = rate;
                    faults.late_s = late_s;
                }
            }
            Ok(format!("{faults:?}"))
        }
        Command::Restart(which) => {
            inner.restart(which);
            Ok("restarted".to_owned())
        }
        Command::Identity(which, identity) => {
            inner.line(which).exchange.identity = identity;
            Ok("identity changed".to_owned())
        }
        Command::Counters(which) => Ok(format!("{:?}", inner.line(which).counters)),
        Command::Help => Ok(USAGES.join("\n")),
        Command::Truth(what) => truth(inner, &what).map_err(refused),
    }
}

fn truth(inner: &mut Inner, what: &str) -> Result<String, String> {
    let now_s = inner.now_s();
    match what {
        "scope" => Ok(format!("{:?}", inner.scope.errors())),
        "seed" => Ok(inner.seed.to_string()),
        "acquisitions" => {
            let log = inner.scope.scope.log();
            let rows = log
                .iter()
                .map(|a| format!("{}: armed {:.9} s, trigger {:.9} s by {:?}", a.number, a.armed_s, a.trigger_s, a.by));
            Ok(rows.collect::<Vec<_>>().join("\n"))
        }
        "probes" => {
            let channels = inner.probes.channels.iter().enumerate().map(|(i, probe)| (format!("CH{}", i + 1), *probe));
            let all = channels.chain([("EXT".to_owned(), inner.probes.external)]);
            let rows = all.map(|(label, probe)| format!("{label} {} x{}", point_word(probe.point), probe.factor));
            Ok(rows.collect::<Vec<_>>().join("\n"))
        }
        what => {
            inner.flush();
            inner.deck.truth(what, now_s).map_err(|why| format!("{why}; also: scope, probes, acquisitions, seed"))
        }
    }
}
