//! What an adapter was connected to before something was joined through it: durable before it
//! leaves, so that the next run finds the way home after a crash too.
//!
//! Whoever holds the journal is the only one that writes it, so a row that is still open when it is
//! opened is of a run that was ended.

use rusqlite::{Connection, params};

use super::{Journal, JournalError, write::Refusal};
use crate::{
    change::{clock::SystemClock, ports::Clock},
    wifi::{AdapterName, Home},
};

/// One time away from home.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AwayId(pub i64);

/// An adapter that an earlier run left away from home.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftAway {
    /// Which time that was.
    pub id: AwayId,
    /// What the adapter was connected to before.
    pub home: Home,
    /// Whether the computer was restarted since: whatever was joined then is left by that alone.
    pub restarted: bool,
}

impl Journal {
    /// Puts on record what an adapter is connected to; it is on the disk when this returns.
    pub async fn leave_home(&self, home: &Home) -> Result<AwayId, JournalError> {
        let at = self.stamp();
        let home = home.clone();
        let boot = boot();
        self.write(move |connection| leave(connection, &at, &boot, &home))
            .await
    }

    /// The adapter is back.
    pub async fn came_home(&self, away: AwayId) -> Result<(), JournalError> {
        let at = self.stamp();
        self.write(move |connection| {
            let sql = "UPDATE away SET came = ?2 WHERE id = ?1 AND came IS NULL";
            connection.execute(sql, params![away.0, at])?;
            Ok(())
        })
        .await
    }

    /// Adapters that an earlier run left away from home, oldest first. Where one left twice, what
    /// it was connected to at first is its home.
    pub async fn left_away(&self) -> Result<Vec<LeftAway>, JournalError> {
        let now = boot();
        self.write(move |connection| Ok(left(connection, &now)?))
            .await
    }
}

/// Which start of the computer this is.
fn boot() -> String {
    SystemClock::new().now().boot
}

fn leave(connection: &Connection, at: &str, boot: &str, home: &Home) -> Result<AwayId, Refusal> {
    let body = serde_json::to_string(&home.connection)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
    connection.execute(
        "INSERT INTO away (adapter, at, boot, home) VALUES (?1, ?2, ?3, ?4)",
        params![home.adapter.as_str(), at, boot, body],
    )?;
    Ok(AwayId(connection.last_insert_rowid()))
}

fn left(connection: &Connection, now: &str) -> rusqlite::Result<Vec<LeftAway>> {
    let sql = "SELECT id, adapter, home, boot FROM away WHERE came IS NULL ORDER BY id";
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement.query_map([], |row| {
        let body: String = row.get(2)?;
        let home = Home {
            adapter: AdapterName::new(row.get::<_, String>(1)?),
            // A home that is not readable any more is none: the system is left to choose.
            connection: serde_json::from_str(&body).unwrap_or_default(),
        };
        Ok(LeftAway {
            id: AwayId(row.get(0)?),
            home,
            restarted: row.get::<_, String>(3)? != now,
        })
    })?;
    rows.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{journal::DataFolder, wifi::HomeConnection};

    fn home(adapter: &str, name: Option<&str>) -> Home {
        Home {
            adapter: AdapterName::new(adapter),
            connection: name.map(|name| HomeConnection {
                id: format!("uuid of {name}"),
                name: name.into(),
            }),
        }
    }

    #[tokio::test]
    async fn who_was_cut_off_away_from_home_is_known_to_the_next_run_until_it_came_back() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(&top.path().join("data"));
        let journal = Journal::open(&folder).expect("opened");
        let boathouse = home("wlan0", Some("Boathouse"));
        let nowhere = home("wlan1", None);
        journal.leave_home(&boathouse).await.expect("kept");
        let second = journal.leave_home(&nowhere).await.expect("kept");
        drop(journal);

        let journal = Journal::open(&folder).expect("opened again");
        let left = journal.left_away().await.expect("read");
        let homes: Vec<&Home> = left.iter().map(|one| &one.home).collect();
        assert_eq!(homes, [&boathouse, &nowhere]);
        assert!(left.iter().all(|one| !one.restarted));
        journal.came_home(second).await.expect("closed");
        journal.came_home(second).await.expect("closed before");
        assert_eq!(journal.left_away().await.expect("read").len(), 1);
    }

    #[tokio::test]
    async fn start_of_the_computer_since_then_is_seen() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(&top.path().join("data"));
        let journal = Journal::open(&folder).expect("opened");
        let home = home("wlan0", Some("Boathouse"));
        journal
            .write(move |connection| leave(connection, "2026-11-25T18:00:00Z", "before", &home))
            .await
            .expect("kept");
        let left = journal.left_away().await.expect("read");
        assert_eq!(left.len(), 1);
        assert!(left[0].restarted);
    }
}
