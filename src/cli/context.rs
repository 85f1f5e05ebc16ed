//! What every command needs: the screen, the data folder, and the wish to stop.

use tokio::sync::watch;

use super::{args::Output, failure::Failure, screen::Screen};
use crate::journal::{DataFolder, JournalError};

/// What every command needs.
pub(super) struct Context {
    /// Where it is shown.
    pub screen: Screen,
    /// Becomes true when the person wants to stop.
    pub stop: watch::Receiver<bool>,
    output: Output,
}

impl Context {
    /// From what was typed.
    pub(super) fn new(output: Output, stop: watch::Receiver<bool>) -> Self {
        let screen = Screen::new(output.json, output.quiet, output.no_color);
        Self {
            screen,
            stop,
            output,
        }
    }

    /// Drops work that writes nothing to a device when the person wants to stop.
    pub(super) async fn unless_stopped<T, E: Into<Failure>>(
        &self,
        work: impl Future<Output = Result<T, E>>,
    ) -> Result<T, Failure> {
        let mut stop = self.stop.clone();
        tokio::select! {
            ended = work => ended.map_err(Into::into),
            _ = stop.wait_for(|stop| *stop) => Err(Failure::Stopped),
        }
    }

    /// The folder of the journal; practice receivers have one of their own.
    pub(super) fn folder(&self, practice: bool) -> Result<DataFolder, JournalError> {
        let folder = match &self.output.data_dir {
            Some(folder) => DataFolder::at(folder),
            None => DataFolder::default_for_person()?,
        };
        Ok(if practice { folder.practice() } else { folder })
    }
}
