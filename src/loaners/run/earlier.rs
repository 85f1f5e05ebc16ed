//! What earlier runs over the shelf left: what they proved, what they were cut off in, and which
//! pairs the loaners had then.

use std::collections::{BTreeMap, HashMap};

use jiff::{SignedDuration, Timestamp};

use super::Order;
use crate::{
    change::Wanted,
    journal::{
        Archive, ChangeRow, DataFolder, DeviceId, Journal, JournalError, RecordId, RunRow,
        RunState, ledger,
    },
    loaners::{
        draw::Drawn,
        pairs::Pair,
        shelf::{Loaner, Wish},
    },
    profile::Profile,
    terms::{
        Mac, Sameness, SettingName, Value,
        output::{
            Outcome,
            loaners::{LoanerOut, LoanerResult, ShelfCommand},
        },
    },
};

/// Which results of earlier runs count as done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trust {
    /// Those of the last run, where it was cut off or stopped: what it proved is not done again.
    CutOff,
    /// Those of the last run, however it ended.
    Last,
    /// None: all is done anew.
    Nothing,
}

/// The run that is under way in another program, where that is why the journal of a folder could
/// not be opened.
///
/// # Errors
/// When the journal cannot be read.
pub fn under_way(folder: &DataFolder) -> Result<Option<RunRow>, JournalError> {
    Archive::open(folder)?.open_run()
}

/// What earlier runs proved.
#[derive(Default)]
pub(super) struct Earlier {
    /// By label, as it was told then.
    pub(super) proved: BTreeMap<String, LoanerOut>,
    /// The run that it was.
    pub(super) run: Option<RunRow>,
    /// Whether the file is another one now.
    pub(super) file_changed: bool,
    /// Those that were proved then, and whose rows are others now.
    pub(super) rows_changed: Vec<String>,
}

/// Reads what the last run proved, as far as its rows are those of now. `rows`: the fingerprint of
/// each row, by label.
pub(super) fn earlier(
    archive: &Archive,
    order: &Order,
    file: &str,
    rows: &BTreeMap<&str, String>,
) -> Result<Earlier, JournalError> {
    let counts = order.command == ShelfCommand::Reset && !order.dry_run;
    if !counts || order.trust == Trust::Nothing {
        return Ok(Earlier::default());
    }
    let Some(run) = archive.last_run(&order.shelf.title, ShelfCommand::Reset)? else {
        return Ok(Earlier::default());
    };
    if run.state == Some(RunState::Done) && order.trust == Trust::CutOff {
        return Ok(Earlier::default());
    }
    let mut found = Earlier {
        file_changed: run.run.file != file,
        ..Earlier::default()
    };
    for (label, result) in archive.results(run.id)? {
        let is_proved = matches!(
            result.out.result,
            LoanerResult::AsWanted | LoanerResult::Done
        );
        // One with an error is done but for a part.
        if !is_proved || result.out.error.is_some() {
            continue;
        }
        if rows.get(label.as_str()) != Some(&result.row) {
            found.rows_changed.push(label);
        } else if still_stands(archive, &result.out)? {
            let out = LoanerOut {
                earlier: true,
                // They are of the time of that run.
                spans: Vec::new(),
                ..result.out
            };
            found.proved.insert(label, out);
        }
    }
    found.run = Some(run);
    Ok(found)
}

/// Whether what was proved of a loaner may be taken as it was told: it was not long ago, and nobody
/// read or changed it since, by this journal. It is read again otherwise, which writes nothing where it
/// still is as wanted.
fn still_stands(archive: &Archive, out: &LoanerOut) -> Result<bool, JournalError> {
    let Some(record) = out.record.map(RecordId) else {
        return Ok(false);
    };
    let Some((last, at)) = archive.last_since(record)? else {
        return Ok(false);
    };
    let age = Timestamp::now().duration_since(at);
    // One from the future was kept by a clock that was wrong.
    Ok(last == record && !age.is_negative() && age <= PROVED_FOR)
}

/// How long a run that was cut off is gone on with as if there had been no break. No source: a night
/// and a morning; whoever borrowed a loaner since then may have changed it.
const PROVED_FOR: SignedDuration = SignedDuration::from_hours(12);

/// What is wanted of a loaner, with what was drawn for it.
#[derive(Debug, Clone, Default)]
pub(super) struct Asked {
    /// By setting.
    pub(super) values: Wanted,
    /// Settings of which a value is still to be drawn.
    pub(super) undrawn: Vec<SettingName>,
}

impl Asked {
    /// Of a row.
    pub(super) fn of(loaner: &Loaner, drawn: &Drawn) -> Self {
        let mut asked = Self::default();
        for (name, wish) in &loaner.wanted {
            let value = match wish {
                Wish::Value(value) => Some(value),
                Wish::Unique => drawn.get(&(loaner.label.clone(), name.clone())),
            };
            match value {
                Some(value) => {
                    asked.values.insert(name.clone(), value.clone());
                }
                None => asked.undrawn.push(name.clone()),
            }
        }
        asked
    }
}

/// The fingerprint of all that a row asks for, under the journal's key. `profile`: that of the
/// profile's text.
pub(super) fn row(journal: &Journal, loaner: &Loaner, asked: &Asked, profile: &str) -> String {
    let mark = (&loaner.mark.serial, loaner.mark.bssid);
    let drawn = asked.values.iter().map(|(name, value)| (name, Some(value)));
    let undrawn = asked.undrawn.iter().map(|name| (name, None));
    let values: BTreeMap<&str, Option<&Value>> = drawn
        .chain(undrawn)
        .map(|(name, value)| (name.as_str(), value))
        .collect();
    let body = serde_json::json!({
        "label": loaner.label,
        "mark": mark,
        "wanted": values,
        "profile": profile,
    });
    journal.fingerprint(body.to_string().as_bytes())
}

/// The devices of the journal by their marks.
pub(super) struct KnownDevices<'a> {
    archive: &'a Archive,
    by_serial: HashMap<String, (DeviceId, Option<Mac>)>,
    by_bssid: HashMap<Mac, DeviceId>,
    profile: &'a Profile,
}

impl<'a> KnownDevices<'a> {
    /// Those of a family.
    pub(super) fn of(archive: &'a Archive, profile: &'a Profile) -> Result<Self, JournalError> {
        let mut known = Self {
            archive,
            profile,
            by_serial: HashMap::new(),
            by_bssid: HashMap::new(),
        };
        for device in archive.devices()? {
            if device.family != profile.family {
                continue;
            }
            let bssid = device.identity.bssid.filter(|bssid| bssid.stable);
            let mac = bssid.map(|bssid| Mac(bssid.mac));
            // The one seen last stands first.
            if let Some(serial) = &device.identity.serial {
                let serial = serial.raw().to_owned();
                known.by_serial.entry(serial).or_insert((device.id, mac));
            }
            if let Some(mac) = mac {
                known.by_bssid.entry(mac).or_insert(device.id);
            }
        }
        Ok(known)
    }

    /// The BSSID that a loaner had when it was read last.
    pub(super) fn bssid(&self, loaner: &Loaner) -> Option<Mac> {
        let serial = loaner.mark.serial.as_ref()?;
        self.by_serial.get(serial)?.1
    }

    /// The pair that a loaner had when it was last read or changed; none: it was never read.
    pub(super) fn pair(&self, loaner: &Loaner) -> Result<Option<Pair>, JournalError> {
        let by_serial = loaner.mark.serial.as_ref();
        let by_serial = by_serial.and_then(|serial| self.by_serial.get(serial));
        let by_bssid = loaner.mark.bssid.and_then(|mac| self.by_bssid.get(&mac));
        let Some(device) = by_serial.map(|(id, _)| id).or(by_bssid) else {
            return Ok(None);
        };
        let Some(record) = self.archive.last_record(*device)? else {
            return Ok(None);
        };
        let identity = &record.snapshot.device.identity;
        if loaner.mark.identity(true).compare(identity) == Sameness::Different {
            return Ok(None);
        }
        let mut pair = Pair::read(&record.snapshot, self.profile);
        for change in self.archive.changes(*device)? {
            if change.record >= record.id && change.outcome == Some(Outcome::Done) {
                let written = written(&change);
                pair = pair.with(|name| written.get(name));
            }
        }
        Ok(Some(pair))
    }
}

/// What a change wrote.
fn written(change: &ChangeRow) -> Wanted {
    let lines = ledger::read_lines(change).into_iter();
    lines
        .map(|line| (line.plan.setting, line.plan.after))
        .collect()
}
