//! After a kill at any point every shown verdict is there once, and an interrupted run is marked so, once.

use super::*;
use crate::records::{Recovered, RunId, RunState, Tail};
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Command, Stdio};

/// Opens the folder and checks what it says of a run against the verdicts that were shown.
async fn check(folder: &Path, run: &RunId, shown: &[u32], interrupted: bool) -> Vec<Recovered> {
    let data = open(folder).await;
    let reading = data.read_run(run).await.expect("it reads");
    assert_eq!(reading.tail, Tail::Whole);
    let verdicts: Vec<u32> = reading
        .events()
        .filter_map(|e| if let RunEvent::ProcedureVerdict(v) = e { Some(v.place) } else { None })
        .collect();
    assert!(verdicts.starts_with(shown), "shown {shown:?}, found {verdicts:?}");
    let mut once = verdicts.clone();
    once.dedup();
    assert_eq!(once, verdicts, "none twice");
    let marks = reading.events().filter(|e| matches!(e, RunEvent::RunInterrupted(_))).count();
    assert_eq!(marks, usize::from(interrupted));
    assert!(reading.ended());

    let row = data.index().run(run.as_str()).await.expect("it reads").expect("it is there");
    assert_eq!(row.state, if interrupted { RunState::Interrupted } else { RunState::Closed });
    let judged: Vec<u32> = data
        .index()
        .procedures(run.as_str())
        .await
        .expect("it reads")
        .iter()
        .filter(|p| p.verdict.is_some())
        .map(|p| p.place as u32)
        .collect();
    assert_eq!(judged, verdicts, "the index says the same");
    let recovered = data.recovered().to_vec();
    data.close().await.expect("it closes");
    recovered
}

#[test]
fn a_journal_cut_at_every_byte_of_its_last_lines() {
    block_on(async {
        // Cuts are made by hand here, so the disk need not be waited for some thousand times.
        let memory = Path::new("/dev/shm");
        let temporary =
            if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.expect("a folder");
        let (run, path, shown_at) = {
            let data = open(temporary.path()).await;
            let journal = data.start_run(opened()).await.expect("it starts");
            let path = data.journal_path(journal.run());
            let mut shown_at = Vec::new();
            for place in 0..3 {
                procedure(&journal, place).await;
                shown_at.push((place, std::fs::metadata(&path).expect("it is there").len() as usize));
            }
            journal.close(closed()).await.expect("it closes");
            data.close().await.expect("it closes");
            (journal.run().clone(), path, shown_at)
        };
        let whole = std::fs::read(&path).expect("it reads");
        let from = shown_at[1].1;
        let mut torn = 0;
        for length in from..=whole.len() {
            std::fs::write(&path, &whole[..length]).expect("it writes");
            if length % 32 == 0 {
                crate::records::Index::remove(temporary.path()).expect("it goes");
            }
            let shown: Vec<u32> = shown_at.iter().filter(|(_, at)| *at <= length).map(|(place, _)| *place).collect();
            let cut = length < whole.len();
            let tail = whole[..length].iter().rev().take_while(|b| **b != b'\n').count() as u64;
            let expected =
                if cut { vec![Recovered::Interrupted { run: run.clone(), torn_bytes: tail }] } else { vec![] };
            assert_eq!(check(temporary.path(), &run, &shown, cut).await, expected, "cut at {length}");
            if length % 8 == 0 {
                assert_eq!(check(temporary.path(), &run, &shown, cut).await, [], "and once only, cut at {length}");
            }
            torn += usize::from(tail > 0);
        }
        assert!(torn > 1_000, "only {torn} cuts within a line");
    });
}

#[test]
fn a_journal_cut_in_its_first_lines_is_reported_and_kept() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let path = {
            let data = open(temporary.path()).await;
            let journal = whole_run(&data, 1).await;
            data.journal_path(journal.run())
        };
        let whole = std::fs::read(&path).expect("it reads");
        for length in [0, 1, 100] {
            std::fs::write(&path, &whole[..length]).expect("it writes");
            let data = open(temporary.path()).await;
            let [Recovered::Damaged { file, why }] = data.recovered() else { panic!("{:?}", data.recovered()) };
            assert_eq!(file, &path);
            assert!(why.contains("first line is cut"), "{why}");
            assert_eq!(std::fs::read(&path).expect("it reads"), whole[..length], "left as it is");
        }
    });
}

/// Whether this process is the one that gets killed.
const VICTIM: &str = "TAPEWRIGHT_TEST_VICTIM_FOLDER";

#[test]
fn a_killed_process_loses_nothing_shown() {
    if let Some(folder) = std::env::var_os(VICTIM) {
        return victim(Path::new(&folder));
    }
    for lines_before in [1_usize, 4, 9, 23] {
        let temporary = tempfile::tempdir().expect("a folder");
        let mut child = Command::new(std::env::current_exe().expect("this test's program"))
            .args(["--exact", "records::tests::kill::a_killed_process_loses_nothing_shown", "--nocapture"])
            .env(VICTIM, temporary.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        let mut said = BufReader::new(child.stdout.take().expect("a pipe")).lines();
        let mut shown = Vec::new();
        let word = |line: std::io::Result<String>| line.ok()?.strip_prefix("shown ").map(str::to_owned);
        while shown.len() < lines_before {
            shown.extend(word(said.next().expect("it goes on")));
        }
        child.kill().expect("it is killed");
        shown.extend(said.filter_map(word));
        child.wait().expect("it is gone");

        block_on(async {
            let data = open(temporary.path()).await;
            let mut runs: Vec<RunId> = Vec::new();
            for line in &shown {
                let run: RunId = line.split(' ').next().expect("a word").parse().expect("a name");
                if runs.last() != Some(&run) {
                    runs.push(run);
                }
            }
            drop(data);
            for run in &runs {
                let places: Vec<u32> =
                    shown.iter().filter_map(|l| l.strip_prefix(run.as_str())?.trim().parse().ok()).collect();
                let data = open(temporary.path()).await;
                let reading = data.read_run(run).await.expect("it reads");
                let ended = reading.events().any(|e| matches!(e, RunEvent::RunClosed(_)));
                drop(data);
                check(temporary.path(), run, &places, !ended).await;
            }
        });
    }
}

/// Writes runs and says which verdicts were shown, until killed.
fn victim(folder: &Path) {
    block_on(async {
        let data = open(folder).await;
        loop {
            let journal = data.start_run(opened()).await.expect("it starts");
            for place in 0..4 {
                procedure(&journal, place).await;
                writeln!(std::io::stdout(), "shown {} {place}", journal.run()).expect("somebody reads");
            }
            journal.close(closed()).await.expect("it closes");
        }
    });
}
