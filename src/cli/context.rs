//! What every command needs: the screen, the data folder, and the wish to stop.

use std::sync::{
    Arc, Mutex, OnceLock, PoisonError,
    atomic::{AtomicBool, Ordering},
};

use tokio::{sync::watch, task::JoinHandle};

use super::{
    args::Output,
    failure::Failure,
    screen::Screen,
    wifi::way_home::{self, WayHome},
};
use crate::{
    journal::{Archive, DataFolder, Journal, JournalError},
    terms::Exit,
    wifi::{self, Wifi, WifiError},
};

/// What came of a call for the host's Wi-Fi.
type Called = Result<Arc<dyn Wifi>, WifiError>;

/// What every command needs.
pub(crate) struct Context {
    /// Where it is shown.
    pub screen: Screen,
    /// Becomes true when the person wants to stop.
    pub stop: watch::Receiver<bool>,
    /// Whether a device may have been written to.
    pub wrote: Wrote,
    /// The adapters that are away from home.
    pub way_home: WayHome,
    output: Output,
    /// The host's Wi-Fi, called while everything else gets ready.
    called: Mutex<Option<JoinHandle<Called>>>,
}

/// Whether a device may have been written to, and how the command ended once it has: the watcher of
/// signals ends the process at once, and must know with which exit code.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wrote {
    wrote: Arc<AtomicBool>,
    ended: Arc<OnceLock<Exit>>,
}

impl Wrote {
    /// It may have been, from now on.
    pub(crate) fn set(&self) {
        self.wrote.store(true, Ordering::SeqCst);
    }

    /// Whether it may have been.
    pub(crate) fn is_set(&self) -> bool {
        self.wrote.load(Ordering::SeqCst)
    }

    /// The command has ended; what follows is the way home of this computer.
    pub(crate) fn ended(&self, exit: Exit) {
        // There is one command to a process.
        let _ = self.ended.set(exit);
    }

    /// How a process ends that is ended now.
    pub(crate) fn exit_now(&self) -> Exit {
        match self.ended.get() {
            Some(exit) => *exit,
            None if self.is_set() => Exit::Unproved,
            None => Exit::Cancelled,
        }
    }
}

impl Context {
    /// From what was typed.
    pub(crate) fn new(output: Output, stop: watch::Receiver<bool>, wrote: Wrote) -> Self {
        let screen = Screen::new(output.json, output.quiet, output.no_color);
        Self {
            screen,
            stop,
            wrote,
            way_home: WayHome::default(),
            output,
            called: Mutex::default(),
        }
    }

    /// Calls the host's Wi-Fi, which answers while the journal and the profiles are read.
    pub(crate) fn call_wifi(&self) {
        let called = tokio::spawn(wifi::service());
        *self.called.lock().unwrap_or_else(PoisonError::into_inner) = Some(called);
    }

    /// The host's Wi-Fi.
    pub(crate) async fn wifi(&self) -> Called {
        let called = {
            let mut called = self.called.lock().unwrap_or_else(PoisonError::into_inner);
            called.take()
        };
        match called {
            Some(called) => called
                .await
                .unwrap_or_else(|error| std::panic::resume_unwind(error.into_panic())),
            None => wifi::service().await,
        }
    }

    /// Whether the result alone is wanted.
    pub(crate) fn is_quiet(&self) -> bool {
        self.output.quiet
    }

    /// The work, unless the person wants to stop first: for all that writes nothing and may be
    /// dropped wherever it is.
    pub(crate) async fn or_stopped<T>(
        &self,
        work: impl Future<Output = Result<T, Failure>>,
    ) -> Result<T, Failure> {
        let mut stop = self.stop.clone();
        tokio::select! {
            // Where nobody is left who could ask for a stop, the work goes on alone.
            Ok(_) = stop.wait_for(|stop| *stop) => Err(Failure::Stopped),
            ended = work => ended,
        }
    }

    /// The journal to write to. Where an earlier run was ended before it could put the host's Wi-Fi
    /// back, that comes first.
    pub(crate) async fn journal(&self, practice: bool) -> Result<Journal, Failure> {
        let journal = Journal::open(&self.folder(practice)?)?;
        if !practice {
            way_home::finish(self.screen, &journal).await?;
        }
        Ok(journal)
    }

    /// Puts the host's Wi-Fi back where an earlier run was ended before it could: for a command that
    /// opens no journal. Another linkmend that is at work now is left alone.
    pub(crate) async fn home_first(&self) -> Result<(), Failure> {
        let folder = self.folder(false)?;
        let is_away = Archive::open(&folder).and_then(|archive| archive.is_away());
        // A journal that cannot be read is told by the commands that need it.
        if !is_away.unwrap_or(false) {
            return Ok(());
        }
        match Journal::open(&folder) {
            Ok(journal) => way_home::finish(self.screen, &journal).await,
            Err(error) => {
                tracing::warn!(%error, "nobody goes home");
                Ok(())
            }
        }
    }

    /// The folder of the journal; practice receivers have one of their own.
    pub(crate) fn folder(&self, practice: bool) -> Result<DataFolder, JournalError> {
        let folder = match &self.output.data_dir {
            Some(folder) => DataFolder::at(folder),
            None => DataFolder::default_for_person()?,
        };
        Ok(if practice { folder.practice() } else { folder })
    }
}
