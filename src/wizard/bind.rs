//! A bind key: set from bind words, learned in bind mode, or held against the words that the
//! transmitter was given.

use crate::cli::guide::Guide;
use crate::{
    cli::{args, bind, bind_mode, changing, failure::Failure, read::Look, screen::Tone},
    profile::{BindMode, Profile, Setting},
    terms::{Exit, Reading, SettingName, Value},
};

use super::{
    advice,
    found::{self, after_reading},
    place::Place,
    proof,
};

/// What can be done about a receiver without a bind key.
#[derive(Debug, Clone, Copy)]
enum Way {
    Words,
    Mode,
    Leave,
}

/// Binds it, in one of the ways that its family has.
pub(super) async fn mend(guide: &Guide<'_>, place: &Place, look: &Look) -> Result<Exit, Failure> {
    guide.list(
        "Binding gives both ends the same bind key. Until then it follows no transmitter.",
        &advice::UNBOUND,
    );
    let profile = &place.target.profile;
    let mut ways = Vec::new();
    if can_be_set(profile) {
        ways.push((
            Way::Words,
            "Set its bind key from the bind words of the transmitter.",
        ));
    }
    match &profile.bind_mode {
        Some(BindMode::Request { .. }) => ways.push((Way::Mode, "Start its bind mode from here.")),
        Some(BindMode::PowerCycles(_)) => {
            ways.push((Way::Mode, "Say how its bind mode is started by hand."));
        }
        None => {}
    }
    if ways.is_empty() {
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    }
    ways.push((Way::Leave, "Leave it as it is."));
    let items: Vec<&str> = ways.iter().map(|(_, text)| *text).collect();
    let chosen = guide
        .choose("What shall be done?", &items, advice::BIND_HELP)
        .await?;
    match ways.get(chosen) {
        Some((Way::Words, _)) => by_words(guide, place, look).await,
        Some((Way::Mode, _)) => {
            guide.remark(Tone::Plain, "");
            let Place { target, journal } = place;
            let typed = typed(look);
            let exit = bind_mode::run(guide.context, journal, target, &typed).await?;
            found::own_network(guide, place);
            Ok(exit)
        }
        _ => {
            after_reading(guide, place, look);
            Ok(Exit::Done)
        }
    }
}

/// Where the receiver shows a key that words can make, offers to hold words against it: a mistyped
/// key is a leading cause (common practice, no source).
pub(super) async fn hold_against(
    guide: &Guide<'_>,
    place: &Place,
    look: &Look,
) -> Result<Exit, Failure> {
    let shown = look.snapshot.settings.get(SettingName::BIND_KEY);
    let is_shown =
        shown.is_some_and(|entry| matches!(&entry.reading, Reading::Known(Value::Bytes(_))));
    if words_setting(&place.target.profile).is_none() || !is_shown {
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    }
    let hold = guide
        .agree(
            "Hold the transmitter's bind words against its key?",
            "You type the bind words that the transmitter was given, and nothing of them is shown. \
             The key that they give is compared with the one in the receiver, here on this computer.",
        )
        .await?;
    if !hold {
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    }
    let Place { target, journal } = place;
    let verify = args::Bind {
        verify: true,
        ..typed(look)
    };
    if bind::verified(guide.context, journal, target, &verify).await? == Exit::Done {
        guide.remark(
            Tone::Plain,
            "So the bind key is not what keeps them apart, if the transmitter has these words.",
        );
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    }
    if !can_be_set(&target.profile) {
        after_reading(guide, place, look);
        return Ok(Exit::Done);
    }
    let set = guide
        .agree(
            "Set its bind key from bind words now?",
            "Be sure that the words are those of the transmitter: whatever had the old key drives it \
             no more. You are shown what would be written, and asked once more.",
        )
        .await?;
    if set {
        return by_words(guide, place, look).await;
    }
    after_reading(guide, place, look);
    Ok(Exit::Done)
}

async fn by_words(guide: &Guide<'_>, place: &Place, look: &Look) -> Result<Exit, Failure> {
    guide.title("The bind words of the transmitter, twice:");
    let Place { target, journal } = place;
    let order = bind::order(guide.context, &typed(look), target).await?;
    let ended = changing::made(guide.context, journal, target, order).await?;
    proof::ended(guide, place, &ended).await
}

/// The bind key, where bind words can make one.
fn words_setting(profile: &Profile) -> Option<&Setting> {
    let setting = profile.setting(SettingName::BIND_KEY)?;
    setting.words.is_some().then_some(setting)
}

/// Whether the family takes a key that bind words make.
fn can_be_set(profile: &Profile) -> bool {
    words_setting(profile).is_some_and(|setting| !setting.saves.is_empty())
}

/// As if it had been typed: this device and no other.
fn typed(look: &Look) -> args::Bind {
    args::Bind {
        target: args::Target {
            device: found::which(look).device,
            ..args::Target::default()
        },
        ..args::Bind::default()
    }
}
