//! Wi-Fi by the hands of a person, for any system: names the network to pick, waits until a device
//! answers, and says when to go back.
//!
//! The host's settings are not touched, and nothing is known of its networks. So what answers is
//! all there is to go by: whoever joins by hand has to hold against it, each time, that it is the
//! device that is meant.

use std::{collections::BTreeSet, net::IpAddr, sync::Arc, time::Duration};

use async_trait::async_trait;
use netdev::interface::types::InterfaceType;
use tokio::{sync::watch, task::JoinSet, time::sleep};

use super::{
    AccessPoint, Adapter, AdapterName, AdapterState, Home, Join, Joined, NetworkName, Wifi,
    WifiError,
};

/// What a person is asked to join.
#[derive(Debug, Clone, PartialEq)]
pub struct Pick {
    /// What the network is called: names, or patterns in which `*` stands for any characters.
    pub names: Vec<String>,
    /// When it is there, in s from now; none: now, or nobody knows.
    pub in_s: Option<(f64, f64)>,
    /// Why.
    pub why: Why,
}

/// Why a person is asked to join a network.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It is the begin.
    First,
    /// The device starts again, and its network goes away for that.
    Restart,
    /// Nobody answers any more: the computer has left the network.
    Lost,
}

/// The person. Neither call waits for anything to be done.
pub trait Hands: Send + Sync {
    /// Says which network to join, and to stay on it.
    fn pick(&self, pick: &Pick);
    /// Says that this computer can go back to its own network.
    fn home(&self, home: &Home);
}

/// Whether a device of the families that count is at an address. Asked for many times: it must act
/// on nothing, and be done within seconds.
#[async_trait]
pub trait Probe: Send + Sync {
    /// Whether one answers there.
    async fn answers(&self, address: IpAddr) -> bool;
}

/// Tells the ways out of this computer's networks. It may take a moment.
pub type Gateways = Arc<dyn Fn() -> Vec<IpAddr> + Send + Sync>;

/// How long to leave the networks alone between two rounds of looking. No source.
const PAUSE: Duration = Duration::from_millis(500);

/// Wi-Fi by hand.
#[derive(Clone)]
pub struct ByHand {
    hands: Arc<dyn Hands>,
    probe: Arc<dyn Probe>,
    addresses: Vec<IpAddr>,
    gateways: Gateways,
}

impl ByHand {
    /// `addresses`: where a device may be in its own network. The way out of the network that this
    /// computer is on is looked at too.
    pub fn new(hands: Arc<dyn Hands>, probe: Arc<dyn Probe>, addresses: Vec<IpAddr>) -> Self {
        Self {
            hands,
            probe,
            addresses,
            gateways: Arc::new(gateways_of_host),
        }
    }

    /// The same with other ways out than the host's own.
    #[must_use]
    pub fn with_gateways(self, gateways: Gateways) -> Self {
        Self { gateways, ..self }
    }

    /// The only adapter there is: the person.
    pub fn adapter() -> AdapterName {
        AdapterName::new("by hand")
    }

    /// Asks for a network, and waits until a device answers at one of the addresses; gives that one.
    /// It ends with nothing else, and may be dropped at any moment.
    pub async fn picked(&self, pick: &Pick) -> IpAddr {
        self.hands.pick(pick);
        loop {
            let mut there: BTreeSet<IpAddr> = self.addresses.iter().copied().collect();
            let gateways = Arc::clone(&self.gateways);
            let found = tokio::task::spawn_blocking(move || gateways()).await;
            there.extend(found.unwrap_or_default());
            if let Some(address) = self.first_of(there).await {
                return address;
            }
            sleep(PAUSE).await;
        }
    }

    /// Asks for a network, and waits until a device answers at this address.
    pub async fn picked_at(&self, pick: &Pick, address: IpAddr) {
        self.hands.pick(pick);
        while !self.probe.answers(address).await {
            sleep(PAUSE).await;
        }
    }

    async fn first_of(&self, addresses: BTreeSet<IpAddr>) -> Option<IpAddr> {
        let mut asked = JoinSet::new();
        for address in addresses {
            let probe = Arc::clone(&self.probe);
            asked.spawn(async move { probe.answers(address).await.then_some(address) });
        }
        while let Some(answer) = asked.join_next().await {
            if let Ok(Some(address)) = answer {
                return Some(address);
            }
        }
        None
    }
}

/// The ways out by Wi-Fi; where the system does not tell which adapters are Wi-Fi, all of them.
fn gateways_of_host() -> Vec<IpAddr> {
    let mut interfaces = netdev::get_interfaces();
    interfaces.retain(|interface| !interface.is_loopback());
    let is_wifi = |interface: &netdev::Interface| interface.if_type == InterfaceType::Wireless80211;
    if interfaces.iter().any(is_wifi) {
        interfaces.retain(is_wifi);
    }
    interfaces
        .into_iter()
        .filter_map(|interface| interface.gateway)
        .flat_map(|gateway| gateway.ipv4)
        .map(IpAddr::V4)
        .collect()
}

#[async_trait]
impl Wifi for ByHand {
    fn name(&self) -> &'static str {
        "by hand"
    }

    async fn adapters(&self) -> Result<Vec<Adapter>, WifiError> {
        Ok(vec![Adapter {
            name: Self::adapter(),
            mac: None,
            state: AdapterState::Ready,
            connected: None,
        }])
    }

    async fn scan(
        &self,
        _: &AdapterName,
        _: &[NetworkName],
    ) -> Result<Vec<AccessPoint>, WifiError> {
        Err(WifiError::CannotScan)
    }

    async fn air(&self, _: &AdapterName) -> Result<watch::Receiver<Vec<AccessPoint>>, WifiError> {
        Err(WifiError::CannotScan)
    }

    /// Nothing is known of it: the person goes back.
    async fn whereabouts(&self, adapter: &AdapterName) -> Result<Home, WifiError> {
        Ok(Home {
            adapter: adapter.clone(),
            connection: None,
        })
    }

    /// Of the wish the name alone counts. The gateway is where a device answered.
    async fn join(&self, wish: &Join) -> Result<Joined, WifiError> {
        let pick = Pick {
            names: vec![wish.point.name.to_string()],
            in_s: None,
            why: Why::First,
        };
        Ok(Joined {
            adapter: wish.adapter.clone(),
            link: None,
            gateway: Some(self.picked(&pick).await),
        })
    }

    /// The person stays where they are until they are told to go back.
    async fn leave(&self, _: &AdapterName) -> Result<(), WifiError> {
        Ok(())
    }

    async fn go_home(&self, home: &Home) -> Result<(), WifiError> {
        self.hands.home(home);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::{net::Ipv4Addr, sync::Mutex};

    use super::*;

    const DEVICE: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 168, 77, 1));
    const OTHER: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 168, 78, 1));

    /// A person who is told, and does it when the test says so.
    #[derive(Default)]
    struct Person {
        told: Mutex<Vec<String>>,
        asked: Mutex<Vec<IpAddr>>,
        on: Mutex<Option<IpAddr>>,
    }

    impl Person {
        fn goes_to(&self, address: Option<IpAddr>) {
            *self.on.lock().expect("nobody panicked") = address;
        }

        fn told(&self) -> Vec<String> {
            self.told.lock().expect("nobody panicked").clone()
        }
    }

    impl Hands for Person {
        fn pick(&self, pick: &Pick) {
            let told = format!("{:?}: {}", pick.why, pick.names.join(", "));
            self.told.lock().expect("nobody panicked").push(told);
        }

        fn home(&self, _: &Home) {
            self.told
                .lock()
                .expect("nobody panicked")
                .push("home".into());
        }
    }

    #[async_trait]
    impl Probe for Person {
        async fn answers(&self, address: IpAddr) -> bool {
            self.asked.lock().expect("nobody panicked").push(address);
            *self.on.lock().expect("nobody panicked") == Some(address)
        }
    }

    fn by_hand(person: &Arc<Person>) -> ByHand {
        let hands = Arc::clone(person) as Arc<dyn Hands>;
        let probe = Arc::clone(person) as Arc<dyn Probe>;
        ByHand::new(hands, probe, vec![DEVICE]).with_gateways(Arc::new(|| vec![OTHER]))
    }

    fn first() -> Pick {
        Pick {
            names: vec!["TarnBoat *".into()],
            in_s: None,
            why: Why::First,
        }
    }

    #[tokio::test]
    async fn device_is_found_at_its_address_and_at_the_way_out() {
        for there in [DEVICE, OTHER] {
            let person = Arc::new(Person::default());
            person.goes_to(Some(there));
            assert_eq!(by_hand(&person).picked(&first()).await, there);
            assert_eq!(person.told(), ["First: TarnBoat *"], "it is asked for once");
        }
    }

    #[tokio::test]
    async fn wait_lasts_until_the_person_has_joined() {
        let person = Arc::new(Person::default());
        let hand = by_hand(&person);
        let waits = tokio::spawn(async move { hand.picked(&first()).await });
        while person.asked.lock().expect("nobody panicked").len() < 2 {
            tokio::task::yield_now().await;
        }
        assert!(!waits.is_finished(), "nobody is there yet");
        person.goes_to(Some(DEVICE));
        assert_eq!(waits.await.expect("it ends"), DEVICE);
    }

    #[tokio::test]
    async fn one_that_was_lost_is_looked_for_at_its_own_address_alone() {
        let person = Arc::new(Person::default());
        person.goes_to(Some(DEVICE));
        let lost = Pick {
            why: Why::Lost,
            ..first()
        };
        by_hand(&person).picked_at(&lost, DEVICE).await;
        assert_eq!(*person.asked.lock().expect("nobody panicked"), [DEVICE]);
        assert_eq!(person.told(), ["Lost: TarnBoat *"]);
    }

    #[tokio::test]
    async fn nothing_is_known_of_the_air_and_the_person_is_told_to_go_home() {
        let person = Arc::new(Person::default());
        let hand = by_hand(&person);
        let adapter = ByHand::adapter();
        assert_eq!(hand.scan(&adapter, &[]).await, Err(WifiError::CannotScan));
        assert!(hand.air(&adapter).await.is_err());
        let home = hand.whereabouts(&adapter).await.expect("it is known");
        assert_eq!(home.connection, None);
        hand.go_home(&home).await.expect("it was said");
        assert_eq!(person.told(), ["home"]);
    }
}
