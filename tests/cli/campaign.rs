//! Faults by seed: whatever goes wrong at whatever request, no promise is broken, and `resume` ends
//! what was left open.
//!
//! A failing seed says how to repeat it; `LINKMEND_SEEDS=2000` or `LINKMEND_SEEDS=FROM..TO` runs
//! others than the first hundred.

use std::{collections::BTreeMap, fmt, ops::Range, sync::Mutex, time::Duration};

use linkmend::journal::{Archive, ChangeRow, DataFolder};
use mock_device::{DeviceTruth, Family, Faults, Options, Scenario, Truth};

use crate::{
    harness::{Bench, Call, Said, until},
    kill::{Claim, each, scattered},
};

/// The longest that one run may take. The waits of the receivers are tenths of what they are, so
/// that this leaves a busy computer a lot of room, and is still less than a wait without a bound.
const DEADLINE: Duration = Duration::from_mins(3);

#[test]
fn whatever_faults_a_seed_brings_no_promise_is_broken_and_resume_ends_it() {
    let seeds: Vec<Seeded> = seeds(100).map(Seeded).collect();
    let told = Mutex::new(BTreeMap::<String, usize>::new());
    each(&seeds, |seed| {
        let (first, last, happened) = Campaign::new(seed.0).run();
        let mut told = told.lock().expect("no check is under way");
        for word in [
            format!("unlock {first}"),
            format!("at last {last}"),
            format!("{happened} happened"),
        ] {
            *told.entry(word).or_default() += 1;
        }
    });
    let told = told.into_inner().expect("no check is under way");
    println!("of {} seeds: {told:?}", seeds.len());
    if seeds.len() >= 100 {
        for end in ["Done", "PutBack", "NotWritten", "Unproved"] {
            assert!(told.contains_key(&format!("unlock {end}")), "{told:?}");
        }
        let nothing = told.get("0 happened").copied().unwrap_or_default();
        assert!(
            nothing * 2 < seeds.len(),
            "most seeds do something: {told:?}"
        );
    }
}

/// A claim in one word.
fn word(claim: &Claim) -> String {
    let text = format!("{claim:?}");
    text.split('(').next().unwrap_or_default().to_owned()
}

/// The seeds that are asked for; else so many.
pub(crate) fn seeds(usual: u64) -> Range<u64> {
    let Ok(text) = std::env::var("LINKMEND_SEEDS") else {
        return 0..usual;
    };
    let number = |text: &str| {
        text.parse()
            .expect("LINKMEND_SEEDS is a number or FROM..TO")
    };
    match text.split_once("..") {
        Some((from, to)) => number(from)..number(to),
        None => 0..number(&text),
    }
}

/// One seed, shown as what repeats it.
struct Seeded(u64);

impl fmt::Debug for Seeded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (from, to) = (self.0, self.0 + 1);
        write!(
            f,
            "LINKMEND_SEEDS={from}..{to} cargo test --test cli campaign:: ({}, {})",
            family(from),
            Faults::from_seed(from)
        )
    }
}

fn family(seed: u64) -> Family {
    let count = u64::try_from(Family::ALL.len()).expect("a few");
    let index = usize::try_from(scattered(seed) % count).expect("a few");
    Family::ALL[index]
}

/// A receiver that is unlocked while its faults happen.
struct Campaign {
    bench: Bench,
    before: Truth,
    /// The device that was read first: the first one, unless a lookalike answered before it.
    meant: usize,
    /// What was said so far, for a failure.
    said: Vec<String>,
}

impl Campaign {
    fn new(seed: u64) -> Self {
        let bench = Bench::of(Options {
            seed,
            faults: Faults::from_seed(seed),
            ..Options::new(family(seed), Scenario::Locked)
        });
        let before = bench.truth();
        Self {
            bench,
            before,
            meant: 0,
            said: Vec::new(),
        }
    }

    /// Unlocks and resumes. What was claimed first and at last, and how many faults happened.
    fn run(mut self) -> (String, String, usize) {
        let call = self.bench.linkmend(&["unlock", "--yes", "--json"]);
        let said = self.finish(call);
        let object = said.json("change");
        let serial = object["device"]["identity"]["serial"].as_str();
        let mut devices = self.before.devices.iter();
        let meant =
            devices.position(|device| serial.is_some() && device.serial.as_deref() == serial);
        self.meant = meant.unwrap_or(0);
        let outcome = object["outcome"].as_str().unwrap_or_default().to_owned();
        let claim = match (said.code, outcome.as_str()) {
            (Some(0), "done") => Claim::Done,
            (Some(5), "put-back") => Claim::PutBack,
            (Some(7), "unproved") => Claim::Unproved(outcome),
            // An error before there was a plan, or a plan that nothing came of.
            (Some(1 | 3 | 6), "" | "failed" | "refused") => Claim::NotWritten,
            _ => panic!("{self:?}"),
        };
        self.is_true(&claim);
        self.kept_what_was_there();
        let first = word(&claim);
        let last = self.settle(claim);
        self.is_true(&last);
        self.history_is_true();
        self.nobody_else_was_written_to();
        let truth = self.bench.truth();
        let happened = truth.faults.iter().filter(|fault| fault.happened.is_some());
        (first, word(&last), happened.count())
    }

    /// Resumes until nothing is unfinished, as a person does who follows what is said. What told
    /// the outcome last is given back.
    fn settle(&mut self, mut last: Claim) -> Claim {
        let mut undo = false;
        let mut cycles = 0;
        for _ in 0..12 {
            if self.unfinished().is_empty() {
                return last;
            }
            until("it is there", || self.bench.present().up);
            let words = ["resume", "--yes", "--json", "--undo"];
            let call = self.bench.linkmend(&words[..if undo { 4 } else { 3 }]);
            let said = self.finish(call);
            let claim = Claim::of(&said, undo);
            self.is_true(&claim);
            match &claim {
                Claim::Refused(why) if why == "changed-meanwhile" && !undo => undo = true,
                // Somebody sees to it that the right one answers.
                Claim::Refused(why) if why == "another-device" => {}
                Claim::Unproved(_) | Claim::Refused(_) if cycles < 3 => {
                    // The seconds that it counts may be off by some, so that they tell one start
                    // from the next only after as many.
                    if cycles > 0 {
                        std::thread::sleep(Duration::from_secs(9));
                    }
                    self.bench.power_cycle();
                    cycles += 1;
                }
                Claim::Unproved(_) | Claim::Refused(_) => break,
                _ => {}
            }
            last = claim;
        }
        // The person looks and closes it.
        self.may_stay_open();
        for change in self.unfinished() {
            let number = change.id.0.to_string();
            let words = ["resume", &number, "--close", "--json"];
            self.bench.off_device(&words).run().ends(0);
        }
        last
    }

    /// Told by its address alone a device is never written to again, and a lookalike that was read
    /// first is gone. Another is, and only a power that it lost stays as it is, since power is never
    /// raised.
    fn may_stay_open(&self) {
        if self.before.family == Family::SampleScript || self.meant != 0 {
            return;
        }
        let device = &self.bench.truth().devices[0];
        let mut expected = self.first().settings.clone();
        let power = &device.settings["power"];
        assert!(power.as_u64() < expected["power"].as_u64(), "{self:?}");
        expected.insert("power".into(), power.clone());
        assert_eq!(device.settings, expected, "{self:?}");
        assert_eq!(device.unmapped, self.first().unmapped, "{self:?}");
    }

    #[track_caller]
    fn finish(&mut self, call: Call) -> Said {
        let said = call.start().ended_within(DEADLINE);
        let requests = self.bench.truth().requests.len();
        self.said.push(format!(
            "{:?} by request {requests}: {}{}",
            said.code, said.stdout, said.stderr
        ));
        said
    }

    fn unfinished(&self) -> Vec<ChangeRow> {
        self.archive().unfinished().expect("the journal is whole")
    }

    fn archive(&self) -> Archive {
        Archive::open(&DataFolder::at(self.bench.data())).expect("the journal is whole")
    }

    fn first(&self) -> &DeviceTruth {
        &self.before.devices[self.meant]
    }

    /// What is claimed is true of the device that was meant.
    #[track_caller]
    fn is_true(&self, claim: &Claim) {
        let truth = self.bench.truth();
        let device = &truth.devices[self.meant];
        let mut wanted = self.first().settings.clone();
        match claim {
            Claim::Done => {
                wanted.insert("model-lock".into(), "off".into());
                assert!(device.boots > 0, "no restart proves it: {self:?}");
            }
            Claim::PutBack => {}
            Claim::NotWritten => {
                assert_eq!(device.states.len(), 1, "not written, and not so: {self:?}");
                let written = truth.requests.iter().find(|request| {
                    request.device == self.meant && request.acts && request.carried_out
                });
                assert_eq!(written, None, "{self:?}");
            }
            _ => return,
        }
        assert_eq!(device.settings, wanted, "{claim:?}, and not so: {self:?}");
        assert_eq!(device.unmapped, self.first().unmapped, "{self:?}");
    }

    /// When anything was written, what was there is on record, and so is the change.
    fn kept_what_was_there(&self) {
        let truth = self.bench.truth();
        let wrote = truth
            .requests
            .iter()
            .any(|request| request.carried_out && request.device == self.meant);
        if !wrote {
            return;
        }
        let history = self.bench.history();
        let devices = history["devices"].as_array().expect("devices");
        let device = devices
            .iter()
            .find(|device| device["device"]["identity"]["serial"] == serial(self.first()))
            .unwrap_or_else(|| panic!("written, and nothing kept: {self:?}"));
        let change = &device["changes"][0];
        assert!(change["record"].is_number(), "{self:?}");
        let archive = self.archive();
        let mut records = archive
            .devices()
            .expect("the journal is whole")
            .into_iter()
            .flat_map(|device| archive.records(device.id).expect("the journal is whole"));
        let record = records
            .find(|record| change["record"] == record.id.0)
            .unwrap_or_else(|| panic!("a change without its record: {self:?}"));
        for (name, entry) in &record.snapshot.settings {
            if let linkmend::terms::Reading::Known(value) = &entry.reading {
                let real = &self.first().settings[name.as_str()];
                assert_eq!(value.to_json(), *real, "`{name}`: {self:?}");
            }
        }
    }

    /// What the journal says of the change is what is true.
    fn history_is_true(&self) {
        let history = self.bench.history();
        let devices = history["devices"].as_array().expect("devices");
        let changes: Vec<_> = devices
            .iter()
            .flat_map(|device| device["changes"].as_array().expect("changes"))
            .collect();
        assert!(changes.len() <= 1, "one change was asked for: {self:?}");
        for change in changes {
            match change["outcome"].as_str() {
                Some("done") => self.is_true(&Claim::Done),
                Some("put-back") => self.is_true(&Claim::PutBack),
                Some("failed" | "refused") => self.is_true(&Claim::NotWritten),
                Some(_) => self.may_stay_open(),
                None => panic!("it is not ended: {self:?}"),
            }
        }
    }

    /// Nothing was carried out on another device. One without a serial cannot be told from its
    /// lookalike when that gets the very request that writes; who trusts an address takes that on.
    fn nobody_else_was_written_to(&self) {
        let truth = self.bench.truth();
        let others = truth.devices.iter().enumerate();
        for (index, device) in others.filter(|(index, _)| *index != self.meant) {
            let fooled = |number: u64| {
                self.before.family == Family::SampleScript
                    && truth.requests.iter().any(|request| {
                        request.number == number && request.fault.as_deref() == Some("lookalike")
                    })
            };
            let written = truth.requests.iter().find(|request| {
                request.device == index && request.carried_out && !fooled(request.number)
            });
            assert_eq!(written, None, "{self:?}");
            let states = device.states.iter().skip(1);
            assert!(states.map(|state| state.request).all(fooled), "{self:?}");
        }
    }
}

fn serial(device: &DeviceTruth) -> serde_json::Value {
    device.serial.clone().into()
}

/// Everything that a failure needs.
impl fmt::Debug for Campaign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let truth = self.bench.truth();
        for said in &self.said {
            writeln!(f, "\n{said}")?;
        }
        for request in &truth.requests {
            writeln!(f, "{request:?}")?;
        }
        for device in &truth.devices {
            for state in &device.states {
                writeln!(
                    f,
                    "{:?} from {}: {:?}",
                    device.serial, state.request, state.settings
                )?;
            }
        }
        write!(f, "{:?}", truth.faults)
    }
}
