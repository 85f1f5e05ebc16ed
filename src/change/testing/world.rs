//! One device, one journal, one person and one laptop, each of which misbehaves as its script says.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use super::{Family, snapshot, trouble};
use crate::{
    change::{
        Action, BootTime, Event, Machine, PlannedSave, Report, Step, Trouble,
        ports::{Answer, Back, Question, Sent},
    },
    profile::{Profile, RestartBy, WitnessRule},
    terms::{Exit, Identity, PlaceName, Raw, Snapshot, Value, Witness},
};

/// What becomes of one save.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Save {
    /// It takes, and is answered.
    Takes,
    /// Answered, and nothing is saved; the device restarts where it would.
    Ignored,
    /// It shows, and what was there is back after the restart.
    BackAfterRestart,
    /// It does not show, and is there after the restart.
    ShowsLater,
    /// It takes, and something else is reset with it.
    ResetsOther,
    /// It takes, and is not answered.
    Unanswered,
    /// It is lost on the way, and nobody can tell.
    Lost,
    /// It never leaves.
    NotSent,
    /// The device says no.
    Refused,
    /// It takes, and the restart that should follow does not come.
    NoRestart,
    /// It shows and is not kept, and the restart that would tell does not come.
    OnlyShows,
}

/// What becomes of one restart request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Restarted {
    /// It restarts.
    Takes,
    /// Answered, and nothing happens.
    Lost,
    /// It restarts before it answers.
    Unanswered,
    /// It never leaves.
    NotSent,
    /// The device says no.
    Refused,
}

/// What one wait sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Await {
    /// What there is to see.
    Sees,
    /// The laptop loses its Wi-Fi meanwhile, and takes that for the device's.
    Flaps,
    /// The device was too fast to be seen gone.
    Misses,
}

/// What one reading sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Seen {
    /// What there is.
    All,
    /// Nothing, this once.
    Nothing,
    /// Nothing, from now on.
    NothingEver,
    /// Another device that answers there from now on.
    Stranger,
    /// Somebody else set something just before.
    Touched,
    /// All but its marks, this once.
    NoMarks,
    /// An answer of another family, this once.
    OtherFamily,
    /// What the reading before it saw, this once: an earlier page comes once more.
    Earlier,
}

/// How the world misbehaves: by the number of the save, restart, wait or reading; what is beyond
/// a list goes well.
#[derive(Debug, Clone, Default)]
pub(crate) struct Script {
    pub(crate) saves: Vec<Save>,
    pub(crate) restarts: Vec<Restarted>,
    pub(crate) awaits: Vec<Await>,
    pub(crate) reads: Vec<Seen>,
    /// Which entries the journal fails at, from 0, the record included.
    pub(crate) journal_fails: BTreeSet<usize>,
    /// What a plan's saves are found not to fit for; none: they fit.
    pub(crate) unfit: Option<Trouble>,
    /// To the question whether it is the only one powered; none: yes.
    pub(crate) address: Option<Answer>,
    /// To the question whether to write; none: yes.
    pub(crate) consent: Option<Answer>,
    /// From which action on the person wants to stop.
    pub(crate) cancel_at: Option<usize>,
    /// After which action the laptop sleeps for half an hour.
    pub(crate) sleeps_after: Option<usize>,
    /// Before which action the program dies.
    pub(crate) cut_at: Option<usize>,
}

/// The world.
#[derive(Debug, Clone)]
pub(crate) struct World {
    pub(crate) script: Script,
    profile: Arc<Profile>,
    /// Who answers now.
    pub(crate) identity: Identity,
    stranger: Identity,
    reset: (PlaceName, Raw),
    /// What the device shows.
    pub(crate) shown: BTreeMap<PlaceName, Raw>,
    /// What it starts with next time, what it never shows included.
    pub(crate) kept: BTreeMap<PlaceName, Raw>,
    original: BTreeMap<PlaceName, Raw>,
    pub(crate) rest: BTreeMap<String, Raw>,
    seconds: f64,
    started: f64,
    starts: u32,
    away_until: f64,
    silent: bool,
    /// What the last reading saw.
    page: Option<Snapshot>,
    /// Everything that was asked of the world, in order and in short.
    pub(crate) log: Vec<String>,
    /// The record of before, once it is durable.
    pub(crate) record: Option<Snapshot>,
    /// The durable steps.
    pub(crate) steps: Vec<Step>,
    /// To whom each save went.
    pub(crate) written_to: Vec<Identity>,
    /// How many saves were carried out.
    pub(crate) carried_out: usize,
    counts: [usize; 5],
}

impl World {
    /// A world with one device of this family.
    pub(crate) fn new(family: &Family, script: Script) -> Self {
        Self {
            script,
            profile: Arc::clone(&family.profile),
            identity: family.identity.clone(),
            stranger: family.stranger(),
            reset: family.reset.clone(),
            shown: family.places.clone(),
            kept: family.places.clone(),
            original: family.places.clone(),
            rest: BTreeMap::from([("trim".to_owned(), Raw::Text("3".into()))]),
            seconds: 5000.0,
            started: 5000.0 - 83.0,
            starts: 17,
            away_until: 0.0,
            silent: false,
            page: None,
            log: Vec::new(),
            record: None,
            steps: Vec::new(),
            written_to: Vec::new(),
            carried_out: 0,
            counts: [0; 5],
        }
    }

    /// Runs a machine to its end; none: it was cut off. Panics where it does not come to an end.
    pub(crate) fn run(&mut self, mut machine: Machine) -> Option<Report> {
        let mut action = machine.start(&self.now());
        for number in 0..MOST_ACTIONS {
            if self.script.cut_at == Some(number) {
                return None;
            }
            let cancelled = self.script.cancel_at.is_some_and(|at| number >= at);
            let event = match action {
                Action::End(report) => {
                    self.log.push("end".into());
                    return Some(*report);
                }
                action => self.answer(&action, cancelled),
            };
            if self.script.sleeps_after == Some(number) {
                self.seconds += 1800.0;
            }
            action = machine.step(event, &self.now());
        }
        panic!("no end after {MOST_ACTIONS} actions: {:?}", self.log);
    }

    /// The same world for the next run of the program: whoever was silent is there again.
    pub(crate) fn again(&mut self, script: Script, seconds_later: f64) {
        self.script = script;
        self.seconds = (self.seconds + seconds_later).max(self.away_until + 1.0);
        self.silent = false;
        self.counts = [0; 5];
        self.log.clear();
        self.written_to.clear();
        self.carried_out = 0;
    }

    /// The device is powered off and on.
    pub(crate) fn power_cycle(&mut self) {
        self.shown = self.kept.clone();
        self.hide();
        self.starts += 1;
        self.started = self.seconds;
        self.away_until = self.seconds + self.usual_s();
    }

    /// Whether the device has all that is wanted, now and after its next start, and all else is
    /// as it was.
    pub(crate) fn has(&self, wanted: &BTreeMap<crate::terms::SettingName, Value>) -> bool {
        let states: &[_] = if self.profile.restart.is_some() {
            &[&self.shown, &self.kept]
        } else {
            &[&self.shown]
        };
        states.iter().all(|places| {
            self.profile.settings.iter().all(|setting| {
                let own = setting.own_places();
                match wanted.get(&setting.name) {
                    Some(Value::Text(_)) if setting.blank_keeps => true,
                    Some(value) => {
                        setting.read(places) == crate::terms::Reading::Known(value.clone())
                    }
                    None => own
                        .iter()
                        .all(|place| places.get(*place) == self.original.get(*place)),
                }
            })
        })
    }

    /// Whether the device is in all as it was, now and after its next start.
    pub(crate) fn is_untouched(&self) -> bool {
        let lasting = self.profile.restart.is_none() || self.kept == self.original;
        let mut shown = self.original.clone();
        hide(&self.profile, &mut shown);
        lasting && self.shown == shown
    }

    /// The time of the laptop.
    pub(crate) fn now(&self) -> BootTime {
        BootTime {
            seconds: self.seconds,
            boot: "one".into(),
        }
    }

    /// What the world makes of an action.
    pub(crate) fn answer(&mut self, action: &Action, cancelled: bool) -> Event {
        self.seconds += 0.5;
        let acts = matches!(action, Action::Save(_) | Action::Restart);
        if cancelled && acts {
            return Event::Sent(Sent::NotSent(
                Trouble::new("cancelled", "stopped by you", None).ending(Exit::Cancelled),
            ));
        }
        if cancelled && !matches!(action, Action::Note(_)) {
            return Event::Cancelled;
        }
        match action {
            Action::Read => self.read(),
            Action::Try(_) => {
                self.log.push("try".into());
                Event::Tried(self.script.unfit.clone().map_or(Ok(()), Err))
            }
            Action::Keep(before) => {
                self.log.push("keep".into());
                let kept = self.journal();
                if kept.is_ok() {
                    self.record = Some((**before).clone());
                }
                Event::Kept(kept)
            }
            Action::Note(step) => {
                self.log.push(format!("note {}", step.name()));
                let noted = self.journal();
                if noted.is_ok() {
                    self.steps.push(step.clone());
                }
                Event::Noted(noted)
            }
            Action::Ask(Question::OnlyAddress(_)) => {
                self.log.push("ask address".into());
                Event::Answered(self.script.address.clone().unwrap_or(Answer::Yes))
            }
            Action::Ask(Question::BindMode) => panic!("no change asks for bind mode"),
            Action::Ask(Question::Write { by_rules, .. }) => {
                let how = if by_rules.is_some() {
                    "ask by rules"
                } else {
                    "ask"
                };
                self.log.push(how.into());
                Event::Answered(self.script.consent.clone().unwrap_or(Answer::Yes))
            }
            Action::Save(planned) => self.save(planned),
            Action::Restart => self.restart(),
            Action::Await(_) => self.wait(),
            Action::End(_) => Event::Cancelled,
        }
    }

    fn read(&mut self) -> Event {
        self.log.push("read".into());
        let seen = self.next(0, |script| &script.reads).unwrap_or(Seen::All);
        match seen {
            Seen::All | Seen::NoMarks | Seen::Earlier => {}
            Seen::OtherFamily => {
                let other = trouble("other-family").ending(Exit::Refused);
                return Event::Read(Err(other));
            }
            Seen::Nothing => return Event::Read(Err(trouble("no-answer"))),
            Seen::NothingEver => self.silent = true,
            Seen::Stranger => self.identity = self.stranger.clone(),
            Seen::Touched => {
                let (place, raw) = self.reset.clone();
                self.shown.insert(place.clone(), raw.clone());
                self.kept.insert(place.clone(), raw.clone());
                if self.record.is_none() {
                    self.original.insert(place, raw);
                }
            }
        }
        if self.silent || self.seconds < self.away_until {
            return Event::Read(Err(trouble("no-answer")));
        }
        let mut read = self.snapshot();
        match (seen, &self.page) {
            (Seen::NoMarks, _) => read.device.identity = Identity::default(),
            (Seen::Earlier, Some(page)) => read = page.clone(),
            _ => {}
        }
        self.page = Some(read.clone());
        Event::Read(Ok(Box::new(read)))
    }

    /// What a reading gives now.
    pub(crate) fn snapshot(&self) -> Snapshot {
        let witness = self
            .profile
            .restart
            .as_ref()
            .and_then(|restart| restart.witness.as_ref())
            .map(|rule| match rule {
                WitnessRule::Falls(_) => Witness::Uptime((self.seconds - self.started).floor()),
                WitnessRule::Changes(_) => {
                    Witness::BootMark(self.starts.to_string().as_str().into())
                }
            });
        snapshot(
            &self.profile,
            &self.shown,
            &self.rest,
            &self.identity,
            witness,
        )
    }

    fn save(&mut self, planned: &PlannedSave) -> Event {
        self.log.push(format!("save {}", planned.save));
        let how = self.next(1, |script| &script.saves).unwrap_or(Save::Takes);
        if how == Save::NotSent || self.silent || self.seconds < self.away_until {
            return Event::Sent(Sent::NotSent(trouble("not-sent")));
        }
        self.written_to.push(self.identity.clone());
        if how == Save::Refused {
            return Event::Sent(Sent::Refused("not kept".into()));
        }
        if !matches!(how, Save::Ignored | Save::Lost) {
            self.carry_out(planned, how);
        }
        let restarts = self
            .profile
            .save(planned.save.as_str())
            .is_some_and(|save| save.restarts);
        if restarts && !matches!(how, Save::NoRestart | Save::OnlyShows | Save::Lost) {
            self.power_cycle();
        }
        Event::Sent(match how {
            Save::Unanswered | Save::Lost => Sent::NoAnswer("the answer is missing".into()),
            _ => Sent::Answered("kept".into()),
        })
    }

    /// Everything that a save writes is sent as it was read, but for what is planned.
    fn carry_out(&mut self, planned: &PlannedSave, how: Save) {
        self.carried_out += 1;
        let profile = Arc::clone(&self.profile);
        let Some(save) = profile.save(planned.save.as_str()) else {
            return;
        };
        let mut sent: BTreeMap<PlaceName, Raw> = self
            .shown
            .iter()
            .filter(|(place, _)| profile.writes(save, place))
            .map(|(place, raw)| (place.clone(), raw.clone()))
            .collect();
        for (place, raw) in &planned.overlay {
            assert!(
                profile.writes(save, place),
                "`{place}` is not for this save to write"
            );
            sent.insert(place.clone(), raw.clone());
        }
        if how == Save::ResetsOther {
            sent.extend([self.reset.clone()]);
        }
        let keeps_blank = |place: &PlaceName, raw: &Raw| {
            *raw == Raw::Text(String::new()) && hidden(&profile).contains(place)
        };
        sent.retain(|place, raw| !keeps_blank(place, raw));
        if how != Save::ShowsLater {
            self.shown.extend(sent.clone());
            self.hide();
        }
        if !matches!(how, Save::BackAfterRestart | Save::OnlyShows) {
            self.kept.extend(sent);
        }
    }

    fn restart(&mut self) -> Event {
        self.log.push("restart".into());
        let how = self
            .next(2, |script| &script.restarts)
            .unwrap_or(Restarted::Takes);
        if how == Restarted::NotSent || self.silent {
            return Event::Sent(Sent::NotSent(trouble("not-sent")));
        }
        if matches!(how, Restarted::Takes | Restarted::Unanswered) {
            self.power_cycle();
        }
        Event::Sent(match how {
            Restarted::Refused => Sent::Refused("not now".into()),
            Restarted::Unanswered => Sent::NoAnswer("the answer is missing".into()),
            _ => Sent::Answered("going".into()),
        })
    }

    fn wait(&mut self) -> Event {
        self.log.push("await".into());
        let how = self.next(3, |script| &script.awaits).unwrap_or(Await::Sees);
        let away = self.seconds < self.away_until;
        self.seconds = (self.seconds + 3.0).max(self.away_until + 1.0);
        Event::Back(Back {
            gone: match how {
                Await::Sees => away || self.silent,
                Await::Flaps => true,
                Await::Misses => false,
            },
            there: !self.silent,
        })
    }

    fn journal(&mut self) -> Result<(), Trouble> {
        let number = self.counts[4];
        self.counts[4] += 1;
        if self.script.journal_fails.contains(&number) {
            return Err(trouble("disk-full"));
        }
        Ok(())
    }

    fn next<T: Copy>(&mut self, which: usize, list: impl Fn(&Script) -> &Vec<T>) -> Option<T> {
        let number = self.counts[which];
        self.counts[which] += 1;
        list(&self.script).get(number).copied()
    }

    fn hide(&mut self) {
        hide(&self.profile, &mut self.shown);
    }

    fn usual_s(&self) -> f64 {
        match &self.profile.restart {
            Some(restart) if matches!(restart.by, RestartBy::Saving) => 47.0,
            _ => 5.0,
        }
    }
}

/// The places of settings that the device never shows.
fn hidden(profile: &Profile) -> BTreeSet<PlaceName> {
    profile
        .settings
        .iter()
        .filter(|setting| setting.blank_keeps)
        .flat_map(|setting| setting.own_places().into_iter().cloned())
        .collect()
}

fn hide(profile: &Profile, places: &mut BTreeMap<PlaceName, Raw>) {
    for place in hidden(profile) {
        places.insert(place, Raw::Text(String::new()));
    }
    places.remove("lamp");
}

/// More than any run takes: 3 saves there and back with all that belongs to them.
const MOST_ACTIONS: usize = 120;
