//! Listening all around: to the air for fallback networks, and to the local networks for devices that
//! have joined one. What comes and what goes is told as it happens.
//!
//! Either half may be missing, and the other goes on: a computer without a Wi-Fi service still hears
//! who announces itself. Nothing is joined, and nothing is sent to a device.

use std::{collections::BTreeMap, pin::Pin, sync::Arc, time::Duration};

use tokio::{sync::watch, time::sleep};

use super::{
    air::{Sightings, candidates, whole_names},
    mdns::{Announced, Browse, News},
    wait::{FAILED_SCANS, SCAN_EVERY_S, of_late},
};
use crate::{
    profile::Profile,
    terms::Mac,
    wifi::{AccessPoint, AdapterName, Wifi, WifiError},
};

/// How long local networks are listened to at least, in s: RFC 6762 lets a responder take up to
/// 0.12 s, and a device that sleeps misses the first question (no source for twice as much again).
pub const ANSWERS_IN_S: f64 = 2.0;

/// What happened.
#[derive(Debug, Clone)]
pub enum Event {
    /// What came until now was there at the begin; from now on it comes and goes.
    Settled,
    /// A network is in range that was not.
    AirCame(AccessPoint),
    /// A network is in range no more.
    AirWent(AccessPoint),
    /// A device announces itself on a local network.
    NetCame(Announced),
    /// It does so no more.
    NetWent(Announced),
}

/// For how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Until {
    /// One scan, and the time in which devices on a local network answer.
    Once,
    /// The same, and on until there is a device, or so many s have passed.
    Found(f64),
    /// Until so many s have passed; infinite: until it is dropped, or asked to stop.
    Passed(f64),
}

/// What is listened to, for whom, and how long.
pub struct Listen<'a> {
    /// Who hears the air, and through which adapter; none: nobody.
    pub air: Option<(&'a dyn Wifi, &'a AdapterName)>,
    /// Who hears the local networks; none: nobody.
    pub net: Option<Browse>,
    /// The families that count as devices.
    pub profiles: &'a [Arc<Profile>],
    /// When it ends.
    pub until: Until,
    /// The time, in s since this computer started, time asleep included.
    pub now_s: &'a (dyn Fn() -> f64 + Send + Sync),
    /// Ends it when it becomes true.
    pub stop: watch::Receiver<bool>,
}

/// What is there at the end.
#[derive(Debug, Clone)]
pub struct Around {
    /// All networks in range, by name and then by BSSID.
    pub air: Vec<AccessPoint>,
    /// All devices on local networks, in the order in which they came.
    pub net: Vec<Announced>,
    /// Whether any of those were left out, being too many.
    pub is_cut: bool,
    /// Why the air could not be listened to any longer.
    pub deaf: Option<WifiError>,
}

/// Listens, and tells what comes and goes; what is there at the begin comes first, and then it is
/// told that the rest is news.
pub async fn listen(listen: Listen<'_>, mut tell: impl FnMut(Event) + Send) -> Around {
    let Listen {
        air,
        net,
        profiles,
        until,
        now_s: now,
        mut stop,
    } = listen;
    let begun = now();
    let hidden = whole_names(profiles);
    let mut ear = Ear::default();
    let mut list = None;
    if let Some((wifi, adapter)) = air {
        match wifi.air(adapter).await {
            Ok(heard) => {
                ear.hear(&of_late(&heard.borrow(), now()), None, &mut tell);
                list = Some(heard);
            }
            Err(error) => ear.deaf = Some(error),
        }
    }
    let mut net = net;
    let mut hears_net = net.is_some();
    let mut on_net = 0_usize;
    let mut scan: Option<Scan<'_>> = None;
    let mut is_settled = false;
    loop {
        let hears_air = air.is_some() && ear.deaf.is_none();
        let passed = now() - begun;
        let is_through = (ear.scans > 0 || !hears_air) && (passed >= ANSWERS_IN_S || !hears_net);
        if is_through && !is_settled {
            is_settled = true;
            tell(Event::Settled);
        }
        let found = || on_net > 0 || !candidates(&ear.sightings.there(), profiles).is_empty();
        let ends = match until {
            Until::Once => is_through,
            Until::Found(longest) => passed >= longest || is_through && found(),
            Until::Passed(longest) => passed >= longest,
        };
        if ends || !hears_air && !hears_net {
            break;
        }
        if let (Some((wifi, adapter)), None, true) = (air, &scan, hears_air)
            && now() >= ear.scan_at_s
        {
            ear.scan_at_s = now() + SCAN_EVERY_S;
            scan = Some((now(), wifi.scan(adapter, &hidden)));
        }
        tokio::select! {
            biased;
            Ok(_) = stop.wait_for(|stop| *stop) => break,
            (began, heard) = ended(&mut scan) => {
                scan = None;
                ear.take_scan(began, heard, now(), &mut tell);
            }
            points = changed(&mut list) => match points {
                Some(points) => ear.hear(&of_late(&points, now()), None, &mut tell),
                // The adapter has gone; the next scan says how.
                None => list = None,
            },
            news = news(&mut net, hears_net) => match news {
                Some(News::Came(device)) => {
                    on_net += 1;
                    tell(Event::NetCame(device));
                }
                Some(News::Went(device)) => {
                    on_net = on_net.saturating_sub(1);
                    tell(Event::NetWent(device));
                }
                None => hears_net = false,
            },
            () = sleep(TICK) => {}
        }
    }
    drop(scan);
    let is_cut = net.as_ref().is_some_and(Browse::is_cut);
    Around {
        air: ear.sightings.there(),
        net: match net {
            Some(net) => net.close().await,
            None => Vec::new(),
        },
        is_cut,
        deaf: ear.deaf,
    }
}

/// How often the time is looked at.
const TICK: Duration = Duration::from_millis(200);

/// A scan that is under way, and when it began.
type Scan<'a> = (
    f64,
    Pin<Box<dyn Future<Output = Result<Vec<AccessPoint>, WifiError>> + Send + 'a>>,
);

/// The result of the scan; never, where none is under way.
async fn ended(scan: &mut Option<Scan<'_>>) -> (f64, Result<Vec<AccessPoint>, WifiError>) {
    match scan {
        Some((began, scan)) => (*began, scan.await),
        None => std::future::pending().await,
    }
}

/// The list as soon as it changes; none: it ends. Never, where there is none.
async fn changed(list: &mut Option<watch::Receiver<Vec<AccessPoint>>>) -> Option<Vec<AccessPoint>> {
    match list {
        Some(list) => {
            list.changed().await.ok()?;
            Some(list.borrow_and_update().clone())
        }
        None => std::future::pending().await,
    }
}

/// What comes next of the local networks; none: no more. Never, where nobody listens.
async fn news(net: &mut Option<Browse>, hears: bool) -> Option<News> {
    match net {
        Some(net) if hears => net.news().await,
        _ => std::future::pending().await,
    }
}

/// What was heard of the air, and what of it was told.
#[derive(Default)]
struct Ear {
    sightings: Sightings,
    told: BTreeMap<Mac, AccessPoint>,
    scans: u32,
    failed: u32,
    scan_at_s: f64,
    deaf: Option<WifiError>,
}

impl Ear {
    fn take_scan(
        &mut self,
        began_s: f64,
        heard: Result<Vec<AccessPoint>, WifiError>,
        now_s: f64,
        tell: &mut impl FnMut(Event),
    ) {
        match heard {
            Ok(points) => {
                self.failed = 0;
                self.scans += 1;
                self.hear(&of_late(&points, now_s), Some(began_s), tell);
            }
            // Such a one may pass by itself.
            Err(WifiError::Other { .. }) if self.failed + 1 < FAILED_SCANS => self.failed += 1,
            Err(error) => self.deaf = Some(error),
        }
    }

    fn hear(&mut self, list: &[AccessPoint], scan_s: Option<f64>, tell: &mut impl FnMut(Event)) {
        self.sightings.hear(list, scan_s);
        let there = self.sightings.there();
        let gone: Vec<Mac> = self
            .told
            .keys()
            .filter(|bssid| !there.iter().any(|point| point.bssid == **bssid))
            .copied()
            .collect();
        for point in gone.iter().filter_map(|bssid| self.told.remove(bssid)) {
            tell(Event::AirWent(point));
        }
        for point in there {
            if self.told.insert(point.bssid, point.clone()).is_none() {
                tell(Event::AirCame(point));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        profile,
        wifi::fake::{FakeAir, FakePoint},
    };

    fn families() -> Vec<Arc<Profile>> {
        vec![Arc::new(
            profile::named("sample-form").expect("it comes with the program"),
        )]
    }

    /// What a fake air gives within so long, as `+` and `-` with the end of the BSSID.
    async fn heard(air: &FakeAir, until: Until) -> (Around, Vec<String>) {
        let adapter = AdapterName::new("wlan0");
        let profiles = families();
        let now = {
            let air = air.clone();
            move || air.now_s()
        };
        let (_tell, stop) = watch::channel(false);
        let mut events = Vec::new();
        let around = listen(
            Listen {
                air: Some((air, &adapter)),
                net: None,
                profiles: &profiles,
                until,
                now_s: &now,
                stop,
            },
            |event| {
                events.push(match event {
                    Event::AirCame(point) => format!("+{}", point.bssid.0[5]),
                    Event::AirWent(point) => format!("-{}", point.bssid.0[5]),
                    Event::NetCame(_) | Event::NetWent(_) => "net".into(),
                    Event::Settled => ".".into(),
                });
            },
        )
        .await;
        (around, events)
    }

    fn boat(air: &FakeAir, last: u8) -> Mac {
        let network = families()[0].network.clone().expect("it has one");
        let name = network.names[0].replace('*', "3");
        let bssid = Mac([2, 0, 0, 0, 0, last]);
        air.put(FakePoint::new(name.as_str(), bssid, Some("made up words")))
    }

    #[tokio::test(start_paused = true)]
    async fn once_is_one_scan() {
        let air = FakeAir::new(&["wlan0"]);
        let bssid = boat(&air, 1);
        air.open(bssid);
        let (around, events) = heard(&air, Until::Once).await;
        assert_eq!(events, ["+1", "."]);
        assert_eq!(around.air.len(), 1);
        assert_eq!(air.scans(), 1);
    }

    #[tokio::test(start_paused = true)]
    async fn it_listens_on_until_there_is_a_device_and_no_longer_than_it_was_told() {
        let air = FakeAir::new(&["wlan0"]);
        let bssid = boat(&air, 1);
        air.open_in(bssid, Duration::from_secs(47));
        let begun = air.now_s();
        let (around, events) = heard(&air, Until::Found(90.0)).await;
        let passed = air.now_s() - begun;
        assert_eq!(events, [".", "+1"]);
        assert_eq!(around.air.len(), 1);
        assert!((47.0..60.0).contains(&passed), "{passed}");

        let air = FakeAir::new(&["wlan0"]);
        let begun = air.now_s();
        let (around, _) = heard(&air, Until::Found(30.0)).await;
        let passed = air.now_s() - begun;
        assert!(around.air.is_empty());
        assert!((30.0..32.0).contains(&passed), "{passed}");
    }

    #[tokio::test(start_paused = true)]
    async fn what_is_switched_on_and_off_comes_and_goes() {
        let air = FakeAir::new(&["wlan0"]);
        let (first, second) = (boat(&air, 1), boat(&air, 2));
        air.open(first);
        air.open_in(second, Duration::from_secs(12));
        air.close_in(first, Duration::from_secs(30));
        let (around, events) = heard(&air, Until::Passed(60.0)).await;
        assert_eq!(events, ["+1", ".", "+2", "-1"]);
        assert_eq!(around.air.len(), 1);
        assert_eq!(around.air[0].bssid, second);
    }

    #[tokio::test(start_paused = true)]
    async fn adapter_that_is_pulled_out_ends_the_listening_with_its_reason() {
        let air = FakeAir::new(&["wlan0"]);
        let pulled = air.clone();
        tokio::spawn(async move {
            sleep(Duration::from_secs(8)).await;
            pulled.unplug(&AdapterName::new("wlan0"));
        });
        let (around, _) = heard(&air, Until::Passed(600.0)).await;
        let deaf = around.deaf.expect("why");
        assert!(
            matches!(deaf.code(), "no-adapter" | "unknown-adapter"),
            "{deaf}"
        );
    }
}
