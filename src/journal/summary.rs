//! What was told at the end of a run over a shelf, for the report on it.

use rusqlite::params;

use super::{Archive, Journal, JournalError, RunId};
use crate::terms::output::loaners::ShelfOut;

impl Journal {
    /// Keeps what was told at the end of a run; it is on the disk when this returns.
    pub async fn keep_summary(&self, out: &ShelfOut) -> Result<(), JournalError> {
        let run = out.run;
        let body = serde_json::to_string(out)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)));
        self.write(move |connection| {
            let sql = "INSERT OR REPLACE INTO shelf_summary (run, body) VALUES (?1, ?2)";
            connection.execute(sql, params![run, body?])?;
            Ok(())
        })
        .await
    }
}

impl Archive {
    /// What was told at the end of a run; without a number, of the last one. None where there is no
    /// such run, or it was cut off before its end.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn summary(&self, run: Option<RunId>) -> Result<Option<ShelfOut>, JournalError> {
        self.read(|reader| {
            let sql = "SELECT body FROM shelf_summary WHERE ?1 IS NULL OR run = ?1 \
                       ORDER BY run DESC LIMIT 1";
            let mut rows = reader.all(sql, params![run.map(|run| run.0)], |row| {
                let body: String = row.get(0)?;
                serde_json::from_str(&body).map_err(|error| {
                    let kind = rusqlite::types::Type::Text;
                    rusqlite::Error::FromSqlConversionFailure(0, kind, Box::new(error))
                })
            })?;
            Ok(rows.pop())
        })
    }
}
