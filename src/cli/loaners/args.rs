//! What can be typed behind `linkmend loaners`.

use std::path::PathBuf;

use clap::{ArgGroup, Args, Subcommand};

use crate::cli::args::{Radio, Target, Writing};

/// `linkmend loaners`.
#[derive(Debug, Subcommand)]
pub enum Loaners {
    /// Write the file of a new shelf, from a table or from receivers as you power them
    #[command(
        after_help = "The table is comma-separated (RFC 4180), in UTF-8, and its first line names the columns in any \
        order: label; serial, bssid or identity; transmitter; at; any setting of the family. An \
        empty cell names nothing.\n\n\
        Without a table it asks, at a terminal: you power one receiver after another, and say what \
        stands on its sticker.\n\n\
        Examples:\n  \
        linkmend loaners init tarn.toml --from rows.csv --family sample-form\n  \
        linkmend loaners init tarn.toml --family sample-form"
    )]
    Init(LoanersInit),
    /// Take in the receiver at hand: a new row in a shelf's file
    #[command(
        after_help = "Power it alone, or choose the one that is new since you powered it. It is read, and \
        nothing is written to it. Receivers that stand on the shelf already are passed over.\n\n\
        Examples:\n  \
        linkmend loaners add tarn.toml\n  \
        linkmend loaners add tarn.toml --label Heron --transmitter \"Blue 3\"\n  \
        linkmend loaners add tarn.toml --label Heron --at http://192.0.2.7"
    )]
    Add(LoanersAdd),
    /// Read all of a shelf, and say what differs from what it should be; writes nothing
    #[command(
        override_usage = usage("check"),
        after_help = "Ends with 0 where all are as the file wants them, with 4 where anything is not (one that is \
        missing, or what is wrong across the shelf), and with 1 where it could not go on.\n\n\
        Examples:\n  \
        linkmend loaners check --practice\n  \
        linkmend loaners check tarn.toml\n  \
        linkmend loaners check tarn.toml --only Heron Smew --json"
    )]
    Check(LoanersCheck),
    /// Write what the file names to all of a shelf, and prove it
    #[command(
        override_usage = usage("reset"),
        after_help = "What the file does not name stays as it is, but for the local network: a loaner keeps \
        nobody's, unless the file names one. Region and power are compared and never written. One that \
        fails is tried again at the end. A Ctrl-C begins nothing more and waits for no restart: who is in the middle of \
        one is told as not proved. A second one ends it at once. Run it again after either: what was proved \
        is not done again, unless it was read or changed since, or that is twelve hours ago; what was cut \
        off is finished or undone first.\n\n\
        A `bind-key = \"unique\"` is drawn once and handed to you before any loaner gets it: into the \
        file of --keys-to, or onto the screen.\n\n\
        Exit codes: 0 all are as the file wants them; else the gravest of its loaners: 7 unproved, 5 did \
        not take and what was there is back, 6 refused, or left in part, 1 failed or not tried, 3 missing. Stopped by \
        Ctrl-C: 130 before any write, 7 after one.\n\n\
        Examples:\n  \
        linkmend loaners reset --practice\n  \
        linkmend loaners reset tarn.toml --dry-run\n  \
        linkmend loaners reset tarn.toml --yes --powered 6 --stop-after 3\n  \
        linkmend loaners reset tarn.toml --keys-to keys.txt"
    )]
    Reset(LoanersReset),
    /// The report on a run over a shelf, as a page or as a table
    #[command(
        after_help = "Each run leaves its page in the data folder and says where. An older report of that name is \
        replaced, nothing else is written over. Ends with 1 where no run has come to its end yet, and with 2 \
        where there is none of that number.\n\n\
        Examples:\n  \
        linkmend loaners report tarn.html           the last run, as a page\n  \
        linkmend loaners report tarn.csv --run 12   that one, for a spreadsheet"
    )]
    Report(LoanersReport),
    /// The JSON Schema of a shelf's file
    #[command(after_help = "Example:\n  linkmend loaners schema > shelf.schema.json")]
    Schema,
}

/// The file first: `--only` takes all words behind it for labels.
fn usage(command: &str) -> String {
    format!(
        "linkmend loaners {command} <FILE> [--only <LABEL>...] [OPTIONS]\n       \
         linkmend loaners {command} --practice [OPTIONS]"
    )
}

/// How many, and not none.
fn count(text: &str) -> Result<u16, String> {
    let count = text.parse().ok().filter(|count| *count > 0);
    count.ok_or_else(|| format!("it takes a whole number from 1 to {}", u16::MAX))
}

/// `linkmend loaners init`.
#[derive(Debug, Args)]
#[command(group = ArgGroup::new("place").args(["from"]))]
pub struct LoanersInit {
    /// The new file; one that is there is never written over
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The table with a row for each loaner; none: receivers are taken in as you power them
    #[arg(long, value_name = "CSV")]
    pub from: Option<PathBuf>,
    /// How the receivers behave: a built-in family's name, or a profile's file
    #[arg(long, value_name = "NAME|FILE")]
    pub family: Option<String>,
    /// What the shelf is called
    #[arg(long, value_name = "TEXT", default_value = "Loan shelf")]
    pub title: String,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub radio: Radio,
    /// Their login: a file with the user's name on its first line and the password on its second
    #[arg(long, value_name = "FILE", conflicts_with = "place")]
    pub login_file: Option<PathBuf>,
    /// Change a bound: connect-s, answer-s, leave-s, pause-s, attempts, page-kib, nesting, redirects, headers
    #[arg(long, value_name = "NAME=VALUE", conflicts_with = "place")]
    pub limit: Vec<String>,
}

impl LoanersInit {
    /// How each of the receivers is reached.
    pub(super) fn target(&self) -> Target {
        Target {
            radio: self.radio.clone(),
            login_file: self.login_file.clone(),
            limit: self.limit.clone(),
            ..Target::default()
        }
    }
}

/// `linkmend loaners add`.
#[derive(Debug, Args)]
pub struct LoanersAdd {
    /// The shelf's file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What stands on its sticker; else it is asked for
    #[arg(long, value_name = "TEXT")]
    pub label: Option<String>,
    /// What its transmitter is called
    #[arg(long, value_name = "TEXT")]
    pub transmitter: Option<String>,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub target: Target,
}

/// What a check and a reset have in common.
#[derive(Debug, Args)]
pub struct LoanersRun {
    /// The shelf's file
    #[arg(value_name = "FILE", required_unless_present = "practice")]
    pub file: Option<PathBuf>,
    /// Only these, by label; the file stands before them
    #[arg(long, value_name = "LABEL", num_args = 1..)]
    pub only: Vec<String>,
    /// Through this Wi-Fi adapter; may be given again for a second one
    #[arg(long, value_name = "NAME", conflicts_with = "practice")]
    pub adapter: Vec<String>,
    /// Through so many Wi-Fi adapters at most, of those that can be used
    #[arg(long, value_name = "N", value_parser = count, conflicts_with_all = ["practice", "adapter"])]
    pub adapters: Option<u16>,
    /// Have so many powered at once at most, 8 unless said: they get hot without air over them. Those with
    /// an address are powered already, and 32 of them have their turn at once unless it is said here
    #[arg(long, value_name = "N", value_parser = count)]
    pub powered: Option<u16>,
    /// Begin no other once so many have failed
    #[arg(long, value_name = "N", value_parser = count)]
    pub stop_after: Option<u16>,
    /// A simulated shelf of 24 in this program, of which three misbehave
    #[arg(long, conflicts_with = "file")]
    pub practice: bool,
    /// The passphrase of their networks, alone in a file that you alone can read
    #[arg(long, value_name = "FILE", conflicts_with = "practice")]
    pub passphrase_file: Option<PathBuf>,
    /// A secret may go over open networks of this name, as the profile has it: everybody near can listen
    #[arg(long, value_name = "NAME", conflicts_with = "practice")]
    pub open_network: Option<String>,
    /// Their login: a file with the user's name on its first line and the password on its second
    #[arg(long, value_name = "FILE", conflicts_with = "practice")]
    pub login_file: Option<PathBuf>,
    /// Change a bound: connect-s, answer-s, leave-s, pause-s, attempts, page-kib, nesting, redirects, headers
    #[arg(long, value_name = "NAME=VALUE")]
    pub limit: Vec<String>,
}

/// `linkmend loaners check`.
#[derive(Debug, Args)]
pub struct LoanersCheck {
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub run: LoanersRun,
}

/// `linkmend loaners reset`.
#[derive(Debug, Args)]
pub struct LoanersReset {
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub run: LoanersRun,
    #[command(flatten)]
    #[expect(missing_docs, reason = "documented at its type")]
    pub writing: Writing,
    /// Do all anew, also what an earlier run that was cut off has proved
    #[arg(long)]
    pub anew: bool,
    /// Write the bind keys that are drawn into this new file, for the transmitters; else they are shown once
    #[arg(long, value_name = "FILE", conflicts_with = "dry_run")]
    pub keys_to: Option<PathBuf>,
}

/// `linkmend loaners report`.
#[derive(Debug, Args)]
pub struct LoanersReport {
    /// Where to: a page where it ends in .html, a table where it ends in .csv
    #[arg(value_name = "FILE")]
    pub to: PathBuf,
    /// The run's number; else the last one
    #[arg(long, value_name = "RUN")]
    pub run: Option<i64>,
    /// Look into the journal of practice receivers
    #[arg(long)]
    pub practiced: bool,
}
