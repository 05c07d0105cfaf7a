//! The index: a database over the journals, for searching. It holds nothing of its own.
//!
//! SQLite through sqlx, with queries that PostgreSQL understands too. One connection, one user at a
//! time: the index is small, and its writers wait for the disk far longer than for each other.

mod query;
mod rows;
mod schema;
mod write;

pub use rows::{FindingRow, MeasurementRow, ProcedureRow, RunFilter, RunRow, RunState};

use super::RecordsError;
use schema::SchemaError;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{ConnectOptions as _, Connection as _, SqliteConnection};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tapewright_clock::{Busy, Clock};
use tokio::sync::{MappedMutexGuard, Mutex, MutexGuard};

const NAME: &str = "index.sqlite";

/// The index of a data folder. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Index(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    file: PathBuf,
    clock: Clock,
    /// None once it is closed.
    db: Mutex<Option<SqliteConnection>>,
}

/// The connection, and virtual time held: the database works in a thread of its own.
struct Hold<'a> {
    db: MappedMutexGuard<'a, SqliteConnection>,
    _busy: Busy,
}

impl Index {
    /// Opens the index, makes it if it is not there, and brings its schema up to date.
    pub(super) async fn open(folder: &Path, clock: Clock) -> Result<Self, RecordsError> {
        Self::open_at(folder, clock, schema::STEPS).await
    }

    async fn open_at(folder: &Path, clock: Clock, steps: &'static [&'static str]) -> Result<Self, RecordsError> {
        let file = folder.join(NAME);
        let busy = clock.busy();
        let options = SqliteConnectOptions::new()
            .filename(&file)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            // After a loss of power the index may be behind, never torn; it then catches up.
            .synchronous(SqliteSynchronous::Normal)
            .foreign_keys(true);
        let mut db = options.connect().await.map_err(failed("open", &file))?;
        match schema::migrate(&mut db, steps).await {
            Ok(()) => {}
            Err(SchemaError::Database(source)) => return Err(failed("set up", &file)(source)),
            Err(SchemaError::Unfit(why)) => return Err(RecordsError::IndexSchema { file, why }),
        }
        drop(busy);
        Ok(Self(Arc::new(Inner { file, clock, db: Mutex::new(Some(db)) })))
    }

    /// Removes the database's files. Blocking; the folder's lock must be held.
    pub(super) fn remove(folder: &Path) -> Result<(), RecordsError> {
        for suffix in ["", "-wal", "-shm", "-journal"] {
            let file = folder.join(format!("{NAME}{suffix}"));
            match std::fs::remove_file(&file) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(RecordsError::io("remove", file)(e)),
                _ => {}
            }
        }
        Ok(())
    }

    /// Closes the database, so that its files may be moved or removed. Asking it later is an error.
    pub(super) async fn close(&self) -> Result<(), RecordsError> {
        let _busy = self.0.clock.busy();
        match self.0.db.lock().await.take() {
            Some(db) => db.close().await.map_err(self.failed("close")),
            None => Ok(()),
        }
    }

    async fn hold(&self) -> Result<Hold<'_>, sqlx::Error> {
        // Waiting for the lock counts as busy too: who holds it is at work.
        let busy = self.0.clock.busy();
        let db = MutexGuard::try_map(self.0.db.lock().await, Option::as_mut).map_err(|_| sqlx::Error::PoolClosed)?;
        Ok(Hold { db, _busy: busy })
    }

    fn failed(&self, doing: &'static str) -> impl FnOnce(sqlx::Error) -> RecordsError {
        failed(doing, &self.0.file)
    }
}

fn failed(doing: &'static str, file: &Path) -> impl FnOnce(sqlx::Error) -> RecordsError {
    let file = file.to_owned();
    move |source| RecordsError::Index { doing, file, source }
}

/// What tests look at.
#[cfg(test)]
pub(super) mod testing {
    use super::{Index, RecordsError, schema};
    use sqlx::{Column as _, Row as _, ValueRef as _};
    use std::path::Path;

    /// How many steps there are.
    pub(in super::super) const fn steps() -> usize {
        schema::STEPS.len()
    }

    /// Opens an index as the tapewright of an earlier step would.
    pub(in super::super) async fn open_at_step(folder: &Path, step: usize) -> Result<Index, RecordsError> {
        let clock = tapewright_clock::Clock::virtual_from(tapewright_clock::WallTime(0));
        Index::open_at(folder, clock, &schema::STEPS[..step]).await
    }

    /// Schema and every row of every table as text, in order.
    pub(in super::super) async fn contents(index: &Index) -> Vec<String> {
        let mut hold = index.hold().await.expect("it is open");
        let schema = "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name";
        let mut found = Vec::new();
        let mut tables = Vec::new();
        for row in sqlx::query(schema).fetch_all(&mut *hold.db).await.expect("it reads") {
            let (name, sql): (String, String) = (row.get(0), row.get(1));
            if sql.starts_with("CREATE TABLE") {
                tables.push(name.clone());
            }
            found.push(format!("schema {name}: {sql}"));
        }
        for table in tables {
            let sql = format!("SELECT * FROM {table} ORDER BY 1, 2, 3");
            let sql = if table == "schema_steps" { sql.replace(", 3", "") } else { sql };
            for row in sqlx::query(sqlx::AssertSqlSafe(sql)).fetch_all(&mut *hold.db).await.expect("it reads") {
                let cells = row.columns().iter().map(|column| {
                    let place = column.ordinal();
                    let text = if row.try_get_raw(place).expect("a cell").is_null() {
                        "none".to_owned()
                    } else if let Ok(number) = row.try_get::<i64, _>(place) {
                        number.to_string()
                    } else if let Ok(number) = row.try_get::<f64, _>(place) {
                        format!("{number:?}")
                    } else {
                        row.get::<String, _>(place)
                    };
                    format!("{}={text}", column.name())
                });
                found.push(format!("{table} {}", cells.collect::<Vec<_>>().join(" ")));
            }
        }
        found
    }
}
