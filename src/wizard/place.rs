//! Which receiver, and the way to it: joined by hand, at an address, or a practice receiver.

use std::{collections::BTreeSet, net::IpAddr, sync::Arc};

use secrecy::ExposeSecret;

use crate::{
    cli::{
        args,
        failure::Failure,
        guide::Guide,
        seconds,
        target::{self, Target},
    },
    find::FindError,
    journal::Journal,
    profile::{Network, Profile, Security},
    session::Origin,
};

use super::advice;

/// A receiver that answers, and the journal in which it is kept.
pub(super) struct Place {
    /// The receiver.
    pub target: Target,
    /// Its journal.
    pub journal: Journal,
}

/// Asks which receiver, until one answers.
pub(super) async fn which(guide: &Guide<'_>) -> Result<Place, Failure> {
    let mut ways = vec![
        "It is powered here: I join its own network by hand.",
        "It is at an address that this computer reaches already.",
    ];
    if cfg!(feature = "practice") {
        ways.push("None yet: a practice receiver, simulated in this program.");
    }
    let chosen = guide
        .choose(
            "Which receiver?",
            &ways,
            "1: you join the receiver's network in the Wi-Fi settings of this computer, and come \
             back here. 2: for one that has joined a local network of yours, or whose network you \
             have joined already. 3: shows the whole way; nothing real is read or changed.",
        )
        .await?;
    match chosen {
        0 => by_hand(guide).await,
        1 => at_address(guide).await,
        _ => practice(guide).await,
    }
}

/// What is known of the family: a profile of the person's own, or those that are built in.
async fn family(guide: &Guide<'_>) -> Result<(Option<String>, Vec<Arc<Profile>>), Failure> {
    let built_in = target::candidates(None)?;
    let titles: Vec<&str> = built_in.iter().map(|one| one.title.as_str()).collect();
    let chosen = guide
        .choose(
            "How does linkmend know its family?",
            &[
                &format!(
                    "It is one of those that come with linkmend: {}.",
                    titles.join(", ")
                ),
                "I have its profile, a file.",
            ],
            "A profile says where the settings of a family stand and how they are written. Those \
             that come with linkmend are invented samples; for a receiver of yours somebody has \
             written one, or `linkmend profile show` prints a sample to begin with.",
        )
        .await?;
    if chosen == 0 {
        return Ok((None, built_in));
    }
    loop {
        let path = guide
            .text(
                "Path of the profile (? for help):",
                "Such as my-family.toml, from the folder that linkmend was started in, or the whole \
                 path from / on. `linkmend profile check FILE` shows every fault of a profile.",
                |typed| match typed {
                    "" => Err("a path, please".into()),
                    typed => Ok(at_home(typed)),
                },
            )
            .await?;
        match target::candidates(Some(&path)) {
            Ok(profiles) => return Ok((Some(path), profiles)),
            Err(failure) => {
                failure.say(guide.screen());
            }
        }
    }
}

/// `~/` as a shell has it.
fn at_home(path: &str) -> String {
    match (path.strip_prefix("~/"), std::env::var("HOME")) {
        (Some(below), Ok(home)) => format!("{home}/{below}"),
        // With a slash it is a file and not the name of a family.
        _ if path.contains('/') => path.into(),
        _ => format!("./{path}"),
    }
}

async fn by_hand(guide: &Guide<'_>) -> Result<Place, Failure> {
    let (profile, profiles) = family(guide).await?;
    let known: Vec<&Network> = profiles
        .iter()
        .filter_map(|one| one.network.as_ref())
        .collect();
    let networks: BTreeSet<String> = known.iter().map(|network| describe(network)).collect();
    if networks.is_empty() {
        guide.list(
            "Join its network now, in the Wi-Fi settings of this computer. The profile does not say \
             how it is called.",
            &[] as &[&str],
        );
    } else {
        guide.list(
            "Power it now, and join its network in the Wi-Fi settings of this computer:",
            &Vec::from_iter(networks),
        );
    }
    let addresses: BTreeSet<IpAddr> = known.iter().map(|network| network.address).collect();
    let mut all = addresses.iter();
    let (usual, only) = match (all.next(), all.next()) {
        (Some(address), other) => (Some(url_of(*address)), other.is_none()),
        (None, _) => (None, false),
    };
    let at = loop {
        let chosen = guide
            .choose(
                "Is this computer on it?",
                &[
                    "Yes, I have joined it.",
                    "No: it does not open, or I cannot join it.",
                    "The receiver is at another address.",
                ],
                advice::JOIN_HELP,
            )
            .await?;
        match (chosen, &usual) {
            (0, Some(usual)) if only => break usual.clone(),
            (1, _) => guide.list("What may be the matter:", &advice::NOT_THERE),
            _ => break ask_address(guide, usual).await?,
        }
    };
    open(guide, at, profile).await
}

/// ``a name like `TarnBoat *`, with the passphrase `…`. It opens 40 to 55 s after power-up``.
fn describe(network: &Network) -> String {
    let names: Vec<String> = network
        .names
        .iter()
        .map(|name| format!("`{name}`"))
        .collect();
    let key = match (&network.passphrase, network.security) {
        // Printed in the manual of the family, and the same for all of it.
        (Some(passphrase), _) => format!("with the passphrase `{}`", passphrase.expose_secret()),
        (None, Security::Open) => "without a passphrase".into(),
        (None, Security::Wpa2 | Security::Wpa3) => {
            "with the passphrase that its owner gave it".into()
        }
    };
    format!(
        "A name like {}, {key}. It opens {} after power-up, while the receiver has no link.",
        names.join(" or "),
        seconds::range(network.opens_s.from, network.opens_s.to)
    )
}

fn url_of(address: IpAddr) -> String {
    match address {
        IpAddr::V4(address) => format!("http://{address}"),
        IpAddr::V6(address) => format!("http://[{address}]"),
    }
}

async fn at_address(guide: &Guide<'_>) -> Result<Place, Failure> {
    let (profile, profiles) = family(guide).await?;
    let usual = profiles.iter().find_map(|one| one.network.as_ref());
    let at = ask_address(guide, usual.map(|network| url_of(network.address))).await?;
    open(guide, at, profile).await
}

async fn ask_address(guide: &Guide<'_>, usual: Option<String>) -> Result<String, Failure> {
    let question = match &usual {
        Some(usual) => format!("Its address [Enter for {usual}, ? for help]:"),
        None => "Its address [? for help]:".into(),
    };
    guide
        .text(
            &question,
            "The number by which this computer reaches it, such as http://192.168.77.1. In its own \
             network its manual says it; in a local network the list of devices in your router does.",
            move |typed| {
                let at = match (&usual, typed) {
                    (Some(usual), "") => usual.clone(),
                    (_, typed) if typed.contains("://") => typed.to_owned(),
                    (_, typed) => format!("http://{typed}"),
                };
                match Origin::parse(&at) {
                    Ok(_) => Ok(at),
                    Err(error) => Err(format!("{error}; {}", error.help())),
                }
            },
        )
        .await
}

/// Opens what is at an address, as often as the person wants.
async fn open(
    guide: &Guide<'_>,
    mut at: String,
    profile: Option<String>,
) -> Result<Place, Failure> {
    let journal = guide.context.journal(false).await?;
    loop {
        let typed = args::Target {
            at: Some(at.clone()),
            profile: profile.clone(),
            ..args::Target::default()
        };
        let opened = target::open(guide.context, &journal, &typed);
        let failure = match guide.context.or_stopped(opened).await {
            Ok(target) => return Ok(Place { target, journal }),
            Err(Failure::Stopped) => return Err(Failure::Stopped),
            // Left where it asked for the login.
            Err(Failure::Trouble(trouble)) if trouble.code == "login-missing" => {
                return Err(Failure::Trouble(trouble));
            }
            Err(failure) => failure,
        };
        failure.say(guide.screen());
        if matches!(failure, Failure::Find(FindError::NobodyThere { .. })) {
            guide.list("What may be the matter:", &advice::NOT_THERE);
        }
        let again = guide
            .choose(
                "What now?",
                &["Try again.", "Try another address."],
                "See to what may be the matter first, and give it the time that it needs. Nothing was \
                 read or changed. Escape leaves.",
            )
            .await?;
        if again == 1 {
            at = ask_address(guide, Some(at)).await?;
        }
    }
}

#[cfg(feature = "practice")]
async fn practice(guide: &Guide<'_>) -> Result<Place, Failure> {
    use crate::cli::screen::Tone;
    use mock_device::{Family, Scenario};

    /// Those in which a person has something to decide, or to understand.
    const WORTH: [Scenario; 6] = [
        Scenario::Locked,
        Scenario::Unbound,
        Scenario::Healthy,
        Scenario::Faulty,
        Scenario::LockReturns,
        Scenario::LostRestart,
    ];
    let profiles = target::candidates(None)?;
    let simulated: Vec<&Arc<Profile>> = profiles
        .iter()
        .filter(|profile| profile.family.parse::<Family>().is_ok())
        .collect();
    let conditions = WORTH.map(|scenario| format!("{scenario}: {}", scenario.about()));
    let condition = guide
        .choose(
            "What is the matter with it?",
            &conditions,
            "Each is a receiver that is simulated in this program. `linkmend unlock --help` names \
             more of them. They keep a journal of their own.",
        )
        .await?;
    let titles: Vec<&str> = simulated.iter().map(|one| one.title.as_str()).collect();
    let family = guide
        .choose(
            "Of which family is it?",
            &titles,
            "The families are invented. They differ in how their settings are read and written, and \
             in how they restart; the way through is the same.",
        )
        .await?;
    guide.remark(Tone::Plain, "");
    let journal = guide.context.journal(true).await?;
    let typed = args::Target {
        practice: WORTH.get(condition).map(ToString::to_string),
        profile: simulated.get(family).map(|one| one.family.clone()),
        ..args::Target::default()
    };
    let opened = target::open(guide.context, &journal, &typed);
    let target = guide.context.or_stopped(opened).await?;
    Ok(Place { target, journal })
}

#[cfg(not(feature = "practice"))]
#[expect(
    clippy::unused_async,
    reason = "the same shape as with practice receivers"
)]
async fn practice(_guide: &Guide<'_>) -> Result<Place, Failure> {
    Err(Failure::usage(
        "this build has no practice receivers",
        "build it with the feature `practice`",
    ))
}
