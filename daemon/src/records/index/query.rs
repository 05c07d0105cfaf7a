//! Asking the index.

use super::super::chain::ChainEnd;
use super::{FindingRow, Index, MeasurementRow, ProcedureRow, RecordsError, RunFilter, RunRow, RunState};
use sqlx::Row as _;
use sqlx::sqlite::SqliteRow;
use std::collections::BTreeMap;

const RUN: &str = "id, job, bench, machine, format, tape, sequence, started_ms, closed_ms, state, verdict, conclusion";

impl Index {
    /// The runs that fit, newest first. One whose journal does not say any more of which machine and bench it is may be of
    /// any: it is listed for each.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub async fn runs(&self, filter: &RunFilter) -> Result<Vec<RunRow>, RecordsError> {
        let sql = format!(
            "SELECT {RUN} FROM runs WHERE ($1 IS NULL OR machine = $1 OR machine = '') \
             AND ($2 IS NULL OR bench = $2 OR bench = '') \
             AND ($3 IS NULL OR job = $3) AND ($4 IS NULL OR verdict = $4) AND started_ms >= $5 \
             AND ($6 IS NULL OR EXISTS (SELECT 1 FROM findings WHERE run = runs.id AND finding = $6)) \
             ORDER BY started_ms DESC, id DESC LIMIT $7"
        );
        let work = async {
            let mut hold = self.hold().await?;
            // The text is put together from constants alone; what was asked for is bound.
            let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
                .bind(&filter.machine)
                .bind(&filter.bench)
                .bind(&filter.job)
                .bind(&filter.verdict)
                .bind(filter.since_ms.unwrap_or(i64::MIN))
                .bind(&filter.finding)
                .bind(i64::from(filter.limit.unwrap_or(100).min(10_000)))
                .fetch_all(&mut *hold.db)
                .await?;
            rows.iter().map(run_row).collect::<Result<Vec<_>, _>>()
        };
        work.await.map_err(self.failed("read"))
    }

    /// One run.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub async fn run(&self, id: &str) -> Result<Option<RunRow>, RecordsError> {
        let work = async {
            let mut hold = self.hold().await?;
            let sql = format!("SELECT {RUN} FROM runs WHERE id = $1");
            let row = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_optional(&mut *hold.db).await?;
            row.as_ref().map(run_row).transpose()
        };
        work.await.map_err(self.failed("read"))
    }

    /// The procedures of a run, in order.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub async fn procedures(&self, run: &str) -> Result<Vec<ProcedureRow>, RecordsError> {
        let work = async {
            let mut hold = self.hold().await?;
            let sql = "SELECT place, name, version, component, started_ms, verdict FROM procedures WHERE run = $1 \
                       ORDER BY place";
            let rows = sqlx::query(sql).bind(run).fetch_all(&mut *hold.db).await?;
            rows.iter().map(procedure_row).collect::<Result<Vec<_>, _>>()
        };
        work.await.map_err(self.failed("read"))
    }

    /// The measurements of a run, in order.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub async fn measurements(&self, run: &str) -> Result<Vec<MeasurementRow>, RecordsError> {
        let sql = "SELECT m.*, r.started_ms FROM measurements m JOIN runs r ON r.id = m.run WHERE m.run = $1 \
                   ORDER BY m.place, m.number";
        let work = async {
            let mut hold = self.hold().await?;
            let rows = sqlx::query(sql).bind(run).fetch_all(&mut *hold.db).await?;
            rows.iter().map(measurement_row).collect::<Result<Vec<_>, _>>()
        };
        work.await.map_err(self.failed("read"))
    }

    /// What one measurement was on one machine over all its runs, oldest first.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub async fn history(&self, machine: &str, measurement: &str) -> Result<Vec<MeasurementRow>, RecordsError> {
        let sql = "SELECT m.*, r.started_ms FROM measurements m JOIN runs r ON r.id = m.run \
                   WHERE r.machine = $1 AND m.name = $2 ORDER BY r.started_ms, m.run, m.place, m.number";
        let work = async {
            let mut hold = self.hold().await?;
            let rows = sqlx::query(sql).bind(machine).bind(measurement).fetch_all(&mut *hold.db).await?;
            rows.iter().map(measurement_row).collect::<Result<Vec<_>, _>>()
        };
        work.await.map_err(self.failed("read"))
    }

    /// The findings of a run's procedures, in order.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub async fn findings(&self, run: &str) -> Result<Vec<FindingRow>, RecordsError> {
        let sql = "SELECT run, place, finding, seen FROM findings WHERE run = $1 ORDER BY place, number";
        let work = async {
            let mut hold = self.hold().await?;
            let rows = sqlx::query(sql).bind(run).fetch_all(&mut *hold.db).await?;
            rows.iter().map(finding_row).collect::<Result<Vec<_>, _>>()
        };
        work.await.map_err(self.failed("read"))
    }

    /// What the index knows of each journal: the run's state, and how far it was told.
    pub(in super::super) async fn known(&self) -> Result<BTreeMap<String, (RunState, ChainEnd)>, RecordsError> {
        let work = async {
            let mut hold = self.hold().await?;
            let rows =
                sqlx::query("SELECT id, state, journal_bytes, journal_hash FROM runs").fetch_all(&mut *hold.db).await?;
            let known = |row: &SqliteRow| {
                let (bytes, hash): (i64, String) = (row.try_get(2)?, row.try_get(3)?);
                let hash = hash.parse().map_err(|e| sqlx::Error::Decode(Box::new(e)))?;
                let end = ChainEnd { bytes: bytes.unsigned_abs(), hash };
                Ok((row.try_get(0)?, (state(row, "state")?, end)))
            };
            rows.iter().map(known).collect::<Result<_, _>>()
        };
        work.await.map_err(self.failed("read"))
    }
}

fn state(row: &SqliteRow, column: &str) -> Result<RunState, sqlx::Error> {
    let word: String = row.try_get(column)?;
    let known = RunState::ALL.into_iter().find(|state| state.as_str() == word);
    known.ok_or_else(|| sqlx::Error::Decode(format!("`{word}` is no state of a run").into()))
}

fn run_row(row: &SqliteRow) -> Result<RunRow, sqlx::Error> {
    Ok(RunRow {
        id: row.try_get("id")?,
        job: row.try_get("job")?,
        bench: row.try_get("bench")?,
        machine: row.try_get("machine")?,
        format: row.try_get("format")?,
        tape: row.try_get("tape")?,
        sequence: row.try_get("sequence")?,
        started_ms: row.try_get("started_ms")?,
        closed_ms: row.try_get("closed_ms")?,
        state: state(row, "state")?,
        verdict: row.try_get("verdict")?,
        conclusion: row.try_get("conclusion")?,
    })
}

fn procedure_row(row: &SqliteRow) -> Result<ProcedureRow, sqlx::Error> {
    Ok(ProcedureRow {
        place: row.try_get("place")?,
        name: row.try_get("name")?,
        version: row.try_get("version")?,
        component: row.try_get("component")?,
        started_ms: row.try_get("started_ms")?,
        verdict: row.try_get("verdict")?,
    })
}

fn measurement_row(row: &SqliteRow) -> Result<MeasurementRow, sqlx::Error> {
    Ok(MeasurementRow {
        run: row.try_get("run")?,
        started_ms: row.try_get("started_ms")?,
        place: row.try_get("place")?,
        name: row.try_get("name")?,
        unit: row.try_get("unit")?,
        value: row.try_get("value")?,
        low: row.try_get("low")?,
        high: row.try_get("high")?,
        coverage: row.try_get("coverage")?,
        good_at_least: row.try_get("good_at_least")?,
        good_at_most: row.try_get("good_at_most")?,
        reject_at_least: row.try_get("reject_at_least")?,
        reject_at_most: row.try_get("reject_at_most")?,
        source: row.try_get("source")?,
        verdict: row.try_get("verdict")?,
    })
}

fn finding_row(row: &SqliteRow) -> Result<FindingRow, sqlx::Error> {
    Ok(FindingRow {
        run: row.try_get("run")?,
        place: row.try_get("place")?,
        finding: row.try_get("finding")?,
        seen: row.try_get("seen")?,
    })
}
