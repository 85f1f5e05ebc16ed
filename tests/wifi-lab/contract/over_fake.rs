//! The contract of `Wifi` over the made-up air, so that what stands on that air in other tests
//! stands on what the real ones do. Time is paused: no contract waits.

#[macro_use]
mod contracts;

use async_trait::async_trait;
use contracts::{AirControl, Fault, Net};
use linkmend::{
    terms::Mac,
    wifi::{
        AdapterName, HomeConnection,
        fake::{FakeAir, FakePoint, On},
    },
};

/// The made-up air with a host that is at home.
struct Fake {
    air: FakeAir,
    adapter: AdapterName,
    opened: u8,
}

impl Fake {
    fn new() -> Self {
        let air = FakeAir::new(&["wlan0", "wlan1"]);
        let adapter = AdapterName::new("wlan0");
        air.live_at(
            &adapter,
            HomeConnection {
                id: "home".into(),
                name: "Tarn Clubhouse".into(),
            },
        );
        Self {
            air,
            adapter,
            opened: 0,
        }
    }
}

#[async_trait]
impl AirControl for Fake {
    fn adapter(&self) -> AdapterName {
        self.adapter.clone()
    }

    fn now_s(&self) -> f64 {
        self.air.now_s()
    }

    async fn open(&mut self, net: &Net) -> Result<Mac, String> {
        self.opened += 1;
        let bssid = Mac([2, 0, 0, 0, 0, self.opened]);
        let mut kind = FakePoint::new(net.name, bssid, net.passphrase);
        kind.point.frequency_mhz = 2407 + 5 * net.channel;
        kind.hidden = net.hidden;
        kind.gives_addresses = net.gives_addresses;
        self.air.put(kind);
        self.air.open(bssid);
        Ok(bssid)
    }

    async fn close(&mut self, bssid: Mac) -> Result<(), String> {
        self.air.close(bssid);
        Ok(())
    }

    async fn scans(&mut self) -> Result<(), String> {
        Ok(())
    }

    async fn guests(&mut self, bssid: Mac) -> Result<usize, String> {
        Ok(self.air.guests(bssid))
    }

    async fn saved(&mut self) -> Result<Vec<String>, String> {
        Ok(self.air.saved())
    }

    async fn is_home(&mut self) -> Result<bool, String> {
        Ok(self.air.on(&self.adapter) == On::Home)
    }
}

macro_rules! over_the_fake {
    ($($name:ident),* $(,)?) => {
        $(
            #[tokio::test(start_paused = true)]
            async fn $name() {
                let mut fake = Fake::new();
                let wifi = fake.air.clone();
                match contracts::run(stringify!($name), &wifi, &mut fake).await {
                    Ok(()) => {}
                    Err(Fault::Fails(why) | Fault::Broke(why)) => panic!("{why}"),
                }
            }
        )*
    };
}
each_contract!(over_the_fake);

#[tokio::test(start_paused = true)]
async fn contract_that_does_not_hold_is_noticed() {
    let mut fake = Fake::new();
    let wifi = fake.air.clone();
    wifi.refuse(Some("network-control"));
    let fault = contracts::run(contracts::NAMES[0], &wifi, &mut fake).await;
    assert!(matches!(fault, Err(Fault::Fails(_))), "{fault:?}");
    let fault = contracts::run("no such thing", &Fake::new().air, &mut Fake::new()).await;
    assert!(matches!(fault, Err(Fault::Broke(_))), "{fault:?}");
}
