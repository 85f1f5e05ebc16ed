//! Draws a report from the JSON of a run's end, for the checks from outside:
//! `report html|csv FILE.json` prints it.

use std::{env, fs, io::Write, process::ExitCode};

use linkmend::{report, terms::output::loaners::ShelfOut};

fn main() -> ExitCode {
    let words: Vec<String> = env::args().skip(1).collect();
    match drawn(&words) {
        Ok(text) => match std::io::stdout().write_all(text.as_bytes()) {
            Ok(()) => ExitCode::SUCCESS,
            Err(_) => ExitCode::FAILURE,
        },
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

fn drawn(words: &[String]) -> Result<String, String> {
    let [what, file] = words else {
        return Err("usage: report html|csv FILE.json".into());
    };
    let text = fs::read_to_string(file).map_err(|error| format!("{file}: {error}"))?;
    let out: ShelfOut = serde_json::from_str(&text).map_err(|error| format!("{file}: {error}"))?;
    match what.as_str() {
        "html" => Ok(report::html(&out, &jiff::tz::TimeZone::UTC)),
        "csv" => Ok(report::csv(&out)),
        other => Err(format!("`{other}` is neither `html` nor `csv`")),
    }
}
