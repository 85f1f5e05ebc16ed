//! A device whose network a person joins in the system's own settings: on any system, and where no
//! service can be asked.

use std::{collections::BTreeSet, net::IpAddr, sync::Arc, time::Duration};

use async_trait::async_trait;

use crate::{
    change::by_hand::HandFooting,
    cli::{
        context::Context,
        failure::Failure,
        login::LoginFrom,
        screen::{Screen, Tone},
        seconds,
        target::{self, Target},
    },
    find,
    profile::Profile,
    session::{Limits, Origin, no_bssid},
    wifi::{
        Home,
        by_hand::{ByHand, Hands, Pick, Probe, Why},
    },
};

/// What goes on with a device that was joined by hand.
pub(crate) struct OverHands {
    /// The person.
    pub hands: Arc<dyn Hands>,
    /// What its network may be called.
    pub names: Vec<String>,
}

/// How long a person may take to find and join a network beyond the wait of the device itself, in s.
/// No source: time to read, and to open the system's settings.
const PATIENCE_S: f64 = 300.0;

/// Says which network to join, waits until a device of the families answers, and opens a session
/// with it.
pub(super) async fn open(
    context: &Context,
    profiles: &[Arc<Profile>],
    limits: Limits,
    login: &LoginFrom,
    wait_s: Option<f64>,
) -> Result<Target, Failure> {
    let screen = context.screen;
    let names = find::air::names(profiles).into_iter();
    let names: Vec<String> = names.map(Into::into).collect();
    let networks = profiles.iter().filter_map(|one| one.network.as_ref());
    let addresses: BTreeSet<IpAddr> = networks.map(|one| one.address).collect();
    let usual = addresses.first().copied();
    let opens = find::wait::window(profiles).map(|window| (window.from, window.to));

    let hands: Arc<dyn Hands> = Arc::new(Told { screen });
    let probe = Arc::new(Families {
        profiles: profiles.to_vec(),
        limits: limits.clone(),
    });
    let hand = ByHand::new(Arc::clone(&hands), probe, addresses.into_iter().collect());
    context.way_home.by_hand(Arc::new(hand.clone())).await;
    let pick = Pick {
        names: names.clone(),
        in_s: opens,
        why: Why::First,
    };
    let longest = wait_s.unwrap_or(opens.map_or(0.0, |(_, to)| to) + PATIENCE_S);
    let busy = screen.busy("until it answers");
    let found = tokio::time::timeout(Duration::from_secs_f64(longest), hand.picked(&pick)).await;
    drop(busy);
    // Where nobody came in time, asking once more tells what is there instead.
    let Some(address) = found.ok().or(usual) else {
        return Err(Failure::usage(
            "the profile does not say at which address its devices answer",
            "see `linkmend profile show`",
        ));
    };
    let there = target::At {
        origin: Origin::of(address)
            .map_err(|error| Failure::usage(error.to_string(), error.help()))?,
        login,
        bssid: no_bssid(),
        footing: Some(Arc::new(HandFooting::new(hand, names.clone(), address))),
        open: None,
    };
    let (session, profile) = target::at_origin(context, there, profiles, &limits).await?;
    let hands = OverHands { hands, names };
    Ok(Target::by_hand(session, profile, limits, hands))
}

/// Whether a device of one of the families answers.
struct Families {
    profiles: Vec<Arc<Profile>>,
    limits: Limits,
}

#[async_trait]
impl Probe for Families {
    async fn answers(&self, address: IpAddr) -> bool {
        let Ok(origin) = Origin::of(address) else {
            return false;
        };
        let quick = Limits {
            attempts: 1,
            ..self.limits.clone()
        };
        find::at(&origin, &self.profiles, &quick).await.is_ok()
    }
}

/// Tells the person at the screen.
struct Told {
    screen: Screen,
}

impl Hands for Told {
    fn pick(&self, pick: &Pick) {
        let names: Vec<String> = pick.names.iter().map(|name| format!("`{name}`")).collect();
        let names = names.join(" or ");
        let (tone, text) = match pick.why {
            Why::First => (
                Tone::Strong,
                format!(
                    "Join the receiver's network in the settings of this computer: a name like \
                     {names}. Stay connected when you are told that it has no internet."
                ),
            ),
            Why::Restart => (
                Tone::Plain,
                format!("It restarts. When its network is there again, join it: {names}."),
            ),
            Why::Lost => (
                Tone::Careful,
                format!(
                    "This computer has left the receiver's network. Join {names} again, and stay \
                     connected."
                ),
            ),
        };
        self.screen.step("by hand", tone, &text);
        if let (Some((from, to)), Why::First) = (pick.in_s, pick.why) {
            self.screen.step(
                "",
                Tone::Plain,
                &format!("It opens {} after power-up.", seconds::range(from, to)),
            );
        }
    }

    fn home(&self, _: &Home) {
        self.screen.step(
            "home",
            Tone::Strong,
            "You can go back to your own network now.",
        );
    }
}
