//! `linkmend unlock`: clear a model lock, or set it to the transmitter's number.
//!
//! ```text
//! $ linkmend unlock --practice locked --yes
//!   read         Grebe (sample-form, serial TD-00471): 16 settings, firmware 2.4.1
//!   verdict      locked: it is locked to slot 7: it refuses its transmitter …
//!   kept         what was there is on disk
//!   plan         model-lock  slot 7 → off
//!   …
//! done, and proved
//! ```

pub(crate) use super::changing::Which;
use super::{
    args,
    changing::{self, Ended, Order},
    context::Context,
    failure::Failure,
    target::Target,
};
use crate::{
    change::{Trouble, Wanted},
    journal::Journal,
    judge::Expectation,
    profile::Profile,
    terms::{Exit, SettingName, Value},
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Unlock) -> Result<Exit, Failure> {
    let (journal, target) = changing::begin(context, &typed.target).await?;
    let wanted = wanted(&target.profile, typed.to.as_deref())?;
    let which = Which::typed(&typed.target);
    let ended = unlock(context, &journal, &target, wanted, which, typed.writing).await?;
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    Ok(changing::say(context.screen, &ended, &target, &fingerprint))
}

/// Sets the model lock to what is wanted, with all that belongs to a change.
pub(crate) async fn unlock(
    context: &Context,
    journal: &Journal,
    target: &Target,
    wanted: Wanted,
    which: Which,
    writing: args::Writing,
) -> Result<Ended, Failure> {
    let expectation = Expectation {
        wanted: wanted.clone(),
        ..Expectation::of(&target.profile)
    };
    let order = Order {
        wanted,
        expectation,
        ..Order::of("unlock", which, writing)
    };
    changing::made(context, journal, target, order).await
}

fn wanted(profile: &Profile, slot: Option<&str>) -> Result<Wanted, Failure> {
    let Some(setting) = profile.setting(SettingName::MODEL_LOCK) else {
        return Err(Failure::Trouble(Trouble::new(
            "no-such-setting",
            format!(
                "receivers of the family {} have no model lock",
                profile.family
            ),
            Some("`linkmend read` shows what else may keep it from linking"),
        )));
    };
    let value = match slot {
        None => Value::Off,
        Some(typed) => setting.kind.parse(typed).map_err(|error| {
            Failure::usage(
                format!("--to: {error}"),
                "give the slot that the transmitter shows",
            )
        })?,
    };
    Ok([(setting.name.clone(), value)].into())
}
