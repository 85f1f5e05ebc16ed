//! Sessions with the simulated receivers, by the profiles that come with the program.
//!
//! The simulation is written from the page that describes the families and knows no profile, and
//! its true state is read beside the wire: where the two disagree, one of them is wrong.

use std::{
    sync::atomic::{AtomicU8, Ordering},
    time::Duration,
};

use mock_device::{DeviceTruth, Family, Options, Running, Scenario};
use serde_json::Value as Json;

use super::*;
use crate::{
    find,
    profile::named,
    terms::{Reading, Sameness, Snapshot, Value, Witness},
};

struct Practice {
    /// How often it had started when it was put up.
    boots: u64,
    receiver: Arc<Running>,
    session: Session,
    /// Of the same device, for an answer that never comes.
    hasty: Session,
}

async fn practice(family: Family, scenario: Scenario) -> Practice {
    let receiver = mock_device::start(Options {
        speed: 100.0,
        pause: Duration::from_millis(10),
        ..Options::new(family, scenario)
    });
    let receiver = Arc::new(receiver.await.expect("a free port"));
    let origin = Origin::parse(&format!("http://{}", receiver.address())).expect("an origin");
    let profile = Arc::new(named(family.word()).expect("it comes with the program"));
    let patient = Limits {
        pause: Duration::from_millis(1),
        ..Limits::default()
    };
    let hasty = Limits {
        answer: Duration::from_secs(1),
        attempts: 1,
        ..patient.clone()
    };
    let session = |limits| {
        let joined = Arc::clone(&receiver);
        let bssid: BssidNow = Arc::new(move || Some(joined.bssid()));
        let session = Session::new(origin.clone(), Arc::clone(&profile), limits, bssid);
        let session = session.expect("a session");
        match receiver.login() {
            Some((user, word)) => session.letting_in(
                Credentials::new(&profile.login, &user, &word).expect("they can be sent"),
            ),
            None => session,
        }
    };
    Practice {
        boots: receiver.truth().devices.remove(0).boots,
        session: session(patient),
        hasty: session(hasty),
        receiver,
    }
}

impl Practice {
    fn truth(&self) -> DeviceTruth {
        self.receiver.truth().devices.remove(0)
    }

    /// How often a path was asked for by a method other than GET, logins aside.
    fn writes(&self) -> usize {
        let requests = self.receiver.truth().requests;
        requests
            .iter()
            .filter(|request| request.method == "POST" && request.path != "/come-in")
            .count()
    }

    async fn read(&self) -> Harvest {
        self.session.read().await.expect("a reading")
    }

    /// Waits until it has started once more and is there again.
    async fn restarted(&self) {
        let seen = async {
            while self.truth().boots == self.boots || self.session.alive().await != Alive::Answers {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        let seen = tokio::time::timeout(Duration::from_secs(20), seen).await;
        seen.expect("it restarts and is back");
    }
}

/// Sends the save that clears the model lock.
async fn unlock(session: &Session, answers: &Answers) -> Reply {
    let lock = session.profile().setting("model-lock").expect("it has one");
    let overlay = lock.write(&Value::Off).expect("it can be off");
    let sent = session.save(answers, &lock.saves[0], &overlay).await;
    sent.expect("nothing of ours is in the way")
}

/// What was read of each setting that is shown, as commands print it.
fn printed(snapshot: &Snapshot) -> serde_json::Map<String, Json> {
    snapshot
        .settings
        .iter()
        .filter_map(|(name, entry)| match &entry.reading {
            Reading::Known(value) => Some((name.to_string(), value.to_json())),
            Reading::WriteOnly => None,
            other @ Reading::Unread(_) => panic!("`{name}` is {other:?}"),
        })
        .collect()
}

fn without(settings: &serde_json::Map<String, Json>, name: &str) -> serde_json::Map<String, Json> {
    let mut settings = settings.clone();
    settings.remove(name);
    settings
}

#[tokio::test]
async fn what_is_read_is_what_is_true() {
    for family in Family::ALL {
        for scenario in [
            Scenario::Locked,
            Scenario::Unbound,
            Scenario::Healthy,
            Scenario::Faulty,
        ] {
            let practice = practice(family, scenario).await;
            let snapshot = practice.read().await.snapshot;
            let truth = practice.truth();
            let mut read: Vec<_> = printed(&snapshot).into_iter().collect();
            let shows = |name: &str| {
                let entry = snapshot.settings.get(name);
                entry.is_some_and(|entry| entry.reading != Reading::WriteOnly)
            };
            let hidden = truth.settings.keys().filter(|name| !shows(name)).count();
            let mut expected: Vec<_> = truth.settings.into_iter().collect();
            expected.retain(|(name, _)| shows(name));
            read.sort_by(|a, b| a.0.cmp(&b.0));
            expected.sort_by(|a, b| a.0.cmp(&b.0));
            assert_eq!(read, expected, "{family:?} {scenario:?}");
            // The mast receiver never shows its passphrase, nor its key where it has one.
            let keyed = scenario != Scenario::Unbound;
            let hides = if family == Family::SampleLogin {
                1 + usize::from(keyed)
            } else {
                0
            };
            assert_eq!(hidden, hides, "{family:?} {scenario:?}");
            assert_eq!(snapshot.faulty, Some(scenario == Scenario::Faulty));
            let identity = &snapshot.device.identity;
            assert_eq!(
                identity.serial.as_ref().map(|s| s.raw().to_owned()),
                truth.serial
            );
            assert_eq!(identity.bssid.map(|b| b.to_string()), Some(truth.bssid));
            assert!(snapshot.witness.is_some());
            assert_eq!(
                snapshot.rest.len(),
                1,
                "one thing is not mapped: {:?}",
                snapshot.rest
            );
            let again = practice.read().await.snapshot;
            assert_eq!(
                (&again.places, &again.rest),
                (&snapshot.places, &snapshot.rest),
                "{family:?} {scenario:?}"
            );
            assert_eq!(practice.writes(), 0);
        }
    }
}

#[tokio::test]
async fn an_answer_that_holds_no_place_is_no_part_of_the_rest() {
    // The page of the keel receiver is only what it is recognised by.
    let practice = practice(Family::SampleScript, Scenario::Locked).await;
    let rest = practice.read().await.snapshot.rest;
    let keys: Vec<&str> = rest.keys().map(String::as_str).collect();
    assert_eq!(keys, ["as-it-is:/craft/hull"]);
}

#[tokio::test]
async fn a_save_changes_the_lock_and_nothing_else() {
    for family in Family::ALL {
        for scenario in [Scenario::Locked, Scenario::OmittedReset] {
            let practice = practice(family, scenario).await;
            let before = practice.read().await;
            let true_before = practice.truth();
            let sent = unlock(&practice.session, &before.answers).await;
            let wanted = match family {
                // It leads back to its own page, which says nothing of the save.
                Family::SampleLogin => (303, None),
                _ => (200, Some(true)),
            };
            assert!(
                matches!(
                    sent,
                    Reply::Answered { status, as_expected, .. } if (status, as_expected) == wanted
                ),
                "{family:?} {scenario:?}: {sent:?}"
            );
            if family != Family::SampleForm {
                // A token is good for one of both.
                let now = practice.read().await;
                let sent = practice.session.restart(&now.answers).await;
                let sent = sent.expect("nothing of ours is in the way");
                assert!(
                    matches!(sent, Reply::Answered { status: 202, .. }),
                    "{sent:?}"
                );
            }
            practice.restarted().await;
            let after = practice.read().await.snapshot;
            let truth = practice.truth();
            assert_eq!(
                truth.settings["model-lock"], "off",
                "{family:?} {scenario:?}"
            );
            assert_eq!(
                without(&truth.settings, "model-lock"),
                without(&true_before.settings, "model-lock"),
                "{family:?} {scenario:?}"
            );
            assert_eq!(truth.unmapped, true_before.unmapped);
            assert_eq!((truth.saves, truth.refused, truth.boots), (1, 0, 1));
            assert_eq!(after.value("model-lock"), Some(&Value::Off));
            let (earlier, later) = (before.snapshot.witness, after.witness);
            let (earlier, later) = (earlier.expect("a mark"), later.expect("a mark"));
            assert!(later.restarted_since(&earlier), "{earlier:?} {later:?}");
        }
    }
}

#[tokio::test]
async fn a_save_whose_answer_is_lost_is_not_sent_again() {
    for family in Family::ALL {
        for scenario in [Scenario::StalledSave, Scenario::CutOffSave] {
            if (family, scenario) == (Family::SampleLogin, Scenario::CutOffSave) {
                // Its answer to a save has nothing that could be cut off.
                continue;
            }
            let practice = practice(family, scenario).await;
            let answers = practice.hasty.read().await.expect("a reading").answers;
            let sent = unlock(&practice.hasty, &answers).await;
            assert!(
                matches!(sent, Reply::NoAnswer { .. }),
                "{family:?} {scenario:?}: {sent:?}"
            );
            assert_eq!(practice.writes(), 1);
            assert_eq!(practice.truth().saves, 1, "it was carried out all the same");
        }
    }
    let practice = practice(Family::SampleForm, Scenario::NoAnswer).await;
    let answers = practice.read().await.answers;
    let sent = unlock(&practice.session, &answers).await;
    assert!(matches!(sent, Reply::NoAnswer { .. }), "{sent:?}");
    assert_eq!((practice.writes(), practice.truth().saves), (1, 1));
}

#[tokio::test]
async fn a_reading_that_stalls_or_is_cut_gives_nothing() {
    for family in Family::ALL {
        for scenario in [Scenario::Stalled, Scenario::CutOff] {
            let practice = practice(family, scenario).await;
            let error = practice.hasty.read().await.expect_err("no whole answer");
            assert!(error.is_transport(), "{family:?} {scenario:?}: {error}");
            assert_eq!(
                error.code(),
                "answer-cut",
                "{family:?} {scenario:?}: {error}"
            );
        }
    }
}

#[tokio::test]
async fn a_form_that_was_sent_before_is_refused_by_the_device() {
    let practice = practice(Family::SampleForm, Scenario::LostRestart).await;
    let answers = practice.read().await.answers;
    unlock(&practice.session, &answers).await;
    let again = unlock(&practice.session, &answers).await;
    let Reply::Refused { status: 403, says } = &again else {
        panic!("its token was used: {again:?}");
    };
    assert!(says.raw().contains("stale form"), "{says}");
}

#[tokio::test]
async fn each_family_is_found_by_its_own_profile_alone() {
    let profiles: Vec<Arc<Profile>> = crate::profile::built_in()
        .into_iter()
        .map(Arc::new)
        .collect();
    for family in Family::ALL {
        let practice = practice(family, Scenario::Locked).await;
        let found = find::at(practice.session.origin(), &profiles, &Limits::default()).await;
        let names: Vec<String> = found
            .expect("a family")
            .iter()
            .map(|found| found.profile.family.clone())
            .collect();
        assert_eq!(names, [family.word()]);
    }
}

#[tokio::test]
async fn another_family_s_profile_is_refused() {
    let practice = practice(Family::SampleForm, Scenario::Locked).await;
    let other = Arc::new(named("sample-script").expect("it comes with the program"));
    let origin = practice.session.origin().clone();
    let session = Session::new(origin, other, Limits::default(), no_bssid()).expect("a session");
    let error = session.read().await.expect_err("another family");
    assert_eq!(error.code(), "another-family");
    assert_eq!(
        error.to_string(),
        "this is no `sample-script`: `title` says `Tarn deck receiver`, not `Tarn keel receiver`"
    );
}

#[tokio::test]
async fn a_lookalike_that_comes_back_after_the_restart_is_told_by_its_bssid() {
    // This family shows no serial: nothing but the network tells one receiver from another.
    let practice = practice(Family::SampleScript, Scenario::SwappedAfterRestart).await;
    let first = practice.read().await;
    let sent = practice.session.restart(&first.answers).await;
    assert!(matches!(sent, Ok(Reply::Answered { .. })), "{sent:?}");
    practice.restarted().await;
    let second = practice.read().await;
    let (one, other) = (
        &first.snapshot.device.identity,
        &second.snapshot.device.identity,
    );
    assert_ne!(one.bssid, other.bssid);
    assert_eq!(one.compare(other), Sameness::Different);
    let truth = practice.receiver.truth();
    assert_eq!(truth.present, 1);
    let bssid = other.bssid.map(|bssid| bssid.to_string());
    assert_eq!(bssid.as_ref(), Some(&truth.devices[1].bssid));
}

#[tokio::test]
async fn a_look_shows_the_mark_and_spares_the_reading_that_follows_at_once() {
    let there = practice(Family::SampleForm, Scenario::Locked).await;
    let asked = || there.receiver.truth().requests.len();
    let look = there.session.look().await;
    assert_eq!(look.alive, Alive::Answers);
    assert_eq!(look.mark, Some(Witness::Uptime(83.0)), "by FAMILIES.md");
    let harvest = there.read().await;
    assert_eq!(harvest.snapshot.witness, look.mark);
    assert_eq!(asked(), 1, "the look's answer was read");
    there.read().await;
    assert_eq!(asked(), 2, "once");
}

#[tokio::test]
async fn the_answer_of_a_look_through_another_network_is_not_read() {
    let there = practice(Family::SampleForm, Scenario::Locked).await;
    let last = Arc::new(AtomicU8::new(1));
    let now = Arc::clone(&last);
    let session = Session {
        bssid: Arc::new(move || Some([2, 0, 0, 0, 0, now.load(Ordering::SeqCst)])),
        ..there.session.clone()
    };
    assert_eq!(session.look().await.alive, Alive::Answers);
    last.store(2, Ordering::SeqCst);
    session.read().await.expect("a reading");
    assert_eq!(there.receiver.truth().requests.len(), 2);
}
