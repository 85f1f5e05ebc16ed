//! Asks the person at the terminal; without one, or with `--json`, nobody is asked.

use std::sync::Arc;

use super::{
    ask,
    render::{self, Fingerprint},
    screen::{Screen, Tone},
    seconds,
};
use crate::{
    change::{
        Direction, Plan,
        ports::{Answer, Consent, Question},
    },
    profile::Profile,
    terms::{SettingName, Value},
};

/// The person at the terminal.
pub(super) struct Person<'a> {
    /// Where it is asked.
    pub screen: Screen,
    /// `--yes` was given.
    pub yes: bool,
    /// How the device's settings are called.
    pub profile: Arc<Profile>,
    /// How secrets are shown.
    pub fingerprint: Fingerprint<'a>,
    /// How many times faster than the real thing the device is; 1 unless it is simulated.
    pub speed: f64,
}

impl Consent for Person<'_> {
    async fn ask(&mut self, question: &Question) -> Answer {
        match question {
            Question::OnlyAddress(identity) => {
                self.screen.asking().remark(
                    Tone::Careful,
                    &format!(
                        "Nothing but its address ({identity}) tells this receiver from another of \
                         its family."
                    ),
                );
                self.confirm("Is it the only one that is powered?").await
            }
            Question::Write {
                direction,
                plan,
                takes_s,
                warnings,
            } => {
                if self.yes {
                    self.show(self.screen, *direction, plan, *takes_s, warnings);
                    return Answer::Yes;
                }
                let screen = self.screen.asking();
                self.show(screen, *direction, plan, *takes_s, warnings);
                if clears_a_lock(plan) {
                    screen.remark(Tone::Careful, LOCK_CAUTION);
                }
                screen.remark(Tone::Careful, CAUTION);
                self.confirm(if plan.saves.is_empty() {
                    "Restart it to prove the change?"
                } else {
                    "Write this?"
                })
                .await
            }
        }
    }
}

impl Person<'_> {
    fn show(
        &self,
        screen: Screen,
        direction: Direction,
        plan: &Plan,
        takes_s: Option<(f64, f64)>,
        warnings: &[String],
    ) {
        let word = match direction {
            Direction::There => "plan",
            Direction::Back => "put back",
        };
        for line in &plan.lines {
            let text = render::plan_line(line, &self.profile, self.fingerprint);
            screen.step(word, Tone::Careful, &text);
        }
        if let Some((from, to)) = takes_s {
            let text = format!(
                "it restarts and is back after {}",
                seconds::range(from / self.speed, to / self.speed)
            );
            screen.step("", Tone::Plain, &text);
        }
        for warning in warnings {
            screen.step("careful", Tone::Careful, warning);
        }
    }

    async fn confirm(&self, question: &str) -> Answer {
        if !self.screen.can_ask() {
            let why = if self.screen.json {
                "with --json nobody is asked"
            } else {
                "there is no terminal to ask at"
            };
            return Answer::Nobody(why.into());
        }
        match ask::confirm(question).await {
            Ok(true) => Answer::Yes,
            Ok(false) => Answer::No,
            Err(error) => Answer::Nobody(format!("the terminal did not answer ({error})")),
        }
    }
}

fn clears_a_lock(plan: &Plan) -> bool {
    let mut lines = plan.lines.iter();
    lines.any(|line| line.setting == *SettingName::MODEL_LOCK && line.after == Value::Off)
}

/// Common practice, no source.
const LOCK_CAUTION: &str = "A lock may be there on purpose: clubs run one bind key with another \
                            lock for every craft. Without it every transmitter with that key \
                            drives this one.";

/// The usual cautions, before anything is written.
const CAUTION: &str = "Propulsion off or propellers removed; powered from USB or a bench supply if \
                       it can be; air over it while it waits. A changed output can move a servo or \
                       a motor at once.";
