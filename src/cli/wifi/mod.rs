//! A device behind its own network: wait for it, join that very one, and talk through that adapter
//! alone.

mod adapter;
pub(crate) mod advice;
mod by_hand;
pub(crate) mod choose;
mod consent;
mod countdown;
mod enter;
mod key;
pub(crate) mod way_home;

use std::sync::Arc;

use crate::{
    change::{Trouble, over_wifi::Way},
    find::{
        air::Candidate,
        wait::{self, WaitFor, Waited, wait_for},
    },
    journal::Journal,
    profile::Profile,
    session::Limits,
    terms::{Exit, Mac, Untrusted},
    wifi::{AdapterName, Join, Wifi, WifiError},
};

use super::{
    args::{self, Radio},
    context::Context,
    failure::Failure,
    login::LoginFrom,
    screen::Tone,
    target::Target,
};

pub(crate) use by_hand::OverHands;
pub(crate) use consent::OpenNetwork;

use choose::Listening;
use countdown::Countdown;
use key::PassphraseFrom;

/// How a device was joined.
pub(crate) struct OverWifi {
    /// Through what.
    pub wifi: Arc<dyn Wifi>,
    /// What is joined now.
    pub way: Way,
    /// Which one, and how.
    pub join: Join,
    /// Its network, where it is an open one.
    pub open: Option<Arc<OpenNetwork>>,
}

/// What is wanted of the air.
pub(super) struct Wish<'a> {
    context: &'a Context,
    journal: &'a Journal,
    radio: &'a Radio,
    /// A serial, a BSSID or a name.
    device: Option<&'a str>,
    profiles: &'a [Arc<Profile>],
    limits: Limits,
    login: LoginFrom,
    wifi: Arc<dyn Wifi>,
    adapter: AdapterName,
}

/// Waits for the device that was meant, joins it and opens a session with it.
pub(super) async fn open(
    context: &Context,
    journal: &Journal,
    typed: &args::Target,
    profiles: &[Arc<Profile>],
    limits: Limits,
    login: LoginFrom,
) -> Result<Target, Failure> {
    let radio = &typed.radio;
    if radio.by_hand {
        return by_hand::open(context, profiles, limits, &login, radio.wait).await;
    }
    let mut keys = PassphraseFrom::typed(radio.passphrase_file.as_deref()).await?;
    let wifi = match crate::wifi::service().await {
        Ok(wifi) => wifi,
        // Whoever is there to do it can do it by hand.
        Err(error @ WifiError::NoService { .. }) if context.screen.can_ask() => {
            context.screen.remark(
                Tone::Careful,
                &format!("{error}. So you join the receiver's network yourself."),
            );
            return by_hand::open(context, profiles, limits, &login, radio.wait).await;
        }
        Err(error) => return Err(error.into()),
    };
    let adapter = adapter::choose(&*wifi, radio.adapter.as_deref()).await?;
    let wish = Wish {
        context,
        journal,
        radio,
        device: typed.device.as_deref(),
        profiles,
        limits,
        login,
        wifi,
        adapter,
    };
    let mut candidates = wait(&wish).await?.candidates;
    match (candidates.len(), wish.device) {
        (_, Some(device)) => one_of(&wish, candidates, device, &mut keys).await,
        (1, None) => enter::enter(&wish, &candidates.swap_remove(0), &mut keys).await,
        (_, None) if !context.screen.can_ask() => Err(choose::several(&candidates)),
        (_, None) => {
            let listening = Listening {
                context,
                wifi: &*wish.wifi,
                adapter: &wish.adapter,
                profiles,
            };
            let candidate = listening.ask(candidates).await?;
            enter::enter(&wish, &candidate, &mut keys).await
        }
    }
}

/// Waits until there is at least one that may be meant.
async fn wait(wish: &Wish<'_>) -> Result<Waited, Failure> {
    let only: Option<Mac> = wish.device.and_then(|device| device.parse().ok());
    let pick = |candidate: &Candidate| only.is_none_or(|only| candidate.point.bssid == only);
    let longest = wish.radio.wait.unwrap_or_else(|| longest_s(wish.profiles));
    let wait = WaitFor {
        profiles: wish.profiles,
        pick: &pick,
        now_s: &choose::boot_seconds,
        powered_at_s: None,
        deadline_s: longest,
        // Of one that is known by its hardware address there is no second.
        settle: if only.is_some() {
            std::time::Duration::ZERO
        } else {
            wait::SETTLE
        },
    };
    let mut countdown = Countdown::new(wish.context.screen);
    let waited = wait_for(&*wish.wifi, &wish.adapter, &wait, |progress| {
        countdown.show(progress);
    })
    .await?;
    drop(countdown);
    if waited.candidates.is_empty() {
        return Err(nobody(wish, &waited));
    }
    Ok(waited)
}

/// How long to wait for a network at most, where nothing else was said, in s: until the latest of
/// the families' windows, and half a minute, since a receiver may be powered a while after the
/// command was typed.
fn longest_s(profiles: &[Arc<Profile>]) -> f64 {
    let windows = profiles.iter().filter_map(|one| one.network.as_ref());
    windows
        .map(|network| network.opens_s.to)
        .fold(0.0, f64::max)
        + 30.0
}

fn nobody(wish: &Wish<'_>, waited: &Waited) -> Failure {
    let names: Vec<String> = wish
        .profiles
        .iter()
        .filter_map(|one| one.network.as_ref())
        .flat_map(|network| &network.names)
        .map(|name| format!("`{name}`"))
        .collect::<std::collections::BTreeSet<_>>()
        .into_iter()
        .collect();
    let what = match wish.device {
        Some(device) => format!("`{}` is not in range", Untrusted::new(device)),
        None => format!("no network like {} is in range", names.join(" or ")),
    };
    let passed = super::seconds::exact(waited.progress.passed_s);
    let advice: Vec<&str> = waited
        .progress
        .advice
        .iter()
        .map(|one| advice::words(*one))
        .collect();
    let help = if advice.is_empty() || !wish.context.screen.is_silent() {
        "power it alone, with every transmitter of its bind key off, and try again; `linkmend find \
         --all` shows what is heard"
            .to_owned()
    } else {
        advice.join(" ")
    };
    Failure::Trouble(
        Trouble::new(
            "no-network",
            format!(
                "{what}, after {passed} of listening through `{}`",
                wish.adapter
            ),
            Some(&help),
        )
        .ending(Exit::NoDevice),
    )
}

/// The one of several that goes by a serial, a BSSID or a name. Those that the journal knows to be
/// it come first; every other one is read, compared and left as it was.
async fn one_of(
    wish: &Wish<'_>,
    mut candidates: Vec<Candidate>,
    device: &str,
    keys: &mut PassphraseFrom,
) -> Result<Target, Failure> {
    let is_address = device.parse::<Mac>().is_ok();
    let known: Vec<Mac> = wish
        .journal
        .archive()?
        .find(device)?
        .iter()
        .filter_map(|row| row.identity.bssid.filter(|bssid| bssid.stable))
        .map(|bssid| Mac(bssid.mac))
        .collect();
    candidates.sort_by_key(|one| !known.contains(&one.point.bssid));
    let mut others = Vec::new();
    let mut failed = None;
    for candidate in &candidates {
        let target = match enter::enter(wish, candidate, keys).await {
            Ok(target) => target,
            // One that cannot be joined or read may be another one than the one that is meant.
            Err(failure @ (Failure::Wifi(_) | Failure::Find(_))) if candidates.len() > 1 => {
                wish.context.screen.step(
                    "passed by",
                    Tone::Careful,
                    &format!("{}: {failure}", candidate.point.bssid),
                );
                failed = failed.or(Some(failure));
                continue;
            }
            Err(failure) => return Err(failure),
        };
        if is_address {
            return Ok(target);
        }
        let busy = wish.context.screen.busy("whose is it?");
        let harvest = target.session.read().await?;
        drop(busy);
        if harvest.snapshot.goes_by(device) {
            return Ok(target);
        }
        others.push(format!(
            "{} ({})",
            harvest.snapshot.device.identity, candidate.point.bssid
        ));
    }
    if let (true, Some(failure)) = (others.is_empty(), failed) {
        return Err(failure);
    }
    Err(Failure::Trouble(
        Trouble::new(
            "another-device",
            format!(
                "`{}` was asked for, and there are {}",
                Untrusted::new(device),
                others.join(", ")
            ),
            Some("power the one that you mean; `linkmend find` shows what is in range"),
        )
        .ending(Exit::Refused),
    ))
}
