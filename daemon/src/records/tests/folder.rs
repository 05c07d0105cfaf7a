//! The data folder: its lock, its version, and that time stands still while it works.

use super::*;
use crate::records::RecordsError;

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
