//! `--shelf`: many receivers in this process, with their list on stdout and in files.
//!
//! A shelf's files are written before the first line on stdout: who has read it may use them.

use std::{fs, io, path::PathBuf, time::Duration};

use clap::{
    Args,
    builder::{PossibleValuesParser, TypedValueParser},
};
use mock_device::{
    Chaos, Fault,
    shelf::{self, Conditions, Keys, MOST, Places, Shelf, ShelfOptions},
};
use serde_json::json;

use super::{Arguments, say, wrong_usage};

/// The options of one receiver alone.
const ALONE: [&str; 12] = [
    "scenario",
    "firmware",
    "faults",
    "faults_seed",
    "listen",
    "from_cold",
    "bssid_changes",
    "tell_air",
    "joined",
    "advertise",
    "log",
    "listen_anywhere",
];

/// The options that a shelf alone has.
#[derive(Args)]
pub(super) struct ShelfArguments {
    /// Simulates a shelf of so many receivers (1 to 10000), each at a loopback address of its own.
    #[arg(
        long,
        value_name = "COUNT",
        value_parser = clap::value_parser!(u32).range(1..=10_000),
        conflicts_with_all = ALONE
    )]
    shelf: Option<u32>,
    /// What they are like, as shares: `locked:20,healthy:3,lock-returns:1`; a scenario, or one of
    /// the conditions that are listed below.
    #[arg(long, value_name = "WORD:SHARE,...", requires = "shelf")]
    conditions: Option<Conditions>,
    /// The port of all of them; 0 takes a free one.
    #[arg(long, value_name = "PORT", default_value_t = 0, requires = "shelf")]
    port: u16,
    /// Each at a free port of 127.0.0.1 instead, with a socket of its own.
    #[arg(long, requires = "shelf", conflicts_with = "port")]
    ports: bool,
    /// Whose bind key they have: each its own, or all that of the school and each a slot (up to 40).
    #[arg(
        long,
        default_value = "of-each",
        requires = "shelf",
        value_parser = PossibleValuesParser::new(["of-each", "of-the-school"])
            .map(|word| if word == "of-each" { Keys::OfEach } else { Keys::OfTheSchool })
    )]
    keys: Keys,
    /// Leaves out the waits of the family.
    #[arg(long, requires = "shelf", conflicts_with = "speed")]
    no_waits: bool,
    /// Time between the answer to what restarts a receiver and the restart, in ms (0 to 60000).
    #[arg(
        long,
        value_name = "MS",
        default_value_t = 300,
        requires = "shelf",
        value_parser = clap::value_parser!(u64).range(0..=60_000)
    )]
    pause: u64,
    /// Something goes wrong with so many of a thousand requests (0 to 1000).
    #[arg(
        long,
        value_name = "PER-MILLE",
        requires = "shelf",
        value_parser = clap::value_parser!(u16).range(0..=1000)
    )]
    chaos: Option<u16>,
    /// Most mishaps that one receiver has.
    #[arg(long, value_name = "COUNT", default_value_t = 3, requires = "chaos")]
    chaos_most: u16,
    /// Only of these faults, with commas between; of all unless given.
    #[arg(
        long,
        value_name = "WORD,...",
        value_delimiter = ',',
        requires = "shelf"
    )]
    chaos_only: Vec<Fault>,
    /// As often and as many as follow from this number.
    #[arg(
        long,
        value_name = "NUMBER",
        conflicts_with = "chaos",
        requires = "shelf"
    )]
    chaos_seed: Option<u64>,
    /// Writes a shelf file of them here.
    #[arg(long, value_name = "FILE", requires = "shelf")]
    toml: Option<PathBuf>,
    /// Writes the list as CSV here.
    #[arg(long, value_name = "FILE", requires = "shelf")]
    csv: Option<PathBuf>,
}

/// Puts up the shelf that is asked for, if one is, and writes its files.
pub(super) async fn put_up(arguments: &Arguments) -> io::Result<Option<Shelf>> {
    let asked = &arguments.shelf;
    let Some(count) = asked.shelf else {
        return Ok(None);
    };
    let mut options = ShelfOptions::new(arguments.family, usize::try_from(count).unwrap_or(MOST));
    if let Some(conditions) = &asked.conditions {
        options.conditions = conditions.clone();
    }
    options.seed = arguments.seed;
    options.speed = (!asked.no_waits).then_some(arguments.speed);
    options.pause = Duration::from_millis(asked.pause);
    options.places = if asked.ports {
        Places::Ports
    } else {
        Places::Addresses(asked.port)
    };
    options.keys = asked.keys;
    let only = asked.chaos_only.clone();
    options.chaos = match (asked.chaos, asked.chaos_seed) {
        (_, Some(seed)) => Some(Chaos {
            only,
            ..Chaos::from_seed(seed)
        }),
        (Some(per_mille), None) => Some(Chaos {
            per_mille,
            most: asked.chaos_most,
            only,
        }),
        (None, None) if only.is_empty() => None,
        (None, None) => wrong_usage("`--chaos-only` goes with `--chaos` or `--chaos-seed`"),
    };
    options.truth = Some(arguments.truth);
    let shelf = match shelf::start(options).await {
        Err(fault) if fault.kind() == io::ErrorKind::InvalidInput => {
            wrong_usage(&fault.to_string())
        }
        started => started?,
    };
    for (file, text) in [(&asked.toml, shelf.toml()), (&asked.csv, shelf.csv())] {
        let Some(path) = file else { continue };
        fs::write(path, text).map_err(|fault| {
            let text = format!("cannot write `{}`: {fault}", path.display());
            io::Error::new(fault.kind(), text)
        })?;
    }
    Ok(Some(shelf))
}

/// The first line on stdout, and then one for each receiver.
pub(super) fn introduce(shelf: &Shelf) -> io::Result<()> {
    say(&json!({
        "format": 1,
        "shelf": shelf.lent().len(),
        "family": shelf.family().word(),
        "truth": shelf.truth_address().map(|address| format!("http://{address}/")),
    }))?;
    for row in shelf.lent() {
        say(&json!(row))?;
    }
    Ok(())
}
