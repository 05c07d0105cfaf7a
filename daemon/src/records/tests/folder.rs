//! The data folder: its lock, its version, and that time stands still while it works.

use super::*;
use crate::records::{RecordsError, Recovered, RunFilter, RunState};

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

/// The runs in a list, by name and state.
async fn listed(data: &DataFolder, machine: Option<&str>) -> Vec<(String, RunState)> {
    let filter = RunFilter { machine: machine.map(str::to_owned), ..RunFilter::default() };
    data.runs(&filter).await.expect("it lists").into_iter().map(|row| (row.id, row.state)).collect()
}

#[test]
fn what_cannot_be_read_is_named_and_keeps_nothing_else_from_being_served() {
    block_on(async {
        // What lies there, and whether its name can be that of a run.
        for (name, content, is_listed) in [
            ("dir.journal", None, true),
            ("r20260101-000000-001.journal", Some(&b""[..]), true),
            ("r20260101-000000-002.journal", Some(b"{\"seq\":0"), true),
            ("copy of a run.journal", Some(b"dear"), false),
            (".journal", Some(b"dear"), false),
        ] {
            let temporary = tempfile::tempdir().expect("a folder");
            let data = open(temporary.path()).await;
            let good = whole_run(&data, 1).await.run().to_string();
            drop(data);
            let path = temporary.path().join("runs").join(name);
            match content {
                None => std::fs::create_dir(&path).expect("it is made"),
                Some(content) => std::fs::write(&path, content).expect("it writes"),
            }
            let mut expected = vec![(good, RunState::Closed)];
            let id = name.trim_end_matches(".journal").to_owned();
            expected.extend(is_listed.then_some((id, RunState::Damaged)));
            for anew in [false, true, false] {
                let data = if anew {
                    DataFolder::open_and_rebuild(temporary.path(), clock()).await
                } else {
                    DataFolder::open(temporary.path(), clock()).await
                };
                let data = data.unwrap_or_else(|error| panic!("{name}: {error}"));
                let said: Vec<String> = data.recovered().iter().map(ToString::to_string).collect();
                assert!(matches!(&said[..], [said] if said.contains(&path.display().to_string())), "{said:?}");
                assert_eq!(listed(&data, None).await, expected, "{name}");
                data.rebuild_index().await.expect("it rebuilds");
                assert_eq!(listed(&data, None).await, expected, "{name}, rebuilt while it is served");
            }
        }
    });
}

#[test]
fn a_journal_whose_beginning_was_changed_is_listed_by_its_files_name() {
    block_on(async {
        // In which line a byte is changed, counted from 1.
        for line in [1, 2] {
            let temporary = tempfile::tempdir().expect("a folder");
            let data = open(temporary.path()).await;
            let run = whole_run(&data, 1).await.run().clone();
            let path = data.journal_path(&run);
            let mut bent = std::fs::read(&path).expect("it reads");
            let ends = bent.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(place, _)| place);
            let end = ends.clone().nth(line - 1).expect("so many lines");
            bent[end - 100] ^= 1;
            std::fs::write(&path, &bent).expect("it writes");
            let expected = [(run.to_string(), RunState::Damaged)];
            // Seen while it is served, at the next start, and by an index made anew; whatever machine is asked for, since it does
            // not say any more which it is of.
            for anew in [None, Some(false), Some(true)] {
                let data = match anew {
                    None => data.clone(),
                    Some(anew) => {
                        let other = tempfile::tempdir().expect("a folder");
                        std::fs::create_dir(other.path().join("runs")).expect("it is made");
                        for name in ["format.json", "index.sqlite"] {
                            std::fs::copy(temporary.path().join(name), other.path().join(name)).expect("it copies");
                        }
                        let journal = other.path().join("runs").join(path.file_name().expect("a name"));
                        std::fs::copy(&path, journal).expect("it copies");
                        let opened = if anew {
                            DataFolder::open_and_rebuild(other.path(), clock()).await
                        } else {
                            DataFolder::open(other.path(), clock()).await
                        };
                        let data = opened.expect("it opens");
                        assert!(matches!(data.recovered(), [Recovered::Damaged { .. }]), "{:?}", data.recovered());
                        data
                    }
                };
                assert_eq!(listed(&data, None).await, expected, "line {line}, {anew:?}");
                assert_eq!(listed(&data, Some("VC-07")).await, expected, "line {line}, {anew:?}");
            }
        }
    });
}

#[test]
fn a_journal_that_is_gone_is_said_to_be_in_the_list_and_where_it_is_shown() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let mut data = open(temporary.path()).await;
        let run = whole_run(&data, 1).await.run().clone();
        let path = data.journal_path(&run);
        let whole = std::fs::read(&path).expect("it reads");
        std::fs::remove_file(&path).expect("it goes");
        for at_the_start in [false, true] {
            if at_the_start {
                drop(data);
                data = open(temporary.path()).await;
                let said = data.recovered().first().map(ToString::to_string).unwrap_or_default();
                assert!(said.contains("is gone") && said.contains(&path.display().to_string()), "{said}");
            }
            let rows = data.runs(&RunFilter::default()).await.expect("it lists");
            assert!(matches!(&rows[..], [row] if row.is_gone() && row.verdict.is_none()), "{rows:?}");
            let shown = data.read_run(&run).await.expect_err("it is gone").to_string();
            assert!(shown.starts_with(&format!("the journal of run {run} is gone")), "{shown}");
        }
        // Nor does one pass that cannot be read: a folder lies in its place.
        drop(data);
        std::fs::write(&path, &whole).expect("it is put back");
        let data = open(temporary.path()).await;
        std::fs::remove_file(&path).expect("it goes");
        std::fs::create_dir(&path).expect("it is made");
        let rows = data.runs(&RunFilter::default()).await.expect("it lists");
        assert!(matches!(&rows[..], [row] if row.state == RunState::Damaged && row.verdict.is_none()), "{rows:?}");
        let failed = RunFilter { verdict: Some("fail".into()), ..RunFilter::default() };
        assert_eq!(data.runs(&failed).await.expect("it lists"), []);
        std::fs::remove_dir(&path).expect("it goes");
        drop(data);
        std::fs::write(&path, whole).expect("it is put back");
        let data = open(temporary.path()).await;
        assert_eq!(data.recovered(), []);
        assert_eq!(listed(&data, None).await, [(run.to_string(), RunState::Closed)]);
    });
}
