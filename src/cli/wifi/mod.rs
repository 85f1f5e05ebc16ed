//! A device behind its own network: wait for it, join that very one, and talk through that adapter
//! alone.

pub(crate) mod adapter;
pub(crate) mod advice;
mod by_hand;
pub(crate) mod choose;
mod consent;
mod countdown;
mod enter;
pub(crate) mod key;
pub(crate) mod way_home;

use std::{collections::BTreeSet, sync::Arc};

use crate::{
    change::{Trouble, over_wifi::Way},
    find::{
        air::{self, Candidate},
        wait::{self, Progress, Settle, WaitFor, Waited, wait_for},
    },
    journal::Journal,
    profile::Profile,
    session::Limits,
    terms::{Exit, Identity, Mac, Untrusted},
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

/// Among whom to look.
#[derive(Clone, Copy)]
pub(super) struct Among<'a> {
    /// The families that count.
    pub profiles: &'a [Arc<Profile>],
    /// Those that are known already, and not meant.
    pub known: &'a BTreeSet<Mac>,
}

/// What is wanted of the air.
pub(super) struct Wish<'a> {
    context: &'a Context,
    journal: &'a Journal,
    radio: &'a Radio,
    /// A serial, a BSSID or a name.
    device: Option<&'a str>,
    profiles: &'a [Arc<Profile>],
    known: &'a BTreeSet<Mac>,
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
    among: Among<'_>,
    limits: Limits,
    login: LoginFrom,
) -> Result<Target, Failure> {
    let Among { profiles, known } = among;
    let radio = &typed.radio;
    if radio.by_hand {
        return by_hand::open(context, profiles, limits, &login, radio.wait).await;
    }
    let mut keys = PassphraseFrom::typed(radio.passphrase_file.as_deref()).await?;
    let wifi = match context.wifi().await {
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
        known,
        limits,
        login,
        wifi,
        adapter,
    };
    if let Some(device) = wish.device {
        return one_of(&wish, device, &mut keys).await;
    }
    let mut candidates = found(&wish).await?;
    match candidates.len() {
        1 => enter::enter(&wish, &candidates.swap_remove(0), &mut keys).await,
        _ if !context.screen.can_ask() => Err(choose::several(&candidates)),
        _ => {
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
async fn found(wish: &Wish<'_>) -> Result<Vec<Candidate>, Failure> {
    let is_new = |one: &Candidate| !wish.known.contains(&one.point.bssid);
    // A person sees whom it takes before anything is written.
    let settle = if wish.context.screen.can_ask() {
        Settle::OneScan
    } else {
        Settle::OnlyOne
    };
    let waited = wait(wish, choose::boot_seconds(), &is_new, settle).await?;
    if waited.candidates.is_empty() {
        return Err(nobody(wish, &waited));
    }
    Ok(waited.candidates)
}

/// Waits until there is at least one that is picked, or the time is up, which began at `begun_s`.
async fn wait(
    wish: &Wish<'_>,
    begun_s: f64,
    pick: &(dyn Fn(&Candidate) -> bool + Send + Sync),
    settle: Settle,
) -> Result<Waited, Failure> {
    let wait = WaitFor {
        profiles: wish.profiles,
        pick,
        now_s: &choose::boot_seconds,
        powered_at_s: Some(begun_s),
        deadline_s: (begun_s + longest_s(wish) - choose::boot_seconds()).max(0.0),
        settle,
    };
    let mut countdown = Countdown::new(wish.context.screen);
    let show = |progress: &Progress| countdown.show(progress);
    Ok(wait_for(&*wish.wifi, &wish.adapter, &wait, show).await?)
}

/// How long to wait for a network at most, where nothing else was said, in s: until the latest of
/// the families' windows, and half a minute, since a receiver may be powered a while after the
/// command was typed.
fn longest_s(wish: &Wish<'_>) -> f64 {
    let longest = || wait::window(wish.profiles).map_or(0.0, |window| window.to) + 30.0;
    wish.radio.wait.unwrap_or_else(longest)
}

fn nobody(wish: &Wish<'_>, waited: &Waited) -> Failure {
    let names = air::names(wish.profiles).into_iter();
    let names: Vec<String> = names.map(|name| format!("`{name}`")).collect();
    let what = match wish.device {
        Some(device) => format!("`{}` is not in range", Untrusted::new(device)),
        None if wish.known.is_empty() => {
            format!("no network like {} is in range", names.join(" or "))
        }
        None => format!("no other network like {} is in range", names.join(" or ")),
    };
    let passed = super::seconds::exact(waited.progress.powered_s);
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

/// The one that goes by a serial, a BSSID or a name, when its network opens. Where the journal knows
/// its hardware address, that one is waited for, and others are only looked at when it does not come;
/// else each that is there is read, compared and left as it was.
async fn one_of(
    wish: &Wish<'_>,
    device: &str,
    keys: &mut PassphraseFrom,
) -> Result<Target, Failure> {
    let only: Option<Mac> = device.parse().ok();
    let rows = wish.journal.archive()?.find(device)?;
    let stable = rows
        .iter()
        .filter_map(|row| row.identity.bssid.filter(|bssid| bssid.stable));
    let known: Vec<Mac> = stable.map(|bssid| Mac(bssid.mac)).collect();
    let begun = choose::boot_seconds();
    let mut any = known.is_empty();
    let mut seen = BTreeSet::new();
    let mut others = Vec::new();
    let mut failed = None;
    loop {
        let pick = |one: &Candidate| {
            let bssid = one.point.bssid;
            let may_be = match only {
                Some(only) => bssid == only,
                None => any || known.contains(&bssid),
            };
            may_be && !seen.contains(&bssid)
        };
        // Of one that is known by its hardware address there is no second.
        let settle = match only {
            None if any => Settle::OneScan,
            _ => Settle::AtOnce,
        };
        // Others may open theirs before it does.
        let waited = wait(wish, begun, &pick, settle).await?;
        let candidates = waited.candidates.clone();
        if candidates.is_empty() && !any && only.is_none() {
            any = true;
            continue;
        }
        if candidates.is_empty() {
            return Err(match failed {
                _ if !others.is_empty() => not_among(device, &others),
                Some(failure) => failure,
                None => nobody(wish, &waited),
            });
        }
        for candidate in &candidates {
            let bssid = candidate.point.bssid;
            seen.insert(bssid);
            match look_at(wish, candidate, device, only.is_some(), keys).await {
                Ok(Looked::It(target)) => return Ok(*target),
                Ok(Looked::Another(identity)) => {
                    let text = format!("{bssid} is {identity}, which is another one");
                    wish.context.screen.step("passed by", Tone::Plain, &text);
                    others.push(format!("{identity} ({bssid})"));
                }
                // One that cannot be joined or read may be another one than the one that is meant.
                Err(
                    failure @ (Failure::Find(_)
                    | Failure::Session(_)
                    | Failure::Wifi(
                        WifiError::WrongPassphrase { .. }
                        | WifiError::OutOfRange { .. }
                        | WifiError::NotLetIn { .. }
                        | WifiError::NoAddress { .. }
                        | WifiError::JoinedAnother { .. }
                        | WifiError::NoWayIn { .. }
                        | WifiError::Other { .. },
                    )),
                ) if only.is_none() && !known.contains(&bssid) => {
                    let text = format!("{bssid}: {failure}");
                    wish.context.screen.step("passed by", Tone::Careful, &text);
                    failed = failed.or(Some(failure));
                }
                Err(failure) => return Err(failure),
            }
        }
    }
}

/// What one of several turned out to be.
enum Looked {
    /// The one that is meant.
    It(Box<Target>),
    /// This one.
    Another(Identity),
}

/// Joins one and compares. `by_address`: its hardware address says already that it is the one.
async fn look_at(
    wish: &Wish<'_>,
    candidate: &Candidate,
    device: &str,
    by_address: bool,
    keys: &mut PassphraseFrom,
) -> Result<Looked, Failure> {
    let target = enter::enter(wish, candidate, keys).await?;
    if by_address {
        return Ok(Looked::It(Box::new(target)));
    }
    let busy = wish.context.screen.busy("whose is it?");
    let harvest = target.session.read().await?;
    drop(busy);
    Ok(if harvest.snapshot.goes_by(device) {
        Looked::It(Box::new(target))
    } else {
        Looked::Another(harvest.snapshot.device.identity)
    })
}

/// It is none of those that are there.
fn not_among(device: &str, others: &[String]) -> Failure {
    Failure::Trouble(
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
    )
}
