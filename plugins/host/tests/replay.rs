//! The same component and the same evidence give the same verdict; anything else is found at its call.

mod support;

use serde_json::json;
use support::{Bench, Evidence, act, acts, block_on, engine, play, virtual_clock};
use tapewright_formats::UnableCode;
use tapewright_host::{Call, CaptureStore, Divergence, Failure, Fault, Limits, RejudgeError, Verdict};

fn recorded(name: &str, bench: Bench, limits: Limits) -> (Verdict, Evidence) {
    let (verdict, evidence) = play(act(name), bench, limits);
    (verdict.expect("a verdict"), evidence)
}

fn again(calls: Vec<Call>, captures: Box<dyn CaptureStore>, limits: Limits) -> Result<Verdict, RejudgeError> {
    block_on(async {
        let (engine, procedure) = (engine(), acts());
        engine.rejudge(procedure, calls, captures, limits, virtual_clock()).await
    })
}

fn diverged(calls: Vec<Call>, captures: Box<dyn CaptureStore>) -> Divergence {
    match again(calls, captures, Limits::default()) {
        Err(RejudgeError::Diverged(divergence)) => divergence,
        other => panic!("it must diverge: {other:?}"),
    }
}

/// What a journal does to a log: written as text, read back.
fn through_text(calls: &[Call]) -> Vec<Call> {
    let lines: Vec<String> = calls.iter().map(|call| serde_json::to_string(call).expect("it can be written")).collect();
    lines.iter().map(|line| serde_json::from_str(line).expect("it can be read")).collect()
}

fn bits(verdict: &Verdict) -> String {
    serde_json::to_string(verdict).expect("it can be written")
}

#[test]
fn the_same_evidence_gives_the_same_verdict_bit_for_bit() {
    let silent = Failure::new(UnableCode::Unattended, "nobody answered within 5 s");
    let base = Limits::default;
    for (name, bench, limits) in [
        ("good", Bench::default(), base()),
        ("good", Bench { level_v: 0.3, ..Bench::default() }, base()),
        ("good", Bench { spoil: |c| c.traces[0].info.dt_s = -1.0, ..Bench::default() }, base()),
        ("track", Bench::default(), base()),
        ("wait", Bench { answer: Some(Err(silent)), ..Bench::default() }, base()),
        ("wait", Bench::default(), base()),
        ("lie", Bench::default(), base()),
        ("nan", Bench::default(), base()),
        ("panic", Bench::default(), base()),
        ("flood", Bench::default(), base()),
        ("babble", Bench::default(), base()),
        ("spin", Bench::default(), Limits { fuel: 20_000_000, ..base() }),
        ("bomb", Bench::default(), Limits { memory_bytes: 16 << 20, ..base() }),
    ] {
        let (verdict, evidence) = recorded(name, bench, limits.clone());
        let repeated = again(through_text(&evidence.calls()), evidence.store(), limits)
            .unwrap_or_else(|e| panic!("{name}: {e:?}"));
        assert_eq!(bits(&repeated), bits(&verdict), "{name}");
    }
}

#[test]
fn a_run_judged_again_without_the_fuel_limit_uses_the_same_fuel() {
    let (verdict, evidence) = recorded("good", Bench::default(), Limits::default());
    let unlimited =
        again(evidence.calls(), evidence.store(), Limits::default().without_fuel_limit()).expect("it repeats");
    assert_eq!(unlimited.fuel, verdict.fuel);
    assert_eq!(Verdict { limits: verdict.limits.clone(), ..unlimited }, verdict);
}

#[test]
fn a_cut_log_is_found_at_the_call() {
    let (_, evidence) = recorded("good", Bench::default(), Limits::default());
    let calls = evidence.calls();
    for length in 1..calls.len() {
        let expected = Divergence::Cut { seq: length as u32, name: calls[length].name.clone() };
        assert_eq!(diverged(calls[..length].to_vec(), evidence.store()), expected);
    }
    assert_eq!(diverged(Vec::new(), evidence.store()), Divergence::NoStart);
    assert_eq!(diverged(calls[1..].to_vec(), evidence.store()), Divergence::NoStart);
}

#[test]
fn a_changed_call_is_found_at_the_call() {
    let (_, evidence) = recorded("good", Bench::default(), Limits::default());
    let calls = evidence.calls();
    for place in 1..calls.len() {
        let mut changed = calls.clone();
        changed[place].args = json!({ "another": "question" });
        match diverged(changed, evidence.store()) {
            Divergence::Arguments { seq, name, .. } => assert_eq!((seq as usize, &name), (place, &calls[place].name)),
            other => panic!("arguments of call {place}: {other}"),
        }
        let mut changed = calls.clone();
        changed[place].name = "transport.eject".into();
        match diverged(changed, evidence.store()) {
            Divergence::Function { seq, .. } => assert_eq!(seq as usize, place),
            other => panic!("function of call {place}: {other}"),
        }
        let mut missing = calls.clone();
        missing.remove(place);
        match diverged(missing, evidence.store()) {
            Divergence::Function { seq, .. } | Divergence::Arguments { seq, .. } | Divergence::Cut { seq, .. } => {
                assert_eq!(seq as usize, place);
            }
            other => panic!("call {place} missing: {other}"),
        }
    }
    let mut longer = calls.clone();
    longer.push(Call {
        seq: calls.len() as u32,
        name: "transport.now".into(),
        args: json!(null),
        result: json!({ "ok": "play" }),
    });
    let expected = Divergence::LeftOver { seq: calls.len() as u32 - 1, name: "transport.now".into() };
    assert_eq!(diverged(longer, evidence.store()), expected);
}

#[test]
fn a_changed_answer_changes_the_verdict_or_is_found() {
    let (verdict, evidence) = recorded("good", Bench::default(), Limits::default());
    for place in 1..evidence.calls().len() {
        let mut calls = evidence.calls();
        calls[place].result = json!({ "ok": { "another": "answer" } });
        match again(calls, evidence.store(), Limits::default()) {
            Ok(other) => panic!("call {place}: {} against {}", bits(&other), bits(&verdict)),
            Err(RejudgeError::Diverged(_)) => {}
            Err(error) => panic!("call {place}: {error:?}"),
        }
    }
}

#[test]
fn a_capture_that_is_gone_or_changed_is_found() {
    struct Spoilt(Box<dyn CaptureStore>);
    impl CaptureStore for Spoilt {
        fn put(&mut self, bytes: &[u8]) -> Result<String, Fault> {
            self.0.put(bytes)
        }
        fn get(&self, hash: &str) -> Result<Vec<u8>, Fault> {
            let mut bytes = self.0.get(hash)?;
            *bytes.last_mut().expect("it has codes") ^= 1;
            Ok(bytes)
        }
    }
    let (_, evidence) = recorded("good", Bench::default(), Limits::default());
    let acquired = evidence.calls().iter().find(|call| call.name == "captures.acquire").expect("it looked").seq;
    for (store, expected) in [
        (Box::new(Spoilt(evidence.store())) as Box<dyn CaptureStore>, "they were changed"),
        (Box::new(tapewright_host::MemoryCaptures::default()), "is kept"),
    ] {
        match diverged(evidence.calls(), store) {
            Divergence::Capture { seq, text, .. } => {
                assert_eq!(seq, acquired);
                assert!(text.contains(expected), "{text}");
            }
            other => panic!("{other}"),
        }
    }
}
