//! Loaners behind their own networks, in a made-up air: each simulated one opens and shuts its access
//! point there, and somebody at the shelf powers those that the run asks for.

use tokio::task::JoinSet;

use super::*;
use crate::{
    change::testing::AirClock,
    terms::output::loaners::ShelfStep,
    wifi::fake::{FakeAir, FakePoint},
};

/// A shelf in the air.
struct Shore {
    house: Boathouse,
    air: FakeAir,
    /// Those that somebody has at hand: by label.
    powered: BTreeMap<String, Arc<Running>>,
    _followers: JoinSet<()>,
}

impl Shore {
    /// A reset is tried with the family that has a mark of its own for each start: to see another one
    /// gone takes a scan, and a machine that is busy may not be done with it in half a second.
    async fn of(family: Family, scenarios: &[Scenario], adapters: &[&str]) -> Self {
        let mut house = Boathouse::of(family, scenarios).await;
        let air = FakeAir::new(adapters).faster(SPEED);
        // Somebody else's network: what hears nothing at all proves nothing.
        air.open(air.put(FakePoint::new(
            "Reeds",
            Mac([2, 0, 0, 0, 0, 99]),
            Some("not-ours-to-join"),
        )));
        let mut followers = JoinSet::new();
        let mut powered = BTreeMap::new();
        for (number, one) in house.running.iter().enumerate() {
            one.power(false);
            let loaner = &mut house.shelf.loaners[number];
            loaner.at = None;
            powered.insert(loaner.label.clone(), Arc::clone(one));
            let point = FakePoint::new("TarnBoat 3", Mac(one.bssid()), Some("reeds-and-rushes"));
            let bssid = air.put(point);
            let (mut turns, air) = (one.air(), air.clone());
            followers.spawn(async move {
                while let Some(turn) = turns.recv().await {
                    match turn {
                        mock_device::Air::Open { .. } => air.open(bssid),
                        mock_device::Air::Closed(_) => air.close(bssid),
                    }
                }
            });
        }
        Self {
            house,
            air,
            powered,
            _followers: followers,
        }
    }

    fn order(&self, command: ShelfCommand, adapters: &[&str]) -> Order {
        Order {
            adapters: adapters
                .iter()
                .map(|name| AdapterName::new(*name))
                .collect(),
            powered: 3,
            ..self.house.order(command)
        }
    }

    fn world(&self) -> (World, watch::Sender<bool>) {
        let (mut world, stop) = self.house.world();
        let by_bssid: BTreeMap<Mac, Origin> = self
            .house
            .running
            .iter()
            .map(|one| {
                let origin = Origin::parse(&format!("http://{}", one.address()));
                (Mac(one.bssid()), origin.expect("an origin"))
            })
            .collect();
        world.wifi = Some(Arc::new(self.air.clone()));
        world.behind = Some(Arc::new(move |bssid| by_bssid.get(&bssid).cloned()));
        world.clock = SharedClock::of(AirClock(self.air.clone()));
        (world, stop)
    }

    /// Somebody does what they are told; gives all that was told, and how many were on at most.
    async fn run(&self, order: Order) -> (ShelfOut, Vec<ShelfLine>, usize) {
        let (world, _stop) = self.world();
        let mut lines = Vec::new();
        let mut on = BTreeSet::new();
        let mut most = 0;
        let mut watcher = |line: &ShelfLine| {
            if let ShelfEvent::Power {
                on: next,
                off: through,
            } = &line.event
            {
                for label in through {
                    on.remove(label.as_str());
                    if let Some(one) = self.powered.get(label) {
                        one.power(false);
                    }
                }
                for label in next {
                    on.insert(label.clone());
                    if let Some(one) = self.powered.get(label) {
                        one.power(true);
                    }
                }
                most = most.max(on.len());
            }
            lines.push(line.clone());
        };
        let out = run(order, world, &mut watcher).await.expect("begun");
        (out, lines, most)
    }
}

/// No adapter serves two at a time, and no loaner is served by two.
fn nobody_is_held_twice(out: &ShelfOut) {
    let mut held = Vec::new();
    for (number, loaner) in out.loaners.iter().enumerate() {
        for span in &loaner.spans {
            if let Some(adapter) = &span.adapter {
                held.push((adapter.clone(), number, span.from_s, span.to_s));
            }
        }
    }
    for (index, one) in held.iter().enumerate() {
        for other in &held[index + 1..] {
            let overlap = one.2 < other.3 && other.2 < one.3;
            let both = one.0 == other.0 && one.1 != other.1;
            assert!(!(overlap && both), "{one:?} and {other:?}");
        }
    }
}

#[tokio::test]
async fn one_adapter_serves_others_while_a_loaner_restarts() {
    let shore = Shore::of(Family::SampleScript, &[Scenario::Locked; 5], &["wlan0"]).await;
    let (out, _, most) = shore
        .run(shore.order(ShelfCommand::Reset, &["wlan0"]))
        .await;
    assert_eq!(results(&out), [LoanerResult::Done; 5], "{out:#?}");
    assert_eq!(shore.house.locks(), ["off"; 5]);
    assert!(most <= 3, "{most} were on at once");
    nobody_is_held_twice(&out);
    for one in &out.loaners {
        let steps: Vec<ShelfStep> = one.spans.iter().map(|span| span.step).collect();
        assert_eq!(
            steps[..2],
            [ShelfStep::Waiting, ShelfStep::InRange],
            "{steps:?}"
        );
        assert!(one.spans.windows(2).all(|two| two[0].to_s <= two[1].from_s));
        let mut free = one.spans.iter();
        let free = free.any(|span| span.step == ShelfStep::Restarting && span.adapter.is_none());
        assert!(free, "it held its adapter while it restarted: {one:#?}");
    }
    assert!(out.strangers.is_empty() && out.findings.is_empty());
    assert!(out.loaners.iter().all(|one| one.signal == Some(60)));
}

#[tokio::test]
async fn two_adapters_share_the_shelf_and_a_dead_one_is_missing() {
    let both = ["wlan0", "wlan1"];
    let mut shore = Shore::of(Family::SampleScript, &[Scenario::Locked; 5], &both).await;
    // Its battery is empty.
    shore.powered.remove("Coot");
    let order = shore.order(ShelfCommand::Reset, &both);
    let (out, _, _) = shore.run(order).await;
    let done = LoanerResult::Done;
    assert_eq!(
        results(&out),
        [done, done, done, LoanerResult::Missing, done]
    );
    assert_eq!(out.findings[0].code, "missing");
    assert_eq!(out.findings[0].loaners, ["Coot"]);
    assert_eq!((out.counts.done, out.counts.missing), (4, 1));
    nobody_is_held_twice(&out);
    let used: BTreeSet<&str> = out
        .loaners
        .iter()
        .flat_map(|one| &one.spans)
        .filter_map(|span| span.adapter.as_deref())
        .collect();
    assert_eq!(used, both.into());
}

#[tokio::test]
async fn who_is_known_by_its_serial_alone_is_asked_and_a_stranger_is_left_as_it_was() {
    let mut shore = Shore::of(Family::SampleForm, &[Scenario::Locked; 4], &["wlan0"]).await;
    for loaner in &mut shore.house.shelf.loaners {
        loaner.mark.bssid = None;
    }
    // The last is no loaner of this shelf, and is on all the time.
    shore.house.shelf.loaners.truncate(3);
    shore.house.running[3].power(true);
    let order = shore.order(ShelfCommand::Check, &["wlan0"]);
    let (out, lines, _) = shore.run(order).await;
    assert_eq!(results(&out), [LoanerResult::Differs; 3], "{out:#?}");
    assert_eq!(shore.house.saves(), 0);
    let serials = out.loaners.iter().map(|one| one.identity.serial.clone());
    let of_rows = shore
        .house
        .shelf
        .loaners
        .iter()
        .map(|one| one.mark.serial.clone());
    assert!(serials.eq(of_rows));
    assert!(out.loaners.iter().all(|one| one.identity.bssid.is_some()));
    assert_eq!(out.strangers.len(), 1);
    let told = lines
        .iter()
        .filter(|line| matches!(line.event, ShelfEvent::Stranger(_)));
    assert_eq!(told.count(), 1);
    assert_eq!(out.findings[0].code, "stranger");
}

#[tokio::test]
async fn who_gives_no_address_and_does_not_answer_is_asked_at_the_named_one_again() {
    let shore = Shore::of(Family::SampleForm, &[Scenario::Locked], &["wlan0"]).await;
    let loaner = &shore.house.running[0];
    shore.air.put(FakePoint {
        gives_addresses: false,
        ..FakePoint::new("TarnBoat 3", Mac(loaner.bssid()), Some("reeds-and-rushes"))
    });
    loaner.power(true);
    let (mut world, _stop) = shore.world();
    // Nobody listens there: discard of RFC 863, on a loopback address that no test has.
    world.behind = Some(Arc::new(|_| Origin::parse("http://127.77.77.77:9").ok()));
    let order = shore.order(ShelfCommand::Check, &["wlan0"]);
    let out = run(order, world, &mut |_: &ShelfLine| {})
        .await
        .expect("begun");
    let code = out.loaners[0]
        .error
        .as_ref()
        .map(|error| error.code.as_str());
    assert_eq!(code, Some("nobody-there"));
    let joins = shore.air.joins().len();
    assert!(joins >= 3 && joins.is_multiple_of(3), "{joins}");
}

#[tokio::test]
async fn an_adapter_that_is_switched_off_leaves_its_loaners_to_the_other_one() {
    let both = ["wlan0", "wlan1"];
    let shore = Shore::of(Family::SampleScript, &[Scenario::Locked; 2], &both).await;
    let first = AdapterName::new("wlan0");
    shore
        .air
        .set_state(&first, crate::wifi::AdapterState::SwitchedOff);
    let order = shore.order(ShelfCommand::Reset, &both);
    let (out, _, _) = shore.run(order).await;
    assert_eq!(results(&out), [LoanerResult::Done; 2], "{out:#?}");
    let adapters = out.loaners.iter().flat_map(|one| &one.spans);
    let served = adapters.filter(|span| span.step == ShelfStep::Proving);
    assert!(served.clone().count() > 0);
    assert!(
        served
            .into_iter()
            .all(|span| span.adapter.as_deref() == Some("wlan1"))
    );
}

#[tokio::test]
async fn an_adapter_that_is_pulled_out_ends_what_only_it_could_do() {
    let shore = Shore::of(Family::SampleForm, &[Scenario::Locked; 3], &["wlan0"]).await;
    let order = shore.order(ShelfCommand::Reset, &["wlan0"]);
    let (world, _stop) = shore.world();
    let mut watcher = |line: &ShelfLine| match &line.event {
        ShelfEvent::Power { on, off } => {
            for label in off {
                shore.powered[label].power(false);
            }
            for label in on {
                shore.powered[label].power(true);
            }
        }
        ShelfEvent::Step {
            step: ShelfStep::InRange,
            ..
        } => shore.air.unplug(&AdapterName::new("wlan0")),
        _ => {}
    };
    let out = run(order, world, &mut watcher).await.expect("begun");
    assert_eq!(out.counts.done, 0);
    assert_eq!(
        out.error.as_ref().map(|fault| fault.code.as_str()),
        Some("no-adapter")
    );
    assert_eq!(shore.house.saves(), 0);
}
