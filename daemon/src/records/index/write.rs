//! Telling the index what journals say. Live and rebuilt go through the same few statements.

use super::super::chain::{ChainEnd, Line};
use super::super::event::{ProcedureVerdict, RunEvent};
use super::super::{ContentHash, RecordsError, RunId, ids};
use super::{Index, RunState};
use sqlx::{Connection as _, Row as _, SqliteConnection};

/// What stands for the conclusion of a run with a damaged journal.
const DAMAGED: &str = "its journal is damaged";
/// What stands for it where the journal is not there any more.
pub(super) const GONE: &str = "its journal is gone";

impl Index {
    /// Tells the index the next lines of a run, whose journal is on the disk up to `end`. Lines that it
    /// was told before are passed over.
    pub(in super::super) async fn apply(
        &self,
        run: &RunId,
        lines: &[Line<RunEvent>],
        end: ChainEnd,
    ) -> Result<(), RecordsError> {
        self.tell(run, lines, end, false, false).await.map_err(self.failed("write"))
    }

    /// Tells the index a whole run anew.
    pub(in super::super) async fn replace(
        &self,
        run: &RunId,
        lines: &[Line<RunEvent>],
        end: ChainEnd,
        damaged: bool,
    ) -> Result<(), RecordsError> {
        self.tell(run, lines, end, true, damaged).await.map_err(self.failed("write"))
    }

    /// Marks a run whose journal says nothing any more. It counts as told of nothing, so that a journal put back is read again.
    pub(in super::super) async fn damaged(&self, run: &RunId) -> Result<(), RecordsError> {
        self.mark(run, DAMAGED).await
    }

    /// Marks a run whose journal is not there any more, in the same way.
    pub(in super::super) async fn gone(&self, run: &RunId) -> Result<(), RecordsError> {
        self.mark(run, GONE).await
    }

    async fn mark(&self, run: &RunId, what: &str) -> Result<(), RecordsError> {
        let work = async {
            let mut hold = self.hold().await?;
            let mut db = hold.db.begin().await?;
            have_row(&mut db, run.as_str()).await?;
            set_end(&mut db, run.as_str(), None, RunState::Damaged, None, what).await?;
            let untold = "UPDATE runs SET journal_bytes = 0 WHERE id = $1";
            sqlx::query(untold).bind(run.as_str()).execute(&mut *db).await?;
            db.commit().await
        };
        work.await.map_err(self.failed("write"))
    }

    /// Empties the index.
    pub(in super::super) async fn clear(&self) -> Result<(), RecordsError> {
        let work = async {
            let mut hold = self.hold().await?;
            let mut db = hold.db.begin().await?;
            for statement in
                ["DELETE FROM findings", "DELETE FROM measurements", "DELETE FROM procedures", "DELETE FROM runs"]
            {
                sqlx::query(statement).execute(&mut *db).await?;
            }
            db.commit().await
        };
        work.await.map_err(self.failed("empty"))
    }

    async fn tell(
        &self,
        run: &RunId,
        lines: &[Line<RunEvent>],
        end: ChainEnd,
        anew: bool,
        damaged: bool,
    ) -> Result<(), sqlx::Error> {
        let mut hold = self.hold().await?;
        let mut db = hold.db.begin().await?;
        let run = run.as_str();
        if anew {
            for statement in [
                "DELETE FROM findings WHERE run = $1",
                "DELETE FROM measurements WHERE run = $1",
                "DELETE FROM procedures WHERE run = $1",
                "DELETE FROM runs WHERE id = $1",
            ] {
                sqlx::query(statement).bind(run).execute(&mut *db).await?;
            }
        }
        let told: Option<i64> =
            match sqlx::query("SELECT last_seq FROM runs WHERE id = $1").bind(run).fetch_optional(&mut *db).await? {
                Some(row) => Some(row.try_get(0)?),
                None => None,
            };
        let mut last = told.unwrap_or(0);
        for line in lines.iter().filter(|line| line.seq as i64 > told.unwrap_or(0)) {
            if let Some(event) = &line.event {
                tell_event(&mut db, run, line.wall.0, event).await?;
            }
            last = last.max(line.seq as i64);
        }
        if damaged {
            have_row(&mut db, run).await?;
        }
        sqlx::query("UPDATE runs SET last_seq = $2, journal_bytes = $3, journal_hash = $4 WHERE id = $1")
            .bind(run)
            .bind(last)
            .bind(i64::try_from(end.bytes).unwrap_or(i64::MAX))
            .bind(end.hash.to_string())
            .execute(&mut *db)
            .await?;
        if damaged {
            set_end(&mut db, run, None, RunState::Damaged, None, DAMAGED).await?;
        }
        db.commit().await
    }
}

/// Sees to it that a run is listed of which not even the beginning can be read: by its name, which also says when it began.
async fn have_row(db: &mut SqliteConnection, run: &str) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO runs (id, bench, machine, format, tape, sequence, started_ms, state, last_seq, journal_bytes, \
         journal_hash) SELECT $1, '', '', '', '', '', $2, $3, 0, 0, $4 WHERE NOT EXISTS \
         (SELECT 1 FROM runs WHERE id = $1)",
    )
    .bind(run)
    .bind(ids::begun_at(run).0)
    .bind(RunState::Damaged.as_str())
    .bind(ContentHash::ZERO.to_string())
    .execute(db)
    .await
    .map(drop)
}

async fn tell_event(db: &mut SqliteConnection, run: &str, wall_ms: i64, event: &RunEvent) -> Result<(), sqlx::Error> {
    match event {
        RunEvent::RunOpened(opened) => {
            sqlx::query(
                "INSERT INTO runs (id, job, bench, machine, format, tape, sequence, started_ms, state, last_seq, \
                 journal_bytes, journal_hash) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, 0, 0, '')",
            )
            .bind(run)
            .bind(opened.job.as_ref().map(super::super::JobId::as_str))
            .bind(&opened.bench)
            .bind(&opened.machine)
            .bind(&opened.format)
            .bind(opened.tape.as_str())
            .bind(&opened.sequence)
            .bind(wall_ms)
            .bind(RunState::Open.as_str())
            .execute(db)
            .await?;
        }
        RunEvent::ProcedureStarted(started) => {
            sqlx::query(
                "INSERT INTO procedures (run, place, name, version, component, started_ms) \
                 VALUES ($1, $2, $3, $4, $5, $6)",
            )
            .bind(run)
            .bind(i64::from(started.place))
            .bind(&started.name)
            .bind(&started.version)
            .bind(started.component.to_string())
            .bind(wall_ms)
            .execute(db)
            .await?;
        }
        RunEvent::ProcedureVerdict(verdict) => tell_verdict(db, run, verdict).await?,
        RunEvent::RunClosed(closed) => {
            let verdict = Some(closed.outcome.as_str());
            set_end(db, run, Some(wall_ms), RunState::Closed, verdict, &closed.conclusion).await?;
        }
        RunEvent::RunInterrupted(interrupted) => {
            set_end(db, run, Some(wall_ms), RunState::Interrupted, None, &interrupted.reason).await?;
        }
        RunEvent::HostCall(_)
        | RunEvent::Prompt(_)
        | RunEvent::Answer(_)
        | RunEvent::CautionAcknowledged(_)
        | RunEvent::LinkEvent(_)
        | RunEvent::Note(_) => {}
    }
    Ok(())
}

async fn set_end(
    db: &mut SqliteConnection,
    run: &str,
    closed_ms: Option<i64>,
    state: RunState,
    verdict: Option<&str>,
    conclusion: &str,
) -> Result<(), sqlx::Error> {
    sqlx::query("UPDATE runs SET closed_ms = $2, state = $3, verdict = $4, conclusion = $5 WHERE id = $1")
        .bind(run)
        .bind(closed_ms)
        .bind(state.as_str())
        .bind(verdict)
        .bind(conclusion)
        .execute(db)
        .await
        .map(drop)
}

async fn tell_verdict(db: &mut SqliteConnection, run: &str, verdict: &ProcedureVerdict) -> Result<(), sqlx::Error> {
    let place = i64::from(verdict.place);
    sqlx::query("UPDATE procedures SET verdict = $3 WHERE run = $1 AND place = $2")
        .bind(run)
        .bind(place)
        .bind(verdict.outcome.as_str())
        .execute(&mut *db)
        .await?;
    for (number, measured) in (0_i64..).zip(&verdict.measurements) {
        let limits = measured.limits.as_ref();
        sqlx::query(
            "INSERT INTO measurements (run, place, number, name, unit, value, low, high, coverage, good_at_least, \
             good_at_most, reject_at_least, reject_at_most, source, verdict) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)",
        )
        .bind(run)
        .bind(place)
        .bind(number)
        .bind(&measured.name)
        .bind(&measured.unit)
        .bind(measured.value)
        .bind(measured.low)
        .bind(measured.high)
        .bind(measured.coverage)
        .bind(limits.and_then(|l| l.good.at_least))
        .bind(limits.and_then(|l| l.good.at_most))
        .bind(limits.and_then(|l| l.reject.at_least))
        .bind(limits.and_then(|l| l.reject.at_most))
        .bind(limits.map(|l| l.source.as_str()))
        .bind(measured.outcome.map(tapewright_formats::Outcome::as_str))
        .execute(&mut *db)
        .await?;
    }
    for (number, found) in (0_i64..).zip(&verdict.findings) {
        sqlx::query("INSERT INTO findings (run, place, number, finding, seen) VALUES ($1, $2, $3, $4, $5)")
            .bind(run)
            .bind(place)
            .bind(number)
            .bind(&found.finding)
            .bind(&found.seen)
            .execute(&mut *db)
            .await?;
    }
    Ok(())
}
