//! `linkmend history`: what was read and changed, and when; forget a device.

use super::{
    args,
    context::Context,
    failure::Failure,
    render::{self, Fingerprint},
    screen::{Screen, Tone},
};
use crate::{
    change::{Line, Trouble},
    journal::{
        Archive, ChangeRow, DataFolder, DeviceRow, Holder, Journal, RecordRow, RunId,
        ledger::{self, read_lines},
    },
    profile::{self, Profile},
    terms::{
        Device, Exit, Untrusted,
        output::{
            ChangeEntry, ChangeLine, DeviceHistory, FORMAT, ForgottenOut, HistoryOut, Outcome,
            RecordLine,
        },
    },
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::History) -> Result<Exit, Failure> {
    let screen = context.screen;
    let folder = context.folder(typed.practiced)?;
    let archive = Archive::open(&folder)?;
    let devices = match &typed.device {
        Some(who) => named(&archive, who)?,
        None => archive.devices()?,
    };
    if typed.forget {
        return forget(context, &folder, &archive, &devices, typed.yes).await;
    }
    let mut past = Past::all(&archive, &devices)?;
    let mut now = None;
    if past.iter().any(Past::is_open) {
        now = UnderWay::in_folder(&folder, &archive)?;
        if now.is_none() {
            // What was open a moment ago may have ended since.
            past = Past::all(&archive, &devices)?;
        }
    }
    let fingerprint = |bytes: &[u8]| archive.fingerprint(bytes);
    if screen.json {
        let devices = past.iter().map(|past| past.to_json(&fingerprint)).collect();
        screen.object(&HistoryOut {
            format: FORMAT,
            forgotten: None,
            devices,
        });
    } else if past.is_empty() {
        screen.result("nothing is on record yet");
    } else {
        for one in &past {
            one.say(screen, typed.practiced, now.as_ref(), &fingerprint);
        }
    }
    Ok(Exit::Done)
}

fn named(archive: &Archive, who: &str) -> Result<Vec<DeviceRow>, Failure> {
    let found = archive.find(who)?;
    if found.is_empty() {
        return Err(Failure::Trouble(
            Trouble::new(
                "unknown-device",
                format!("the journal knows no device `{}`", Untrusted::new(who)),
                Some("`linkmend history` lists all of them"),
            )
            .ending(Exit::NoDevice),
        ));
    }
    Ok(found)
}

async fn forget(
    context: &Context,
    folder: &DataFolder,
    archive: &Archive,
    devices: &[DeviceRow],
    yes: bool,
) -> Result<Exit, Failure> {
    let screen = context.screen;
    let [device] = devices else {
        return Err(Failure::Trouble(
            Trouble::new(
                "several-devices",
                format!("{} devices go by that name", devices.len()),
                Some("give a serial or a BSSID"),
            )
            .ending(Exit::Refused),
        ));
    };
    let records = archive.records(device.id)?.len();
    let changes = archive.changes(device.id)?;
    let mut unfinished = ledger::unfinished(archive)?.into_iter();
    if let Some(one) = unfinished.find(|one| changes.iter().any(|row| row.id.0 == one.change)) {
        return Err(Failure::Trouble(
            Trouble::new(
                "unfinished-change",
                format!(
                    "change {} of it is unfinished, and its way back would be lost",
                    one.change
                ),
                Some(&format!(
                    "run `linkmend resume` first; `linkmend resume {} --close` leaves it as it is",
                    one.change
                )),
            )
            .ending(Exit::Refused),
        ));
    }
    let question = format!(
        "Forget {} ({}) with {} and {}, and the secrets in them?",
        device
            .name
            .as_ref()
            .map_or("it".into(), ToString::to_string),
        device.identity,
        counted(records, "record"),
        counted(changes.len(), "change")
    );
    if !yes && !confirm(screen, question).await? {
        return Err(Failure::Trouble(
            Trouble::new("declined", "nothing was forgotten", None).ending(Exit::Refused),
        ));
    }
    let journal = Journal::open(folder)?;
    let gone = journal.forget(device.id).await?;
    if screen.json {
        screen.object(&HistoryOut {
            format: FORMAT,
            forgotten: Some(ForgottenOut {
                records: gone.records,
                changes: gone.changes,
                traces_left: gone.traces_left,
            }),
            devices: Vec::new(),
        });
        return Ok(Exit::Done);
    }
    screen.result(&format!(
        "forgotten: {} and {}",
        counted(gone.records, "record"),
        counted(gone.changes, "change")
    ));
    if gone.traces_left {
        screen.result(
            "another program was reading: traces stay in the journal's log until the next linkmend \
             writes there",
        );
    }
    Ok(Exit::Done)
}

async fn confirm(screen: Screen, question: String) -> Result<bool, Failure> {
    if !screen.can_ask() {
        return Err(Failure::Trouble(
            Trouble::new(
                "no-consent",
                "nothing is forgotten without consent, and there is nobody to ask",
                Some("add --yes"),
            )
            .ending(Exit::Refused),
        ));
    }
    Ok(super::ask::confirm(question).await.unwrap_or(false))
}

/// `1 record`, `2 records`.
fn counted(number: usize, what: &str) -> String {
    let plural = if number == 1 { "" } else { "s" };
    format!("{number} {what}{plural}")
}

/// Another program that writes the journal now. Which of the open changes are its own, the journal
/// does not say.
struct UnderWay {
    pid: Option<u32>,
    /// The run over a shelf that it is at.
    run: Option<RunId>,
}

impl UnderWay {
    fn in_folder(folder: &DataFolder, archive: &Archive) -> Result<Option<Self>, Failure> {
        let Some(Holder { pid }) = folder.holder() else {
            return Ok(None);
        };
        // A run that was cut off is open on record too.
        let run = archive.open_run()?.filter(|run| pid == Some(run.pid));
        Ok(Some(Self {
            pid,
            run: run.map(|run| run.id),
        }))
    }

    /// What an open change is said to be.
    fn word(&self) -> String {
        let pid = self
            .pid
            .map_or_else(String::new, |pid| format!(" (process {pid})"));
        match self.run {
            Some(run) => format!("open, and run {} is under way{pid}", run.0),
            None => format!("open, and another linkmend is at work{pid}"),
        }
    }
}

/// Everything that is on record of one device, newest first.
struct Past {
    device: DeviceRow,
    records: Vec<RecordRow>,
    changes: Vec<PastChange>,
}

/// A change with its settings: as it ended, or as far as it was planned.
struct PastChange {
    row: ChangeRow,
    profile: Option<Profile>,
    lines: Vec<Line>,
}

impl Past {
    fn all(archive: &Archive, devices: &[DeviceRow]) -> Result<Vec<Self>, Failure> {
        let devices = devices.iter().cloned();
        devices.map(|device| Self::of(archive, device)).collect()
    }

    /// Whether any of its changes has no end on record.
    fn is_open(&self) -> bool {
        self.changes
            .iter()
            .any(|change| change.row.outcome.is_none())
    }

    fn of(archive: &Archive, device: DeviceRow) -> Result<Self, Failure> {
        let mut records = archive.records(device.id)?;
        let mut changes: Vec<PastChange> = archive
            .changes(device.id)?
            .into_iter()
            .map(|row| PastChange {
                profile: profile::load_text(&row.profile_file, &row.profile_text).ok(),
                lines: read_lines(&row),
                row,
            })
            .collect();
        records.reverse();
        changes.reverse();
        Ok(Self {
            device,
            records,
            changes,
        })
    }

    fn to_json(&self, fingerprint: Fingerprint<'_>) -> DeviceHistory {
        let DeviceRow {
            identity,
            family,
            role,
            name,
            ..
        } = &self.device;
        DeviceHistory {
            device: render::device(&Device {
                identity: identity.clone(),
                family: family.clone(),
                role: *role,
            }),
            name: name.as_ref().map(|name| name.raw().to_owned()),
            records: self
                .records
                .iter()
                .map(|record| RecordLine {
                    record: record.id.0,
                    at: record.at.to_string(),
                    kept: record.kept.word().into(),
                    condition: record.condition,
                })
                .collect(),
            changes: self
                .changes
                .iter()
                .map(|change| ChangeEntry {
                    change: change.row.id.0,
                    at: change.row.at.to_string(),
                    command: change.row.command.clone(),
                    record: change.row.record.0,
                    outcome: change.row.outcome,
                    follows: ledger::follows(&change.row),
                    changes: change.to_json(fingerprint),
                })
                .collect(),
        }
    }

    fn say(
        &self,
        screen: Screen,
        practiced: bool,
        now: Option<&UnderWay>,
        fingerprint: Fingerprint<'_>,
    ) {
        let under_way = now.map(UnderWay::word);
        let DeviceRow {
            identity,
            family,
            name,
            ..
        } = &self.device;
        let name = name
            .as_ref()
            .map_or("(no name)".into(), ToString::to_string);
        screen.result(&format!("{name} ({family}, {identity})"));
        for PastChange {
            row,
            profile,
            lines,
        } in &self.changes
        {
            let (tone, outcome) = match row.outcome {
                Some(outcome @ (Outcome::Done | Outcome::NothingToDo | Outcome::Planned)) => {
                    (Tone::Good, outcome.word())
                }
                Some(outcome @ (Outcome::Refused | Outcome::Failed)) => {
                    (Tone::Faint, outcome.word())
                }
                Some(outcome) => (Tone::Bad, outcome.word()),
                None => match &under_way {
                    Some(word) => (Tone::Careful, word.as_str()),
                    None if practiced => (Tone::Faint, "cut off, and its receiver ended with it"),
                    None => (Tone::Bad, "cut off, see `linkmend resume`"),
                },
            };
            screen.result(&format!(
                "  change {:<5} {}  {}: {}",
                row.id.0,
                short(&row.at),
                row.command,
                tone.paint(outcome)
            ));
            for line in profile.iter().flat_map(|profile| {
                lines
                    .iter()
                    .map(|line| render::plan_line(&line.plan, profile, fingerprint))
            }) {
                screen.result(&format!("               {line}"));
            }
            if let Some(follows) = ledger::follows(row) {
                let not = if follows { "" } else { " not" };
                screen.result(&format!(
                    "               the skipper's word: it does{not} follow the sticks"
                ));
            }
        }
        for record in &self.records {
            screen.result(&format!(
                "  record {:<5} {}  {}, {}",
                record.id.0,
                short(&record.at),
                record.kept.word(),
                record.condition.word()
            ));
        }
    }
}

impl PastChange {
    fn to_json(&self, fingerprint: Fingerprint<'_>) -> Vec<ChangeLine> {
        let Some(profile) = &self.profile else {
            return Vec::new();
        };
        let lines = self.lines.iter();
        lines
            .map(|line| render::change_line(line, profile, fingerprint))
            .collect()
    }
}

/// Seconds are enough for a person.
fn short(at: &jiff::Timestamp) -> jiff::fmt::strtime::Display<'_> {
    at.strftime("%Y-%m-%d %H:%M:%S UTC")
}
