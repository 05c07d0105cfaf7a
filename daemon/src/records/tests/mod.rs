//! Tests of the records as a whole, and what they share.

mod chain;
mod folder;
mod index;
mod jobs;
mod kill;
mod store;

use super::{
    ContentHash, DataFolder, FindingRecord, HostCall, Journal, MeasurementRecord, ProcedureStarted, ProcedureVerdict,
    RunClosed, RunEvent, RunOpened, UnableRecord,
};
use serde_json::json;
use std::path::Path;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::{Limit, Limits, Outcome, TapeKind, UnableCode};

/// 2026-03-01T14:29:13.042Z.
const START: WallTime = WallTime(1_772_375_353_042);

fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(work)
}

fn clock() -> Clock {
    Clock::virtual_from(START)
}

async fn open(folder: &Path) -> DataFolder {
    DataFolder::open(folder, clock()).await.expect("the folder opens")
}

fn opened() -> RunOpened {
    RunOpened {
        job: Some("j20260301-142200-001".parse().expect("a name")),
        bench: "bench-1".into(),
        machine: "VC-07".into(),
        format: "vhs-525-sp".into(),
        tape: TapeKind::Other,
        sequence: "first-look".into(),
        subject: json!({"tape-name": "archive 12", "even-picture": false}),
        hookup: json!([{"signal": "rf", "channel": "1"}]),
        instrument: json!({"identity": "bench scope", "dialect": "scpi-99"}),
        settings: json!({"fuel": 1_000_000_000_u64}),
    }
}

fn started(place: u32) -> ProcedureStarted {
    let name = format!("procedure-{place}");
    let component = ContentHash::of(name.as_bytes());
    ProcedureStarted { place, name, version: "0.1.0".into(), component, settings: json!([]) }
}

fn verdict(place: u32) -> ProcedureVerdict {
    let limits = Limits {
        good: Limit { at_least: Some(0.75), at_most: None },
        reject: Limit { at_least: Some(0.63), at_most: None },
        source: "common practice, no source".into(),
    };
    ProcedureVerdict {
        place,
        name: format!("procedure-{place}"),
        outcome: Outcome::Fail,
        measurements: vec![
            MeasurementRecord {
                name: "head-a.flatness".into(),
                unit: "1".into(),
                value: 0.1 + 0.2 + f64::from(place),
                low: 0.25,
                high: 9.0,
                coverage: 0.95,
                degrees_of_freedom: Some(9.0),
                limits: Some(limits),
                outcome: Some(Outcome::Inconclusive),
            },
            MeasurementRecord {
                name: "supply.level".into(),
                unit: "V".into(),
                value: 1.0 / 3.0,
                low: 0.3,
                high: 0.4,
                coverage: 0.95,
                degrees_of_freedom: None,
                limits: None,
                outcome: None,
            },
        ],
        findings: vec![FindingRecord { finding: "control-track.absent".into(), seen: "two tapes".into() }],
        unable: vec![UnableRecord { what: "delay".into(), code: UnableCode::NoTrigger, why: "no edge".into() }],
        rest: json!({"advice": ["clean the connector"]}),
    }
}

fn closed() -> RunClosed {
    let findings = vec![FindingRecord { finding: "control-track.absent".into(), seen: "two tapes".into() }];
    RunClosed {
        outcome: Outcome::Fail,
        conclusion: "no control pulses".into(),
        next: "look at the connector".into(),
        faults: Vec::new(),
        findings,
        tool_failed: false,
    }
}

/// Does a procedure's part of a run: start, a call with a capture, and a shown verdict.
async fn procedure(journal: &Journal, place: u32) {
    journal.append(&RunEvent::ProcedureStarted(started(place))).expect("it appends");
    let capture = journal.folder().captures().put(vec![place as u8; 100]).await.expect("it is kept");
    let call = HostCall {
        place,
        call: 0,
        name: "captures.acquire".into(),
        args: json!({"signals": ["rf"], "span-s": 0.04}),
        result: json!([{"trigger-s": 1.5}]),
        captures: vec![capture],
    };
    journal.append(&RunEvent::HostCall(call)).expect("it appends");
    let shown = journal.verdict(verdict(place)).await.expect("it is shown");
    assert_eq!(*shown, verdict(place));
}

async fn whole_run(folder: &DataFolder, procedures: u32) -> Journal {
    let journal = folder.start_run(opened()).await.expect("it starts");
    for place in 0..procedures {
        procedure(&journal, place).await;
    }
    journal.close(closed()).await.expect("it closes");
    journal
}
