//! Which receiver, and the way to it: joined by linkmend, joined by hand, at an address, or a practice
//! receiver. A way that leads nowhere is told, and leads back to the others.

use std::{collections::BTreeSet, net::IpAddr, sync::Arc};

use crate::{
    cli::{
        args,
        failure::Failure,
        guide::Guide,
        profile::network_words,
        screen::Tone,
        target::{self, Target},
        wifi::advice::not_there,
    },
    find::FindError,
    journal::Journal,
    profile::{Network, Profile},
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

/// The ways to a receiver.
#[derive(Debug, Clone)]
enum Way {
    /// linkmend joins its network.
    Join,
    /// The person joins it.
    ByHand,
    /// It is at an address; none: one that is to be asked for.
    At(Option<String>),
}

/// Asks which receiver, until one answers.
pub(super) async fn which(guide: &Guide<'_>) -> Result<Place, Failure> {
    let busy = guide.screen().busy("looking at this computer's Wi-Fi");
    let service = async { Ok(guide.context.wifi().await) };
    let service = guide.context.or_stopped(service).await?;
    drop(busy);
    if let Err(error) = &service {
        guide.remark(Tone::Plain, "");
        guide.remark(
            Tone::Careful,
            &format!("linkmend joins no network by itself here, and you do it by hand: {error}."),
        );
    }
    loop {
        let Some(way) = way(guide, service.is_ok()).await? else {
            return practice(guide).await;
        };
        if let Some(place) = follow(guide, way).await? {
            return Ok(place);
        }
    }
}

/// Asks for the way; none: a practice receiver.
async fn way(guide: &Guide<'_>, joins: bool) -> Result<Option<Way>, Failure> {
    let mut ways = vec![
        (
            Way::ByHand,
            "It is powered here: I join its own network by hand.",
        ),
        (
            Way::At(None),
            "It is at an address that this computer reaches already.",
        ),
    ];
    if joins {
        let first = "It is powered here: linkmend finds its network and joins it.";
        ways.insert(0, (Way::Join, first));
    }
    let mut items: Vec<&str> = ways.iter().map(|(_, item)| *item).collect();
    if cfg!(feature = "practice") {
        items.push("None yet: a practice receiver, simulated in this program.");
    }
    let chosen = guide
        .choose("Which receiver?", &items, &help(joins))
        .await?;
    Ok((chosen < ways.len()).then(|| ways.swap_remove(chosen).0))
}

/// What each way is.
fn help(joins: bool) -> String {
    let all = [
        (
            joins,
            "linkmend waits until the receiver opens its network, joins that one, and puts your Wi-Fi \
             back at the end.",
        ),
        (
            true,
            "You join the receiver's network in the Wi-Fi settings of this computer, and come back \
             here.",
        ),
        (
            true,
            "For one that has joined a local network of yours, or whose network you have joined \
             already.",
        ),
        (
            cfg!(feature = "practice"),
            "Shows the whole way; nothing real is read or changed.",
        ),
    ];
    let there = all.iter().filter(|(is, _)| *is);
    let told = (1..)
        .zip(there)
        .map(|(number, (_, text))| format!("{number}: {text}"));
    told.collect::<Vec<String>>().join(" ")
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

/// Asks what a way needs, and goes it as often as the person wants; none: another way is wanted.
async fn follow(guide: &Guide<'_>, way: Way) -> Result<Option<Place>, Failure> {
    let (profile, profiles) = family(guide).await?;
    let networks: Vec<&Network> = profiles
        .iter()
        .filter_map(|one| one.network.as_ref())
        .collect();
    let usual = networks.first().map(|network| url_of(network.address));
    let journal = guide.context.journal(false).await?;
    let mut way = way;
    loop {
        way = match way {
            Way::Join => {
                guide.title("Power it now. linkmend listens for its network, and joins it.");
                Way::Join
            }
            Way::ByHand => by_hand(guide, &networks, usual.clone()).await?,
            Way::At(None) => Way::At(Some(ask_address(guide, usual.clone()).await?)),
            given @ Way::At(_) => given,
        };
        let mut typed = args::Target {
            profile: profile.clone(),
            ..args::Target::default()
        };
        match &way {
            Way::At(at) => typed.at.clone_from(at),
            Way::ByHand => typed.radio.by_hand = true,
            Way::Join => {}
        }
        let opened = target::open(guide.context, &journal, &typed);
        let failure = match guide.context.or_stopped(opened).await {
            Ok(target) => return Ok(Some(Place { target, journal })),
            Err(Failure::Stopped) => return Err(Failure::Stopped),
            // Left where it asked for the login.
            Err(Failure::Trouble(trouble)) if trouble.code == "login-missing" => {
                return Err(Failure::Trouble(trouble));
            }
            Err(failure) => failure,
        };
        failure.say(guide.screen());
        if matches!(failure, Failure::Find(FindError::NobodyThere { .. })) {
            guide.list("What may be the matter:", &not_there());
        }
        // What linkmend joined in vain is left before anything else is tried.
        if matches!(way, Way::Join) {
            guide.context.way_home.come_home(guide.screen()).await;
        }
        way = match what_now(guide, &way).await? {
            Some(way) => way,
            None => return Ok(None),
        };
    }
}

/// What to do after a way led nowhere; none: another way.
async fn what_now(guide: &Guide<'_>, way: &Way) -> Result<Option<Way>, Failure> {
    let mut items = vec![(Some(way.clone()), "Try again.")];
    match way {
        Way::Join => items.push((Some(Way::ByHand), "I join its network by hand.")),
        Way::ByHand | Way::At(_) => {
            items.push((Some(Way::At(None)), "Try another address."));
        }
    }
    items.push((None, "Take another way."));
    let texts: Vec<&str> = items.iter().map(|(_, text)| *text).collect();
    let chosen = guide
        .choose(
            "What now?",
            &texts,
            "See to what may be the matter first, and give it the time that it needs. Nothing was \
             changed. Escape leaves.",
        )
        .await?;
    Ok(items.swap_remove(chosen).0)
}

/// Says which network to join, and asks whether that is done; or where the receiver is instead.
async fn by_hand(
    guide: &Guide<'_>,
    networks: &[&Network],
    usual: Option<String>,
) -> Result<Way, Failure> {
    let described: BTreeSet<String> = networks
        .iter()
        .map(|network| network_words(network))
        .collect();
    if described.is_empty() {
        guide.list(
            "Join its network now, in the Wi-Fi settings of this computer. The profile does not say \
             how it is called.",
            &[] as &[&str],
        );
    } else {
        guide.list(
            "Power it now, and join its network in the Wi-Fi settings of this computer:",
            &Vec::from_iter(described),
        );
    }
    loop {
        let chosen = guide
            .choose(
                "Is this computer on it?",
                &[
                    "Yes, or soon: wait until it answers.",
                    "No: it does not open, or I cannot join it.",
                    "The receiver is at another address.",
                ],
                advice::JOIN_HELP,
            )
            .await?;
        match chosen {
            // Without an address there is nobody to wait for.
            0 if usual.is_some() => return Ok(Way::ByHand),
            1 => guide.list("What may be the matter:", &not_there()),
            _ => return Ok(Way::At(Some(ask_address(guide, usual).await?))),
        }
    }
}

fn url_of(address: IpAddr) -> String {
    match address {
        IpAddr::V4(address) => format!("http://{address}"),
        IpAddr::V6(address) => format!("http://[{address}]"),
    }
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

#[cfg(feature = "practice")]
async fn practice(guide: &Guide<'_>) -> Result<Place, Failure> {
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
