//! Restarts in a made-up air. Time is paused: a wait of a minute takes none.

use std::collections::BTreeMap;

use tokio::sync::watch;

use super::*;
use crate::{
    change::testing::AirClock,
    profile,
    terms::{Bssid, Untrusted},
    wifi::{
        AdapterName, Addressing, Home, HomeConnection, Key,
        fake::{FakeAir, FakePoint, On},
    },
};

const SERIAL: &str = "TD-00471";

/// Whoever is behind the network that the adapter is on answers at once.
struct Behind {
    host: Host,
    saw_gone: bool,
}

impl Reach for Behind {
    async fn again(&mut self, wait: &Wait) -> Back {
        let begun = self.host.air.now_s();
        loop {
            sleep(Duration::from_millis(100)).await;
            let passed = self.host.air.now_s() - begun;
            let there = matches!(self.host.air.on(&self.host.adapter), On::Joined(_));
            let is_over = there && passed > wait.leave_s && !wait.by_hand;
            if is_over || passed > wait.deadline_s {
                return Back { gone: false, there };
            }
        }
    }
}

impl OtherEnd for Behind {
    async fn who(&self) -> Option<Identity> {
        let On::Joined(bssid) = self.host.air.on(&self.host.adapter) else {
            return None;
        };
        let serials = self.host.serials.lock().expect("nobody panicked");
        Some(Identity {
            serial: serials.get(&bssid).map(|serial| Untrusted::new(*serial)),
            ..Identity::default()
        })
    }

    fn saw_gone(&self) -> bool {
        self.saw_gone
    }
}

/// A host that has joined the device with BSSID 1.
#[derive(Clone)]
struct Host {
    air: FakeAir,
    adapter: AdapterName,
    serials: Arc<Mutex<BTreeMap<Mac, &'static str>>>,
}

fn mac(last: u8) -> Mac {
    Mac([2, 0, 0, 0, 0, last])
}

impl Host {
    fn new() -> Self {
        let air = FakeAir::new(&["wlan0"]);
        let adapter = AdapterName::new("wlan0");
        let home = HomeConnection {
            id: "home".into(),
            name: "Tarn Clubhouse".into(),
        };
        air.live_at(&adapter, home);
        // Somebody else's network: what hears nothing at all proves nothing.
        air.open(air.put(FakePoint::new("Reeds", mac(99), Some("not-ours-to-join"))));
        Self {
            air,
            adapter,
            serials: Arc::default(),
        }
    }

    fn receiver(&self, last: u8, serial: &'static str) -> Mac {
        let kind = FakePoint::new("TarnBoat 3", mac(last), Some("reeds-and-rushes"));
        let mut serials = self.serials.lock().expect("nobody panicked");
        serials.insert(mac(last), serial);
        self.air.put(kind)
    }

    /// The way back to the device of BSSID 1, which is joined.
    async fn joined(&self, bssid_stable: bool) -> (WifiReach<Behind, AirClock>, Way) {
        let bssid = self.receiver(1, SERIAL);
        self.air.open(bssid);
        let mut profile = profile::named("sample-form").expect("built in");
        profile.identity.bssid_stable = bssid_stable;
        let list = self.air.scan(&self.adapter, &[]).await.expect("a scan");
        let point = list.into_iter().find(|point| point.bssid == bssid);
        let wish = Join {
            adapter: self.adapter.clone(),
            point: point.expect("it is open"),
            key: Key::Wpa2("reeds-and-rushes".into()),
            addressing: Addressing::Dhcp,
        };
        let joined = self.air.join(&wish).await.expect("it lets us in");
        let way = Way::new(wish.point.clone(), &joined);
        let end = Behind {
            host: self.clone(),
            saw_gone: false,
        };
        let clock = AirClock(self.air.clone());
        let wifi = Arc::new(self.air.clone());
        let profile = Arc::new(profile);
        let reach = WifiReach::new(wifi, way.clone(), wish, profile, end, clock);
        (reach, way)
    }

    /// The device starts again: gone at once, and there under this BSSID after so many seconds.
    fn restarts(&self, last: u8, after_s: u64) {
        let bssid = self.receiver(last, SERIAL);
        self.air.close_in(mac(1), Duration::from_millis(300));
        let opens = Duration::from_secs(after_s);
        self.air.open_in(bssid, opens);
    }

    fn joins(&self) -> Vec<u8> {
        self.air.joins().iter().map(|bssid| bssid.0[5]).collect()
    }
}

fn wait(usual_s: (f64, f64)) -> Wait {
    Wait {
        expected: Identity {
            serial: Some(Untrusted::new(SERIAL)),
            bssid: Some(Bssid {
                mac: mac(1).0,
                stable: true,
            }),
            address: Some("http://192.168.77.1".into()),
        },
        leave_s: 8.0,
        usual_s,
        deadline_s: usual_s.1 * 1.5 + 30.0,
        by_hand: false,
        mark: None,
    }
}

const AWAY_AND_BACK: Back = Back {
    gone: true,
    there: true,
};

#[tokio::test(start_paused = true)]
async fn device_whose_network_is_back_after_the_whole_wait_is_joined_again_soon() {
    let host = Host::new();
    let (mut reach, way) = host.joined(true).await;
    let begun = host.air.now_s();
    host.restarts(1, 48);
    assert_eq!(reach.again(&wait((40.0, 55.0))).await, AWAY_AND_BACK);
    assert_eq!(host.joins(), [1, 1]);
    assert_eq!((way.bssid())(), Some(mac(1).0));
    assert!(way.is_up());
    let took = host.air.now_s() - begun;
    assert!(
        took < 48.0 + 12.0,
        "a scan and a join after it opened: {took}"
    );
}

#[tokio::test(start_paused = true)]
async fn device_that_is_back_at_once_is_known_to_have_been_away() {
    let host = Host::new();
    let (mut reach, _) = host.joined(true).await;
    host.restarts(1, 6);
    assert_eq!(reach.again(&wait((4.0, 8.0))).await, AWAY_AND_BACK);
    assert_eq!(host.joins(), [1, 1]);
}

#[tokio::test(start_paused = true)]
async fn silence_that_is_known_a_moment_after_the_link_is_down_is_a_witness_too() {
    let host = Host::new();
    let (mut reach, way) = host.joined(true).await;
    let (link, told) = watch::channel(Link::Up(mac(1)));
    let joined = Joined {
        adapter: host.adapter.clone(),
        link: Some(told),
        gateway: None,
    };
    way.set(way.point(), &joined);
    let (air, adapter) = (host.air.clone(), host.adapter.clone());
    tokio::spawn(async move {
        sleep(Duration::from_secs(2)).await;
        air.hop_away(&adapter);
        link.send_replace(Link::Down);
        // It is back before a scan could miss it.
        sleep(Duration::from_millis(200)).await;
        link.send_replace(Link::Silent);
        // The host's service joins it again.
        sleep(Duration::from_millis(500)).await;
        link.send_replace(Link::Down);
        link.closed().await;
    });
    assert_eq!(reach.again(&wait((4.0, 8.0))).await, AWAY_AND_BACK);
    assert_eq!(host.joins(), [1, 1]);
}

#[tokio::test(start_paused = true)]
async fn device_that_never_lost_its_network_has_not_restarted() {
    let host = Host::new();
    let (mut reach, _) = host.joined(true).await;
    let scans = host.air.scans();
    let back = reach.again(&wait((40.0, 55.0))).await;
    assert_eq!(
        back,
        Back {
            gone: false,
            there: true
        }
    );
    assert_eq!(host.air.scans(), scans, "nothing is looked for");
    assert_eq!(host.joins(), [1]);
}

#[tokio::test(start_paused = true)]
async fn host_that_hops_away_is_brought_back_and_that_witnesses_nothing() {
    let host = Host::new();
    let (mut reach, way) = host.joined(true).await;
    let (air, adapter) = (host.air.clone(), host.adapter.clone());
    tokio::spawn(async move {
        sleep(Duration::from_secs(2)).await;
        air.hop_away(&adapter);
    });
    let back = reach.again(&wait((40.0, 55.0))).await;
    assert_eq!(
        back,
        Back {
            gone: false,
            there: true
        }
    );
    assert_eq!(host.joins(), [1, 1]);
    assert!(way.is_up());
}

#[tokio::test(start_paused = true)]
async fn lookalike_is_not_joined_in_its_place() {
    let host = Host::new();
    let (mut reach, _) = host.joined(true).await;
    host.air.open(host.receiver(2, "TD-00472"));
    host.restarts(1, 50);
    assert_eq!(reach.again(&wait((40.0, 55.0))).await, AWAY_AND_BACK);
    assert_eq!(host.joins(), [1, 1]);
}

#[tokio::test(start_paused = true)]
async fn device_with_another_bssid_is_the_one_of_the_same_serial() {
    let host = Host::new();
    let (mut reach, way) = host.joined(false).await;
    for (last, serial) in [(2, "TD-00472"), (3, "TD-00473")] {
        host.air.open(host.receiver(last, serial));
    }
    host.restarts(7, 50);
    assert_eq!(reach.again(&wait((40.0, 55.0))).await, AWAY_AND_BACK);
    let joins = host.joins();
    assert_eq!(joins.first(), Some(&1));
    assert_eq!(joins.last(), Some(&7));
    let once = joins.iter().collect::<BTreeSet<_>>().len();
    assert_eq!(once, joins.len(), "each is asked once who it is: {joins:?}");
    assert_eq!((way.bssid())(), Some(mac(7).0));
    assert_eq!(host.air.on(&host.adapter), On::Joined(mac(7)));
}

#[tokio::test(start_paused = true)]
async fn device_that_stays_away_is_not_waited_for_longer_than_the_deadline() {
    let host = Host::new();
    let (mut reach, way) = host.joined(true).await;
    let begun = host.air.now_s();
    host.air.close(mac(1));
    let wait = wait((40.0, 55.0));
    let back = reach.again(&wait).await;
    assert_eq!(
        back,
        Back {
            gone: true,
            there: false
        }
    );
    let took = host.air.now_s() - begun;
    assert!(
        (wait.deadline_s..wait.deadline_s + 10.0).contains(&took),
        "{took}"
    );
    assert_eq!((way.bssid())(), None);
}

#[tokio::test(start_paused = true)]
async fn device_that_somebody_powers_off_and_on_is_waited_for_as_long_as_that_takes() {
    let host = Host::new();
    let (mut reach, _) = host.joined(true).await;
    host.air.close_in(mac(1), Duration::from_secs(90));
    host.air.open_in(mac(1), Duration::from_secs(150));
    let by_hand = Wait {
        by_hand: true,
        deadline_s: 600.0,
        ..wait((40.0, 55.0))
    };
    assert_eq!(reach.again(&by_hand).await, AWAY_AND_BACK);
    assert_eq!(host.joins(), [1, 1]);
}

#[tokio::test(start_paused = true)]
async fn network_that_lets_nobody_in_at_first_is_tried_again() {
    let host = Host::new();
    let (mut reach, _) = host.joined(true).await;
    host.air.close(mac(1));
    host.air.let_strangers_in(mac(1), 4);
    host.air.open_in(mac(1), Duration::from_secs(5));
    let air = host.air.clone();
    tokio::spawn(async move {
        sleep(Duration::from_secs(40)).await;
        air.let_strangers_in(mac(1), 0);
    });
    assert_eq!(reach.again(&wait((4.0, 8.0))).await, AWAY_AND_BACK);
    assert!(reach.trouble().is_none(), "it came right in the end");
    assert!(host.joins().len() > 2, "{:?}", host.joins());
}

#[tokio::test(start_paused = true)]
async fn wait_that_is_dropped_leaves_the_way_home_open() {
    let host = Host::new();
    let (mut reach, _) = host.joined(true).await;
    host.restarts(1, 20);
    let wait = wait((40.0, 55.0));
    for _ in 0..60 {
        let a_moment = Duration::from_millis(731);
        let _dropped = tokio::time::timeout(a_moment, reach.again(&wait)).await;
    }
    let home = Home {
        adapter: host.adapter.clone(),
        connection: Some(HomeConnection {
            id: "home".into(),
            name: "Tarn Clubhouse".into(),
        }),
    };
    host.air.go_home(&home).await.expect("it is there");
    assert_eq!(host.air.on(&host.adapter), On::Home);
}

#[tokio::test(start_paused = true)]
async fn footing_holds_on_the_very_access_point_alone() {
    let host = Host::new();
    let (_, way) = host.joined(true).await;
    let footing = way.footing();
    assert_eq!(footing.holds().await, Ok(()));
    assert!(!footing.asks_the_device());
    host.air.hop_away(&host.adapter);
    let why = footing.holds().await.expect_err("it is elsewhere");
    assert!(why.contains("TarnBoat 3"), "{why}");

    // The adapter itself goes: nobody tells anything of the link any more.
    let host = Host::new();
    let (_, way) = host.joined(true).await;
    host.air.unplug(&host.adapter);
    assert!(way.footing().holds().await.is_err());
    assert_eq!((way.bssid())(), None);
}
