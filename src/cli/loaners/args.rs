//! What can be typed behind `linkmend loaners`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

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
