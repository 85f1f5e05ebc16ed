//! Runs over simulated loaners, held against their true states beside the wire.

mod over_addresses;
mod over_wifi;

use std::{collections::BTreeMap, time::Duration};

use mock_device::{
    DeviceTruth, Family, Fault, FaultAt, Faults, Options as Mock, Running, Scenario,
};
use serde_json::Value as Json;
use tempfile::TempDir;

use super::*;
use crate::{
    journal::DataFolder,
    loaners::shelf::{Mark, Wish},
    profile,
    session::Origin,
    terms::{
        Mac, Value,
        output::loaners::{LoanerOut, LoanerResult, ShelfEvent, ShelfStep},
    },
};

/// How many times faster than the real thing they restart: the longest wait takes half a second.
const SPEED: f64 = 100.0;

const LABELS: [&str; 8] = [
    "Heron", "Smew", "Teal", "Coot", "Grebe", "Pintail", "Eider", "Wigeon",
];

/// A shelf of simulated loaners, and a data folder.
struct Boathouse {
    family: Family,
    running: Vec<Arc<Running>>,
    shelf: Shelf,
    data: TempDir,
}

impl Boathouse {
    /// Loaners of a family, each with marks and secrets of its own, all to be without a lock.
    async fn of(family: Family, scenarios: &[Scenario]) -> Self {
        let profile = profile::named(family.word()).expect("it comes with the program");
        let mut house = Self {
            family,
            running: Vec::new(),
            shelf: Shelf {
                title: "Tarn loaners".into(),
                profile: Arc::new(profile),
                loaners: Vec::new(),
            },
            data: tempfile::tempdir().expect("a folder"),
        };
        for scenario in scenarios {
            house.moves_in(*scenario, Faults::default()).await;
        }
        house
    }

    /// One more, to which these mishaps happen.
    async fn moves_in(&mut self, scenario: Scenario, faults: Faults) {
        let number = self.running.len();
        let mock = Mock {
            seed: u64::try_from(number).expect("few") + 11,
            speed: SPEED,
            pause: Duration::from_millis(10),
            faults,
            ..Mock::new(self.family, scenario)
        };
        let one = Arc::new(mock_device::start(mock).await.expect("a free port"));
        let at = Origin::parse(&format!("http://{}", one.address())).expect("an origin");
        let truth = one.truth().devices.remove(0);
        self.shelf.loaners.push(Loaner {
            label: LABELS[number].into(),
            mark: Mark {
                serial: truth.serial,
                bssid: Some(Mac(one.bssid())),
            },
            at: Some(at),
            transmitter: None,
            wanted: wishes(&[("model-lock", Value::Off)]),
            line: number + 3,
        });
        self.running.push(one);
    }

    fn journal(&self) -> Journal {
        let folder = DataFolder::at(&self.data.path().join("data"));
        Journal::open(&folder).expect("opened")
    }

    fn order(&self, command: ShelfCommand) -> Order {
        Order::new(
            Arc::new(self.shelf.clone()),
            "title = \"Tarn\"".into(),
            command,
        )
    }

    fn world(&self) -> (World, watch::Sender<bool>) {
        let (stop, stopped) = watch::channel(false);
        let profile = &self.shelf.profile;
        let login = self.running[0].login().map(|(user, word)| {
            Credentials::new(&profile.login, &user, &word).expect("they can be sent")
        });
        let by_label: BTreeMap<String, Arc<Running>> = self
            .shelf
            .loaners
            .iter()
            .map(|loaner| loaner.label.clone())
            .zip(self.running.iter().cloned())
            .collect();
        let world = World {
            limits: Limits {
                answer: Duration::from_secs(1),
                leave: Duration::from_secs(2),
                attempts: 2,
                pause: Duration::from_millis(1),
                ..Limits::default()
            },
            login,
            bssid: Arc::new(move |loaner| {
                let one = by_label.get(&loaner.label).cloned();
                Arc::new(move || one.as_ref().map(|one| one.bssid()))
            }),
            speed: SPEED,
            ..World::new(self.journal(), stopped)
        };
        (world, stop)
    }

    async fn run(&self, order: Order) -> ShelfOut {
        let (world, _stop) = self.world();
        run(order, world, &mut |_: &ShelfLine| {})
            .await
            .expect("it begins")
    }

    /// A reset of one after another, which is stopped once so many have ended.
    async fn stopped_after(&self, count: usize) -> ShelfOut {
        let (world, stop) = self.world();
        let mut order = self.order(ShelfCommand::Reset);
        order.at_once = 1;
        let mut ended = 0;
        let mut watcher = |line: &ShelfLine| {
            ended += usize::from(matches!(line.event, ShelfEvent::Ended(_)));
            if ended == count {
                stop.send_replace(true);
            }
        };
        run(order, world, &mut watcher).await.expect("begun")
    }

    /// The journal beside the program, for what no program of ours would write.
    fn tables(&self) -> rusqlite::Connection {
        let file = self.data.path().join("data").join("journal.sqlite3");
        rusqlite::Connection::open(file).expect("opened")
    }

    fn truth(&self, number: usize) -> DeviceTruth {
        self.running[number].truth().devices.remove(0)
    }

    fn locks(&self) -> Vec<Json> {
        (0..self.running.len())
            .map(|number| self.truth(number).settings["model-lock"].clone())
            .collect()
    }

    fn saves(&self) -> u64 {
        (0..self.running.len())
            .map(|number| self.truth(number).saves)
            .sum()
    }
}

fn wishes(all: &[(&str, Value)]) -> BTreeMap<crate::terms::SettingName, Wish> {
    all.iter()
        .map(|(name, value)| (name.parse().expect("a name"), Wish::Value(value.clone())))
        .collect()
}

fn results(out: &ShelfOut) -> Vec<LoanerResult> {
    out.loaners.iter().map(|one| one.result).collect()
}

fn code(out: &LoanerOut) -> &str {
    out.error.as_ref().map_or("", |fault| fault.code.as_str())
}
