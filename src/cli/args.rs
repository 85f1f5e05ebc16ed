//! What can be typed.

use std::path::PathBuf;

use clap::{ArgGroup, Args, Parser, Subcommand};

pub use super::loaners::args::{Loaners, LoanersInit};

/// Everything that can be typed.
#[derive(Debug, Parser)]
#[command(
    name = "linkmend",
    version,
    about = "Wi-Fi recovery companion for radio-control receivers",
    long_about = "Reads back the settings of a radio-control receiver over its own Wi-Fi, says why \
                  it does not answer its transmitter, clears what blocks the link, proves it after \
                  the restart, and keeps it on record.",
    after_help = "Examples:\n  \
                  linkmend                              one question at a time\n  \
                  linkmend unlock --practice locked     try it on a simulated receiver\n  \
                  linkmend read --at http://192.168.77.1\n  \
                  linkmend unlock --at http://192.168.77.1\n  \
                  linkmend loaners check tarn.toml      a whole shelf\n\n\
                  Exit codes: 0 done or read, 1 failed with nothing written, 2 wrong usage, 3 no \
                  device found, 4 not as wanted (read --check, bind --verify), 5 did not take and \
                  what was there is back, 6 refused with nothing written, 7 unproved (see `linkmend resume`), 130 \
                  stopped before any write.",
    max_term_width = 80,
    disable_help_subcommand = true
)]
pub struct Cli {
    /// What to do; none: one question at a time.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// What is shown, and where things are kept.
    #[command(flatten)]
    pub output: Output,
}

/// What is shown, and where things are kept.
#[derive(Debug, Clone, Default, Args)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a flag that is typed"
)]
pub struct Output {
    /// Print one JSON object on stdout and never ask
    #[arg(long, global = true)]
    pub json: bool,
    /// Print the result alone
    #[arg(long, global = true, conflicts_with = "verbose")]
    pub quiet: bool,
    /// Log requests (method, path, status, times; never contents) on stderr
    #[arg(long, global = true)]
    pub verbose: bool,
    /// Print without colours (also: the environment's `NO_COLOR`)
    #[arg(long, global = true)]
    pub no_color: bool,
    /// Keep the journal in this folder
    #[arg(long, global = true, value_name = "DIR")]
    pub data_dir: Option<PathBuf>,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Fallback networks in range, and devices on this network
    #[command(after_help = "Examples:\n  \
        linkmend find                      what is there now\n  \
        linkmend find --watch              power yours: which one is new?\n  \
        linkmend find --wait 90 --json     until there is one")]
    Find(Find),
    /// Read back the settings and the verdict
    #[command(after_help = "Examples:\n  \
        linkmend read --at http://192.168.77.1\n  \
        linkmend read model-lock bind-key --at http://192.168.77.1 --json\n  \
        linkmend read --practice healthy --check --expect model-lock=7")]
    Read(Read),
    /// Clear a model lock, or set it to the transmitter's number
    #[command(after_help = "Examples:\n  \
        linkmend unlock --practice locked\n  \
        linkmend unlock --at http://192.168.77.1 --dry-run\n  \
        linkmend unlock --at http://192.168.77.1 --to 3 --yes --json")]
    Unlock(Unlock),
    /// Set the bind key from bind words, remove it, or start bind mode
    #[command(after_help = "Examples:\n  \
        linkmend bind --at http://192.168.77.1             asks for bind words\n  \
        linkmend bind --verify --at http://192.168.77.1    do they give its key?\n  \
        linkmend bind --words-file words.txt --yes --at http://192.168.77.1\n  \
        linkmend bind --mode --at http://192.168.77.1")]
    Bind(Bind),
    /// Change settings: NAME=VALUE, or the NAME alone of a secret
    #[command(
        override_usage = "linkmend write [OPTIONS] [NAME=VALUE]...",
        after_help = "Examples:\n  \
        linkmend write light=60 failsafe=cut --at http://192.168.77.1\n  \
        linkmend write local-network local-passphrase --at http://192.168.77.1\n  \
        linkmend write region=GB --at http://192.168.77.1\n\n\
        Region and a higher power are written alone, at a terminal: local rules set them, and you \
        agree by typing the new value."
    )]
    Write(Write),
    /// Put back what was there, from a record
    #[command(after_help = "Examples:\n  \
        linkmend restore --at http://192.168.77.1        undo its last change\n  \
        linkmend restore 12 --at http://192.168.77.1 --dry-run")]
    Restore(Restore),
    /// Finish or undo a change that was cut off
    #[command(after_help = "Examples:\n  \
        linkmend resume                                  what is unfinished\n  \
        linkmend resume --at http://192.168.77.1         finish it\n  \
        linkmend resume --at http://192.168.77.1 --undo  put back what was there")]
    Resume(Resume),
    /// What was read and changed, and when
    #[command(after_help = "Examples:\n  \
        linkmend history\n  \
        linkmend history Grebe\n  \
        linkmend history TD-00471 --forget")]
    History(History),
    /// What this computer can do with Wi-Fi, and what is missing
    #[command(
        after_help = "Ends with 0 where linkmend can join a receiver's network, with 1 where \
        something is missing.\n\n\
        Examples:\n  linkmend host\n  linkmend host --json"
    )]
    Host,
    /// A whole shelf of loaners, described in one file
    #[command(
        subcommand,
        after_help = "Examples:\n  \
        linkmend loaners reset --practice                   a simulated shelf\n  \
        linkmend loaners init tarn.toml --family sample-form\n  \
        linkmend loaners add tarn.toml --label Heron\n  \
        linkmend loaners check tarn.toml\n  \
        linkmend loaners reset tarn.toml\n  \
        linkmend loaners report tarn.html"
    )]
    Loaners(Loaners),
    /// How families of receivers behave
    #[command(
        subcommand,
        after_help = "Examples:\n  \
        linkmend profile list\n  \
        linkmend profile show sample-form\n  \
        linkmend profile check my-family.toml"
    )]
    Profile(Profile),
    /// Print what a shell needs to complete commands with Tab
    #[command(after_help = "Examples:\n  \
        source <(linkmend completions bash)     in ~/.bashrc\n  \
        source <(linkmend completions zsh)      in ~/.zshrc, after compinit\n  \
        linkmend completions fish | source      in config.fish")]
    Completions(Completions),
    /// Print the manual page, or write one for each command
    #[command(after_help = "Examples:\n  \
        linkmend man | man -l -\n  \
        linkmend man ~/.local/share/man/man1    then: man linkmend-unlock")]
    Man(Man),
}

impl Command {
    /// The one device that it is about, where it is about one.
    pub(crate) fn target(&self) -> Option<&Target> {
        match self {
            Self::Read(typed) => Some(&typed.target),
            Self::Unlock(typed) => Some(&typed.target),
            Self::Bind(typed) => Some(&typed.target),
            Self::Write(typed) => Some(&typed.target),
            Self::Restore(typed) => Some(&typed.target),
            _ => None,
        }
    }
}

/// `linkmend completions`.
#[derive(Debug, Args)]
pub struct Completions {
    /// The shell
    #[arg(value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

/// `linkmend man`.
#[derive(Debug, Args)]
pub struct Man {
    /// Write linkmend.1, linkmend-read.1 and so on into this folder
    #[arg(value_name = "DIR")]
    pub folder: Option<PathBuf>,
}

/// Which device, and how to get at it.
#[derive(Debug, Clone, Default, Args)]
#[group(id = "which")]
#[command(group = ArgGroup::new("place").args(["at", "practice"]))]
pub struct Target {
    /// The device is at this address: http:// and an IP address, with a port if need be
    #[arg(long, value_name = "URL")]
    pub at: Option<String>,
    #[arg(long, value_name = "CONDITION", help = practice_help())]
    #[expect(missing_docs, reason = "documented by its help")]
    pub practice: Option<String>,
    /// Its family: a built-in profile's name, or a profile's file
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
    /// Go on only if it is this one: serial, BSSID, or name
    #[arg(long, value_name = "IDENTITY|NAME")]
    pub device: Option<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub radio: Radio,
    /// The device's login: a file with the user's name on its first line and the password on its second
    #[arg(long, value_name = "FILE")]
    pub login_file: Option<PathBuf>,
    /// Go on where only the address tells it from others (power this one alone)
    #[arg(long)]
    pub trust_address: bool,
    /// Change a bound: connect-s, answer-s, leave-s, pause-s, attempts, page-kib, nesting, redirects, headers
    #[arg(long, value_name = "NAME=VALUE")]
    pub limit: Vec<String>,
}

impl Target {
    /// Whether linkmend is to join its network.
    pub(crate) fn is_to_be_joined(&self) -> bool {
        self.at.is_none() && self.practice.is_none() && !self.radio.by_hand
    }
}

/// How its own network is found and joined, where no address is given.
#[derive(Debug, Clone, Default, Args)]
#[group(id = "radio")]
pub struct Radio {
    /// Look for its network through this Wi-Fi adapter
    #[arg(long, value_name = "NAME", conflicts_with = "place")]
    pub adapter: Option<String>,
    /// The passphrase of its network, alone in a file that you alone can read
    #[arg(long, value_name = "FILE", conflicts_with = "place")]
    pub passphrase_file: Option<PathBuf>,
    /// I join its network myself, in the system's settings
    #[arg(long, conflicts_with_all = ["place", "adapter", "passphrase_file", "open_network"])]
    pub by_hand: bool,
    /// Wait so many seconds for its network at most
    #[arg(long, value_name = "SECONDS", value_parser = wait, conflicts_with = "place")]
    pub wait: Option<f64>,
    /// A secret may go over the open network of this name, where everybody near can listen
    #[arg(long, value_name = "NAME", conflicts_with = "place")]
    pub open_network: Option<String>,
}

impl Radio {
    /// Whether anything was typed that only means something over Wi-Fi.
    pub fn is_asked_for(&self) -> bool {
        let Radio {
            adapter,
            passphrase_file,
            by_hand,
            wait,
            open_network,
        } = self;
        *by_hand
            || wait.is_some()
            || passphrase_file.is_some()
            || [adapter, open_network].into_iter().any(Option::is_some)
    }
}

/// Seconds of at most a day.
fn wait(text: &str) -> Result<f64, String> {
    let seconds = text.parse().ok().filter(|s| (0.0..=86_400.0).contains(s));
    seconds.ok_or_else(|| "a number of seconds from 0 to 86400".into())
}

/// `linkmend find`.
#[derive(Debug, Args)]
pub struct Find {
    /// List the other networks as well
    #[arg(long)]
    pub all: bool,
    /// Say what comes and what goes, until Ctrl-C
    #[arg(long)]
    pub watch: bool,
    /// Listen until there is one, or with --watch to the end: so many seconds at most
    #[arg(long, value_name = "SECONDS", value_parser = wait)]
    pub wait: Option<f64>,
    /// Listen through this adapter alone
    #[arg(long, value_name = "NAME")]
    pub adapter: Option<String>,
    /// Only this family: a built-in profile's name, or a profile's file
    #[arg(long, value_name = "NAME|FILE")]
    pub profile: Option<String>,
}

/// Whether to write.
#[derive(Debug, Clone, Copy, Default, Args)]
pub struct Writing {
    /// Say what would be written, and write nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Write without being asked
    #[arg(long)]
    pub yes: bool,
}

/// `linkmend read`.
#[derive(Debug, Args)]
pub struct Read {
    /// Print only these settings
    #[arg(value_name = "SETTING")]
    pub settings: Vec<String>,
    /// End with 4 unless it is healthy and as expected
    #[arg(long)]
    pub check: bool,
    /// What is wanted: a lock on purpose, or any other value
    #[arg(long, value_name = "NAME=VALUE")]
    pub expect: Vec<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub target: Target,
}

/// `linkmend unlock`.
#[derive(Debug, Args)]
pub struct Unlock {
    /// Lock it to this slot instead of clearing the lock
    #[arg(long, value_name = "SLOT")]
    pub to: Option<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub writing: Writing,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub target: Target,
}

/// `linkmend bind`.
#[derive(Debug, Default, Args)]
pub struct Bind {
    /// Take the bind words from the one line of a file, instead of asking for them
    #[arg(long, value_name = "FILE", conflicts_with_all = ["key_file", "remove", "mode"])]
    pub words_file: Option<PathBuf>,
    /// Take the key itself, in hexadecimal, from the one line of a file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["remove", "mode"])]
    pub key_file: Option<PathBuf>,
    /// Only say whether these words, or this key, give the key that is there: end with 4 if not
    #[arg(long, conflicts_with_all = ["remove", "mode", "dry_run", "yes"])]
    pub verify: bool,
    /// Remove its bind key
    #[arg(long, conflicts_with = "mode")]
    pub remove: bool,
    /// Let it listen for a transmitter that binds
    #[arg(long)]
    pub mode: bool,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub writing: Writing,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub target: Target,
}

/// `linkmend write`.
#[derive(Debug, Args)]
pub struct Write {
    /// What each setting is to be; a secret's NAME alone asks for its value, `NAME=none` removes it
    #[arg(value_name = "NAME=VALUE", required_unless_present = "secret_file")]
    pub settings: Vec<String>,
    /// Take a secret's value from the one line of a file
    #[arg(long, value_name = "NAME=FILE")]
    pub secret_file: Vec<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub writing: Writing,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub target: Target,
}

/// `linkmend restore`.
#[derive(Debug, Args)]
pub struct Restore {
    /// The record's number, from `linkmend history`; else the one before its last change
    #[arg(value_name = "RECORD")]
    pub record: Option<i64>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub writing: Writing,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub target: Target,
}

/// `linkmend resume`.
#[derive(Debug, Args)]
#[command(group = ArgGroup::new("place").args(["at"]))]
pub struct Resume {
    /// The change's number, from `linkmend history`; else the one of the device at hand
    #[arg(value_name = "CHANGE")]
    pub change: Option<i64>,
    /// Put back what was there instead of finishing
    #[arg(long, conflicts_with = "close")]
    pub undo: bool,
    /// Close it as unproved without looking at the device
    #[arg(long, requires = "change", conflicts_with_all = ["at", "yes", "dry_run"])]
    pub close: bool,
    /// The device is at this address
    #[arg(long, value_name = "URL")]
    pub at: Option<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub radio: Radio,
    /// The device's login: a file with the user's name on its first line and the password on its second
    #[arg(long, value_name = "FILE")]
    pub login_file: Option<PathBuf>,
    /// Go on where only the address tells it from others (nothing is written then)
    #[arg(long)]
    pub trust_address: bool,
    /// Change a bound: connect-s, answer-s, leave-s, pause-s, attempts, page-kib, nesting, redirects, headers
    #[arg(long, value_name = "NAME=VALUE")]
    pub limit: Vec<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub writing: Writing,
}

/// `linkmend history`.
#[derive(Debug, Args)]
pub struct History {
    /// Only this one: serial, BSSID, address, or name
    #[arg(value_name = "DEVICE")]
    pub device: Option<String>,
    /// Forget it: its records, changes and secrets
    #[arg(long, requires = "device")]
    pub forget: bool,
    /// Forget without being asked
    #[arg(long, requires = "forget")]
    pub yes: bool,
    /// Look into the journal of practice receivers
    #[arg(long)]
    pub practiced: bool,
}

/// `linkmend profile`.
#[derive(Debug, Subcommand)]
pub enum Profile {
    /// The families that are built in
    #[command(after_help = "Example:\n  linkmend profile list --json")]
    List,
    /// One family's settings and ranges
    #[command(after_help = "Examples:\n  \
        linkmend profile show sample-form\n  \
        linkmend profile show sample-form --toml > my-family.toml")]
    Show {
        /// A built-in family's name, or a profile's file
        #[arg(value_name = "NAME|FILE")]
        profile: String,
        /// Print the profile itself, to copy it for a family of your own
        #[arg(long, conflicts_with = "json")]
        toml: bool,
    },
    /// All faults of a profile at once
    #[command(after_help = "Example:\n  linkmend profile check my-family.toml")]
    Check {
        /// File, or name
        #[arg(value_name = "FILE|NAME")]
        profile: String,
    },
    /// The JSON Schema of the file format
    #[command(after_help = "Example:\n  linkmend profile schema > family.schema.json")]
    Schema,
}

/// All practice receivers by name.
#[cfg(feature = "practice")]
fn practice_help() -> String {
    let all = mock_device::Scenario::ALL.iter().map(ToString::to_string);
    let all: Vec<String> = all.collect();
    format!(
        "Use a simulated receiver in this program: {}",
        all.join(", ")
    )
}

/// There are none in this build.
#[cfg(not(feature = "practice"))]
fn practice_help() -> String {
    "Not in this build: it has no simulated receivers".into()
}
