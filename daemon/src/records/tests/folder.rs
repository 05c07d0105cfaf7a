//! The data folder: its lock, its version, and that time stands still while it works.

use super::*;
use crate::records::{RecordsError, RunFilter, RunState};

#[test]
fn two_cannot_hold_one_folder() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let first = open(temporary.path()).await;
        let journal = first.start_run(opened()).await.expect("it starts");
        let refused = DataFolder::open(temporary.path(), clock()).await.expect_err("it is held").to_string();
        assert!(refused.contains(&temporary.path().display().to_string()), "{refused}");
        assert!(refused.contains(&format!("(process {})", std::process::id())), "{refused}");
        assert!(refused.contains("give this one another data folder"), "{refused}");
        drop(first);
        assert!(DataFolder::open(temporary.path(), clock()).await.is_err(), "a journal holds it too");
        drop(journal);
        assert!(DataFolder::open(temporary.path(), clock()).await.is_ok());
    });
}

#[test]
fn a_folder_with_other_things_is_left_alone() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        std::fs::write(temporary.path().join("letter.txt"), "dear").expect("it writes");
        let refused = DataFolder::open(temporary.path(), clock()).await.expect_err("it is refused");
        assert!(matches!(&refused, RecordsError::NotADataFolder { found, .. } if found == "letter.txt"), "{refused}");
    });
}

#[test]
fn the_version_of_the_layout() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        drop(open(temporary.path()).await);
        let file = temporary.path().join("format.json");
        let ours = std::fs::read_to_string(&file).expect("it reads");
        assert!(ours.contains("\"major\":1,\"minor\":1"), "{ours}");

        let minor = ours.replace("\"minor\":1", "\"minor\":7,\"more\":true");
        std::fs::write(&file, &minor).expect("it writes");
        whole_run(&open(temporary.path()).await, 1).await;
        assert_eq!(std::fs::read_to_string(&file).expect("it reads"), minor, "read, and not rewritten");

        for (text, why) in [
            (ours.replace("\"major\":1", "\"major\":2"), "open it with a newer tapewright; nothing was changed"),
            (ours.replace("\"major\":1", "\"major\":0"), "there is no format 0.x"),
            (ours.replace("tapewright-data", "other-data"), "it is a `other-data`"),
            (String::new(), "does not say its format"),
        ] {
            std::fs::write(&file, &text).expect("it writes");
            let refused = DataFolder::open(temporary.path(), clock()).await.expect_err("it is refused").to_string();
            assert!(refused.contains(why), "{refused}");
            assert_eq!(std::fs::read_to_string(&file).expect("it reads"), text);
        }
    });
}

#[test]
fn runs_of_one_second_get_names_of_their_own() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let (one, two) = tokio::join!(data.start_run(opened()), data.start_run(opened()));
        let names = [one, two].map(|journal| journal.expect("it starts").run().to_string());
        assert_eq!(names, ["r20260301-142913-001", "r20260301-142913-002"]);
    });
}

#[test]
fn the_disk_takes_no_virtual_time() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let clock = clock();
        let data = DataFolder::open(temporary.path(), clock.clone()).await.expect("it opens");
        let waker = clock.clone();
        let sleeper = tokio::spawn(async move { waker.sleep(core::time::Duration::from_secs(3600)).await });
        whole_run(&data, 3).await;
        assert_eq!(clock.now().as_nanos(), 0);
        sleeper.await.expect("it wakes");
        assert_eq!(clock.now().as_nanos(), 3_600_000_000_000);
    });
}

#[test]
fn an_unknown_run_is_said_to_be() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let id = "r20260301-142913-009".parse().expect("a name");
        let text = data.read_run(&id).await.expect_err("there is none").to_string();
        assert!(text.starts_with("no run `r20260301-142913-009` in data folder"), "{text}");
    });
}

#[test]
fn a_journal_that_was_changed_after_its_end_is_listed_as_damaged() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let run = whole_run(&data, 1).await.run().clone();
        let all = RunFilter::default();
        let state =
            async || data.runs(&all).await.expect("it lists").first().map(|row| (row.state, row.verdict.clone()));
        let before = state().await.expect("it is there");
        assert_eq!(before.0, RunState::Closed);
        let path = data.journal_path(&run);
        let whole = std::fs::read(&path).expect("it reads");
        let mut bent = whole.clone();
        bent[whole.len() / 2] ^= 1;
        std::fs::write(&path, &bent).expect("it writes");
        assert_eq!(state().await, Some((RunState::Damaged, None)));
        let passed = RunFilter { verdict: before.1.clone(), ..RunFilter::default() };
        assert_eq!(data.runs(&passed).await.expect("it lists"), [], "it passed nothing any more");
        drop(data);
        // Put back from a copy, it counts again from the next start on.
        std::fs::write(&path, &whole).expect("it writes");
        let data = open(temporary.path()).await;
        let state =
            async || data.runs(&all).await.expect("it lists").first().map(|row| (row.state, row.verdict.clone()));
        assert_eq!(state().await, Some(before.clone()));
        // Its first line, its end, or all of it.
        let mut headless = whole.clone();
        headless[5] ^= 1;
        for left in [Some(headless), Some(whole[..whole.len() - 2].to_vec()), None] {
            match &left {
                Some(left) => std::fs::write(&path, left).expect("it writes"),
                None => std::fs::remove_file(&path).expect("it goes"),
            }
            assert_eq!(state().await, Some((RunState::Damaged, None)), "{:?}", left.map(|left| left.len()));
            std::fs::write(&path, &whole).expect("it writes");
            data.rebuild_index().await.expect("it rebuilds");
        }
    });
}
