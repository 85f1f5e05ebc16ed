//! What was found on the receiver, and which way leads on from there.

use crate::{
    cli::{
        changing::Which,
        failure::Failure,
        guide::Guide,
        read::{self, Look, Reading},
        screen::Tone,
    },
    judge::Expectation,
    terms::{Condition, Exit, SettingName},
};

use super::{advice, bind, lock, place::Place};

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
        Condition::Locked => return lock::mend(guide, place, &look).await,
        Condition::Unbound => return bind::mend(guide, place, &look).await,
        Condition::Faulty => guide.list("No setting mends that:", &advice::FAULTY),
        Condition::Healthy => {
            guide.list(
                "No setting of the receiver keeps it from linking. Look at both ends:",
                &advice::other_end(&look.snapshot),
            );
            return bind::hold_against(guide, place, &look).await;
        }
        Condition::Unsupported => guide.list(
            "One of the two ends is to be set to what both can do:",
            &advice::UNSUPPORTED,
        ),
        Condition::Mismatched | Condition::Unknown => {
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
pub(super) fn after_reading(guide: &Guide<'_>, place: &Place, look: &Look) {
    guide.remark(
        Tone::Plain,
        &format!(
            "Nothing was changed. This reading is record {}.",
            look.record.0
        ),
    );
    own_network(guide, place);
}

pub(super) fn own_network(guide: &Guide<'_>, place: &Place) {
    // What linkmend joined it leaves by itself; whoever joined by hand is told at the end.
    let target = &place.target;
    if !target.simulated && target.wifi.is_none() && target.hands.is_none() {
        guide.remark(
            Tone::Plain,
            "If you have joined the receiver's network, join your own again now.",
        );
    }
}

/// The device that was read, and no other.
pub(super) fn which(look: &Look) -> Which {
    let identity = &look.snapshot.device.identity;
    let serial = identity.serial.as_ref();
    let stable = identity.bssid.filter(|bssid| bssid.stable);
    Which {
        device: serial
            .map(|serial| serial.raw().to_owned())
            .or_else(|| stable.map(|bssid| bssid.to_string())),
        trust_address: false,
    }
}
