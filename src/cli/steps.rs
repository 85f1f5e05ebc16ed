//! A change, step by step, as a person watches it.

use std::{sync::Arc, time::Instant};

use super::{
    context::Wrote,
    render,
    screen::{Busy, Screen, Tone},
    seconds,
};
use crate::{
    change::{
        Action, Event, Step,
        driver::Watch,
        ports::{Sent, Wait},
    },
    judge::{Expectation, judge},
    profile::Profile,
    terms::{Condition, SettingName, Snapshot},
};

/// Prints each step as it is taken.
pub(super) struct Steps {
    screen: Screen,
    profile: Arc<Profile>,
    expectation: Expectation,
    speed: f64,
    wrote: Wrote,
    reads: usize,
    waiting: Option<(Busy, Instant)>,
    busy: Option<Busy>,
}

impl Steps {
    /// Watches a change of a device of this family, `speed` times faster than the real thing, and
    /// marks in `wrote` that something is about to leave for it.
    pub(super) fn new(
        screen: Screen,
        profile: Arc<Profile>,
        expectation: Expectation,
        speed: f64,
        wrote: Wrote,
    ) -> Self {
        Self {
            screen,
            profile,
            expectation,
            speed,
            wrote,
            reads: 0,
            waiting: None,
            busy: None,
        }
    }

    fn read(&mut self, snapshot: &Snapshot) {
        self.reads += 1;
        if self.reads > 1 {
            return;
        }
        let known = snapshot
            .settings
            .values()
            .filter(|entry| entry.value().is_some())
            .count();
        let firmware = snapshot
            .value(SettingName::FIRMWARE)
            .map(|version| format!(", firmware {version}"))
            .unwrap_or_default();
        self.screen.step(
            "read",
            Tone::Good,
            &format!("{}: {known} settings{firmware}", render::title(snapshot)),
        );
        let verdict = judge(snapshot, &self.expectation);
        let tone = verdict_tone(verdict.condition);
        let first = verdict
            .findings
            .first()
            .map(|f| format!(": {}", f.text))
            .unwrap_or_default();
        self.screen.step(
            "verdict",
            tone,
            &format!("{}{first}", verdict.condition.word()),
        );
    }

    fn noted(&self, step: &Step) {
        match step {
            Step::Writing { save, .. } => {
                self.screen.step(
                    "write",
                    Tone::Plain,
                    &format!("sending `{save}`: what is planned, and all else as it was read"),
                );
            }
            Step::ReadBack { holds: true, .. } => {
                self.screen
                    .step("read back", Tone::Good, "as planned, nothing else moved");
            }
            Step::ReadBack {
                holds: false,
                differs,
            } => {
                self.screen.step("read back", Tone::Bad, differs);
            }
            Step::Proved {
                restarted,
                holds: true,
                ..
            } => {
                let how = if *restarted {
                    "read after a witnessed restart"
                } else if self.profile.restart.is_some() {
                    "read back, but no restart was witnessed"
                } else {
                    "read back"
                };
                let tone = if *restarted || self.profile.restart.is_none() {
                    Tone::Good
                } else {
                    Tone::Careful
                };
                self.screen.step("proof", tone, how);
            }
            Step::Proved {
                holds: false,
                differs,
                ..
            } => {
                self.screen.step("proof", Tone::Bad, differs);
            }
            _ => {}
        }
    }

    fn wait(&mut self, wait: &Wait) {
        let (from, to) = wait.usual_s;
        let expected = seconds::range(from / self.speed, to / self.speed);
        let (text, usual) = if wait.by_hand {
            ("power it off and on now", "until it is there again".into())
        } else if to > 0.0 {
            (
                "it restarts; keep air over it",
                format!("usually back after {expected}"),
            )
        } else {
            ("for it to answer again", String::new())
        };
        let line = if usual.is_empty() {
            text.into()
        } else {
            format!("{text}; {usual}")
        };
        self.screen.step("wait", Tone::Plain, &line);
        self.waiting = Some((self.screen.busy(format!("waited; {usual}")), Instant::now()));
    }
}

/// The colour of a verdict.
pub(super) fn verdict_tone(condition: Condition) -> Tone {
    match condition {
        Condition::Healthy => Tone::Good,
        Condition::Unknown => Tone::Careful,
        _ => Tone::Bad,
    }
}

impl Watch for Steps {
    fn before(&mut self, action: &Action) {
        if matches!(action, Action::Save(_) | Action::Restart) {
            self.wrote.set();
        }
        match action {
            Action::Read if self.reads == 1 => {
                self.screen.step(
                    "read again",
                    Tone::Plain,
                    "is it still the same, and unchanged?",
                );
            }
            Action::Note(step) => self.noted(step),
            Action::Await(wait) => self.wait(wait),
            Action::Restart => {
                self.screen
                    .step("restart", Tone::Plain, "asking it to restart");
            }
            _ => {}
        }
        self.busy = match action {
            Action::Read => Some(self.screen.busy("reading")),
            Action::Save(_) | Action::Restart => Some(self.screen.busy("sending")),
            _ => None,
        };
    }

    fn after(&mut self, event: &Event) {
        self.busy = None;
        match event {
            Event::Read(Ok(snapshot)) => self.read(snapshot),
            Event::Read(Err(trouble)) => self.screen.step("read", Tone::Bad, &trouble.message),
            Event::Kept(Ok(())) => {
                self.screen
                    .step("kept", Tone::Good, "what was there is on disk");
            }
            Event::Sent(sent) => {
                let tone = match sent {
                    Sent::Answered(_) => Tone::Good,
                    Sent::NoAnswer(_) => Tone::Careful,
                    Sent::Refused(_) | Sent::NotSent(_) => Tone::Bad,
                };
                self.screen.step("", tone, &sent.words());
            }
            Event::Back(back) => {
                let waited = self.waiting.take();
                let took = waited.map_or(0.0, |(_, since)| since.elapsed().as_secs_f64());
                let (tone, text) = match (back.gone, back.there) {
                    (true, true) => (
                        Tone::Good,
                        format!("gone, and back after {}", seconds::exact(took)),
                    ),
                    (false, true) => (Tone::Careful, "it answers, and was never gone".to_owned()),
                    (_, false) => (
                        Tone::Bad,
                        format!("not back after {}", seconds::exact(took)),
                    ),
                };
                self.screen.step("", tone, &text);
            }
            _ => self.waiting = None,
        }
    }
}
