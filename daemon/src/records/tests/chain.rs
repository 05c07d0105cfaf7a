//! The chain: what it refuses to write, and what it notices when read.

use super::*;
use crate::records::chain::{ChainEnd, ChainWriter, seal};
use crate::records::{Note, OURS, RecordsError, Recovered, RunId, Tail, Version, read_chain};
use proptest::prelude::*;
use serde_json::Value;

fn note(text: &str) -> RunEvent {
    RunEvent::Note(Note { text: text.into() })
}

/// A closed journal of a few lines, as bytes.
fn sample(folder: &Path) -> (std::path::PathBuf, Vec<u8>) {
    let path = folder.join("r.journal");
    let (mut writer, _) = ChainWriter::create(&path, "r", START, &RunEvent::RunOpened(opened())).expect("it is made");
    writer.append(START, &note("one")).expect("it appends");
    writer.append(START, &RunEvent::ProcedureVerdict(verdict(0))).expect("it appends");
    writer.append(START, &RunEvent::RunClosed(closed())).expect("it appends");
    let bytes = std::fs::read(&path).expect("it reads");
    assert_eq!(writer.end().bytes, bytes.len() as u64);
    (path, bytes)
}

#[test]
fn a_flipped_bit_anywhere_breaks_the_chain_at_its_line() {
    let temporary = tempfile::tempdir().expect("a folder");
    let (path, whole) = sample(temporary.path());
    let good = read_chain::<RunEvent>(&path).expect("it reads");
    assert_eq!(ChainEnd::stated(&path).expect("it reads"), Some(good.end()));
    assert_eq!((&good.tail, good.lines.len()), (&Tail::Whole, 4));
    for place in 0..whole.len() {
        let mut bytes = whole.clone();
        bytes[place] ^= 1 << (place % 7);
        std::fs::write(&path, &bytes).expect("it writes");
        let number = whole[..place].iter().filter(|b| **b == b'\n').count() as u64 + 1;
        match read_chain::<RunEvent>(&path) {
            Err(RecordsError::BadFormat { .. } | RecordsError::Newer { .. }) => assert_eq!(number, 1),
            Err(other) => panic!("{other}"),
            Ok(reading) => {
                let Tail::Broken { line, why } = &reading.tail else { panic!("not noticed at {place}") };
                assert_eq!(*line, number, "byte {place}: {why}");
                assert_eq!(reading.lines, good.lines[..reading.lines.len()]);
                assert!(reading.sound().is_err());
            }
        }
    }
}

#[test]
fn a_line_left_out_doubled_or_swapped_is_noticed() {
    let temporary = tempfile::tempdir().expect("a folder");
    let (path, whole) = sample(temporary.path());
    let lines: Vec<&[u8]> = whole.split_inclusive(|b| *b == b'\n').collect();
    let check = |order: &[usize], line: u64, why: &str| {
        std::fs::write(&path, order.iter().flat_map(|i| lines[*i]).copied().collect::<Vec<_>>()).expect("it writes");
        let found = read_chain::<RunEvent>(&path).and_then(crate::records::Reading::sound).expect_err("it is broken");
        let text = found.to_string();
        assert!(text.contains(&format!("broken at line {line}: ")) && text.contains(why), "{text}");
    };
    check(&[0, 1, 3, 4], 3, "it follows a line with the hash");
    check(&[0, 1, 2, 2, 3, 4], 4, "it follows a line with the hash");
    check(&[0, 2, 1, 3, 4], 2, "it follows a line with the hash");
    check(&[0, 1, 2, 3, 4, 4], 6, "it stands behind the record's last line");
}

#[test]
fn the_chain_can_be_checked_by_hand() {
    let temporary = tempfile::tempdir().expect("a folder");
    let (_, whole) = sample(temporary.path());
    let mut prev = "0".repeat(64);
    for (number, line) in core::str::from_utf8(&whole).expect("text").lines().enumerate() {
        let value: Value = serde_json::from_str(line).expect("json");
        assert_eq!(value["seq"], number);
        assert_eq!(value["prev"], prev.as_str());
        let body = format!("{}}}", line.split(",\"hash\":").next().expect("a part"));
        prev = ContentHash::of(body.as_bytes()).to_string();
        assert_eq!(value["hash"], prev.as_str());
    }
}

#[test]
fn what_would_not_read_back_is_not_written() {
    let temporary = tempfile::tempdir().expect("a folder");
    let path = temporary.path().join("r.journal");
    let (mut writer, _) = ChainWriter::create(&path, "r", START, &RunEvent::RunOpened(opened())).expect("it is made");
    let before = std::fs::read(&path).expect("it reads");
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut verdict = verdict(0);
        verdict.measurements[1].high = bad;
        let refused = writer.append(START, &RunEvent::ProcedureVerdict(verdict)).expect_err("it is refused");
        assert!(refused.to_string().contains("cannot write `procedure-verdict`"), "{refused}");
    }
    let long = writer.append(START, &note(&"x".repeat(crate::records::MAX_LINE_BYTES))).expect_err("it is refused");
    assert!(long.to_string().contains("are allowed"), "{long}");
    assert_eq!(std::fs::read(&path).expect("it reads"), before, "nothing was written");
    writer.append(START, &RunEvent::RunClosed(closed())).expect("and it goes on");
    let late = writer.append(START, &note("late")).expect_err("it is refused");
    assert!(matches!(late, RecordsError::Ended { .. }), "{late}");
    assert!(read_chain::<RunEvent>(&path).expect("it reads").ended());
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_ends_the_journal() {
    let full = Path::new("/dev/full");
    let mut writer = ChainWriter::resume(full, ChainEnd { bytes: 0, hash: ContentHash::ZERO }, 1).expect("it opens");
    let first = writer.append(START, &note("one")).expect_err("the disk is full");
    assert!(matches!(&first, RecordsError::Io { doing: "write", .. }), "{first}");
    let second = writer.append(START, &note("two")).expect_err("nothing goes behind half a line");
    assert!(matches!(second, RecordsError::Poisoned { .. }), "{second}");
}

/// Rewrites a journal's header to another version and adds lines of a kind unknown here.
fn made_by(path: &Path, version: Version, kinds: &[&str]) {
    let whole = std::fs::read_to_string(path).expect("it reads");
    let mut prev = ContentHash::ZERO;
    let mut bytes = Vec::new();
    let mut add = |mut value: Value, seq: usize| {
        let raw = format!(
            "{{\"seq\":{seq},\"wall_ms\":1,\"kind\":{},\"payload\":{},\"prev\":\"{prev}\"}}",
            value["kind"].take(),
            value["payload"].take()
        );
        let (line, hash) = seal(raw.into_bytes());
        prev = hash;
        bytes.extend(line);
    };
    let mut seq = 0;
    for line in whole.lines() {
        let mut value: Value = serde_json::from_str(line).expect("json");
        if seq == 0 {
            value["payload"]["major"] = version.major.into();
            value["payload"]["minor"] = version.minor.into();
        }
        add(value, seq);
        seq += 1;
    }
    for kind in kinds {
        add(json!({"kind": kind, "payload": {"of": "tomorrow"}}), seq);
        seq += 1;
    }
    std::fs::write(path, bytes).expect("it writes");
}

#[test]
fn newer_is_read_and_never_rewritten() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let run: RunId = {
            let data = open(temporary.path()).await;
            data.start_run(opened()).await.expect("it starts").run().clone()
        };
        let path = temporary.path().join(format!("runs/{run}.journal"));
        let written = std::fs::read(&path).expect("it reads");

        made_by(&path, Version { major: OURS.major, minor: OURS.minor + 1 }, &["of-tomorrow"]);
        let newer = std::fs::read(&path).expect("it reads");
        let data = open(temporary.path()).await;
        let [Recovered::LeftAlone { why, .. }] = data.recovered() else { panic!("{:?}", data.recovered()) };
        assert!(why.contains("only continued by the newer tapewright"), "{why}");
        let reading = data.read_run(&run).await.expect("it reads").sound().expect("it is sound");
        assert_eq!(reading.lines[1].kind, "of-tomorrow");
        assert_eq!(reading.lines[1].event, None);
        drop(data);
        assert_eq!(std::fs::read(&path).expect("it reads"), newer);

        made_by(&path, Version { major: OURS.major + 1, minor: 0 }, &[]);
        let newest = std::fs::read(&path).expect("it reads");
        let data = open(temporary.path()).await;
        let [Recovered::Damaged { why, .. }] = data.recovered() else { panic!("{:?}", data.recovered()) };
        assert!(why.contains("open it with a newer tapewright"), "{why}");
        drop(data);
        assert_eq!(std::fs::read(&path).expect("it reads"), newest);

        // A kind of tomorrow under the version of today is a fault, not news.
        std::fs::write(&path, written).expect("it writes");
        made_by(&path, OURS, &["of-tomorrow"]);
        let data = open(temporary.path()).await;
        let [Recovered::Damaged { why, .. }] = data.recovered() else { panic!("{:?}", data.recovered()) };
        assert!(why.contains("broken at line 3: `of-tomorrow` is not understood"), "{why}");
    });
}

proptest! {
    #[test]
    fn every_finite_number_comes_back_bit_for_bit(bits in any::<u64>()) {
        let value = f64::from_bits(bits);
        prop_assume!(value.is_finite());
        let text = serde_json::to_string(&value).expect("it is finite");
        prop_assert_eq!(serde_json::from_str::<f64>(&text).expect("a number").to_bits(), bits);
    }

    #[test]
    fn any_bytes_at_the_end_are_a_tail_and_no_panic(rubbish in proptest::collection::vec(any::<u8>(), 1..200)) {
        let temporary = tempfile::tempdir().expect("a folder");
        let (path, whole) = sample(temporary.path());
        let lines: Vec<&[u8]> = whole.split_inclusive(|b| *b == b'\n').collect();
        std::fs::write(&path, [&lines[..3].concat()[..], &rubbish].concat()).expect("it writes");
        let reading = read_chain::<RunEvent>(&path).expect("it reads");
        prop_assert_eq!(reading.lines.len(), 2);
        if rubbish.contains(&b'\n') {
            let broken = matches!(reading.tail, Tail::Broken { line: 4, .. });
            prop_assert!(broken);
        } else {
            prop_assert_eq!(reading.tail, Tail::Torn { bytes: rubbish.len() as u64 });
        }
    }
}
