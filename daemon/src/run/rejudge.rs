//! A recorded run again on its own evidence: each procedure gets the answers and the captures that it got then.

use super::evidence::StoreAdapter;
use crate::library::Library;
use crate::records::{DataFolder, RecordsError, RunEvent, RunId};
use crate::report::chain;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use tapewright_formats::Outcome;
use tapewright_host::{Call, Ended, MadeBy, Measurement, Verdict};

/// What one procedure of a run came to when it was judged again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rejudged {
    /// Its place in the run, from 0.
    pub place: u32,
    /// Its name.
    pub procedure: String,
    /// The verdict of then.
    pub recorded: Outcome,
    /// The verdict of now; none: it could not be judged again.
    pub again: Option<Outcome>,
    /// By what it was made then and is now, where that is not the same; what it says may be.
    pub made_otherwise: Option<String>,
    /// What is not as it was then, in words; empty: all that the verdict says is the same, bit for bit.
    pub differences: Vec<String>,
}

/// One procedure that was judged again, and where to go on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RejudgePage {
    /// The procedure; none: none is left that came to a verdict.
    pub rejudged: Option<Rejudged>,
    /// The place to go on from; none: that was the last.
    pub next: Option<u32>,
}

/// What a journal has of one procedure.
#[derive(Default)]
struct Recorded {
    calls: Vec<Call>,
    name: String,
    verdict: Option<serde_json::Value>,
    outcome: Option<Outcome>,
}

/// Judges the first procedure from a place on that came to a verdict.
///
/// # Errors
/// If the journal is not there, or its chain is broken: evidence that somebody may have changed proves nothing.
pub(crate) async fn rejudge(
    data: &DataFolder,
    library: &Library,
    run: &RunId,
    from: u32,
) -> Result<RejudgePage, RecordsError> {
    let reading = data.read_run(run).await?.sound()?;
    let mut all: BTreeMap<u32, Recorded> = BTreeMap::new();
    for event in reading.events() {
        match event {
            RunEvent::ProcedureStarted(started) => {
                all.entry(started.place).or_default().name.clone_from(&started.name);
            }
            RunEvent::HostCall(call) => all.entry(call.place).or_default().calls.push(Call {
                seq: u32::try_from(call.call).unwrap_or(u32::MAX),
                name: call.name.clone(),
                args: call.args.clone(),
                result: call.result.clone(),
            }),
            RunEvent::ProcedureVerdict(verdict) => {
                let recorded = all.entry(verdict.place).or_default();
                (recorded.verdict, recorded.outcome) = (Some(verdict.rest.clone()), Some(verdict.outcome));
            }
            _ => {}
        }
    }
    let mut judged = all.into_iter().filter(|(place, recorded)| *place >= from && recorded.outcome.is_some());
    let Some((place, recorded)) = judged.next() else { return Ok(RejudgePage { rejudged: None, next: None }) };
    let next = judged.next().map(|(place, _)| place);
    Ok(RejudgePage { rejudged: Some(one(data, library, place, recorded).await), next })
}

async fn one(data: &DataFolder, library: &Library, place: u32, recorded: Recorded) -> Rejudged {
    let Recorded { calls, name, verdict, outcome } = recorded;
    let was: Result<Verdict, _> = serde_json::from_value(verdict.unwrap_or_default());
    let mut done = Rejudged {
        place,
        procedure: name,
        recorded: outcome.unwrap_or(Outcome::Unable),
        again: None,
        made_otherwise: None,
        differences: Vec::new(),
    };
    let was = match was {
        Ok(was) => was,
        Err(error) => {
            done.differences.push(format!("the recorded verdict is not one of this version: {error}"));
            return done;
        }
    };
    if was.ended == Ended::Cancelled {
        done.differences.push("it was cancelled, so its evidence ends before a verdict on the machine".to_owned());
        return done;
    }
    let loaded = match library.procedure(&done.procedure).await {
        Ok(loaded) => loaded,
        Err(error) => {
            done.differences.push(chain(&error));
            return done;
        }
    };
    // By the limits of then: fuel is counted, and so a part of what must repeat.
    let store = StoreAdapter(data.captures().clone());
    match loaded.rejudge(calls, store, was.limits.clone(), data.clock()).await {
        Ok(now) => {
            done.again = Some(now.outcome);
            done.made_otherwise = made_otherwise(&was, &now);
            done.differences = differences(&was, now);
        }
        Err(error) => {
            let other = loaded.hash().to_string() != was.made_by.component;
            let by = if other { "by another component than recorded: " } else { "" };
            done.differences.push(format!("{by}{}", chain(&error)));
        }
    }
    done
}

/// By what each was made, where that is not the same.
fn made_otherwise(was: &Verdict, now: &Verdict) -> Option<String> {
    let by = |m: &MadeBy| {
        format!("{} {} ({:.12}), runtime {} on {}", m.procedure, m.version, m.component, m.wasmtime, m.architecture)
    };
    (was.made_by != now.made_by).then(|| format!("then by {}; now by {}", by(&was.made_by), by(&now.made_by)))
}

/// What differs, each in a line; empty only where the verdicts are equal but for by what they were made.
fn differences(was: &Verdict, mut now: Verdict) -> Vec<String> {
    if was.made_by != now.made_by {
        // Another build uses another amount of fuel for the same.
        (now.made_by, now.fuel) = (was.made_by.clone(), was.fuel);
    }
    let mut all = Vec::new();
    let mut other = |what: &str, differs: bool, text: String| {
        if differs {
            all.push(format!("{what}: {text}"));
        }
    };
    let value = |m: &Measurement| format!("{} [{}, {}] {}", m.value, m.interval.low, m.interval.high, m.unit);
    for m in &was.measurements {
        let again = now.measurements.iter().find(|n| n.name == m.name);
        let is = again.map_or_else(|| "not measured".to_owned(), value);
        other(&m.name, again != Some(m), format!("was {}; is {is}", value(m)));
    }
    for m in now.measurements.iter().filter(|m| was.measurements.iter().all(|w| w.name != m.name)) {
        other(&m.name, true, format!("was not measured; is {}", value(m)));
    }
    let found = |v: &Verdict| v.findings.iter().map(|f| f.finding.to_string()).collect::<Vec<_>>().join(", ");
    other("findings", was.findings != now.findings, format!("were {}; are {}", found(was), found(&now)));
    let unable =
        |v: &Verdict| v.unables.iter().map(|u| format!("{}: {}", u.what, u.code)).collect::<Vec<_>>().join(", ");
    other("not measured", was.unables != now.unables, format!("was {}; is {}", unable(was), unable(&now)));
    other("fuel", was.fuel != now.fuel, format!("was {}; is {}", was.fuel, now.fuel));
    if all.is_empty() && *was != now {
        all.push("figures, advice or notes are worded or drawn in another way".to_owned());
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn verdict(component: &str, value: f64, fuel: u64, note: &str) -> Verdict {
        let limits = serde_json::to_value(tapewright_host::Limits::default()).expect("it is written");
        serde_json::from_value(json!({
            "outcome": "pass", "ended": "finished", "figures": [], "findings": [], "unables": [], "advice": [],
            "notes": [note], "calls": 3, "fuel": fuel, "limits": limits,
            "measurements": [{
                "name": "balance", "unit": "dB", "value": value,
                "interval": { "low": -1.0, "high": 1.0, "coverage": 0.95 },
                "degrees_of_freedom": null, "limits": null, "outcome": null, "contributions": [],
            }],
            "made_by": {
                "procedure": "envelope", "version": "0.1.0", "component": component, "contract": "0.1.0",
                "wasmtime": "1", "switches": "", "architecture": "x",
            },
        }))
        .expect("a verdict")
    }

    #[test]
    fn another_build_is_said_and_is_no_difference_by_itself() {
        let was = verdict("aaaa", 0.5, 70, "as it was");
        for (now, otherwise, differs) in [
            (verdict("aaaa", 0.5, 70, "as it was"), false, ""),
            (verdict("bbbb", 0.5, 71, "as it was"), true, ""),
            (verdict("aaaa", 0.5, 71, "as it was"), false, "fuel: was 70; is 71"),
            (verdict("bbbb", 0.5000001, 71, "as it was"), true, "balance: was 0.5 [-1, 1] dB; is 0.5000001 [-1, 1] dB"),
            (verdict("aaaa", 0.5, 70, "otherwise"), false, "figures, advice or notes"),
        ] {
            assert_eq!(made_otherwise(&was, &now).is_some(), otherwise, "{now:?}");
            let found = differences(&was, now).join("; ");
            assert!(found.starts_with(differs) && found.is_empty() == differs.is_empty(), "{found} for {differs}");
        }
    }
}
