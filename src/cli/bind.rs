//! `linkmend bind`: set the bind key from bind words, remove it, or see whether words give it.
//!
//! ```text
//! $ linkmend bind --at http://192.168.77.1
//! Bind words (not shown)
//! Bind words, again (not shown)
//!   read         Grebe (sample-form, serial TD-00471): 16 settings, firmware 2.4.1
//!   …
//! ```
//!
//! The words become a key by the family's rule, here on this computer; the device is told the key
//! alone. Neither is ever shown: of a key its fingerprint.

use std::sync::Arc;

use secrecy::ExposeSecret;

use super::{
    args, bind_mode,
    changing::{self, Order, Which},
    context::Context,
    failure::Failure,
    render,
    screen::Tone,
    secret_file,
    target::Target,
    typed, values,
};
use crate::{
    change::{Trouble, over_session::SessionDevice, ports::Device},
    journal::Journal,
    judge::Expectation,
    profile::{KeyRule, Profile, Setting},
    terms::{
        Exit, Reading, SettingName, Snapshot, Value,
        output::{FORMAT, VerifyOut},
    },
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Bind) -> Result<Exit, Failure> {
    let (journal, target) = changing::begin(context, &typed.target).await?;
    if typed.mode {
        return bind_mode::run(context, &journal, &target, typed).await;
    }
    if typed.verify {
        return verified(context, &journal, &target, typed).await;
    }
    let order = order(context, typed, &target).await?;
    changing::make(context, &journal, &target, order).await
}

/// Whether the words, or the key, give the key that is there; asked for where no file gives them.
pub(crate) async fn verified(
    context: &Context,
    journal: &Journal,
    target: &Target,
    typed: &args::Bind,
) -> Result<Exit, Failure> {
    // Nobody types a secret that there is nothing to hold against.
    let read = context.or_stopped(shown(context, target, typed)).await?;
    let given = key(context, typed, &target.profile, read.setting).await?;
    Ok(verify(context, journal, target, typed, &read, &given))
}

/// What is to be written, with the bind words asked for where no file gives them.
pub(crate) async fn order(
    context: &Context,
    typed: &args::Bind,
    target: &Target,
) -> Result<Order, Failure> {
    let setting = key_of(&target.profile)?;
    let wanted = if typed.remove {
        removed(&target.profile, setting)?
    } else {
        key(context, typed, &target.profile, setting).await?
    };
    values::writable(setting, &wanted)?;
    let if_nothing = match (&typed.key_file, typed.remove) {
        (_, true) => None,
        (Some(_), _) => Some("this is the key that is there"),
        (None, _) => Some("these words give the key that is there"),
    };
    let wanted = [(setting.name.clone(), wanted)].into();
    Ok(Order {
        wanted,
        expectation: Expectation::of(&target.profile),
        if_nothing,
        ..Order::of("bind", Which::typed(&typed.target), typed.writing)
    })
}

fn key_of(profile: &Profile) -> Result<&Setting, Failure> {
    profile.setting(SettingName::BIND_KEY).ok_or_else(|| {
        let message = format!(
            "receivers of the family {} show no bind key",
            profile.family
        );
        let help = "bind it by hand, as its maker says; perhaps `linkmend bind --mode` starts that";
        Failure::Trouble(Trouble::new("no-such-setting", message, Some(help)))
    })
}

/// The value of no key, where the family can be told that.
fn removed(profile: &Profile, setting: &Setting) -> Result<Value, Failure> {
    match setting.write(&Value::Absent) {
        Ok(_) => Ok(Value::Absent),
        Err(error) => {
            let message = format!(
                "the bind key of a {} cannot be removed from here: {error}",
                profile.title
            );
            let help = "set another key instead, or remove it as its maker says";
            Err(Failure::Trouble(
                Trouble::new("value-cannot-be-written", message, Some(help)).ending(Exit::Refused),
            ))
        }
    }
}

/// The key from a file, or from bind words by the family's rule.
async fn key(
    context: &Context,
    typed: &args::Bind,
    profile: &Profile,
    setting: &Setting,
) -> Result<Value, Failure> {
    if let Some(file) = &typed.key_file {
        let line = context.or_stopped(secret_file::line(file)).await?;
        return match setting.parse(line.expose_secret()) {
            Ok(Value::Absent) => Err(Failure::usage(
                "the file says that there is to be no key",
                "remove a key with `linkmend bind --remove`",
            )),
            Ok(key) => Ok(key),
            Err(why) => Err(Failure::usage(why, "put the key alone into the file")),
        };
    }
    let Some(rule) = &setting.words else {
        return Err(Failure::Trouble(
            Trouble::new(
                "no-key-rule",
                format!(
                    "the profile {} does not say how bind words make a key",
                    profile.family
                ),
                Some("give the key itself: --key-file FILE"),
            )
            .ending(Exit::Usage),
        ));
    };
    let words = words(context, typed, rule).await?;
    let busy = context.screen.busy("making the key");
    let rule = rule.clone();
    let made = tokio::task::spawn_blocking(move || rule.key(&words)).await;
    drop(busy);
    let failed = |why: String| Failure::Trouble(Trouble::new("key-not-made", why, None));
    let key = made
        .map_err(|error| failed(format!("the key could not be made: {error}")))?
        .map_err(|error| failed(error.to_string()))?;
    Ok(Value::Bytes(key))
}

async fn words(context: &Context, typed: &args::Bind, rule: &KeyRule) -> Result<String, Failure> {
    let admit = |words: &str| {
        let admitted = rule.admit(words).map_err(|error| error.to_string());
        admitted.map(|()| words.to_owned())
    };
    if let Some(file) = &typed.words_file {
        let line = context.or_stopped(secret_file::line(file)).await?;
        let help = "put the bind words alone into the file, on one line";
        return admit(line.expose_secret()).map_err(|why| Failure::usage(why, help));
    }
    let file = "--words-file FILE";
    if typed.verify {
        let words = typed::hidden(context, WORDS, file).await?;
        let help = "the bind words are those that the transmitter was given";
        return admit(words.expose_secret()).map_err(|why| Failure::usage(why, help));
    }
    typed::secret(context, WORDS, file, admit).await
}

/// What a device shows, and the key in it.
struct Shown<'a> {
    setting: &'a Setting,
    snapshot: Snapshot,
    key: Value,
}

/// Reads the device; refused where it does not show its key.
async fn shown<'a>(
    context: &Context,
    target: &'a Target,
    typed: &args::Bind,
) -> Result<Shown<'a>, Failure> {
    let setting = key_of(&target.profile)?;
    let mut device = SessionDevice::new(Arc::clone(&target.session), typed.target.device.clone());
    let busy = context.screen.busy("reading");
    let snapshot = device.read().await.map_err(Failure::Trouble)?;
    drop(busy);
    let entry = snapshot.settings.get(SettingName::BIND_KEY);
    let key = match entry.map(|entry| &entry.reading) {
        Some(Reading::Known(value)) => value.clone(),
        None => return Err(cannot_tell("it has no bind key to look at")),
        Some(Reading::WriteOnly) => {
            return Err(cannot_tell(
                "this receiver takes a bind key and never shows it",
            ));
        }
        Some(Reading::Unread(why)) => {
            return Err(cannot_tell(&format!("its key was not read: {why}")));
        }
    };
    Ok(Shown {
        setting,
        snapshot,
        key,
    })
}

/// Says whether the key that is there is this one.
fn verify(
    context: &Context,
    journal: &Journal,
    target: &Target,
    typed: &args::Bind,
    read: &Shown<'_>,
    given: &Value,
) -> Exit {
    let screen = context.screen;
    let Shown {
        setting,
        snapshot,
        key: there,
    } = read;
    let agrees = there == given;
    let print = |bytes: &[u8]| journal.fingerprint(bytes);
    if screen.json {
        let out = |value: &Value| {
            render::reading(&Reading::Known(value.clone()), true, Some(setting), &print)
        };
        screen.object(&VerifyOut {
            format: FORMAT,
            device: render::device(&snapshot.device),
            setting: setting.name.clone(),
            there: out(there),
            given: out(given),
            agrees,
            simulated: target.simulated,
        });
    } else {
        screen.step("read", Tone::Good, &render::title(snapshot));
        let (yes, no) = if typed.key_file.is_some() {
            ("this is", "this is not")
        } else {
            ("these words give", "these words do not give")
        };
        screen.result(&match (agrees, there) {
            (true, _) => Tone::Good.paint(&format!("yes: {yes} the key that is there")),
            (false, Value::Absent) => Tone::Bad.paint("no: it has no bind key, it is unbound"),
            (false, _) => Tone::Bad.paint(&format!("no: {no} the key that is there")),
        });
    }
    if agrees {
        Exit::Done
    } else {
        Exit::NotAsWanted
    }
}

fn cannot_tell(why: &str) -> Failure {
    let message = format!("nobody can tell: {why}");
    let help = "set the key anew with `linkmend bind`, or see whether it links";
    Failure::Trouble(Trouble::new("cannot-tell", message, Some(help)))
}

/// What is asked for.
const WORDS: &str = "Bind words";
