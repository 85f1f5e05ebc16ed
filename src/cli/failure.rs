//! Everything that ends a command early, as one clear message and an exit code.

use crate::{
    change::Trouble,
    cli::{
        profile,
        screen::{Screen, Tone},
    },
    files::{text::TextError, whole::WholeError},
    loaners::ShelfError,
    profile::{Faults, LoadError},
    terms::{
        Exit,
        output::{ErrorOut, FORMAT, Fault},
    },
    wifi::WifiError,
};

/// Why a command ended early.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Failure {
    /// What was typed does not fit.
    #[error("{message}")]
    Usage {
        /// What.
        message: String,
        /// What to do.
        help: Option<String>,
    },
    /// Faults of a profile, rendered with the lines in question.
    #[error("{message}")]
    Profile {
        /// Stable code.
        code: String,
        /// One line.
        message: String,
        /// The faults, where the file was read.
        faults: Option<Box<Faults>>,
    },
    /// A shelf's file, or rows for one, that could not be loaded.
    #[error("{message}")]
    Shelf {
        /// Stable code.
        code: String,
        /// One line.
        message: String,
        /// What to do.
        help: String,
        /// The faults, where the file was read.
        faults: Option<Box<Faults>>,
    },
    /// Stopped by the person before anything was written.
    #[error("stopped by you; nothing was written")]
    Stopped,
    /// The journal.
    #[error(transparent)]
    Journal(#[from] crate::journal::JournalError),
    /// Looking for the device.
    #[error(transparent)]
    Find(#[from] crate::find::FindError),
    /// Talking to the device.
    #[error(transparent)]
    Session(#[from] crate::session::SessionError),
    /// Any other trouble, which knows its own end.
    #[error("{}", .0.message)]
    Trouble(Trouble),
    /// The host's Wi-Fi.
    #[error(transparent)]
    Wifi(#[from] WifiError),
}

impl Failure {
    /// Wrong usage.
    pub(crate) fn usage(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::Usage {
            message: message.into(),
            help: Some(help.into()),
        }
    }

    /// A profile that could not be loaded.
    pub(crate) fn profile(error: LoadError) -> Self {
        match error {
            LoadError::Faulty(faults) => Self::faulty(*faults),
            LoadError::Unread(other) => {
                let cause = std::error::Error::source(&other).map(|cause| format!(": {cause}"));
                Self::Profile {
                    code: "profile-unreadable".into(),
                    message: format!("{other}{}", cause.unwrap_or_default()),
                    faults: None,
                }
            }
        }
    }

    /// A profile with faults.
    pub(crate) fn faulty(faults: Faults) -> Self {
        Self::Profile {
            code: "profile-faulty".into(),
            message: faults.to_string(),
            faults: Some(Box::new(faults)),
        }
    }

    /// A shelf's file that could not be loaded.
    pub(crate) fn shelf(error: ShelfError) -> Self {
        let help = match &error {
            ShelfError::Unread(TextError::Unreadable { source, .. })
                if source.kind() == std::io::ErrorKind::NotFound =>
            {
                "check the path; `linkmend loaners init` makes such a file, from a table or from \
                 receivers as you power them"
            }
            ShelfError::Unread(TextError::Unreadable { .. }) => {
                "check the path, and that you may read it"
            }
            _ => "it is a TOML file, as `linkmend loaners init` makes one",
        };
        Self::unloaded(error, help)
    }

    /// A table of rows for a shelf that could not be loaded.
    pub(crate) fn rows(error: ShelfError) -> Self {
        Self::unloaded(
            error,
            "check the path; a spreadsheet saves rows as `CSV UTF-8`",
        )
    }

    /// `help`: what to do where it could not be read at all.
    fn unloaded(error: ShelfError, help: &str) -> Self {
        match error {
            ShelfError::Unread(error) => {
                let cause = std::error::Error::source(&error).map(|cause| format!(": {cause}"));
                Self::Shelf {
                    code: "shelf-unreadable".into(),
                    message: format!("{error}{}", cause.unwrap_or_default()),
                    help: help.into(),
                    faults: None,
                }
            }
            ShelfError::Faulty(faults) => Self::Shelf {
                code: "shelf-faulty".into(),
                message: faults.to_string(),
                help: "mend what is named; nothing was read or written before that".into(),
                faults: Some(faults),
            },
        }
    }

    /// A file that was to be written whole and was not. `there`: what to do where one is there already.
    pub(crate) fn unwritten(error: &WholeError, there: &str) -> Self {
        let cause = std::error::Error::source(error).map(|cause| format!(": {cause}"));
        let message = format!("{error}{}", cause.unwrap_or_default());
        Self::Trouble(match error {
            WholeError::There { .. } => {
                Trouble::new("file-there", message, Some(there)).ending(Exit::Refused)
            }
            WholeError::Changed { .. } => {
                let help = "run the command again: it reads the file as it is now";
                Trouble::new("file-changed", message, Some(help)).ending(Exit::Refused)
            }
            WholeError::Unwritable { .. } => {
                let help = "is there such a folder, may you write into it, and has it room?";
                Trouble::new("file-unwritten", message, Some(help))
            }
        })
    }

    /// How the run ends: nothing was written whichever it is.
    pub(crate) fn exit(&self) -> Exit {
        match self {
            Failure::Usage { .. } | Failure::Profile { .. } | Failure::Shelf { .. } => Exit::Usage,
            Failure::Journal(error) => error.exit(),
            Failure::Find(error) => error.exit(),
            Failure::Session(error) => error.exit(),
            Failure::Wifi(error) => error.exit(),
            Failure::Trouble(trouble) => trouble.exit,
            Failure::Stopped => Exit::Cancelled,
        }
    }

    /// Code, message and help.
    pub(crate) fn fault(&self) -> Fault {
        let (code, help): (String, Option<String>) = match self {
            Failure::Usage { help, .. } => ("usage".into(), help.clone()),
            Failure::Profile {
                code,
                faults: Some(_),
                ..
            } => (
                code.clone(),
                Some("`linkmend profile check` shows every fault".into()),
            ),
            Failure::Profile {
                code, faults: None, ..
            } => (
                code.clone(),
                Some("check the path; `linkmend profile list` shows what is built in".into()),
            ),
            Failure::Shelf { code, help, .. } => (code.clone(), Some(help.clone())),
            Failure::Stopped => ("cancelled".into(), None),
            Failure::Journal(error) => (error.code().into(), error.help()),
            Failure::Find(error) => (error.code().into(), error.help()),
            Failure::Wifi(error) => (error.code().into(), error.help()),
            Failure::Session(error) => (error.code().into(), error.help().map(Into::into)),
            Failure::Trouble(trouble) => (trouble.code.clone(), trouble.help.clone()),
        };
        Fault {
            code,
            message: self.to_string(),
            help,
        }
    }

    /// Says it, and gives the exit code.
    pub(crate) fn say(&self, screen: Screen) -> Exit {
        let fault = self.fault();
        if screen.json {
            screen.object(&ErrorOut {
                format: FORMAT,
                error: fault,
                faults: match self {
                    Failure::Shelf {
                        faults: Some(faults),
                        ..
                    } => faults.list.iter().map(profile::fault).collect(),
                    _ => Vec::new(),
                },
            });
        } else if let Failure::Profile {
            faults: Some(faults),
            ..
        }
        | Failure::Shelf {
            faults: Some(faults),
            ..
        } = self
        {
            screen.picture(faults);
        } else {
            say_fault(screen, &fault);
        }
        self.exit()
    }
}

/// `error: …` and `help: …`.
pub(crate) fn say_fault(screen: Screen, fault: &Fault) {
    screen.fault("error:", Tone::Bad, &fault.message);
    if let Some(help) = &fault.help {
        screen.fault("help:", Tone::Careful, help);
    }
}
