//! What can be typed behind `linkmend loaners`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use crate::cli::args::Writing;

/// `linkmend loaners`.
#[derive(Debug, Subcommand)]
pub enum Loaners {
    /// Write the file of a new shelf from a table
    #[command(
        after_help = "The table is comma-separated (RFC 4180), in UTF-8, and its first line names the columns in any \
        order: label; serial, bssid or identity; transmitter; at; any setting of the family. An \
        empty cell names nothing.\n\n\
        Example:\n  \
        linkmend loaners init tarn.toml --from rows.csv --family sample-form"
    )]
    Init(LoanersInit),
    /// Read all of a shelf, and say what differs from what it should be; writes nothing
    #[command(
        after_help = "Ends with 0 where all are as the file wants them, with 4 where anything is not (one that is \
        missing too), and with 1 where it could not go on.\n\n\
        Examples:\n  \
        linkmend loaners check --practice\n  \
        linkmend loaners check tarn.toml\n  \
        linkmend loaners check tarn.toml --only Heron Smew --json"
    )]
    Check(LoanersCheck),
    /// Write what the file names to all of a shelf, and prove it
    #[command(
        after_help = "What the file does not name stays as it is; region and power are compared and never \
        written. One that fails is tried again at the end. A Ctrl-C lets those under way come to \
        where they can be left, a second one ends it at once. Run it again after either: what is proved \
        is not done again, what was cut off is finished or undone first.\n\n\
        Exit codes: 0 all are as the file wants them; else the gravest of its loaners: 7 unproved, 5 did \
        not take and what was there is back, 6 refused, or left in part, 1 failed or not tried, 3 missing. Stopped by \
        Ctrl-C: 130 before any write, 7 after one.\n\n\
        Examples:\n  \
        linkmend loaners reset --practice\n  \
        linkmend loaners reset tarn.toml --dry-run\n  \
        linkmend loaners reset tarn.toml --yes --powered 6 --stop-after 3"
    )]
    Reset(LoanersReset),
    /// The report on a run over a shelf, as a page or as a table
    #[command(
        after_help = "Each run leaves its page in the data folder and says where. An older report of that name is \
        replaced, nothing else is written over.\n\n\
        Examples:\n  \
        linkmend loaners report tarn.html           the last run, as a page\n  \
        linkmend loaners report tarn.csv --run 12   that one, for a spreadsheet"
    )]
    Report(LoanersReport),
    /// The JSON Schema of a shelf's file
    #[command(after_help = "Example:\n  linkmend loaners schema > shelf.schema.json")]
    Schema,
}

/// `linkmend loaners init`.
#[derive(Debug, Args)]
pub struct LoanersInit {
    /// The new file; one that is there is never written over
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The table with a row for each loaner
    #[arg(long, value_name = "CSV")]
    pub from: PathBuf,
    /// How the receivers behave: a built-in family's name, or a profile's file
    #[arg(long, value_name = "NAME|FILE")]
    pub family: Option<String>,
    /// What the shelf is called
    #[arg(long, value_name = "TEXT", default_value = "Loan shelf")]
    pub title: String,
}

/// What a check and a reset have in common.
#[derive(Debug, Args)]
pub struct LoanersRun {
    /// The shelf's file
    #[arg(value_name = "FILE", required_unless_present = "practice")]
    pub file: Option<PathBuf>,
    /// Only these, by label
    #[arg(long, value_name = "LABEL", num_args = 1..)]
    pub only: Vec<String>,
    /// Through this Wi-Fi adapter; may be given again for a second one
    #[arg(long, value_name = "NAME", conflicts_with = "practice")]
    pub adapter: Vec<String>,
    /// Through so many Wi-Fi adapters at most, of those that can be used
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..), conflicts_with_all = ["practice", "adapter"])]
    pub adapters: Option<u16>,
    /// Have so many powered at once at most: they get hot without air over them
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub powered: Option<u16>,
    /// Begin no other once so many have failed
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
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
