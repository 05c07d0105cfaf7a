//! The schema of the index, as numbered steps that are frozen once they are out.
//!
//! Only SQL that SQLite and PostgreSQL share: no engine's own types, keywords or row numbers. A change
//! is a new step at the end; a test holds the hash of each step that is out.

use super::super::ContentHash;
use sqlx::{Connection as _, Row as _, SqliteConnection};

/// The steps. Each is a list of statements, split at `;`.
pub(super) const STEPS: &[&str] = &[include_str!("step-1.sql"), include_str!("step-2.sql")];

const LEDGER: &str = "CREATE TABLE IF NOT EXISTS schema_steps (number BIGINT PRIMARY KEY, sha256 TEXT NOT NULL)";

/// Why the schema of a database cannot be used.
pub(super) enum SchemaError {
    /// The database said no.
    Database(sqlx::Error),
    /// It was made by other steps than ours.
    Unfit(String),
}

impl From<sqlx::Error> for SchemaError {
    fn from(error: sqlx::Error) -> Self {
        Self::Database(error)
    }
}

/// Brings a database from whatever step it is at to the last of `steps`.
pub(super) async fn migrate(db: &mut SqliteConnection, steps: &'static [&'static str]) -> Result<(), SchemaError> {
    sqlx::query(LEDGER).execute(&mut *db).await?;
    let done = sqlx::query("SELECT number, sha256 FROM schema_steps ORDER BY number").fetch_all(&mut *db).await?;
    for (place, row) in done.iter().enumerate() {
        let (number, hash): (i64, String) = (row.try_get(0)?, row.try_get(1)?);
        let Some(step) = steps.get(place) else {
            return Err(SchemaError::Unfit(format!("it is at step {number}, and {} are known here", steps.len())));
        };
        if number != place as i64 + 1 || hash != ContentHash::of(step.as_bytes()).to_string() {
            return Err(SchemaError::Unfit(format!("its step {number} is not the one known here")));
        }
    }
    for (place, step) in steps.iter().enumerate().skip(done.len()) {
        let mut transaction = db.begin().await?;
        for statement in step.split(';').map(str::trim).filter(|s| !s.is_empty()) {
            sqlx::query(statement).execute(&mut *transaction).await?;
        }
        sqlx::query("INSERT INTO schema_steps (number, sha256) VALUES ($1, $2)")
            .bind(place as i64 + 1)
            .bind(ContentHash::of(step.as_bytes()).to_string())
            .execute(&mut *transaction)
            .await?;
        transaction.commit().await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A step that is out is never changed: databases have it, and would not fit any more.
    #[test]
    fn steps_that_are_out_are_frozen() {
        let frozen = [
            "8417cc3ccce3a572f1d0fcdbadfbdce05e3ed877b95f5f0cba08a2647f2dce1a",
            "4d0f4eb0461cee05243ef41f3a06ca7ad748b44968be0724040cbacc149ccaf6",
        ];
        let found: Vec<_> = STEPS.iter().map(|step| ContentHash::of(step.as_bytes()).to_string()).collect();
        assert_eq!(found, frozen, "add a new step instead, and its hash here");
    }
}
