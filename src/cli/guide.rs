//! One question with its list, its explanation, and a way out.

use std::io;

use super::{
    ask::{self, Asked},
    context::Context,
    failure::Failure,
    screen::{Screen, Tone},
};
use crate::change::Trouble;

/// Leads through the questions.
pub(crate) struct Guide<'a> {
    /// What every command needs.
    pub context: &'a Context,
}

impl<'a> Guide<'a> {
    /// Leads at this terminal.
    pub(crate) fn new(context: &'a Context) -> Self {
        Self { context }
    }

    /// Where it is shown.
    pub(crate) fn screen(&self) -> Screen {
        self.context.screen
    }

    /// A remark on the way.
    pub(crate) fn remark(&self, tone: Tone, text: &str) {
        self.screen().remark(tone, text);
    }

    /// A title after an empty line.
    pub(crate) fn title(&self, text: &str) {
        self.screen().remark(Tone::Plain, "");
        self.screen().remark(Tone::Strong, text);
    }

    /// A list of things to look at, below a title.
    pub(crate) fn list(&self, title: &str, items: &[impl AsRef<str>]) {
        self.title(title);
        for item in items {
            self.screen().item("-", item.as_ref());
        }
    }

    /// Which one of a list, counted from 0.
    pub(crate) async fn choose(
        &self,
        title: &str,
        items: &[impl AsRef<str>],
        help: &str,
    ) -> Result<usize, Failure> {
        self.title(title);
        loop {
            for (number, item) in (1..).zip(items) {
                self.screen().item(&format!("{number}"), item.as_ref());
            }
            let most = u32::try_from(items.len()).unwrap_or(u32::MAX);
            let prompt = ask::number("Which one?", (1, most));
            if let Some(number) = self.ask(prompt, help).await? {
                return Ok(number.saturating_sub(1) as usize);
            }
        }
    }

    /// Yes or no; no is what Enter alone says.
    pub(crate) async fn agree(&self, question: &str, help: &str) -> Result<bool, Failure> {
        loop {
            if let Some(yes) = self.ask(ask::agree(question), help).await? {
                return Ok(yes);
            }
        }
    }

    /// A short text that `check` takes, or says why not.
    pub(crate) async fn text<T: Send + 'static>(
        &self,
        question: &str,
        help: &str,
        check: impl Fn(&str) -> Result<T, String> + Clone + Send + 'static,
    ) -> Result<T, Failure> {
        loop {
            let prompt = ask::text(question, check.clone());
            if let Some(taken) = self.ask(prompt, help).await? {
                return Ok(taken);
            }
        }
    }

    /// Asks once; none: an explanation was wanted, and given.
    async fn ask<T>(
        &self,
        prompt: impl Future<Output = io::Result<Asked<T>>>,
        help: &str,
    ) -> Result<Option<T>, Failure> {
        let asked = async { prompt.await.map_err(|error| no_answer(&error)) };
        match self.context.or_stopped(asked).await? {
            Asked::Answer(answer) => Ok(Some(answer)),
            Asked::Left => Err(Failure::Stopped),
            Asked::Help => {
                self.screen().item(" ", help);
                Ok(None)
            }
        }
    }
}

fn no_answer(error: &io::Error) -> Failure {
    Failure::Trouble(Trouble::new(
        "no-terminal",
        format!("the terminal did not answer: {error}"),
        Some("every step has a command of its own, see `linkmend --help`"),
    ))
}
