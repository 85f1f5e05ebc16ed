//! `linkmend host`: what this computer can do with Wi-Fi, and what is missing, before anybody stands
//! in a field. It asks and reads, and changes nothing.
//!
//! ```text
//! $ linkmend host
//! ok       NetworkManager 1.42.4
//! missing  this computer has no Wi-Fi adapter that `NetworkManager` knows of
//!          help: plug one in; …
//! ```

use super::{context::Context, failure::Failure, screen::Tone};
use crate::{
    terms::{
        Exit,
        output::{FORMAT, HostLevel, HostLine, HostOut},
    },
    wifi::{
        AdapterName,
        host::{Finding, Level, examine},
    },
};

/// The column at which what was found begins.
const COLUMN: usize = 9;

/// Runs the command.
pub(super) async fn run(context: &Context) -> Result<Exit, Failure> {
    let screen = context.screen;
    context.home_first().await?;
    let busy = screen.busy("looking at this computer");
    let findings = examine().await;
    drop(busy);
    let free = findings.iter().all(|one| one.level != Level::Missing);
    if screen.json {
        screen.object(&HostOut {
            format: FORMAT,
            free,
            findings: findings.iter().map(line).collect(),
        });
    } else {
        for finding in &findings {
            let (word, tone) = word(finding.level);
            let word = tone.paint(&format!("{word:<COLUMN$}"));
            screen.hanging(&word, COLUMN, &finding.text);
            if let Some(help) = &finding.help {
                screen.hanging(&" ".repeat(COLUMN), COLUMN, &format!("help: {help}"));
            }
        }
        let (tone, text) = if free {
            (Tone::Good, "linkmend can join a receiver's network.")
        } else {
            (
                Tone::Careful,
                "linkmend cannot join a receiver's network by itself yet. `--by-hand` goes without: \
                 it names the network, and you join it.",
            )
        };
        screen.remark(tone, text);
    }
    Ok(if free { Exit::Done } else { Exit::Failed })
}

fn word(level: Level) -> (&'static str, Tone) {
    match level {
        Level::Ok => ("ok", Tone::Good),
        Level::Warn => ("warn", Tone::Careful),
        Level::Missing => ("missing", Tone::Bad),
    }
}

fn line(finding: &Finding) -> HostLine {
    HostLine {
        code: finding.code.to_owned(),
        level: match finding.level {
            Level::Ok => HostLevel::Ok,
            Level::Warn => HostLevel::Warn,
            Level::Missing => HostLevel::Missing,
        },
        adapter: finding.adapter.as_ref().map(AdapterName::to_string),
        text: finding.text.clone(),
        help: finding.help.clone(),
    }
}
