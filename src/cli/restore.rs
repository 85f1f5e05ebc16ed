//! `linkmend restore`: put back what was there, from a record.
//!
//! Region and transmit power are left as they are and named: local rules and the person set those,
//! one at a time. What this receiver's firmware does not take is left out as well, and named.

use super::{
    args,
    changing::{self, Order, Which},
    context::Context,
    failure::Failure,
    screen::Tone,
};
use crate::{
    change::{Plan, Trouble, Wanted, over_session::SessionDevice, ports::Device},
    journal::{Journal, Kept, RecordId, RecordRow},
    judge::Expectation,
    profile::{Profile, Setting},
    terms::{Exit, Reading, Sameness, SettingName, Snapshot, Value},
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Restore) -> Result<Exit, Failure> {
    let (journal, target) = changing::begin(context, &typed.target).await?;
    let (device, now) = context
        .or_stopped(async {
            let only = typed.target.device.clone();
            let mut device = SessionDevice::new(target.session.clone(), only);
            let now = device.read().await.map_err(Failure::Trouble)?;
            Ok((device, now))
        })
        .await?;
    let record = match typed.record {
        Some(number) => numbered(&journal, number, &now, typed.target.trust_address)?,
        None => latest(&journal, &now)?,
    };
    context.screen.step(
        "from",
        Tone::Plain,
        &format!("record {}, {}", record.id.0, record.at),
    );
    let offers = |wanted: &Wanted| offers(&target.profile, &device, &now, wanted);
    let (wanted, notes) = wanted(&target.profile, &record.snapshot, &now, offers);
    let order = Order {
        wanted,
        notes,
        expectation: Expectation::of(&target.profile),
        ..Order::of("restore", Which::typed(&typed.target), typed.writing)
    };
    changing::make(context, &journal, &target, order).await
}

/// Whether the device, as its page is now, offers a way to set this. A page that cannot be written
/// at all is another matter, which the change tells.
fn offers(
    profile: &Profile,
    device: &SessionDevice,
    now: &Snapshot,
    wanted: &Wanted,
) -> Result<(), String> {
    let plan = Plan::new(profile, now, wanted).map_err(|error| error.to_string())?;
    match device.tries(&plan) {
        Err(trouble) if trouble.code == Trouble::NOT_OFFERED => Err(trouble.message),
        _ => Ok(()),
    }
}

fn numbered(
    journal: &Journal,
    number: i64,
    now: &Snapshot,
    trust_address: bool,
) -> Result<RecordRow, Failure> {
    let record = journal
        .archive()?
        .record(RecordId(number))?
        .ok_or_else(|| {
            Failure::usage(
                format!("there is no record {number}"),
                "`linkmend history` lists the records",
            )
        })?;
    let sameness = record
        .snapshot
        .device
        .identity
        .compare(&now.device.identity);
    if sameness == Sameness::Same || (sameness == Sameness::Undetermined && trust_address) {
        return Ok(record);
    }
    Err(Failure::Trouble(
        Trouble::new(
            "another-device",
            format!(
                "record {number} is of {}, and {} answers here",
                record.snapshot.device.identity, now.device.identity
            ),
            Some("give a record of this receiver; `linkmend history` lists them"),
        )
        .ending(Exit::Refused),
    ))
}

/// The newest record that was kept before a change of this very device.
fn latest(journal: &Journal, now: &Snapshot) -> Result<RecordRow, Failure> {
    let archive = journal.archive()?;
    for device in archive.devices()? {
        if device.identity.compare(&now.device.identity) != Sameness::Same {
            continue;
        }
        let records = archive.records(device.id)?;
        if let Some(record) = records
            .into_iter()
            .rev()
            .find(|r| r.kept == Kept::BeforeChange)
        {
            return Ok(record);
        }
    }
    Err(Failure::Trouble(Trouble::new(
        "no-record",
        format!(
            "there is no record from before a change of {}",
            now.device.identity
        ),
        Some("give a record's number; `linkmend history` lists them"),
    )))
}

/// What of a record is to be written, and what of it is not, in words. Under another version of the
/// firmware some of it may not fit: then the rest is put back all the same.
fn wanted(
    profile: &Profile,
    record: &Snapshot,
    now: &Snapshot,
    offers: impl Fn(&Wanted) -> Result<(), String>,
) -> (Wanted, Vec<String>) {
    let mut wanted = Wanted::new();
    let mut left = Vec::new();
    for (name, entry) in &record.settings {
        let Reading::Known(value) = &entry.reading else {
            if entry.reading == Reading::WriteOnly {
                left.push(format!("`{name}` was never shown, so it is not on record"));
            }
            continue;
        };
        let same = now.value(name.as_str()) == Some(value);
        match profile
            .setting(name.as_str())
            .filter(|_| now.settings.contains_key(name))
        {
            None => left.push(format!(
                "not restored: `{name}` is on record, and this receiver has it no more"
            )),
            Some(_) if same => {}
            Some(setting) if setting.saves.is_empty() => {}
            Some(_) if SET_BY_RULES.contains(&name.as_str()) => left.push(format!(
                "`{name}` differs from the record and stays: it is set by local rules, by itself"
            )),
            Some(setting) => {
                let alone = Wanted::from([(name.clone(), value.clone())]);
                match fits(setting, value).and_then(|()| offers(&alone)) {
                    Ok(()) => wanted.extend(alone),
                    // What does not fit holds the value, which a secret's note must not.
                    Err(_) if setting.secret => {
                        left.push(format!("not restored: `{name}` does not fit any more"));
                    }
                    Err(why) => left.push(format!(
                        "not restored: `{name}` does not fit as {value}: {why}"
                    )),
                }
            }
        }
    }
    left.extend(other_firmware(profile, record, now));
    (wanted, left)
}

/// That the record is of another firmware, and what that did not have.
fn other_firmware(profile: &Profile, record: &Snapshot, now: &Snapshot) -> Vec<String> {
    let firmware = |snapshot: &Snapshot| snapshot.value(SettingName::FIRMWARE).cloned();
    let (Some(then), Some(has)) = (firmware(record), firmware(now)) else {
        return Vec::new();
    };
    if then == has {
        return Vec::new();
    }
    let new = profile.settings.iter().filter(|setting| {
        now.settings.contains_key(&setting.name) && !record.settings.contains_key(&setting.name)
    });
    let stays = new.map(|setting| format!("`{}` is not on record and stays", setting.name));
    let head = format!("the record is of firmware {then}, and this receiver has {has}");
    std::iter::once(head).chain(stays).collect()
}

/// Whether the device can be told a value that was on record.
fn fits(setting: &Setting, value: &Value) -> Result<(), String> {
    let admitted = setting
        .kind
        .admit(value.clone())
        .map_err(|error| error.to_string())?;
    setting
        .write(&admitted)
        .map(drop)
        .map_err(|error| error.to_string())
}

/// Settings that local rules set.
const SET_BY_RULES: [&str; 2] = [SettingName::REGION, SettingName::POWER];
