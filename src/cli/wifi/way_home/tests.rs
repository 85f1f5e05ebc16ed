use super::*;
use crate::{
    journal::DataFolder,
    terms::Mac,
    wifi::{
        AccessPoint, Addressing, HomeConnection, Join, Key,
        fake::{FakeAir, FakePoint, On},
    },
};

const BOAT: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);

fn wlan0() -> AdapterName {
    AdapterName::new("wlan0")
}

fn boathouse() -> HomeConnection {
    HomeConnection {
        id: "uuid of Boathouse".into(),
        name: "Boathouse".into(),
    }
}

/// An air with one receiver, this computer at home in its own network, and a journal.
struct Shore {
    air: FakeAir,
    point: AccessPoint,
    journal: Journal,
    screen: Screen,
    _top: tempfile::TempDir,
}

impl Shore {
    fn new() -> Self {
        let air = FakeAir::new(&["wlan0"]);
        air.live_at(&wlan0(), boathouse());
        let kind = FakePoint::new("TarnBoat 3", BOAT, None);
        let point = kind.point.clone();
        air.put(kind);
        air.open(BOAT);
        let top = tempfile::tempdir().expect("a folder");
        let journal = Journal::open(&DataFolder::at(&top.path().join("data"))).expect("opened");
        Self {
            air,
            point,
            journal,
            screen: Screen::new(true, true, true),
            _top: top,
        }
    }

    fn wifi(&self) -> Arc<dyn Wifi> {
        Arc::new(self.air.clone())
    }

    async fn join(&self) {
        let wish = Join {
            adapter: wlan0(),
            point: self.point.clone(),
            key: Key::Open,
            addressing: Addressing::Dhcp,
        };
        self.air.join(&wish).await.expect("joined");
        assert_eq!(self.air.on(&wlan0()), On::Joined(BOAT));
    }

    async fn left(&self) -> Vec<LeftAway> {
        self.journal.left_away().await.expect("read")
    }
}

#[tokio::test(start_paused = true)]
async fn adapter_is_back_afterwards_and_the_journal_knows_of_it_in_between() {
    let shore = Shore::new();
    let way = WayHome::default();
    for _ in 0..2 {
        way.remember(&shore.wifi(), &shore.journal, &wlan0())
            .await
            .expect("remembered");
        shore.join().await;
    }
    assert_eq!(shore.left().await.len(), 1, "once for each adapter");
    way.come_home(shore.screen).await;
    assert_eq!(shore.air.on(&wlan0()), On::Home);
    assert_eq!(shore.left().await, []);
    way.come_home(shore.screen).await;
    assert_eq!(shore.air.saved(), ["Boathouse"]);
}

#[tokio::test(start_paused = true)]
async fn way_home_that_failed_stays_open_for_the_next_run_which_goes_it() {
    let shore = Shore::new();
    let way = WayHome::default();
    way.remember(&shore.wifi(), &shore.journal, &wlan0())
        .await
        .expect("remembered");
    shore.join().await;
    shore.air.refuse(Some("network-control"));
    way.come_home(shore.screen).await;
    assert_eq!(shore.air.on(&wlan0()), On::Joined(BOAT));
    shore.air.refuse(None);
    let left = shore.left().await;
    assert_eq!(left.len(), 1);
    bring_back(shore.screen, &shore.journal, &shore.air, left)
        .await
        .expect("the journal is well");
    assert_eq!(shore.air.on(&wlan0()), On::Home);
    assert_eq!(shore.left().await, []);
}

#[tokio::test(start_paused = true)]
async fn where_two_runs_were_cut_off_the_first_home_is_the_one() {
    let shore = Shore::new();
    let first = shore.air.whereabouts(&wlan0()).await.expect("known");
    shore.journal.leave_home(&first).await.expect("kept");
    let second = Home {
        adapter: wlan0(),
        connection: None,
    };
    shore.journal.leave_home(&second).await.expect("kept");
    shore.join().await;
    let left = shore.left().await;
    bring_back(shore.screen, &shore.journal, &shore.air, left)
        .await
        .expect("the journal is well");
    assert_eq!(shore.air.on(&wlan0()), On::Home);
    assert_eq!(shore.left().await, []);
}

fn left_before_a_restart(adapter: &str, connection: Option<HomeConnection>) -> LeftAway {
    LeftAway {
        id: AwayId(1),
        home: Home {
            adapter: AdapterName::new(adapter),
            connection,
        },
        restarted: true,
    }
}

#[tokio::test(start_paused = true)]
async fn after_a_restart_of_the_computer_nobody_is_torn_off_the_network_of_now() {
    let shore = Shore::new();
    let club = HomeConnection {
        id: "uuid of the club's".into(),
        name: "Club".into(),
    };
    let left = || left_before_a_restart("wlan0", Some(club.clone()));
    assert!(is_over(&shore.air, &left()).await, "it is on another one");
    shore.join().await;
    assert!(!is_over(&shore.air, &left()).await, "it is on none");
    let left = left_before_a_restart("wlan0", None);
    assert!(is_over(&shore.air, &left).await, "it was on none");
    let unplugged = left_before_a_restart("wlan7", Some(club));
    assert!(is_over(&shore.air, &unplugged).await);
}

#[tokio::test(start_paused = true)]
async fn adapter_that_was_pulled_out_is_put_back_when_it_is_there_again() {
    let shore = Shore::new();
    let home = shore.air.whereabouts(&wlan0()).await.expect("known");
    shore.journal.leave_home(&home).await.expect("kept");
    let pulled_out = FakeAir::new(&["wlan1"]);
    let left = shore.left().await;
    bring_back(shore.screen, &shore.journal, &pulled_out, left.clone())
        .await
        .expect("the journal is well");
    assert_eq!(shore.left().await, left);
}
