//! The device and the way to it, over a session at a fixed address.

use std::{sync::Arc, time::Duration};

use super::{
    plan::{Plan, PlanLine},
    ports::{Back, Clock, Device, Reach, Sent, Wait},
    report::Trouble,
    step::BootTime,
};
use crate::{
    profile::Pattern,
    session::{self, Alive, Answers, Harvest, Session, SessionError},
    terms::{
        Exit, Identity, Overlay, PlaceName, RequestName, Sameness, SaveName, Snapshot, Untrusted,
    },
};

/// One device behind a session. What it writes it writes from the answers that it read last.
pub struct SessionDevice {
    session: Arc<Session>,
    answers: Option<Answers>,
    only: Option<String>,
    /// Used up by the first reading.
    just_read: Option<Harvest>,
}

impl SessionDevice {
    /// The device behind this session; `only`: a serial, a BSSID or a name that it must have.
    pub fn new(session: Arc<Session>, only: Option<String>) -> Self {
        Self {
            session,
            answers: None,
            only,
            just_read: None,
        }
    }

    /// The same, whose first reading is this one: it is a moment old and of the same session.
    #[must_use]
    pub fn knowing(self, harvest: Harvest) -> Self {
        Self {
            just_read: Some(harvest),
            ..self
        }
    }

    /// Whether these stand in the last reading, volatile places included.
    pub fn shows(&self, patterns: &[(PlaceName, Pattern)]) -> bool {
        let answers = self.answers.as_ref();
        answers.is_some_and(|answers| {
            patterns
                .iter()
                .all(|(place, pattern)| pattern.fits(answers.raw(place)).is_some())
        })
    }

    /// Sends a request of the profile that acts, once, from what was read last.
    pub async fn act(&mut self, request: &RequestName) -> Sent {
        match self.answers.take() {
            Some(answers) => sent(self.session.ask_once(&answers, request).await),
            None => Sent::NotSent(unread()),
        }
    }

    /// A value that the device as it is does not offer a way to set.
    fn not_taken(&self, plan: &Plan, place: Option<&PlaceName>, error: &SessionError) -> Trouble {
        let profile = self.session.profile();
        let of_place = |line: &&PlanLine| {
            let setting = profile.setting(line.setting.as_str());
            place.is_some_and(|place| setting.is_some_and(|s| s.own_places().contains(place)))
        };
        let Some(line) = plan.lines.iter().find(of_place) else {
            return trouble(error);
        };
        Trouble::new(
            Trouble::NOT_OFFERED,
            format!(
                "`{}` cannot be set so on this receiver: {error}",
                line.setting
            ),
            Some("its firmware may not offer that value; choose another, or leave the setting out"),
        )
    }

    fn refuse_others(&self, snapshot: &Snapshot) -> Result<(), Trouble> {
        match &self.only {
            Some(only) if !snapshot.goes_by(only) => Err(Trouble::new(
                "another-device",
                format!(
                    "`{}` was asked for, and {} answers here",
                    Untrusted::new(only.as_str()),
                    snapshot.device.identity
                ),
                Some("power only the one that you mean, or leave --device out"),
            )
            .ending(Exit::Refused)),
            _ => Ok(()),
        }
    }
}

impl Device for SessionDevice {
    async fn read(&mut self) -> Result<Snapshot, Trouble> {
        // A form is filled from the newest answer or not at all.
        self.answers = None;
        let harvest = match self.just_read.take() {
            Some(harvest) => harvest,
            None => self.session.read().await.map_err(|error| trouble(&error))?,
        };
        self.refuse_others(&harvest.snapshot)?;
        self.answers = Some(harvest.answers);
        Ok(harvest.snapshot)
    }

    fn tries(&self, plan: &Plan) -> Result<(), Trouble> {
        let answers = self.answers.as_ref().ok_or_else(unread)?;
        let tries =
            |save: &SaveName, overlay: &Overlay| self.session.builds(answers, save, overlay);
        for planned in &plan.saves {
            let Err(error) = tries(&planned.save, &planned.overlay) else {
                continue;
            };
            if tries(&planned.save, &Overlay::new()).is_err() {
                return Err(trouble(&error));
            }
            // It is one of the values then; the first that fails alone is named.
            let mut alone = planned.overlay.iter().filter_map(|(place, raw)| {
                let overlay = Overlay::from([(place.clone(), raw.clone())]);
                let error = tries(&planned.save, &overlay).err()?;
                Some((place, error))
            });
            let (place, error) = match alone.next() {
                Some((place, error)) => (Some(place), error),
                None => (None, error),
            };
            return Err(self.not_taken(plan, place, &error));
        }
        Ok(())
    }

    async fn save(&mut self, save: &SaveName, overlay: &Overlay) -> Sent {
        match self.answers.take() {
            Some(answers) => sent(self.session.save(&answers, save, overlay).await),
            None => Sent::NotSent(unread()),
        }
    }

    async fn restart(&mut self) -> Sent {
        match self.answers.take() {
            Some(answers) => sent(self.session.restart(&answers).await),
            None => Sent::NotSent(unread()),
        }
    }
}

/// The way to a device at a fixed address: it is tried again and again.
pub struct SessionReach<K> {
    session: Arc<Session>,
    clock: K,
    wary: bool,
    saw_gone: bool,
}

impl<K: Clock> SessionReach<K> {
    /// The way to the device behind this session.
    pub fn new(session: Arc<Session>, clock: K) -> Self {
        Self {
            session,
            clock,
            wary: false,
            saw_gone: false,
        }
    }

    /// The same, where the host may hop to another network: then whoever else answers at the address
    /// is nobody, and a refused connection is nobody's.
    #[must_use]
    pub fn wary(self) -> Self {
        Self { wary: true, ..self }
    }

    /// Whether the device was seen to be gone in the last wait, also in one that was dropped.
    pub fn saw_gone(&self) -> bool {
        self.saw_gone
    }

    /// Who answers there now; none: nobody, or another family.
    pub async fn who(&self) -> Option<Identity> {
        self.session.who().await.ok()
    }

    async fn is_expected(&self, expected: &Identity) -> bool {
        let who = self.who().await;
        who.is_some_and(|who| who.compare(expected) != Sameness::Different)
    }
}

impl<K: Clock> Reach for SessionReach<K> {
    async fn again(&mut self, wait: &Wait) -> Back {
        let start = self.clock.now();
        let (mut gone, mut refused) = (false, false);
        self.saw_gone = false;
        let mut looks = 0;
        loop {
            let away = gone || refused;
            tokio::time::sleep(pause(away, looks, passed(&self.clock, &start))).await;
            looks += 1;
            let look = self.session.look().await;
            let twice = std::mem::replace(&mut refused, look.alive == Alive::Gone);
            // A computer that was itself started anew in between has waited long enough.
            let passed = passed(&self.clock, &start);
            let anew = |before| {
                look.mark
                    .as_ref()
                    .is_some_and(|now| now.restarted_since(before))
            };
            let back = match look.alive {
                Alive::Answers if gone || wait.mark.as_ref().is_some_and(anew) => Some(true),
                // By hand it goes when the person gets to it, and not before.
                Alive::Answers if passed > wait.leave_s && !wait.by_hand => Some(gone),
                Alive::Answers if passed > wait.deadline_s => Some(gone),
                // One refused connection may be an accident of a device that is there.
                Alive::Gone if !gone && !self.wary => {
                    (gone, looks) = (twice, 0);
                    self.saw_gone = gone;
                    None
                }
                Alive::Answers | Alive::Silent | Alive::Gone => None,
            };
            if let Some(gone) = back
                && (!self.wary || self.is_expected(&wait.expected).await)
            {
                return Back { gone, there: true };
            }
            if passed > wait.deadline_s {
                return Back { gone, there: false };
            }
        }
    }
}

fn passed(clock: &impl Clock, start: &BootTime) -> f64 {
    clock.now().since(start).unwrap_or(f64::INFINITY)
}

/// How long to leave it alone before the next look, after so many in its present state. Gently
/// while the device is still there, often enough to be done within 50 ms of a quick restart, and
/// less often in a long wait. The first looks come sooner: some devices are back at once.
fn pause(away: bool, looks: u32, passed_s: f64) -> Duration {
    let (first, longest) = match away {
        false => (5, 100),
        true if passed_s < 10.0 => (2, 10),
        true => (200, 200),
    };
    Duration::from_millis((first << looks.min(6)).min(longest))
}

fn sent(result: Result<session::Reply, SessionError>) -> Sent {
    match result {
        Ok(session::Reply::Answered {
            status,
            says,
            as_expected: Some(false),
        }) => Sent::NoAnswer(format!(
            "status {status}, which is not expected here: {says}"
        )),
        Ok(session::Reply::Answered { says, .. }) => Sent::Answered(says.to_string()),
        Ok(session::Reply::Refused { status, says }) => Sent::Refused(format!("{status} {says}")),
        Ok(session::Reply::NoAnswer { why }) => Sent::NoAnswer(why),
        Ok(session::Reply::NotSent { why }) => {
            Sent::NotSent(Trouble::new("not-sent", why, Some("is it still powered?")))
        }
        Ok(session::Reply::Astray { why }) => Sent::NotSent(
            Trouble::new(
                "way-lost",
                why,
                Some("stay on the receiver's network until all is done, and power it alone"),
            )
            .ending(Exit::Refused),
        ),
        // What the session refuses by itself it refuses before anything leaves.
        Err(error) => Sent::NotSent(trouble(&error)),
    }
}

fn unread() -> Trouble {
    Trouble::new(
        "not-read",
        "nothing is written that was not read just before",
        None,
    )
}

/// A session's error as a trouble of a change.
pub fn trouble(error: &SessionError) -> Trouble {
    Trouble {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help().map(ToOwned::to_owned),
        exit: error.exit(),
    }
}

#[cfg(all(test, feature = "practice"))]
mod tests;
