//! What every implementation of `Wifi` must do, as plain functions over one and an air that can be
//! told what to do: the made-up one, or the lab's radios behind the real `NetworkManager`.
//!
//! What the air itself does not do is told apart from what does not hold: the first says nothing of
//! the implementation. Each begins with the adapter at home and no other network open.

use std::{
    fmt::Debug,
    net::{IpAddr, Ipv4Addr},
    time::Duration,
};

use async_trait::async_trait;
use linkmend::{
    find::air::Sightings,
    terms::Mac,
    wifi::{
        AccessPoint, AdapterName, Addressing, Home, Join, Joined, Key, Link, NetworkName, Wifi,
        WifiError,
    },
};
use secrecy::SecretString;

/// A network to be opened: a device at 192.168.77.1 with a /24 is behind it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Net {
    pub(crate) name: &'static str,
    /// WPA2 with it; none: open.
    pub(crate) passphrase: Option<&'static str>,
    /// Whether it keeps its name to itself.
    pub(crate) hidden: bool,
    /// Whether it gives addresses (DHCP), and itself as the way out.
    pub(crate) gives_addresses: bool,
    /// 1 to 11.
    pub(crate) channel: u32,
}

/// The air, and what it sees of the host. An error says that the air itself is broken.
#[async_trait]
pub(crate) trait AirControl: Send {
    /// The adapter to be used.
    fn adapter(&self) -> AdapterName;
    /// Now, in s since the host started.
    fn now_s(&self) -> f64;
    /// Opens a network under a BSSID of its own, and returns once it is on the air.
    async fn open(&mut self, net: &Net) -> Result<Mac, String>;
    /// Shuts it without a word.
    async fn close(&mut self, bssid: Mac) -> Result<(), String>;
    /// Returns once the adapter scans; it was asked for.
    async fn scans(&mut self) -> Result<(), String>;
    /// How many stations it has let in and not lost again, as it says itself.
    async fn guests(&mut self, bssid: Mac) -> Result<usize, String>;
    /// What the host keeps of connections, in a fixed order.
    async fn saved(&mut self) -> Result<Vec<String>, String>;
    /// Whether the adapter is at home, all of it.
    async fn is_home(&mut self) -> Result<bool, String>;
}

/// Why a contract does not hold, or why nobody knows.
#[derive(Debug)]
pub(crate) enum Fault {
    /// It does not.
    Fails(String),
    /// The air is broken.
    Broke(String),
}

impl From<WifiError> for Fault {
    fn from(error: WifiError) -> Self {
        Fault::Fails(format!("{}: {error}", error.code()))
    }
}

impl From<String> for Fault {
    fn from(why: String) -> Self {
        Fault::Broke(why)
    }
}

type Outcome = Result<(), Fault>;

/// Calls a macro with the names of all contracts.
macro_rules! each_contract {
    ($then:ident) => {
        $then! {
            a_scan_tells_name_channel_and_how_to_join,
            two_of_one_name_are_two,
            a_scan_hears_what_opened_while_another_was_under_way,
            a_join_joins_the_one_of_two_whose_bssid_it_names,
            a_wrong_passphrase_is_told,
            a_network_that_vanished_is_told,
            a_static_address_needs_nobody_who_gives_one,
            a_given_address_comes_with_the_way_out,
            an_open_network_is_joined_without_a_key,
            a_hidden_network_is_named_once_it_is_called_for,
            the_link_falls_silent_when_the_network_closes_without_a_word,
            the_air_tells_what_came_and_what_went,
            going_home_brings_the_home_connection_back,
            what_was_left_is_on_nothing_until_it_goes_home,
            going_home_twice_is_going_home_once,
            joining_another_leaves_the_first,
            what_was_joined_is_nobody_s_home,
            a_join_that_is_dropped_is_put_right_by_going_home,
            nothing_stays_saved,
        }
    };
}

macro_rules! dispatch {
    ($($name:ident),* $(,)?) => {
        /// The names of all contracts.
        pub(crate) const NAMES: &[&str] = &[$(stringify!($name)),*];

        /// Runs one by its name, and puts the air and the adapter back to where they were.
        pub(crate) async fn run(name: &str, wifi: &dyn Wifi, air: &mut dyn AirControl) -> Outcome {
            let mut stage = Stage::set(wifi, air).await?;
            let outcome = match name {
                $(stringify!($name) => $name(&mut stage).await,)*
                _ => Err(Fault::Broke(format!("there is no contract `{name}`"))),
            };
            let cleared = stage.clear().await;
            outcome.and(cleared)
        }
    };
}
each_contract!(dispatch);

/// How long anything may take that is waited for. Far above what a slow machine needs.
const LIMIT: Duration = Duration::from_mins(2);

/// How often a witness is asked that cannot be listened to.
const LOOK_AGAIN: Duration = Duration::from_millis(200);

/// Enough for a question to reach the host's service.
const ASKED: Duration = Duration::from_millis(300);

const WORD: &str = "reeds-and-rushes";

const NET: Net = Net {
    name: "TarnBoat 07",
    passphrase: Some(WORD),
    hidden: false,
    gives_addresses: false,
    channel: 6,
};

/// One implementation in one air.
struct Stage<'a> {
    wifi: &'a dyn Wifi,
    air: &'a mut dyn AirControl,
    adapter: AdapterName,
    home: Home,
    open: Vec<Mac>,
}

impl<'a> Stage<'a> {
    async fn set(wifi: &'a dyn Wifi, air: &'a mut dyn AirControl) -> Result<Self, Fault> {
        let adapter = air.adapter();
        if !air.is_home().await? {
            return Err(Fault::Broke(
                "the adapter is not at home at the begin".into(),
            ));
        }
        let home = wifi.whereabouts(&adapter).await?;
        holds("whereabouts knows the way home", home.connection.is_some())?;
        Ok(Self {
            wifi,
            air,
            adapter,
            home,
            open: Vec::new(),
        })
    }

    async fn clear(&mut self) -> Outcome {
        let home = self.wifi.go_home(&self.home).await;
        for bssid in std::mem::take(&mut self.open) {
            self.air.close(bssid).await?;
        }
        home?;
        Ok(())
    }

    async fn goes_home(&self) -> Outcome {
        soon("it goes home", async {
            Ok(self.wifi.go_home(&self.home).await?)
        })
        .await
    }

    async fn leaves(&self) -> Outcome {
        soon("it leaves", async {
            Ok(self.wifi.leave(&self.adapter).await?)
        })
        .await
    }

    async fn open(&mut self, net: &Net) -> Result<Mac, Fault> {
        let bssid = self.air.open(net).await?;
        self.open.push(bssid);
        Ok(bssid)
    }

    async fn close(&mut self, bssid: Mac) -> Outcome {
        self.open.retain(|open| *open != bssid);
        Ok(self.air.close(bssid).await?)
    }

    /// Opens a network and looks for it.
    async fn find(&mut self, net: &Net) -> Result<AccessPoint, Fault> {
        let bssid = self.open(net).await?;
        self.hear(bssid, &[]).await
    }

    /// Scans until it is heard.
    async fn hear(&self, bssid: Mac, hidden: &[NetworkName]) -> Result<AccessPoint, Fault> {
        soon("the scan lists it", async {
            loop {
                let begun_s = self.air.now_s();
                let list = self.wifi.scan(&self.adapter, hidden).await?;
                let mut of_it = list.into_iter().filter(|point| {
                    let fresh = point.heard_s.is_none_or(|heard| heard + 1.0 >= begun_s);
                    point.bssid == bssid && fresh
                });
                if let Some(point) = of_it.next() {
                    return Ok(point);
                }
            }
        })
        .await
    }

    fn wish(&self, point: &AccessPoint, key: Key) -> Join {
        Join {
            adapter: self.adapter.clone(),
            point: point.clone(),
            key,
            addressing: Addressing::Static {
                own: Ipv4Addr::new(192, 168, 77, 9),
                prefix: 24,
            },
        }
    }

    async fn join(&self, point: &AccessPoint) -> Result<Joined, Fault> {
        let wish = self.wish(point, word(WORD));
        Ok(soon("the join ends", async { Ok(self.wifi.join(&wish).await) }).await??)
    }

    /// A join that must not come about.
    async fn refused(&self, wish: &Join) -> Result<WifiError, Fault> {
        match soon("the join ends", async { Ok(self.wifi.join(wish).await) }).await? {
            Ok(_) => Err(Fault::Fails("it is joined all the same".into())),
            Err(error) => Ok(error),
        }
    }

    async fn has_guests(&mut self, bssid: Mac, wanted: usize) -> Outcome {
        let what = format!("{bssid} has {wanted} guests");
        let air = &mut *self.air;
        soon(&what, async {
            while air.guests(bssid).await? != wanted {
                tokio::time::sleep(LOOK_AGAIN).await;
            }
            Ok(())
        })
        .await
    }
}

fn word(passphrase: &str) -> Key {
    Key::Wpa2(SecretString::from(passphrase))
}

fn holds(what: &str, truth: bool) -> Outcome {
    if truth {
        Ok(())
    } else {
        Err(Fault::Fails(format!("does not hold: {what}")))
    }
}

fn equal<T: PartialEq + Debug>(what: &str, found: &T, wanted: &T) -> Outcome {
    if found == wanted {
        Ok(())
    } else {
        Err(Fault::Fails(format!(
            "{what}: {found:?} instead of {wanted:?}"
        )))
    }
}

async fn soon<T>(what: &str, event: impl Future<Output = Result<T, Fault>>) -> Result<T, Fault> {
    match tokio::time::timeout(LIMIT, event).await {
        Ok(came) => came,
        Err(_) => Err(Fault::Fails(format!("never came: {what}"))),
    }
}

async fn a_scan_tells_name_channel_and_how_to_join(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    equal("name", &point.name, &NET.name.into())?;
    equal("channel", &point.channel(), &Some(NET.channel))?;
    holds(
        "a passphrase is asked for",
        point.offers.psk && !point.offers.open,
    )?;
    holds("signal is in percent", point.signal <= 100)?;
    let open = Net {
        name: "TarnBoat 08",
        passphrase: None,
        ..NET
    };
    let point = stage.find(&open).await?;
    holds(
        "no passphrase is asked for",
        point.offers.open && !point.offers.psk,
    )
}

async fn two_of_one_name_are_two(stage: &mut Stage<'_>) -> Outcome {
    let first = stage.find(&NET).await?;
    let second = stage.find(&Net { channel: 1, ..NET }).await?;
    holds("their BSSIDs differ", first.bssid != second.bssid)?;
    equal("names", &first.name, &second.name)?;
    equal("channel of the second", &second.channel(), &Some(1))
}

async fn a_scan_hears_what_opened_while_another_was_under_way(stage: &mut Stage<'_>) -> Outcome {
    for round in 0..2 {
        // As somebody else on this computer asks for one: nobody waits for it.
        let other = stage.wifi.scan(&stage.adapter, &[]);
        let _nobody = tokio::time::timeout(ASKED, other).await;
        stage.air.scans().await?;
        // Its first channel is passed before this one is on the air.
        let bssid = stage.open(&Net { channel: 1, ..NET }).await?;
        let heard = soon("the scan ends", async {
            Ok(stage.wifi.scan(&stage.adapter, &[]).await?)
        });
        let heard = heard.await?;
        holds(
            &format!("in round {round} it hears the one that opened"),
            heard.iter().any(|point| point.bssid == bssid),
        )?;
        stage.close(bssid).await?;
    }
    Ok(())
}

async fn a_join_joins_the_one_of_two_whose_bssid_it_names(stage: &mut Stage<'_>) -> Outcome {
    let first = stage.find(&NET).await?;
    let second = stage.find(&NET).await?;
    for (point, other) in [(&second, &first), (&first, &second)] {
        let joined = stage.join(point).await?;
        if let Some(link) = &joined.link {
            equal("the link", &*link.borrow(), &Link::Up(point.bssid))?;
        }
        stage.has_guests(point.bssid, 1).await?;
        stage.has_guests(other.bssid, 0).await?;
    }
    Ok(())
}

async fn a_wrong_passphrase_is_told(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    let wish = stage.wish(&point, word("not-this-one"));
    let error = stage.refused(&wish).await?;
    equal("the error", &error.code(), &"wrong-passphrase")
}

async fn a_network_that_vanished_is_told(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    stage.close(point.bssid).await?;
    let wish = stage.wish(&point, word(WORD));
    let error = stage.refused(&wish).await?;
    equal("the error", &error.code(), &"out-of-range")
}

async fn a_static_address_needs_nobody_who_gives_one(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    let joined = stage.join(&point).await?;
    equal("the adapter", &joined.adapter, &stage.adapter)?;
    stage.has_guests(point.bssid, 1).await
}

async fn a_given_address_comes_with_the_way_out(stage: &mut Stage<'_>) -> Outcome {
    let giving = Net {
        gives_addresses: true,
        ..NET
    };
    let point = stage.find(&giving).await?;
    let wish = Join {
        addressing: Addressing::Dhcp,
        ..stage.wish(&point, word(WORD))
    };
    let joined = soon("the join ends", async { Ok(stage.wifi.join(&wish).await?) }).await?;
    let wanted = IpAddr::V4(Ipv4Addr::new(192, 168, 77, 1));
    equal("the way out", &joined.gateway, &Some(wanted))
}

async fn an_open_network_is_joined_without_a_key(stage: &mut Stage<'_>) -> Outcome {
    let open = Net {
        passphrase: None,
        ..NET
    };
    let point = stage.find(&open).await?;
    let wish = stage.wish(&point, Key::Open);
    soon("the join ends", async { Ok(stage.wifi.join(&wish).await?) }).await?;
    stage.has_guests(point.bssid, 1).await
}

async fn a_hidden_network_is_named_once_it_is_called_for(stage: &mut Stage<'_>) -> Outcome {
    let hidden = Net {
        hidden: true,
        ..NET
    };
    let bssid = stage.open(&hidden).await?;
    let name = NetworkName::from(hidden.name);
    let point = soon("it answers to its name", async {
        loop {
            let point = stage.hear(bssid, std::slice::from_ref(&name)).await?;
            if point.name == name {
                return Ok(point);
            }
        }
    })
    .await?;
    stage.join(&point).await?;
    stage.has_guests(bssid, 1).await
}

async fn the_link_falls_silent_when_the_network_closes_without_a_word(
    stage: &mut Stage<'_>,
) -> Outcome {
    let point = stage.find(&NET).await?;
    let joined = stage.join(&point).await?;
    let Some(mut link) = joined.link else {
        return Err(Fault::Fails("it does not tell the link".into()));
    };
    stage.close(point.bssid).await?;
    soon("the link is silent", async {
        // Where nobody tells it any more it stays as it was told last.
        let silent = link.wait_for(|link| *link == Link::Silent).await.is_ok();
        holds("its last word is that it fell silent", silent)
    })
    .await
}

async fn the_air_tells_what_came_and_what_went(stage: &mut Stage<'_>) -> Outcome {
    let mut air = stage.wifi.air(&stage.adapter).await?;
    let point = stage.find(&NET).await?;
    soon("the air lists what came", async {
        let there = |list: &Vec<AccessPoint>| list.iter().any(|p| p.bssid == point.bssid);
        let listed = air.wait_for(there).await.is_ok();
        holds("the air is told as long as the adapter is there", listed)
    })
    .await?;
    let mut sightings = Sightings::new();
    sightings.hear(std::slice::from_ref(&point), None);
    sightings.mark();
    stage.close(point.bssid).await?;
    soon("scans tell that it went", async {
        while sightings.went().is_empty() {
            let begun_s = stage.air.now_s();
            let list = stage.wifi.scan(&stage.adapter, &[]).await?;
            sightings.hear(&list, Some(begun_s));
        }
        Ok(())
    })
    .await
}

async fn going_home_brings_the_home_connection_back(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    stage.join(&point).await?;
    holds("it is away", !stage.air.is_home().await?)?;
    stage.goes_home().await?;
    holds("it is at home", stage.air.is_home().await?)?;
    stage.has_guests(point.bssid, 0).await
}

async fn what_was_left_is_on_nothing_until_it_goes_home(stage: &mut Stage<'_>) -> Outcome {
    // At home there is nothing to leave.
    stage.leaves().await?;
    holds("it is at home", stage.air.is_home().await?)?;
    let point = stage.find(&NET).await?;
    for _ in 0..2 {
        stage.join(&point).await?;
        stage.leaves().await?;
        stage.has_guests(point.bssid, 0).await?;
        let heard = stage.wifi.scan(&stage.adapter, &[]).await?;
        let is_there = heard.iter().any(|one| one.bssid == point.bssid);
        holds("it hears what it left", is_there)?;
        holds("it is not at home", !stage.air.is_home().await?)?;
    }
    stage.goes_home().await?;
    holds("it is at home again", stage.air.is_home().await?)
}

async fn going_home_twice_is_going_home_once(stage: &mut Stage<'_>) -> Outcome {
    stage.goes_home().await?;
    holds("it is at home without a join", stage.air.is_home().await?)?;
    let point = stage.find(&NET).await?;
    stage.join(&point).await?;
    for _ in 0..2 {
        stage.goes_home().await?;
        holds("it is at home", stage.air.is_home().await?)?;
    }
    Ok(())
}

async fn joining_another_leaves_the_first(stage: &mut Stage<'_>) -> Outcome {
    let first = stage.find(&NET).await?;
    let second = stage.find(&Net { channel: 1, ..NET }).await?;
    let before = stage.join(&first).await?;
    stage.has_guests(first.bssid, 1).await?;
    let after = stage.join(&second).await?;
    stage.has_guests(second.bssid, 1).await?;
    stage.has_guests(first.bssid, 0).await?;
    if let (Some(mut before), Some(after)) = (before.link, after.link) {
        equal("the second link", &*after.borrow(), &Link::Up(second.bssid))?;
        let down = |link: &Link| *link != Link::Up(first.bssid);
        soon("the first link is told to be over", async {
            let told = before.wait_for(down).await.is_ok();
            holds("its last word is that it is over", told)
        })
        .await?;
    }
    Ok(())
}

async fn what_was_joined_is_nobody_s_home(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    stage.join(&point).await?;
    let now = stage.wifi.whereabouts(&stage.adapter).await?;
    equal("the way home", &now.connection, &None)
}

async fn a_join_that_is_dropped_is_put_right_by_going_home(stage: &mut Stage<'_>) -> Outcome {
    let point = stage.find(&NET).await?;
    let wish = stage.wish(&point, word(WORD));
    // Long enough to have begun on any machine, and short enough not to be over.
    let begun = Duration::from_millis(50);
    let _dropped = tokio::time::timeout(begun, stage.wifi.join(&wish)).await;
    stage.goes_home().await?;
    holds("it is at home", stage.air.is_home().await?)?;
    stage.has_guests(point.bssid, 0).await
}

async fn nothing_stays_saved(stage: &mut Stage<'_>) -> Outcome {
    let before = stage.air.saved().await?;
    let point = stage.find(&NET).await?;
    stage.join(&point).await?;
    let wish = stage.wish(&point, word("not-this-one"));
    stage.refused(&wish).await?;
    stage.goes_home().await?;
    let air = &mut *stage.air;
    soon("what is saved is as it was", async {
        while air.saved().await? != before {
            tokio::time::sleep(LOOK_AGAIN).await;
        }
        Ok(())
    })
    .await
}
