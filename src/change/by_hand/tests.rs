//! Changes by hand with a simulated receiver: what the person is told, and whom it is proved of.

use std::sync::Mutex;

use mock_device::{Family, Options, Scenario};

use super::*;
use crate::{
    change::over_session::SessionDevice,
    change::{
        clock::SystemClock,
        ports::{Device, Sent},
    },
    profile::named,
    session::{Limits, Origin, no_bssid},
    terms::{Overlay, Snapshot},
    wifi::{Home, by_hand::Probe},
};

/// A person who does at once what is asked for.
#[derive(Default)]
struct Person(Mutex<Vec<Why>>);

impl Hands for Person {
    fn pick(&self, pick: &Pick) {
        assert_eq!(pick.names, ["TarnBoat *"]);
        self.0.lock().expect("nobody panicked").push(pick.why);
    }

    fn home(&self, _: &Home) {}
}

#[async_trait]
impl Probe for Person {
    async fn answers(&self, _: IpAddr) -> bool {
        true
    }
}

struct Scene {
    receiver: mock_device::Running,
    person: Arc<Person>,
    session: Arc<Session>,
    before: Snapshot,
    device: SessionDevice,
}

/// A receiver that was read by hand.
async fn read(scenario: Scenario) -> Scene {
    let receiver = mock_device::start(Options {
        speed: 100.0,
        ..Options::new(Family::SampleForm, scenario)
    });
    let receiver = receiver.await.expect("a free port");
    let origin = Origin::parse(&format!("http://{}", receiver.address())).expect("an origin");
    let profile = Arc::new(named("sample-form").expect("it comes with the program"));
    let person = Arc::new(Person::default());
    let hands = Arc::clone(&person) as Arc<dyn Hands>;
    let probe = Arc::clone(&person) as Arc<dyn Probe>;
    let address = receiver.address().ip();
    let hand = ByHand::new(hands, probe, vec![address]);
    let footing = HandFooting::new(hand, vec!["TarnBoat *".into()], address);
    let session = Session::new(origin, profile, Limits::default(), no_bssid());
    let session = Arc::new(session.expect("a session").standing(Arc::new(footing)));
    let mut device = SessionDevice::new(Arc::clone(&session), None);
    let before = device.read().await.expect("a reading");
    Scene {
        receiver,
        person,
        session,
        before,
        device,
    }
}

impl Scene {
    /// Saves what is there, which restarts it, and waits until it is there again.
    async fn saved_and_back(&mut self, deadline_s: f64) -> Back {
        let save = "air".parse().expect("a name");
        let sent = self.device.save(&save, &Overlay::new()).await;
        assert!(matches!(sent, Sent::Answered(_)), "{sent:?}");
        let hands = Arc::clone(&self.person) as Arc<dyn Hands>;
        let names = vec!["TarnBoat *".into()];
        let clock = SystemClock::new();
        let mut reach = HandReach::new(Arc::clone(&self.session), clock, hands, names);
        let wait = Wait {
            expected: self.before.device.identity.clone(),
            leave_s: 8.0,
            usual_s: (40.0, 55.0),
            deadline_s,
            by_hand: false,
            mark: self.before.witness.clone(),
        };
        reach.again(&wait).await
    }
}

#[tokio::test]
async fn restart_by_hand_is_told_to_the_person_and_witnessed_by_the_device_s_own_mark() {
    let mut scene = read(Scenario::Locked).await;
    let back = scene.saved_and_back(30.0).await;
    assert_eq!(
        back,
        Back {
            gone: true,
            there: true
        }
    );
    assert_eq!(
        *scene.person.0.lock().expect("nobody panicked"),
        [Why::Restart]
    );
}

#[tokio::test]
async fn another_device_in_its_place_is_nobody() {
    let mut scene = read(Scenario::SwappedAfterRestart).await;
    let back = scene.saved_and_back(2.0).await;
    assert!(!back.there, "{back:?}");
    let truth = scene.receiver.truth();
    assert_eq!(truth.present, 1, "the other one is there");
    assert_eq!(truth.devices[1].saves, 0);
}
