//! A component that behaves well or badly, as it is told by its setting `act`.

mod good;

use tapewright_sdk::bindings::exports::tapewright::procedure::entry;
use tapewright_sdk::bindings::tapewright::procedure::types::{Outcome, TapeKind};
use tapewright_sdk::bindings::tapewright::procedure::{captures, operator, report, tracking};
use tapewright_sdk::prelude::*;

const ACT: Text = Text { name: "act", meaning: "What it does.", default: "good", source: "this test" };

/// Not by the SDK's report, which would not let it lie.
#[derive(Debug)]
pub struct Acts;

impl Procedure for Acts {
    fn describe() -> Description {
        Description { parameters: &[Parameter::Text(ACT), Parameter::Number(good::LEAST)], ..good::DESCRIPTION }
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        good::run(settings, report)
    }
}

impl entry::Guest for Acts {
    fn describe() -> entry::Description {
        <tapewright_sdk::Exported<Self> as entry::Guest>::describe()
    }

    fn run(settings: Vec<entry::Setting>) -> Outcome {
        let told = settings.iter().find_map(|setting| match &setting.value {
            entry::Value::Text(act) if setting.name == ACT.name => Some(act.clone()),
            _ => None,
        });
        match told.as_deref() {
            Some("good") | None => <tapewright_sdk::Exported<Self> as entry::Guest>::run(settings),
            Some(act) => misbehave(act),
        }
    }
}

/// A measurement that fails by its own limits.
fn failing() -> report::Measurement {
    report::Measurement {
        name: "level".into(),
        unit: "V".into(),
        value: 0.4,
        low: 0.3,
        high: 0.5,
        coverage: 0.95,
        degrees_of_freedom: Some(9.0),
        limits: Some(report::Limits {
            good: report::Limit { at_least: Some(0.8), at_most: None },
            reject: report::Limit { at_least: Some(0.6), at_most: None },
            source: "this shop".into(),
        }),
    }
}

fn with(change: impl FnOnce(&mut report::Measurement)) -> Outcome {
    let mut measurement = failing();
    change(&mut measurement);
    report::measured(&measurement);
    Outcome::Fail
}

fn with_limits(change: impl FnOnce(&mut report::Limits)) -> Outcome {
    with(|measurement| change(measurement.limits.as_mut().expect("it is judged")))
}

fn look(span_s: f64, count: u32) -> Vec<captures::Capture> {
    captures::acquire(&captures::Request {
        signals: vec!["control-track".into()],
        span_s,
        before_s: 0.0,
        least_points: 0,
        least_rate_hz: 0.0,
        trigger: captures::Trigger::Free,
        detection: captures::Detection::Sample,
        count,
        deadline_s: 1.0,
    })
    .expect("the test's bench answers")
}

fn press(by: i32) -> Outcome {
    report::note(&format!("{:?}", tracking::turn(tracking::Press::By(by))));
    Outcome::Fail
}

#[expect(unconditional_recursion, reason = "that is its fault")]
fn deeper(level: u64) -> u64 {
    // Kept from being a loop: the result is used after the call.
    let below = deeper(std::hint::black_box(level + 1));
    std::hint::black_box(below) ^ level
}

fn misbehave(act: &str) -> Outcome {
    match act {
        "lie" => {
            report::measured(&failing());
            Outcome::Pass
        }
        "fail honestly" => {
            report::measured(&failing());
            Outcome::Fail
        }
        "pass on nothing" => Outcome::Pass,
        "hide an unable" => {
            report::measured(&report::Measurement { value: 0.9, low: 0.88, high: 0.92, ..failing() });
            report::unable("the rest", "clipped", "it ran against the converter's end");
            Outcome::Pass
        }
        "nan" => with(|m| m.value = f64::NAN),
        "infinite" => with(|m| m.high = f64::INFINITY),
        "outside" => with(|m| m.value = 0.6),
        "unit" => with(|m| m.unit = "furlong".into()),
        "narrow" => with(|m| m.coverage = 0.5),
        "cross" => with_limits(|l| core::mem::swap(&mut l.good, &mut l.reject)),
        "endless limit" => with_limits(|l| (l.good.at_least, l.reject.at_least) = (None, None)),
        "nameless limit" => with_limits(|l| l.source.clear()),
        "finding" => {
            report::found("machine.haunted", "the screen");
            Outcome::Fail
        }
        "code" => {
            report::unable("all", "no-wish", "it did not want to");
            Outcome::Unable
        }
        "contribution" => {
            let share = report::Contribution {
                name: "gain".into(),
                evaluation: report::Evaluation::B,
                standard_uncertainty: 0.1,
                degrees_of_freedom: None,
            };
            report::contributes(7, &share);
            Outcome::Fail
        }
        "request" => {
            drop(look(f64::NAN, 1));
            Outcome::Fail
        }
        "spin" => loop {
            std::hint::spin_loop();
        },
        "bomb" => {
            let mut held: Vec<Vec<u8>> = Vec::new();
            loop {
                held.push(vec![1; 1 << 20]);
                std::hint::black_box(&held);
            }
        }
        "recurse" => {
            report::note(&deeper(0).to_string());
            Outcome::Fail
        }
        "flood" => loop {
            drop(captures::hookup());
        },
        "shout" => {
            report::note(&"a".repeat(2 << 20));
            Outcome::Fail
        }
        "babble" => loop {
            report::note(&"a".repeat(1 << 16));
        },
        "hoard captures" => {
            let mut held = Vec::new();
            loop {
                held.push(look(0.1, 1));
            }
        }
        "hoard codes" => {
            let mut held = Vec::new();
            loop {
                held.push(look(10.0, 1));
            }
        }
        "drop captures" => {
            for _ in 0..50 {
                drop(look(10.0, 1));
            }
            misbehave("fail honestly")
        }
        "panic" => {
            <tapewright_sdk::Exported<Acts> as entry::Guest>::describe();
            panic!("the tape is a ribbon");
        }
        "track" => {
            for press in [tracking::Press::Centre, tracking::Press::By(-3)] {
                report::note(&format!("{:?}", tracking::turn(press)));
            }
            misbehave("fail honestly")
        }
        "press nothing" => press(0),
        "press for ever" => press(i32::MIN),
        "wait" => {
            report::note("waiting");
            match operator::ask(&operator::Prompt {
                id: "tape".into(),
                text: "Is the scrap tape in?".into(),
                action: operator::Action::ChangeTape(TapeKind::Own),
                choices: vec!["yes".into(), "no".into()],
                deadline_s: 5.0,
            }) {
                Ok(_) => report::unable("tape", "declined", "it is not wanted"),
                Err(failure) => report::unable("tape", &failure.code, &failure.text),
            }
            Outcome::Unable
        }
        other => panic!("no act `{other}`"),
    }
}

#[cfg(target_arch = "wasm32")]
#[allow(unsafe_code, reason = "the contract's exports are C functions")]
const _: () = {
    tapewright_sdk::bindings::export_bindings!(Acts with_types_in tapewright_sdk::bindings);
};
