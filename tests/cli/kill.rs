//! The power is cut (`kill -9`) at every named point of a change and at random moments; then
//! `resume` says how the device stands, and the simulated receiver knows whether that is true.
//!
//! Whatever the moment: what was there is on disk before anything is written, the journal is
//! whole, and nothing is claimed of the device that is not so.

use std::{
    fmt,
    panic::{AssertUnwindSafe, catch_unwind},
    path::PathBuf,
    sync::{
        Mutex, PoisonError,
        atomic::{AtomicUsize, Ordering},
    },
    time::Duration,
};

use linkmend::{
    journal::{Archive, ChangeRow, DataFolder},
    terms::Reading,
};
use mock_device::{DeviceTruth, Family, Scenario};

use crate::{
    browser,
    harness::{Bench, Call, Said, until},
};

/// How many runs are under way at once. They wait far more than they work, but answers are waited
/// for only shortly here, so the tests of this page take turns.
const AT_ONCE: usize = 16;
static TURN: Mutex<()> = Mutex::new(());

/// A receiver, and what `unlock` makes of it when nothing comes between.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Way {
    family: Family,
    scenario: Scenario,
    /// Whether the family's profile is wrong and leaves a field out that is then reset.
    leaky: bool,
    /// The exit code when nothing comes between.
    ends: i32,
}

/// A change that takes, of all families, and one that does not. By its address alone nothing is
/// put back by itself, so the way back is that of the families with a serial.
#[cfg(debug_assertions)]
const WAYS: [Way; 5] = [
    Way {
        family: Family::SampleForm,
        scenario: Scenario::Locked,
        leaky: false,
        ends: 0,
    },
    Way {
        family: Family::SampleScript,
        scenario: Scenario::Locked,
        leaky: false,
        ends: 0,
    },
    Way {
        family: Family::SampleForm,
        scenario: Scenario::OmittedReset,
        leaky: true,
        ends: 5,
    },
    Way {
        family: Family::SampleScript,
        scenario: Scenario::Locked,
        leaky: true,
        ends: 7,
    },
    Way {
        family: Family::SampleLogin,
        scenario: Scenario::Locked,
        leaky: false,
        ends: 0,
    },
];

#[test]
#[cfg(debug_assertions)]
fn whatever_point_the_power_is_cut_at_resume_finishes_it_or_says_what_is_true() {
    cut_at_every_point(false);
}

#[test]
#[cfg(debug_assertions)]
fn whatever_point_the_power_is_cut_at_resume_undoes_it_or_says_what_is_true() {
    cut_at_every_point(true);
}

#[cfg(debug_assertions)]
fn cut_at_every_point(undo: bool) {
    let mut cuts = Vec::new();
    let mut passed = std::collections::BTreeSet::new();
    for way in WAYS {
        let points = points_of(way);
        for (index, point) in points.iter().enumerate() {
            let passing = points[..=index].iter().filter(|p| *p == point).count();
            cuts.push((way, format!("{point}:{passing}"), point.clone(), passing));
        }
        passed.extend(points);
    }
    let all = linkmend::change::checkpoint::points().into_iter().collect();
    assert_eq!(passed, all, "each point is on one of the ways");
    each(&cuts, |(way, at, point, passing)| {
        let cut = Cut::new(*way, 1);
        let file = cut.file();
        let run = cut
            .unlock()
            .env("LINKMEND_CHECKPOINT", at)
            .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
            .start();
        until(at, || {
            let passed = std::fs::read_to_string(&file).unwrap_or_default();
            passed.lines().filter(|line| line == point).count() == *passing
        });
        run.kill();
        cut.kept_what_was_there();
        let claims = cut.settle(undo);
        cut.is_settled_as_can_be(&claims, undo);
    });
}

/// The points that a run comes by when nothing cuts it off, in order.
#[cfg(debug_assertions)]
fn points_of(way: Way) -> Vec<String> {
    let cut = Cut::new(way, 1);
    let file = cut.file();
    cut.unlock()
        .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
        .run()
        .ends(way.ends);
    let passed = std::fs::read_to_string(&file).expect("it passed points");
    passed.lines().map(ToOwned::to_owned).collect()
}

#[test]
fn whatever_moment_the_power_is_cut_at_what_is_said_afterwards_is_true() {
    const SCENARIOS: [Scenario; 6] = [
        Scenario::Locked,
        Scenario::NoAnswer,
        Scenario::LostRestart,
        Scenario::LockReturns,
        Scenario::StalledSave,
        Scenario::SwappedAfterRestart,
    ];
    let kills = std::env::var("LINKMEND_KILLS").map_or(200, |kills| {
        kills.parse().expect("LINKMEND_KILLS is a number of kills")
    });
    let moments: Vec<(u64, Way, Duration)> = (0..kills)
        .map(|number: u64| {
            let index = usize::try_from(number).expect("a small number");
            let way = Way {
                family: Family::ALL[index % 3],
                scenario: SCENARIOS[index / 3 % SCENARIOS.len()],
                leaky: false,
                ends: 0,
            };
            // A family that restarts with each save takes longer; on a busy computer both do.
            let longest = [2200, 1200, 2600][index % 3];
            (
                number,
                way,
                Duration::from_millis(scattered(number) % longest),
            )
        })
        .collect();
    let cut_off = AtomicUsize::new(0);
    let wrote = AtomicUsize::new(0);
    each(&moments, |(number, way, moment)| {
        let cut = Cut::new(*way, *number);
        let run = cut.unlock().start();
        // No event is waited for: the moment itself is what is tested.
        std::thread::sleep(*moment);
        run.kill();
        cut.kept_what_was_there();
        cut_off.fetch_add(usize::from(!cut.unfinished().is_empty()), Ordering::Relaxed);
        wrote.fetch_add(usize::from(cut.wrote()), Ordering::Relaxed);
        let undo = number % 5 == 4;
        if number % 3 == 0 {
            // The next run may be cut off as well.
            let run = cut.resuming(number % 2 == 0).start();
            std::thread::sleep(*moment);
            run.kill();
        }
        cut.settle(undo);
    });
    let (cut_off, wrote) = (cut_off.into_inner(), wrote.into_inner());
    println!("of {kills} kills {cut_off} cut a change off, and {wrote} came after a write");
    assert!(cut_off > 0 && wrote > 0, "the moments are scattered");
}

/// `SplitMix64`, so that the moments are scattered and the same each time.
pub(crate) fn scattered(number: u64) -> u64 {
    let mut x = number.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}

/// Does it for each, several at once, and panics at the end with all that failed.
pub(crate) fn each<T: Sync + fmt::Debug>(all: &[T], work: impl Fn(&T) + Sync) {
    each_of(AT_ONCE, all, work);
}

/// The same with so many at once.
pub(crate) fn each_of<T: Sync + fmt::Debug>(at_once: usize, all: &[T], work: impl Fn(&T) + Sync) {
    // A turn that failed is over as well.
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    let next = AtomicUsize::new(0);
    let failed = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..at_once {
            scope.spawn(|| {
                while let Some(one) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
                    if let Err(panic) = catch_unwind(AssertUnwindSafe(|| work(one))) {
                        let message = panic.downcast_ref::<String>().cloned();
                        // At once, since the others may take an hour.
                        eprintln!("failed: {one:?}");
                        let mut failed = failed.lock().unwrap_or_else(PoisonError::into_inner);
                        failed.push(format!("{one:?}: {}", message.unwrap_or_default()));
                    }
                }
            });
        }
    });
    let failed = failed.into_inner().unwrap_or_else(PoisonError::into_inner);
    let count = failed.len();
    assert!(
        failed.is_empty(),
        "{count} of {}:\n{}",
        all.len(),
        failed.join("\n\n")
    );
}

/// What `resume` claims.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Claim {
    /// Nothing is unfinished.
    Nothing,
    /// It is as wanted, and that is proved.
    Done,
    /// It is as it was.
    PutBack,
    /// Nothing was ever written.
    NotWritten,
    /// It is not known, for this reason.
    Unproved(String),
    /// It was not gone on with, for this reason.
    Refused(String),
    /// Nobody is there.
    NotThere,
}

impl Claim {
    /// The claim, in words and as an exit code, which must be the same.
    pub(crate) fn of(said: &Said, undo: bool) -> Claim {
        let object = said.json("resume");
        if object.get("resumed").is_none() {
            let code = object["error"]["code"].as_str().unwrap_or_default();
            return match said.code {
                // It is away, or went away during the first reading or the second.
                Some(1 | 3 | 7) => Claim::NotThere,
                Some(6) => Claim::Refused(code.to_owned()),
                _ => panic!("{said:?}"),
            };
        }
        let change = &object["resumed"][0];
        let error = change["error"]["code"].as_str().unwrap_or_default();
        match (change["outcome"].as_str(), said.code) {
            (None, Some(0)) => Claim::Nothing,
            (Some("done"), Some(0)) => Claim::Done,
            (Some("put-back"), Some(code)) if code == if undo { 0 } else { 5 } => Claim::PutBack,
            (Some("failed"), Some(0)) => Claim::NotWritten,
            (Some("failed"), Some(3)) => Claim::NotThere,
            (Some("unproved"), Some(7)) => Claim::Unproved(error.to_owned()),
            (Some("refused"), Some(6)) => Claim::Refused(error.to_owned()),
            _ => panic!("{said:?}"),
        }
    }
}

/// A receiver whose unlocking is cut off.
struct Cut {
    way: Way,
    bench: Bench,
    before: DeviceTruth,
    profile: PathBuf,
}

impl Cut {
    fn new(way: Way, seed: u64) -> Self {
        let bench = Bench::seeded(way.family, way.scenario, seed);
        let before = bench.present();
        let profile = bench.data().join("profile.toml");
        std::fs::write(&profile, profile_text(way)).expect("a profile");
        Self {
            way,
            bench,
            before,
            profile,
        }
    }

    fn file(&self) -> PathBuf {
        self.bench.data().join("checkpoints")
    }

    fn unlock(&self) -> Call {
        let profile = self.profile.display().to_string();
        self.bench
            .linkmend(&["unlock", "--yes", "--json"])
            .words(&["--profile", &profile])
    }

    fn resuming(&self, undo: bool) -> Call {
        let words = ["resume", "--yes", "--json", "--undo"];
        self.bench.linkmend(&words[..if undo { 4 } else { 3 }])
    }

    fn resume(&self, undo: bool) -> Claim {
        Claim::of(&self.resuming(undo).run(), undo)
    }

    fn archive(&self) -> Archive {
        Archive::open(&DataFolder::at(self.bench.data())).expect("the journal is whole")
    }

    fn unfinished(&self) -> Vec<ChangeRow> {
        self.archive().unfinished().expect("the journal is whole")
    }

    /// Whether the device was made to do anything.
    fn wrote(&self) -> bool {
        let device = &self.bench.truth().devices[0];
        device.saves + device.boots + device.refused > 0
    }

    /// What was there is on disk when anything was written, in full.
    fn kept_what_was_there(&self) {
        let archive = self.archive();
        let devices = archive.devices().expect("the journal is whole");
        let wrote = self.wrote();
        assert!(!wrote || devices.len() == 1, "written, and nothing kept");
        for device in devices {
            let records = archive.records(device.id).expect("the journal is whole");
            let snapshot = &records.first().expect("a record").snapshot;
            for (name, entry) in &snapshot.settings {
                let real = &self.before.settings[name.as_str()];
                match &entry.reading {
                    Reading::Known(value) => assert_eq!(value.to_json(), *real, "{name}"),
                    Reading::WriteOnly => {
                        assert_eq!(self.way.family, Family::SampleLogin, "{name}");
                    }
                    Reading::Unread(why) => panic!("{name} was not read: {why}"),
                }
            }
            let changes = archive.changes(device.id).expect("the journal is whole");
            assert!(!wrote || !changes.is_empty(), "written without a change");
        }
    }

    /// Resumes until it is settled or closed, as a person does who follows what is said. Every
    /// claim on the way is true.
    fn settle(&self, undo: bool) -> Vec<Claim> {
        let mut claims = Vec::new();
        let mut undo = undo;
        let mut restarts = 0;
        loop {
            let saves = self.bench.truth().devices[0].saves;
            let claim = self.resume(undo);
            self.is_true(&claim, saves);
            claims.push(claim.clone());
            match claim {
                Claim::NotThere => until("it is there", || self.bench.present().up),
                Claim::Refused(why) if why == "changed-meanwhile" && !undo => undo = true,
                Claim::Unproved(_) | Claim::Refused(_) if restarts == 0 && self.can_restart() => {
                    browser::restart(&self.bench);
                    restarts += 1;
                }
                // It had started only just before it was cut off, so that its seconds tell one
                // start from the next only when more have passed than they may be off.
                Claim::Unproved(why)
                    if why == "restart-not-witnessed" && restarts == 1 && self.can_restart() =>
                {
                    std::thread::sleep(Duration::from_secs(9));
                    browser::restart(&self.bench);
                    restarts += 1;
                }
                Claim::Unproved(_) | Claim::Refused(_) => {
                    self.close();
                    break;
                }
                _ => break,
            }
            assert!(claims.len() < 40, "{claims:?}");
        }
        assert_eq!(self.resume(false), Claim::Nothing, "{claims:?}");
        self.journal_is_whole();
        self.other_device_is_untouched();
        claims
    }

    fn is_true(&self, claim: &Claim, saves: u64) {
        let device = &self.bench.truth().devices[0];
        let listed = !self.unfinished().is_empty();
        let settings = &device.settings;
        let mut wanted = self.before.settings.clone();
        match claim {
            Claim::Done => {
                wanted.insert("model-lock".into(), "off".into());
                assert_eq!(*settings, wanted, "done, and not so");
                assert!(device.boots > 0, "no restart proves it");
            }
            Claim::PutBack => assert_eq!(*settings, wanted, "put back, and not so"),
            Claim::NotWritten => assert!(!self.wrote(), "not written, and not so"),
            // Refused is what was not written to, in this run.
            Claim::Refused(_) | Claim::NotThere => assert_eq!(device.saves, saves, "{claim:?}"),
            Claim::Nothing | Claim::Unproved(_) => {}
        }
        if matches!(claim, Claim::Done | Claim::PutBack) {
            assert_eq!(device.unmapped, self.before.unmapped);
        }
        let open = matches!(
            claim,
            Claim::Unproved(_) | Claim::Refused(_) | Claim::NotThere
        );
        assert_eq!(listed, open, "{claim:?}");
    }

    /// Whether somebody who powers it off and on gets that very device to start again.
    fn can_restart(&self) -> bool {
        let never = [Scenario::LostRestart, Scenario::SwappedAfterRestart];
        !never.contains(&self.way.scenario)
    }

    fn close(&self) {
        for change in self.unfinished() {
            let number = change.id.0.to_string();
            let words = ["resume", &number, "--close", "--json"];
            self.bench.off_device(&words).run().ends(0);
        }
    }

    fn journal_is_whole(&self) {
        let file = self.bench.data().join("journal.sqlite3");
        let journal = rusqlite::Connection::open(file).expect("a journal");
        let check: String = journal
            .query_row("PRAGMA integrity_check", [], |row| row.get(0))
            .expect("it can be checked");
        assert_eq!(check, "ok");
    }

    fn other_device_is_untouched(&self) {
        for other in self.bench.truth().devices.iter().skip(1) {
            assert_eq!((other.saves, other.refused), (0, 0), "another device");
        }
    }

    /// Nothing is left open that could have been settled.
    #[cfg(debug_assertions)]
    fn is_settled_as_can_be(&self, claims: &[Claim], undo: bool) {
        let last = claims.last().expect("a claim");
        if matches!(last, Claim::NotWritten | Claim::Nothing) {
            // Cut off before anything of it was on record, or after all of it was.
            return;
        }
        let saved = self.before.settings != self.bench.present().settings;
        match (self.way.family, self.way.leaky, undo) {
            (Family::SampleForm | Family::SampleLogin, false, false) => {
                assert_eq!(*last, Claim::Done, "{claims:?}");
            }
            (Family::SampleForm | Family::SampleLogin, ..) => {
                assert_eq!(*last, Claim::PutBack, "{claims:?}");
            }
            // By its address alone it is never written to again.
            (Family::SampleScript, false, false) if saved => {
                assert_eq!(*last, Claim::Done, "{claims:?}");
            }
            (Family::SampleScript, _, true) if !saved => {
                assert_eq!(*last, Claim::PutBack, "{claims:?}");
            }
            (Family::SampleScript, ..) => {
                assert!(matches!(last, Claim::Refused(_)), "{claims:?}");
            }
        }
    }
}

/// The profile of a way: the built-in one, or one whose save leaves a field out.
fn profile_text(way: Way) -> String {
    let root = env!("CARGO_MANIFEST_DIR");
    let path = format!("{root}/profiles/{}.toml", way.family);
    let text = std::fs::read_to_string(path).expect("a profile");
    if !way.leaky {
        return text;
    }
    let change = |text: &str, from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    };
    match way.family {
        Family::SampleForm => {
            let order = "\"shore\", \"air\"]";
            let text = change(&text, order, "\"shore\", \"air\", \"wave\"]");
            let wave = "at = { wave = { choice = \"{}\" } }\nsave = \"air\"";
            let text = change(&text, wave, &wave.replace("air", "wave"));
            change(&text, "[save.air]", SAVE_WITHOUT_WAVE)
        }
        // A body of its own cannot say what its box says.
        Family::SampleLogin => text,
        Family::SampleScript => {
            let text = change(&text, "  { key = \"/lamp\", place = \"lamp\" },\n", "");
            let setting = "at = { lamp = { json-number = true } }\nsave = \"all\"";
            let text = change(&text, setting, "at = { lamp = { json-number = true } }");
            change(&text, "answer = \"taken 15\"", "answer = \"taken 14\"")
        }
    }
}

/// A save of the first form with a body of its own that leaves the waveform out, and before the
/// whole form's own save a name for that.
const SAVE_WITHOUT_WAVE: &str = r#"[save.air]
restarts = true
answer = "Kept. Starting again."

[save.air.body]
post = "/keep-air"
encoding = "urlencoded"
fields = [
  { key = "once", place = "once-air" },
  { key = "called", place = "called" },
  { key = "follows", place = "follows" },
  { key = "held_to", place = "held-to" },
  { key = "kinship", place = "kinship" },
  { key = "zone", place = "zone" },
  { key = "strength", place = "strength" },
  { key = "act", fixed = "keep" },
]

[save.wave]"#;
