//! `linkmend history`: what was read and changed, and when; forget a device.

use super::{
    args,
    context::Context,
    failure::Failure,
    render::{self, Fingerprint},
    screen::{Screen, Tone},
};
use crate::{
    change::{Line, PlanLine, Trouble},
    journal::{Archive, ChangeRow, DeviceRow, Journal},
    profile::{self, Profile},
    terms::{
        Device, Exit, Proof, Untrusted,
        output::{
            ChangeEntry, ChangeLine, DeviceHistory, FORMAT, HistoryOut, RecordLine, SettingOut,
            ValueOut,
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
        return forget(context, &folder, &devices, typed.yes).await;
    }
    let history = devices
        .iter()
        .map(|device| history(&archive, device))
        .collect::<Result<Vec<_>, Failure>>()?;
    if screen.json {
        screen.object(&HistoryOut {
            format: FORMAT,
            devices: history,
        });
    } else {
        say(screen, &history);
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
    folder: &crate::journal::DataFolder,
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
    if !yes && !confirm(screen, device).await? {
        return Err(Failure::Trouble(
            Trouble::new("declined", "nothing was forgotten", None).ending(Exit::Refused),
        ));
    }
    let journal = Journal::open(folder)?;
    let gone = journal.forget(device.id).await?;
    let line = format!(
        "forgotten: {} records and {} changes",
        gone.records, gone.changes
    );
    if screen.json {
        screen.object(&HistoryOut {
            format: FORMAT,
            devices: Vec::new(),
        });
    } else {
        screen.result(&line);
    }
    Ok(Exit::Done)
}

async fn confirm(screen: Screen, device: &DeviceRow) -> Result<bool, Failure> {
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
    let question = format!("Forget all records of {}?", device.identity);
    Ok(super::consent::ask(question).await.unwrap_or(false))
}

fn history(archive: &Archive, device: &DeviceRow) -> Result<DeviceHistory, Failure> {
    let fingerprint = |bytes: &[u8]| archive.fingerprint(bytes);
    let records = archive
        .records(device.id)?
        .into_iter()
        .rev()
        .map(|record| RecordLine {
            record: record.id.0,
            at: record.at.to_string(),
            kept: record.kept.word().into(),
            condition: record.condition,
        })
        .collect();
    let changes = archive
        .changes(device.id)?
        .iter()
        .rev()
        .map(|change| ChangeEntry {
            change: change.id.0,
            at: change.at.to_string(),
            command: change.command.clone(),
            record: change.record.0,
            outcome: change.outcome,
            changes: lines(change, &fingerprint),
        })
        .collect();
    Ok(DeviceHistory {
        device: render::device(&Device {
            identity: device.identity.clone(),
            family: device.family.clone(),
            role: device.role,
        }),
        name: device.name.as_ref().map(|name| name.raw().to_owned()),
        records,
        changes,
    })
}

/// The settings of a change: as it ended, or as far as it was planned.
fn lines(change: &ChangeRow, fingerprint: Fingerprint<'_>) -> Vec<ChangeLine> {
    let Ok(profile) = profile::load_text(&change.profile_file, &change.profile_text) else {
        return Vec::new();
    };
    let mut ends = change
        .steps
        .iter()
        .rev()
        .filter(|step| step.kind == crate::journal::ENDED);
    let ended = ends.find_map(|step| ended_lines(&step.body));
    let planned = || {
        let plan = change.steps.iter().find(|step| step.kind == "planned")?;
        let lines: Vec<PlanLine> =
            serde_json::from_value(plan.body.get("planned")?.get("lines")?.clone()).ok()?;
        let why = "cut off";
        Some(
            lines
                .into_iter()
                .map(|plan| Line {
                    plan,
                    proof: Proof::None,
                    why: why.into(),
                })
                .collect(),
        )
    };
    let lines: Vec<Line> = ended.or_else(planned).unwrap_or_default();
    to_lines(&lines, &profile, fingerprint)
}

fn to_lines(lines: &[Line], profile: &Profile, fingerprint: Fingerprint<'_>) -> Vec<ChangeLine> {
    lines
        .iter()
        .map(|line| render::change_line(line, profile, fingerprint))
        .collect()
}

fn ended_lines(body: &serde_json::Value) -> Option<Vec<Line>> {
    let lines: Vec<(PlanLine, Proof, String)> =
        serde_json::from_value(body.get("lines")?.clone()).ok()?;
    Some(
        lines
            .into_iter()
            .map(|(plan, proof, why)| Line { plan, proof, why })
            .collect(),
    )
}

fn say(screen: Screen, history: &[DeviceHistory]) {
    if history.is_empty() {
        screen.result("nothing is on record yet");
    }
    for device in history {
        let identity = &device.device.identity;
        let mark = identity
            .serial
            .as_ref()
            .map(|s| format!("serial {}", Untrusted::new(s.as_str())));
        let mark = mark.or_else(|| identity.bssid.as_ref().map(|b| format!("BSSID {b}")));
        let mark = mark
            .or_else(|| identity.address.clone())
            .unwrap_or_default();
        let name = device
            .name
            .as_deref()
            .map_or("(no name)".into(), |n| Untrusted::new(n).to_string());
        screen.result(&format!("{name} ({}, {mark})", device.device.family));
        for change in &device.changes {
            let outcome = change
                .outcome
                .map_or("cut off, see `linkmend resume`".into(), word);
            screen.result(&format!(
                "  change {:<4} {}  {}: {outcome}",
                change.change,
                short(&change.at),
                change.command
            ));
            for line in &change.changes {
                let (before, after) = (plain(&line.before), plain(&line.after));
                let text = format!("{} {before} → {after}", line.setting);
                screen.result(&format!("              {}", Untrusted::new(text)));
            }
        }
        for record in &device.records {
            let text = format!(
                "  record {:<4} {}  {}, {}",
                record.record,
                short(&record.at),
                record.kept,
                record.condition.word()
            );
            screen.result(&Tone::Plain.paint(&text));
        }
    }
}

/// A value as a person reads it.
fn plain(setting: &SettingOut) -> String {
    match &setting.value {
        None => "(secret or none)".into(),
        Some(ValueOut(serde_json::Value::String(text))) => text.clone(),
        Some(ValueOut(value)) => value.to_string(),
    }
}

fn word(outcome: crate::terms::output::Outcome) -> String {
    serde_json::to_value(outcome)
        .ok()
        .and_then(|word| word.as_str().map(ToOwned::to_owned))
        .unwrap_or_default()
}

/// Seconds are enough for a person.
fn short(at: &str) -> String {
    at.split('.')
        .next()
        .unwrap_or(at)
        .trim_end_matches('Z')
        .replace('T', " ")
}
