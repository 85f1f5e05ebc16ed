//! Asks the person at the terminal; without one, or with `--json`, nobody is asked.

use std::sync::Arc;

use super::{
    ask::{self, Asked},
    render::{self, Fingerprint},
    screen::{Screen, Tone},
    seconds,
};
use crate::{
    change::{
        Direction, Plan, PlanLine,
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
            Question::BindMode => {
                if self.yes {
                    return Answer::Yes;
                }
                let screen = self.screen.asking();
                screen.remark(Tone::Careful, MODE_CAUTION);
                screen.remark(Tone::Careful, CAUTION);
                self.confirm("Start bind mode?").await
            }
            Question::Write {
                direction,
                plan,
                takes_s,
                warnings,
                by_rules,
            } => {
                let screen = if self.yes {
                    self.screen
                } else {
                    self.screen.asking()
                };
                self.show(screen, *direction, plan, *takes_s, warnings);
                if let Some(line) = by_rules {
                    return self.typed_consent(line).await;
                }
                if self.yes {
                    return Answer::Yes;
                }
                for caution in cautions(plan) {
                    screen.remark(Tone::Careful, caution);
                }
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

    /// What local rules set is agreed to by typing its new value; no flag stands for that.
    async fn typed_consent(&self, line: &PlanLine) -> Answer {
        if self.yes {
            return Answer::Nobody(format!(
                "--yes does not agree to `{}`, which local rules set",
                line.setting
            ));
        }
        if let Some(nobody) = self.nobody() {
            return nobody;
        }
        let screen = self.screen.asking();
        screen.remark(Tone::Careful, RULES_CAUTION);
        screen.remark(Tone::Careful, CAUTION);
        let wanted = line.after.to_string();
        let question = format!("Type {wanted} to agree, anything else leaves it as it is:");
        match ask::text(question, |typed| Ok(typed.to_owned())).await {
            Ok(Asked::Answer(said)) if said == wanted => Answer::Yes,
            Ok(_) => Answer::No,
            Err(error) => Answer::Nobody(format!("the terminal did not answer ({error})")),
        }
    }

    /// Why nobody can be asked; none: somebody can.
    fn nobody(&self) -> Option<Answer> {
        let why = if self.screen.can_ask() {
            return None;
        } else if self.screen.json {
            "with --json nobody is asked"
        } else {
            "there is no terminal to ask at"
        };
        Some(Answer::Nobody(why.into()))
    }

    async fn confirm(&self, question: &str) -> Answer {
        if let Some(nobody) = self.nobody() {
            return nobody;
        }
        match ask::confirm(question).await {
            Ok(true) => Answer::Yes,
            Ok(false) => Answer::No,
            Err(error) => Answer::Nobody(format!("the terminal did not answer ({error})")),
        }
    }
}

/// What is to be known before this plan is written.
fn cautions(plan: &Plan) -> Vec<&'static str> {
    let has = |found: &dyn Fn(&PlanLine) -> bool| plan.lines.iter().any(found);
    let mut cautions = Vec::new();
    if has(&|line| line.setting == *SettingName::MODEL_LOCK && line.after == Value::Off) {
        cautions.push(LOCK_CAUTION);
    }
    if has(&|line| line.setting == *SettingName::BIND_KEY && line.after == Value::Absent) {
        cautions.push(UNBOUND_CAUTION);
    } else if has(&|line| line.setting == *SettingName::BIND_KEY) {
        cautions.push(KEY_CAUTION);
    }
    cautions.push(CAUTION);
    if has(&|line| MOVES.contains(&line.setting.as_str())) {
        cautions.push(OUTPUT_CAUTION);
    }
    cautions
}

/// Settings of which a new value reaches what hangs on the wires.
const MOVES: [&str; 6] = [
    "output",
    "output-inverted",
    "output-rate",
    "channel-order",
    "failsafe",
    "failsafe-positions",
];

/// Common practice, no source.
const LOCK_CAUTION: &str = "A lock may be there on purpose: clubs run one bind key with another \
                            lock for every craft. Without it every transmitter with that key \
                            drives this one.";

/// The usual cautions, before anything is written.
const CAUTION: &str = "Propulsion off or propellers removed; powered from USB or a bench supply if \
                       it can be; air over it while it waits.";

/// Common practice, no source.
const OUTPUT_CAUTION: &str =
    "A changed output can move a servo or a motor at once: keep clear of it.";

/// Common practice, no source.
const KEY_CAUTION: &str = "A bind key and a model lock are a pair: with another key look at the lock \
                           too. While it holds a key, it does not take part in ordinary binding.";

/// Common practice, no source.
const UNBOUND_CAUTION: &str =
    "Without its bind key it follows no transmitter until it is bound again.";

/// Common practice, no source.
const MODE_CAUTION: &str = "In bind mode it takes the key of any transmitter that binds nearby: keep \
                            all but yours switched off.";

/// Common practice, no source.
const RULES_CAUTION: &str = "Region and transmit power are set by the rules of the place where it is \
                             operated and, where they ask for one, by a licensed operator. Whoever \
                             sets them answers for them.";
