//! Jobs, and when an alignment tape may go in.

use super::*;
use crate::records::{JobEvent, JobOpened, NoAlignmentTape, RecordsError, ScrapTapeRan};

fn came_in() -> JobOpened {
    JobOpened { machine: "VC-07".into(), format: "vhs-525-sp".into(), symptom: "picture tears in play".into() }
}

fn scrap(safely: bool) -> JobEvent {
    JobEvent::ScrapTapeRan(ScrapTapeRan { safely, by: "scenario".into(), run: None })
}

#[test]
fn an_alignment_tape_only_after_a_scrap_tape_ran_safely() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let job = data.start_job(came_in()).await.expect("it starts");
        assert_eq!(job.id.as_str(), "j20260301-142913-001");
        assert_eq!(job.alignment_tape(), Err(NoAlignmentTape::NoScrapTapeYet(job.id.clone())));
        let note = JobEvent::JobNote { text: "reel brake noisy".into() };
        assert!(data.add_to_job(&job.id, note).await.expect("it adds").alignment_tape().is_err());
        let job = data.add_to_job(&job.id, scrap(true)).await.expect("it adds");
        assert_eq!(job.alignment_tape(), Ok(()));
        let job = data.add_to_job(&job.id, scrap(false)).await.expect("it adds");
        assert_eq!(job.alignment_tape(), Err(NoAlignmentTape::ScrapTapeHarmed(job.id.clone())));
        data.add_to_job(&job.id, scrap(true)).await.expect("it adds");

        let other = data.start_job(came_in()).await.expect("it starts");
        assert!(other.alignment_tape().is_err(), "a scrap tape counts in its own job");
        drop(data);
        let data = open(temporary.path()).await;
        let jobs = data.jobs().await.expect("it lists");
        assert_eq!(jobs.iter().map(|j| j.id.to_string()).collect::<Vec<_>>(), [job.id.as_str(), other.id.as_str()]);
        assert_eq!(jobs[0].alignment_tape(), Ok(()));
        assert_eq!((&jobs[0].notes[..], jobs[0].opened_ms), (&["reel brake noisy".to_owned()][..], START.0));
    });
}

#[test]
fn what_cannot_be_added() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let id = data.start_job(came_in()).await.expect("it starts").id;
        let twice = data.add_to_job(&id, JobEvent::JobOpened(came_in())).await.expect_err("it is refused");
        assert!(matches!(twice, RecordsError::Unfit { .. }), "{twice}");
        let end = JobEvent::JobClosed { conclusion: "connector remade".into() };
        assert!(data.add_to_job(&id, end).await.expect("it closes").closed.is_some());
        let late = data.add_to_job(&id, scrap(true)).await.expect_err("it is refused");
        assert!(matches!(late, RecordsError::JobClosed { .. }), "{late}");
        let none = data.add_to_job(&"j-9".parse().expect("a name"), scrap(true)).await.expect_err("there is none");
        assert!(matches!(none, RecordsError::Unknown { what: "job", .. }), "{none}");
    });
}

#[test]
fn a_job_is_of_a_machine_and_of_a_known_format() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let nameless = data.start_job(JobOpened { machine: " ".into(), ..came_in() }).await.expect_err("no machine");
        assert!(matches!(nameless, RecordsError::BadName { what: "machine", .. }), "{nameless}");
        let other =
            data.start_job(JobOpened { format: "vhs-500-sp".into(), ..came_in() }).await.expect_err("no format");
        assert!(matches!(&other, RecordsError::NotKnown { known, .. } if known.contains("vhs-525-sp")), "{other}");
        assert_eq!(data.jobs().await.expect("it lists"), []);
    });
}

#[test]
fn a_run_that_did_not_pass_closes_the_job_and_is_named() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let id = data.start_job(came_in()).await.expect("it starts").id;
        let ran = ScrapTapeRan { safely: false, by: "tape-safe".into(), run: Some("r-1".parse().expect("a name")) };
        let job = data.add_to_job(&id, JobEvent::ScrapTapeRan(ran)).await.expect("it adds");
        let why = job.alignment_tape().expect_err("it is closed").to_string();
        assert!(why.contains("r-1") && !why.contains("was harmed"), "{why}");
        // Somebody's word does not open it again; the next run that passes does.
        let said = data.add_to_job(&id, scrap(true)).await.expect_err("a run said otherwise");
        assert!(matches!(&said, RecordsError::Unfit { why, .. } if why.contains("r-1")), "{said}");
        assert!(data.job(&id).await.expect("it reads").alignment_tape().is_err());
        let ran = ScrapTapeRan { safely: true, by: "tape-safe".into(), run: Some("r-2".parse().expect("a name")) };
        let job = data.add_to_job(&id, JobEvent::ScrapTapeRan(ran)).await.expect("it adds");
        assert_eq!(job.alignment_tape(), Ok(()));
    });
}

#[test]
fn a_cut_line_was_not_answered_for() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let id = data.start_job(came_in()).await.expect("it starts").id;
        let path = temporary.path().join(format!("jobs/{id}.journal"));
        let before = std::fs::read(&path).expect("it reads");
        data.add_to_job(&id, scrap(true)).await.expect("it adds");
        let after = std::fs::read(&path).expect("it reads");
        for length in before.len()..after.len() {
            std::fs::write(&path, &after[..length]).expect("it writes");
            assert!(data.job(&id).await.expect("it reads").alignment_tape().is_err(), "cut at {length}");
            assert_eq!(data.add_to_job(&id, scrap(true)).await.expect("it adds").alignment_tape(), Ok(()));
        }
        let mut bent = after;
        let place = bent.len() - 100;
        bent[place] ^= 1;
        std::fs::write(&path, bent).expect("it writes");
        let broken = data.add_to_job(&id, scrap(true)).await.expect_err("it is damaged");
        assert!(matches!(broken, RecordsError::Chain { line: 3, .. }), "{broken}");
    });
}

/// What is said of words that are not kept.
async fn check_words(data: &DataFolder, words: &str, expected: Option<&str>) {
    let id = data.start_job(came_in()).await.expect("it starts").id;
    let (text, conclusion) = (words.to_owned(), words.to_owned());
    let all = [
        data.start_job(JobOpened { symptom: words.to_owned(), ..came_in() }).await,
        data.add_to_job(&id, JobEvent::JobNote { text }).await,
        data.add_to_job(&id, JobEvent::JobClosed { conclusion }).await,
    ];
    for kept in all {
        match (kept, expected) {
            (Ok(_), None) => {}
            (Err(error @ RecordsError::BadWords { .. }), Some(part)) => {
                let said = error.to_string();
                assert!(said.contains(part) && !said.contains(char::is_control), "{said}");
            }
            (other, _) => panic!("{words:?}: {other:?}"),
        }
    }
}

#[test]
fn words_that_would_spoil_a_list_are_not_kept() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let (most, more) = ("\u{e4}".repeat(2_000), "x".repeat(2_001));
        for (words, expected) in [
            ("bands of snow, \u{fc}ber alles", None),
            (most.as_str(), None),
            (" ", Some("it is empty")),
            ("A\nB", Some("control character `\\n`: write it in one line")),
            ("A\u{1b}[31mB", Some("control character `\\u{1b}`")),
            (more.as_str(), Some("it has 2001 characters: shorten it to at most 2000")),
        ] {
            check_words(&data, words, expected).await;
        }
        for machine in ["A\nB\u{1b}[31m".to_owned(), "x".repeat(65)] {
            let refused = data.start_job(JobOpened { machine, ..came_in() }).await.expect_err("it is not kept");
            assert!(
                matches!(&refused, RecordsError::BadWords { what, .. } if what.contains("shelf mark")),
                "{refused}"
            );
        }
    });
}

#[test]
fn a_closed_job_says_so_by_its_name() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let id = data.start_job(came_in()).await.expect("it starts").id;
        data.add_to_job(&id, JobEvent::JobClosed { conclusion: "mended".into() }).await.expect("it closes");
        let late = data.add_to_job(&id, JobEvent::JobNote { text: "more".into() }).await.expect_err("it is closed");
        let expected = format!("job {id} is closed, its machine left: open a new one with `tapewright job open`");
        assert_eq!(late.to_string(), expected);
    });
}
