//! The one writer: a thread that owns the connection and commits for all who wait.
//!
//! A commit waits for the disk, so everything that queued up meanwhile goes into the next one
//! (group commit), and each caller is answered after it. When a commit fails, everyone in it hears
//! so, nothing of it stays, and the thread goes on to the next.

use std::{
    fmt,
    path::PathBuf,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
        mpsc,
    },
    thread::{self, JoinHandle},
};

use jiff::Timestamp;
use rusqlite::Connection;
use serde_json::Value as Json;
use tokio::sync::oneshot;

use crate::terms::{Snapshot, output::Outcome};

use super::{
    Archive, ChangeId, DataFolder, DeviceId, Forgotten, JournalError, NewChange, RecordFacts,
    RecordId, StepId,
    fingerprint::FingerprintKey,
    lock::FolderLock,
    schema::{self, MIGRATIONS, Migrations},
    shelf,
    write::{self, Refusal},
};

/// Most pieces of writing in one commit: far more than this program ever has under way, and few
/// enough that the first of them does not wait long for the last (no source).
const GROUP: usize = 256;

/// The writing side of a data folder's journal. Clones write through the same thread; dropping the
/// last one waits until everything queued is on the disk and lets the next program in.
#[derive(Clone)]
pub struct Journal {
    shared: Arc<Shared>,
}

impl Journal {
    /// Takes the folder's lock, makes what is missing, brings an older journal up (after a copy),
    /// and starts the writer. Blocks for some milliseconds.
    pub fn open(folder: &DataFolder) -> Result<Journal, JournalError> {
        Self::open_with(folder, MIGRATIONS, Timestamp::now)
    }

    /// The same with other versions and another clock.
    pub(super) fn open_with(
        folder: &DataFolder,
        migrations: Migrations,
        clock: fn() -> Timestamp,
    ) -> Result<Journal, JournalError> {
        folder.make()?;
        let lock = FolderLock::take(folder)?;
        let file = folder.journal();
        let there = file
            .try_exists()
            .map_err(|error| JournalError::reading(&file, error))?;
        if !there {
            schema::create(folder, migrations)?;
        }
        folder.close_journal_to_others()?;
        let version = {
            let connection = schema::open_to_read(&file)?;
            schema::look(&connection, &file, migrations)?
        };
        let mut connection = schema::open_to_write(&file)?;
        schema::migrate(&mut connection, folder, version, migrations)?;
        let key = schema::fingerprint_key(&connection, &file)?;
        sweep(&connection).map_err(|error| JournalError::sqlite(&file, error))?;

        let (sender, queue) = mpsc::channel();
        let commits = Arc::new(AtomicU64::new(0));
        let writer = Writer {
            connection,
            file: file.clone(),
            commits: Arc::clone(&commits),
            _lock: lock,
        };
        let thread = thread::Builder::new()
            .name("journal".into())
            .spawn(move || writer.run(&queue))
            .map_err(|error| JournalError::writing(&file, error))?;
        Ok(Journal {
            shared: Arc::new(Shared {
                sender: Some(sender),
                thread: Some(thread),
                folder: folder.clone(),
                key,
                clock,
                commits,
                holder: shelf::new_holder(),
            }),
        })
    }

    /// Keeps what was read of a device, under the device that it is by its marks. It is on the disk
    /// when this returns.
    pub async fn keep(
        &self,
        snapshot: &Snapshot,
        facts: RecordFacts,
    ) -> Result<RecordId, JournalError> {
        let at = self.now();
        let snapshot = snapshot.clone();
        self.write(move |connection| write::record(connection, at, &snapshot, &facts))
            .await
    }

    /// Begins a change; it is on the disk when this returns. Until [`end`](Self::end) it counts as
    /// cut off.
    pub async fn begin(&self, change: NewChange) -> Result<ChangeId, JournalError> {
        let at = self.now();
        self.write(move |connection| write::change(connection, at, &change))
            .await
    }

    /// Appends one step to a change; it is on the disk when this returns.
    ///
    /// Dropping the future does not take the step back: once polled, it is queued.
    pub async fn append(
        &self,
        change: ChangeId,
        kind: &'static str,
        body: Json,
    ) -> Result<StepId, JournalError> {
        let at = self.now();
        self.write(move |connection| write::step(connection, at, change, kind, &body))
            .await
    }

    /// Ends a change with a last step of kind `end`. A change that ended unproved may be ended once
    /// more, by whoever settles it; every other outcome stays.
    pub async fn end(
        &self,
        change: ChangeId,
        outcome: Outcome,
        body: Json,
    ) -> Result<(), JournalError> {
        let at = self.now();
        self.write(move |connection| write::end(connection, at, change, outcome, &body))
            .await
    }

    /// Closes a change that was cut off or ended unproved: it stays unproved for good, by the
    /// word of a person.
    pub async fn close(&self, change: ChangeId) -> Result<(), JournalError> {
        let at = self.now();
        self.write(move |connection| write::close(connection, at, change))
            .await
    }

    /// What is shown of a secret: sixteen hexadecimal digits, equal for equal secrets within this
    /// journal.
    pub fn fingerprint(&self, secret: &[u8]) -> String {
        self.shared.key.of(secret)
    }

    /// Removes a device with its records, changes and steps, so that no byte of them stays in the
    /// folder's files: what is deleted is overwritten (sqlite.org/pragma.html, `secure_delete`), the
    /// log is emptied, and copies from before an upgrade are removed whole.
    pub async fn forget(&self, device: DeviceId) -> Result<Forgotten, JournalError> {
        let folder = self.shared.folder.clone();
        let file = folder.journal();
        self.alone(move |connection| {
            let forgotten = in_transaction(connection, &file, |connection| {
                write::forget(connection, device)
            })?;
            for copy in folder.copies() {
                std::fs::remove_file(&copy).map_err(|error| JournalError::writing(&copy, error))?;
            }
            // The log still holds the pages of before, until it is moved into the file.
            let traces_left =
                sweep(connection).map_err(|error| JournalError::sqlite(&file, error))?;
            Ok(Forgotten {
                traces_left,
                ..forgotten
            })
        })
        .await?
    }

    /// The reading side of the same folder.
    pub fn archive(&self) -> Result<Archive, JournalError> {
        Archive::beside(&self.shared.folder, self.shared.key.clone())
    }

    /// How many commits there were since it was opened.
    #[cfg(test)]
    pub(super) fn commits(&self) -> u64 {
        self.shared.commits.load(Ordering::SeqCst)
    }

    /// Queues one piece of writing at once; the answer comes after its commit.
    pub(super) fn write<T, W>(
        &self,
        work: W,
    ) -> impl Future<Output = Result<T, JournalError>> + Send + use<T, W>
    where
        T: Send + 'static,
        W: FnOnce(&Connection) -> Result<T, Refusal> + Send + 'static,
    {
        let (answer, answered) = oneshot::channel();
        self.send(Message::Write(Box::new(Pending {
            work: Some(work),
            result: None,
            answer,
        })));
        async move { answered.await.unwrap_or(Err(JournalError::Stopped)) }
    }

    /// Queues what cannot run inside of a group's transaction.
    pub(super) fn alone<T, W>(
        &self,
        work: W,
    ) -> impl Future<Output = Result<T, JournalError>> + Send + use<T, W>
    where
        T: Send + 'static,
        W: FnOnce(&Connection) -> T + Send + 'static,
    {
        let (answer, answered) = oneshot::channel();
        self.send(Message::Alone(Box::new(move |connection| {
            // Whoever asked may have gone; the work is done all the same.
            let _ = answer.send(work(connection));
        })));
        async move { answered.await.map_err(|_| JournalError::Stopped) }
    }

    fn send(&self, message: Message) {
        if let Some(sender) = &self.shared.sender {
            // A message that cannot be sent is dropped with its answer, which says `Stopped`.
            let _ = sender.send(message);
        }
    }

    /// Now, as rows have it.
    pub(super) fn stamp(&self) -> String {
        write::time(self.now())
    }

    /// What tells this opening of the journal from every other one.
    pub(super) fn holder(&self) -> u64 {
        self.shared.holder
    }

    fn now(&self) -> Timestamp {
        (self.shared.clock)()
    }
}

impl fmt::Debug for Journal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Journal")
            .field("folder", &self.shared.folder.path())
            .finish_non_exhaustive()
    }
}

struct Shared {
    /// None only while the last handle is dropped.
    sender: Option<mpsc::Sender<Message>>,
    thread: Option<JoinHandle<()>>,
    folder: DataFolder,
    key: FingerprintKey,
    clock: fn() -> Timestamp,
    /// Which opening of the journal this is.
    holder: u64,
    #[cfg_attr(
        not(test),
        expect(dead_code, reason = "the tests of group commit read it")
    )]
    commits: Arc<AtomicU64>,
}

impl Drop for Shared {
    fn drop(&mut self) {
        drop(self.sender.take());
        if let Some(thread) = self.thread.take() {
            // A writer that panicked has answered nobody, and they know by that.
            let _ = thread.join();
        }
    }
}

enum Message {
    Write(Box<dyn Write>),
    Alone(Box<dyn FnOnce(&Connection) + Send>),
}

/// One caller's piece of a group.
trait Write: Send {
    /// Runs inside of the group's transaction. An error ends the whole group.
    fn run(&mut self, connection: &Connection) -> rusqlite::Result<()>;
    /// Answers the caller, once the group is committed or has failed.
    fn answer(self: Box<Self>, failure: Option<&JournalError>);
}

struct Pending<T, W> {
    work: Option<W>,
    result: Option<Result<T, JournalError>>,
    answer: oneshot::Sender<Result<T, JournalError>>,
}

impl<T, W> Write for Pending<T, W>
where
    T: Send,
    W: FnOnce(&Connection) -> Result<T, Refusal> + Send,
{
    fn run(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let Some(work) = self.work.take() else {
            return Ok(());
        };
        self.result = Some(match work(connection) {
            Ok(done) => Ok(done),
            Err(Refusal::Refused(error)) => Err(error),
            Err(Refusal::Broken(error)) => return Err(error),
        });
        Ok(())
    }

    fn answer(self: Box<Self>, failure: Option<&JournalError>) {
        let result = match (failure, self.result) {
            (_, Some(Err(refused))) => Err(refused),
            (Some(failure), _) => Err(failure.clone()),
            (None, Some(done)) => done,
            (None, None) => Err(JournalError::Stopped),
        };
        // Whoever asked may have gone; it is written all the same.
        let _ = self.answer.send(result);
    }
}

struct Writer {
    connection: Connection,
    file: PathBuf,
    commits: Arc<AtomicU64>,
    // Fields are dropped in this order: the lock is let go after the connection is closed.
    _lock: FolderLock,
}

impl Writer {
    fn run(self, queue: &mpsc::Receiver<Message>) {
        let mut next = queue.recv().ok();
        while let Some(message) = next.take() {
            match message {
                Message::Alone(work) => work(&self.connection),
                Message::Write(first) => {
                    let mut group = vec![first];
                    while group.len() < GROUP {
                        match queue.try_recv() {
                            Ok(Message::Write(more)) => group.push(more),
                            Ok(alone) => {
                                next = Some(alone);
                                break;
                            }
                            Err(_) => break,
                        }
                    }
                    self.commit(group);
                }
            }
            next = next.or_else(|| queue.recv().ok());
        }
    }

    fn commit(&self, mut group: Vec<Box<dyn Write>>) {
        let done = in_transaction(&self.connection, &self.file, |connection| {
            group
                .iter_mut()
                .try_for_each(|piece| piece.run(connection))
                .map_err(Refusal::Broken)
        });
        if done.is_ok() {
            self.commits.fetch_add(1, Ordering::SeqCst);
        }
        for piece in group {
            piece.answer(done.as_ref().err());
        }
    }
}

/// All or nothing. `SQLite` rolls back by itself after some failures (a full disk is one), so it is
/// asked whether there is anything left to roll back.
fn in_transaction<T>(
    connection: &Connection,
    file: &std::path::Path,
    work: impl FnOnce(&Connection) -> Result<T, Refusal>,
) -> Result<T, JournalError> {
    let result = connection
        .execute_batch("BEGIN IMMEDIATE")
        .map_err(Refusal::Broken)
        .and_then(|()| work(connection))
        .and_then(|done| {
            connection.execute_batch("COMMIT")?;
            Ok(done)
        });
    result.map_err(|refusal| {
        if !connection.is_autocommit() {
            // If even this fails, the next BEGIN says so.
            let _ = connection.execute_batch("ROLLBACK");
        }
        match refusal {
            Refusal::Refused(error) => error,
            Refusal::Broken(error) => JournalError::sqlite(file, error),
        }
    })
}

/// Moves the write-ahead log into the file and empties it; true when a reader kept it from that.
fn sweep(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))
}
