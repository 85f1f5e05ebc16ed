//! `linkmend read`: read back the settings and the verdict.
//!
//! ```text
//! $ linkmend read --practice healthy
//! Grebe (sample-form, serial TD-00471)  record 3
//!   name              Grebe
//!   firmware          2.4.1
//!   model-lock        off
//!   …
//! healthy
//! ```

use std::collections::{BTreeMap, BTreeSet};

use super::{
    args,
    context::Context,
    failure::Failure,
    render::{self, Fingerprint},
    screen::{Screen, Tone},
    steps::verdict_tone,
    target::{self, Target},
};
use crate::{
    change::{over_session::SessionDevice, ports::Device},
    journal::{Journal, Kept, RecordFacts, RecordId, ledger},
    judge::{Expectation, Verdict, judge},
    profile::Profile,
    terms::{
        Condition, Exit, SettingName, Snapshot, Untrusted, Value,
        name::nearest,
        output::{FORMAT, ReadOut},
    },
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Read) -> Result<Exit, Failure> {
    let screen = context.screen;
    let journal = context.journal(typed.target.practice.is_some()).await?;
    let target = target::open(context, &journal, &typed.target).await?;
    let asked = asked(&target.profile, &typed.settings)?;
    let expectation = expectation(&target.profile, &typed.expect)?;
    let busy = screen.busy("reading");
    let look = look(&journal, &target, typed.target.device.clone(), &expectation).await?;
    drop(busy);
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let reading = Reading {
        target: &target,
        look: &look,
        asked,
        words: Some(words(&typed.target)),
    };
    if screen.json {
        screen.object(&reading.to_json(&fingerprint));
    } else {
        reading.say(screen, &fingerprint);
    }
    let as_wanted = !typed.check || look.verdict.condition == Condition::Healthy;
    Ok(if as_wanted {
        Exit::Done
    } else {
        Exit::NotAsWanted
    })
}

/// What one reading gave; it is on record.
pub(crate) struct Look {
    /// All that was read.
    pub snapshot: Snapshot,
    /// What is wrong.
    pub verdict: Verdict,
    /// The record under which it is kept.
    pub record: RecordId,
    /// Changes of this device that are unfinished.
    pub notes: Vec<String>,
}

/// Reads the device, judges it, and keeps the record. `only`: a serial, a BSSID or a name that it
/// must have.
pub(crate) async fn look(
    journal: &Journal,
    target: &Target,
    only: Option<String>,
    expectation: &Expectation,
) -> Result<Look, Failure> {
    let mut device = SessionDevice::new(target.session.clone(), only);
    let snapshot = device.read().await.map_err(Failure::Trouble)?;
    let verdict = judge(&snapshot, expectation);
    let facts = RecordFacts {
        kept: Kept::Read,
        condition: verdict.condition,
        profile_file: target.profile.source.file.clone(),
        profile_text: target.profile.source.text.clone(),
        simulated: target.simulated,
    };
    let record = journal.keep(&snapshot, facts).await?;
    Ok(Look {
        notes: notes(journal, &snapshot)?,
        snapshot,
        verdict,
        record,
    })
}

/// What gets at the same device again.
fn words(target: &args::Target) -> String {
    let login = target
        .login_file
        .as_ref()
        .map(|file| file.display().to_string());
    let place = match (&target.at, &target.practice) {
        (Some(at), _) => ("at", at.as_str()),
        (None, Some(practice)) => ("practice", practice.as_str()),
        (None, None) => return over_wifi(target),
    };
    let given = [
        ("profile", target.profile.as_deref()),
        ("login-file", login.as_deref()),
    ];
    let given = given
        .into_iter()
        .filter_map(|(name, value)| Some((name, value?)));
    let words = std::iter::once(place).chain(given);
    let words = words.map(|(name, value)| format!("--{name} {}", Untrusted::new(value)));
    words.collect::<Vec<_>>().join(" ")
}

/// The same of a device that was joined: what was typed, or nothing.
fn over_wifi(target: &args::Target) -> String {
    let radio = &target.radio;
    let file = |path: &std::path::PathBuf| path.display().to_string();
    let given = [
        ("device", target.device.clone()),
        ("adapter", radio.adapter.clone()),
        ("passphrase-file", radio.passphrase_file.as_ref().map(file)),
        ("profile", target.profile.clone()),
        ("login-file", target.login_file.as_ref().map(file)),
    ];
    let words = given
        .into_iter()
        .filter_map(|(name, value)| Some(format!("--{name} {}", Untrusted::new(value?))));
    words.collect::<Vec<_>>().join(" ")
}

/// Changes of this device that are unfinished: what it shows may not be what it keeps.
fn notes(journal: &Journal, snapshot: &Snapshot) -> Result<Vec<String>, Failure> {
    let unfinished = ledger::unfinished(&journal.archive()?)?;
    let of_this = unfinished
        .iter()
        .filter(|one| one.device.may_be(&snapshot.device));
    Ok(of_this
        .map(|one| {
            format!(
                "change {} of it is unfinished, see `linkmend resume`",
                one.change
            )
        })
        .collect())
}

/// The settings that were asked for; none named: all.
fn asked(profile: &Profile, named: &[String]) -> Result<Option<BTreeSet<SettingName>>, Failure> {
    if named.is_empty() {
        return Ok(None);
    }
    named
        .iter()
        .map(|name| known(profile, name))
        .collect::<Result<_, _>>()
        .map(Some)
}

/// A setting of the family by the name that was typed.
pub(super) fn known(profile: &Profile, typed: &str) -> Result<SettingName, Failure> {
    if let Some(setting) = profile.setting(typed) {
        return Ok(setting.name.clone());
    }
    let names: Vec<&str> = profile.settings.iter().map(|s| s.name.as_str()).collect();
    let near = nearest(names.iter().copied(), typed)
        .map(|near| format!("did you mean `{near}`? "))
        .unwrap_or_default();
    Err(Failure::usage(
        format!(
            "the family {} has no setting `{}`",
            profile.family,
            Untrusted::new(typed)
        ),
        format!("{near}it has {}", names.join(", ")),
    ))
}

fn expectation(profile: &Profile, typed: &[String]) -> Result<Expectation, Failure> {
    let mut wanted = BTreeMap::new();
    for text in typed {
        let Some((name, value)) = text.split_once('=') else {
            return Err(Failure::usage(
                format!("--expect `{}` has no `=`", Untrusted::new(text.as_str())),
                "give NAME=VALUE, such as model-lock=7",
            ));
        };
        let name = known(profile, name)?;
        let Some(setting) = profile.setting(name.as_str()) else {
            continue;
        };
        if setting.secret {
            return Err(Failure::usage(
                format!("`{name}` is a secret and is not typed on a command line"),
                "compare fingerprints in `linkmend read --json` instead",
            ));
        }
        // As it is printed too: `slot 7`, `25 mW`.
        let value = value.strip_prefix("slot ").unwrap_or(value);
        let unit = setting.kind.unit().unwrap_or_default();
        let value = value.strip_suffix(unit).unwrap_or(value).trim_end();
        let value = setting.kind.parse(value).map_err(|error| {
            Failure::usage(
                format!("--expect {name}: {error}"),
                format!("see `linkmend profile show {}`", profile.family),
            )
        })?;
        wanted.insert(name, value);
    }
    Ok(Expectation {
        wanted,
        ..Expectation::of(profile)
    })
}

/// One reading, to be shown.
pub(crate) struct Reading<'a> {
    /// The device.
    pub target: &'a Target,
    /// What was read.
    pub look: &'a Look,
    /// The settings to show; none: all.
    pub asked: Option<BTreeSet<SettingName>>,
    /// What was typed to get at the device, for the hint on what to type next; none: no hint.
    pub words: Option<String>,
}

impl Reading<'_> {
    fn is_asked(&self, name: &SettingName) -> bool {
        self.asked.as_ref().is_none_or(|asked| asked.contains(name))
    }

    fn to_json(&self, fingerprint: Fingerprint<'_>) -> ReadOut {
        let settings = self
            .look
            .snapshot
            .settings
            .iter()
            .filter(|(name, _)| self.is_asked(name))
            .map(|(name, entry)| {
                let setting = self.target.profile.setting(name.as_str());
                (name.clone(), render::entry(entry, setting, fingerprint))
            })
            .collect();
        ReadOut {
            format: FORMAT,
            record: self.look.record.0,
            device: render::device(&self.look.snapshot.device),
            settings,
            condition: self.look.verdict.condition,
            findings: self.look.verdict.findings.clone(),
            notes: self.look.notes.clone(),
            simulated: self.target.simulated,
        }
    }

    /// Says it to a person.
    pub(crate) fn say(&self, screen: Screen, fingerprint: Fingerprint<'_>) {
        screen.result(&format!(
            "{}, record {}",
            render::title(&self.look.snapshot),
            self.look.record.0
        ));
        let settings = self.target.profile.settings.iter();
        for setting in settings.filter(|setting| self.is_asked(&setting.name)) {
            let Some(entry) = self.look.snapshot.settings.get(&setting.name) else {
                continue;
            };
            let value = render::words(&entry.reading, Some(setting), fingerprint);
            let tone = match entry.value() {
                None => Tone::Careful,
                Some(Value::Absent) => Tone::Faint,
                Some(_) => Tone::Plain,
            };
            screen.result(&format!("  {:<20} {}", setting.name, tone.paint(&value)));
        }
        let tone = verdict_tone(self.look.verdict.condition);
        screen.result(&tone.paint(self.look.verdict.condition.word()));
        for finding in &self.look.verdict.findings {
            screen.result(&format!("  {}", finding.text));
        }
        for note in &self.look.notes {
            screen.result(&Tone::Careful.paint(&format!("note: {note}")));
        }
        if let Some(words) = &self.words
            && self.look.verdict.condition == Condition::Locked
        {
            screen.remark(
                Tone::Faint,
                &format!(
                    "`{}` clears the lock; `--to SLOT` sets it to your \
                     transmitter's slot.",
                    format!("linkmend unlock {words}").trim_end()
                ),
            );
        }
    }
}
