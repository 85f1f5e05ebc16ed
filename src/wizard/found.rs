//! What was found on the receiver, what can be done about it, and the skipper's own proof.

use crate::{
    change::Trouble,
    cli::{
        args::Writing,
        changing::{self, Ended},
        failure::Failure,
        read::{self, Look, Reading},
        screen::Tone,
        unlock::{self, Which},
    },
    journal::ledger,
    judge::Expectation,
    terms::{Condition, Exit, SettingName, Value, output::Outcome},
};

use super::{advice, guide::Guide, place::Place};

/// What decides whether two ends link.
const LINK: [&str; 6] = [
    SettingName::NAME,
    SettingName::FIRMWARE,
    SettingName::MODEL_LOCK,
    SettingName::BIND_KEY,
    SettingName::WAVEFORM,
    SettingName::REGION,
];

/// All settings and the verdict.
pub(super) async fn show_all(guide: &Guide<'_>, place: &Place) -> Result<Exit, Failure> {
    let look = look(guide, place).await?;
    show(guide, place, &look, |_| true);
    after_reading(guide, place, &look);
    Ok(Exit::Done)
}

/// What it speaks on its wires.
pub(super) async fn show_outputs(guide: &Guide<'_>, place: &Place) -> Result<Exit, Failure> {
    let look = look(guide, place).await?;
    show(guide, place, &look, |name| {
        !LINK.contains(&name)
            && ["output", "failsafe", "channel"]
                .iter()
                .any(|part| name.starts_with(part))
    });
    guide.remark(
        Tone::Plain,
        "Hold these against what the controller is set to: the serial protocol, whether it is \
         inverted, and the channel order.",
    );
    after_reading(guide, place, &look);
    Ok(Exit::Done)
}

/// What keeps it from linking, and what can be done about it.
pub(super) async fn mend(guide: &Guide<'_>, place: &Place) -> Result<Exit, Failure> {
    let look = look(guide, place).await?;
    show(guide, place, &look, |name| LINK.contains(&name));
    match look.verdict.condition {
        Condition::Locked => return locked(guide, place, &look).await,
        Condition::Unbound => {
            guide.list(
                "Binding gives both ends the same bind key. Until then it follows no transmitter. \
                 Two ways:",
                &advice::UNBOUND,
            );
        }
        Condition::Faulty => guide.list("No setting mends that:", &advice::FAULTY),
        Condition::Healthy => guide.list(
            "No setting of the receiver keeps it from linking. Look at both ends:",
            &advice::other_end(&look.snapshot),
        ),
        Condition::Unsupported | Condition::Mismatched | Condition::Unknown => {
            guide.list("Look at both ends:", &advice::other_end(&look.snapshot));
        }
    }
    after_reading(guide, place, &look);
    Ok(Exit::Done)
}

async fn look(guide: &Guide<'_>, place: &Place) -> Result<Look, Failure> {
    let expectation = Expectation::of(&place.target.profile);
    let busy = guide.screen().busy("reading");
    let look = read::look(&place.journal, &place.target, None, &expectation);
    let look = guide.context.or_stopped(look).await;
    drop(busy);
    look
}

fn show(guide: &Guide<'_>, place: &Place, look: &Look, is_asked: impl Fn(&str) -> bool) {
    let settings = place.target.profile.settings.iter();
    let asked = settings
        .map(|setting| &setting.name)
        .filter(|name| is_asked(name.as_str()))
        .cloned()
        .collect();
    guide.title("What was found:");
    Reading {
        target: &place.target,
        look,
        asked: Some(asked),
        words: None,
    }
    .say(guide.screen(), &|bytes| place.journal.fingerprint(bytes));
}

/// Nothing was written; what is left to do on the way out.
fn after_reading(guide: &Guide<'_>, place: &Place, look: &Look) {
    guide.remark(
        Tone::Plain,
        &format!(
            "Nothing was changed. This reading is record {}.",
            look.record.0
        ),
    );
    own_network(guide, place);
}

fn own_network(guide: &Guide<'_>, place: &Place) {
    if !place.target.simulated {
        guide.remark(
            Tone::Plain,
            "If you joined the receiver's network by hand, join your own again now.",
        );
    }
}

async fn locked(guide: &Guide<'_>, place: &Place, look: &Look) -> Result<Exit, Failure> {
    let profile = &place.target.profile;
    let (Some(setting), Some(lock @ Value::Number(slot))) = (
        profile.setting(SettingName::MODEL_LOCK),
        look.snapshot.value(SettingName::MODEL_LOCK),
    ) else {
        // Without a number there is no lock that could be told.
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    };
    guide.remark(Tone::Plain, "");
    let kind = setting.kind.clone();
    let shown = guide
        .text(
            "Which number does your transmitter show? (Enter: I do not know, ? for help)",
            "The number of the model memory that is selected on the transmitter. A locked receiver \
             follows that one number alone and refuses all others, also those of its own \
             transmitter.",
            move |typed| match typed {
                "" => Ok(None),
                typed => match kind.parse(typed) {
                    Ok(number @ Value::Number(_)) => Ok(Some(number)),
                    Ok(_) => Err("a number, or Enter alone".into()),
                    Err(error) => Err(error.to_string()),
                },
            },
        )
        .await?;
    let clear = "Clear the lock: it follows any model memory of a transmitter with its bind key.";
    let (title, choices) = match &shown {
        None => (
            format!("It is locked to slot {slot}. What shall be done?"),
            vec![(Some(Value::Off), clear.into()), (None, leave(slot))],
        ),
        Some(number) if number == lock => {
            guide.list(
                &format!(
                    "It is locked to slot {slot} and your transmitter shows {slot}: the lock lets \
                     it through. What else may keep them apart:"
                ),
                &advice::other_end(&look.snapshot),
            );
            (
                "What shall be done with the lock?".into(),
                vec![
                    (None, "Leave it as it is.".into()),
                    (Some(Value::Off), clear.into()),
                ],
            )
        }
        Some(number) => (
            format!(
                "It is locked to slot {slot} and your transmitter shows {number}. What shall be done?"
            ),
            vec![
                (Some(Value::Off), clear.into()),
                (
                    Some(number.clone()),
                    format!("Set it to slot {number}: it follows model memory {number} alone."),
                ),
                (None, leave(slot)),
            ],
        ),
    };
    let items: Vec<&String> = choices.iter().map(|(_, text)| text).collect();
    let chosen = guide
        .choose(
            &title,
            &items,
            "A lock may be there on purpose: clubs run one bind key with another lock for every \
             craft, so that a transmitter drives the one craft it belongs to. Then set the number \
             instead of clearing it. You are shown what would be written, and asked once more.",
        )
        .await?;
    let Some((Some(value), _)) = choices.into_iter().nth(chosen) else {
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    };
    change(guide, place, look, value).await
}

fn leave(slot: &rust_decimal::Decimal) -> String {
    format!("Leave it as it is: select model memory {slot} on the transmitter instead.")
}

async fn change(
    guide: &Guide<'_>,
    place: &Place,
    look: &Look,
    value: Value,
) -> Result<Exit, Failure> {
    let Some(setting) = place.target.profile.setting(SettingName::MODEL_LOCK) else {
        return Ok(Exit::Done);
    };
    guide.title("What will be done:");
    let identity = &look.snapshot.device.identity;
    let which = Which {
        device: identity
            .serial
            .as_ref()
            .map(|serial| serial.raw().to_owned())
            .or_else(|| {
                identity
                    .bssid
                    .filter(|bssid| bssid.stable)
                    .map(|bssid| bssid.to_string())
            }),
        trust_address: false,
    };
    let writing = Writing {
        dry_run: false,
        yes: false,
    };
    let wanted = [(setting.name.clone(), value)].into();
    let Place { target, journal } = place;
    let ended = unlock::unlock(guide.context, journal, target, wanted, which, writing).await?;
    let exit = changing::say(guide.screen(), &ended, target, &|bytes| {
        journal.fingerprint(bytes)
    });
    if ended.report.outcome == Outcome::Done {
        own_network(guide, place);
        last_proof(guide, place, &ended).await?;
    }
    Ok(exit)
}

/// Asks whether it follows the sticks, and keeps the answer as the person's word. Whoever leaves
/// this question has said nothing, and the change is done all the same.
async fn last_proof(guide: &Guide<'_>, place: &Place, ended: &Ended) -> Result<(), Failure> {
    let asked = guide
        .choose(
            "Try it now, with propulsion still off: the transmitter first, a few seconds, then power \
             the receiver anew. Does it follow the sticks?",
            &["Yes.", "No.", "I have not tried it."],
            "linkmend has proved that the receiver keeps what was written. Whether the craft answers \
             is yours to see, and goes on record as your word, beside the change. Escape leaves; \
             the change is done either way.",
        )
        .await;
    let follows = match asked {
        Ok(0) => true,
        Ok(1) => false,
        Ok(_) | Err(Failure::Stopped) => {
            guide.remark(
                Tone::Plain,
                "The change is done; nothing more was put on record.",
            );
            return Ok(());
        }
        Err(failure) => return Err(failure),
    };
    if let Some(change) = ended.change {
        ledger::say_follows(&place.journal, change, follows)
            .await
            .map_err(|error| unkept(&error))?;
        guide.remark(
            Tone::Good,
            &format!("On record with change {}, as your word.", change.0),
        );
    }
    if !follows && let Some(last) = &ended.report.last {
        guide.list("What to look at next:", &advice::other_end(last));
        guide.remark(
            Tone::Plain,
            "If the transmitter shows a link and nothing moves, start linkmend again and choose 2.",
        );
    }
    Ok(())
}

/// The change is done and on record; only the word is not.
fn unkept(error: &crate::journal::JournalError) -> Failure {
    Failure::Trouble(Trouble::new(
        "journal-io",
        format!("the change is done, and your word could not be put on record: {error}"),
        None,
    ))
}
