//! The index: live equals rebuilt, and an old one becomes what a fresh one is.

use super::*;
use crate::records::index::testing::{contents, open_at_step};
use crate::records::{Index, RecordsError, RunFilter, RunState};

#[test]
fn live_equals_rebuilt_and_caught_up() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        whole_run(&data, 3).await;
        whole_run(&data, 0).await;
        let open_run = data.start_run(opened()).await.expect("it starts");
        procedure(&open_run, 0).await;
        let live = contents(data.index()).await;
        assert_eq!(live.iter().filter(|row| row.starts_with("measurements")).count(), 8);
        data.rebuild_index().await.expect("it rebuilds");
        assert_eq!(contents(data.index()).await, live);

        // The run that was open meanwhile goes on, and is told once.
        procedure(&open_run, 1).await;
        open_run.close(closed()).await.expect("it closes");
        let live = contents(data.index()).await;
        data.rebuild_index().await.expect("it rebuilds");
        assert_eq!(contents(data.index()).await, live);

        drop((data, open_run));
        let data = open(temporary.path()).await;
        assert_eq!(data.recovered(), []);
        assert_eq!(contents(data.index()).await, live, "nothing to do at the next start");
        data.close().await.expect("it closes");
        Index::remove(temporary.path()).expect("it goes");
        let data = open(temporary.path()).await;
        assert_eq!(contents(data.index()).await, live, "a lost index comes back by itself");
        data.close().await.expect("it closes");
        let anew = DataFolder::open_and_rebuild(temporary.path(), clock()).await.expect("it opens");
        assert_eq!(contents(anew.index()).await, live);
    });
}

#[test]
fn a_migrated_index_equals_a_fresh_one() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        {
            let data = open(temporary.path()).await;
            whole_run(&data, 2).await;
        }
        let data = open(temporary.path()).await;
        let fresh = contents(data.index()).await;
        data.close().await.expect("it closes");
        for step in 0..crate::records::index::testing::steps() {
            Index::remove(temporary.path()).expect("it goes");
            let old = open_at_step(temporary.path(), step).await.expect("it opens");
            assert_ne!(contents(&old).await, fresh, "step {step} is not the last");
            old.close().await.expect("it closes");
            let data = open(temporary.path()).await;
            assert_eq!(contents(data.index()).await, fresh, "from step {step}");
            data.close().await.expect("it closes");
        }
    });
}

#[test]
fn an_index_of_tomorrow_is_refused_and_can_be_rebuilt() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let live = {
            let data = open(temporary.path()).await;
            whole_run(&data, 1).await;
            let live = contents(data.index()).await;
            data.close().await.expect("it closes");
            live
        };
        let old = open_at_step(temporary.path(), 0).await.expect_err("it knows no step");
        assert!(matches!(&old, RecordsError::IndexSchema { .. }), "{old}");
        assert!(old.to_string().contains("rebuild it from the journals"), "{old}");
        std::fs::write(temporary.path().join("index.sqlite"), [0x55; 4096]).expect("it writes");
        let broken = DataFolder::open(temporary.path(), clock()).await.expect_err("it is no database");
        assert!(matches!(&broken, RecordsError::Index { .. }), "{broken}");
        let data = DataFolder::open_and_rebuild(temporary.path(), clock()).await.expect("it opens");
        assert_eq!(contents(data.index()).await, live);
    });
}

#[test]
fn a_word_that_is_none_is_refused_and_the_known_ones_are_named() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        whole_run(&data, 1).await;
        let no_verdict = RunFilter { verdict: Some("banana".into()), ..RunFilter::default() };
        let no_finding = RunFilter { finding: Some("banana".into()), ..RunFilter::default() };
        for (filter, known) in [(no_verdict, "inconclusive"), (no_finding, "control-track.absent")] {
            let refused = data.runs(&filter).await.expect_err("it is refused");
            assert!(matches!(refused, RecordsError::NotKnown { .. }), "{refused}");
            assert!(
                refused.to_string().contains("`banana`; known: ") && refused.to_string().contains(known),
                "{refused}"
            );
        }
        let failed = RunFilter { verdict: Some("fail".into()), ..RunFilter::default() };
        assert_eq!(data.runs(&failed).await.expect("it lists").len(), 1);
    });
}

#[test]
fn what_can_be_asked() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let first = whole_run(&data, 2).await.run().to_string();
        let mut other = opened();
        (other.machine, other.job) = ("CM-02".into(), None);
        let second = data.start_run(other).await.expect("it starts");
        let second = second.run().to_string();
        let ask = async |filter: RunFilter| {
            let rows = data.index().runs(&filter).await.expect("it reads");
            rows.into_iter().map(|row| row.id).collect::<Vec<_>>()
        };
        assert_eq!(ask(RunFilter::default()).await, [second.as_str(), first.as_str()], "newest first");
        let by = |change: fn(&mut RunFilter)| {
            let mut filter = RunFilter::default();
            change(&mut filter);
            filter
        };
        assert_eq!(ask(by(|f| f.machine = Some("CM-02".into()))).await, [second.as_str()]);
        assert_eq!(ask(by(|f| f.machine = Some("' OR 1=1 --".into()))).await, [""; 0]);
        assert_eq!(ask(by(|f| f.job = Some("j20260301-142200-001".into()))).await, [first.as_str()]);
        assert_eq!(ask(by(|f| f.verdict = Some("fail".into()))).await, [first.as_str()]);
        assert_eq!(ask(by(|f| f.finding = Some("control-track.absent".into()))).await, [first.as_str()]);
        assert_eq!(ask(by(|f| f.since_ms = Some(START.0 + 1))).await, [""; 0]);
        assert_eq!(ask(by(|f| f.limit = Some(1))).await, [second.as_str()]);

        let row = data.index().run(&first).await.expect("it reads").expect("it is there");
        assert_eq!((row.state, row.verdict.as_deref()), (RunState::Closed, Some("fail")));
        let measured = data.index().measurements(&first).await.expect("it reads");
        assert_eq!(
            measured.iter().map(|m| m.value).collect::<Vec<_>>(),
            [0.1 + 0.2, 1.0 / 3.0, 0.1 + 0.2 + 1.0, 1.0 / 3.0]
        );
        assert_eq!((measured[0].good_at_least, measured[0].reject_at_most), (Some(0.75), None));
        assert_eq!(data.index().history("VC-07", "supply.level").await.expect("it reads").len(), 2);
        assert_eq!(data.index().findings(&first).await.expect("it reads").len(), 2);
        assert_eq!(data.index().run("r-none").await.expect("it reads"), None);
    });
}
