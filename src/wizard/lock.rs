//! A model lock: which number does the transmitter show, and what shall be done with it?

use crate::cli::guide::Guide;
use crate::{
    cli::{args::Writing, failure::Failure, read::Look, unlock},
    terms::{Exit, SettingName, Value},
};

use super::{
    advice,
    found::{self, after_reading},
    place::Place,
    proof,
};

/// Clears the lock, sets it to the transmitter's number, or leaves it, as the person wants.
pub(super) async fn mend(guide: &Guide<'_>, place: &Place, look: &Look) -> Result<Exit, Failure> {
    let profile = &place.target.profile;
    let (Some(setting), Some(lock @ Value::Number(slot))) = (
        profile.setting(SettingName::MODEL_LOCK),
        look.snapshot.value(SettingName::MODEL_LOCK),
    ) else {
        // Without a number there is no lock that could be told.
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    };
    guide.title("Which number does your transmitter show?");
    let kind = setting.kind.clone();
    let shown = guide
        .text(
            "Its number [Enter: not known, ? for help]:",
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
    let wanted = [(setting.name.clone(), value)].into();
    let which = found::which(look);
    let Place { target, journal } = place;
    let writing = Writing::default();
    let ended = unlock::unlock(guide.context, journal, target, wanted, which, writing).await?;
    proof::ended(guide, place, &ended).await
}
