//! The prompts: yes or no, one of a list, a number, a text, a text that is not shown.
//!
//! `dialoguer`'s own prompts wait for ever after a Ctrl-D and leave the cursor hidden after a
//! Ctrl-C, so the keys are read here. Each prompt is one line that is drawn again, and a list stands
//! above it as plain text: that works at any width, without colours, and on a slow terminal.
//!
//! The terminal shows nothing that is typed while a prompt is open but what the prompt itself shows,
//! and what was typed before it opened is thrown away: an impatient Enter answers no question that
//! nobody has read. Whether there is a terminal at all is for the caller to ask
//! ([`super::screen::Screen::can_ask`]).

mod field;

use std::{
    io::{self, ErrorKind},
    os::fd::AsFd,
};

use dialoguer::console::{Term, measure_text_width};
use nix::sys::{
    signal::{Signal, raise},
    termios::{
        InputFlags, LocalFlags, SetArg, SpecialCharacterIndices as Char, Termios, tcgetattr,
        tcsetattr,
    },
};
use secrecy::SecretString;

use field::{Field, Pressed, Takes};

use super::screen::{width, wrap};

/// What came of a prompt. A Ctrl-C is none: the future never ends then, since the wish to stop comes
/// by itself and the caller is dropped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Asked<T> {
    /// This was answered.
    Answer(T),
    /// An explanation is wanted; only where it was offered.
    Help,
    /// Escape, or Ctrl-D.
    Left,
}

/// Asks yes or no: `y` and Enter is yes; Enter alone, `n`, Escape and Ctrl-D are no.
///
/// # Errors
/// When the terminal does not answer.
pub(crate) async fn confirm(question: impl Into<String>) -> io::Result<bool> {
    let prompt = Prompt::new(format!("{} [y/N]", question.into()), Takes::YesNo, false);
    Ok(prompt.ask(yes_or_no).await? == Asked::Answer(true))
}

/// The same, where leaving is more than a no and `?` asks for an explanation.
///
/// # Errors
/// When the terminal does not answer.
pub(crate) async fn agree(question: impl Into<String>) -> io::Result<Asked<bool>> {
    let question = format!("{} [y/N, ? for help]", question.into());
    Prompt::new(question, Takes::YesNo, true)
        .ask(yes_or_no)
        .await
}

/// Asks for a number of a closed range; `?` asks for an explanation.
///
/// # Errors
/// When the terminal does not answer.
pub(crate) async fn number(
    question: impl Into<String>,
    (from, to): (u32, u32),
) -> io::Result<Asked<u32>> {
    let question = format!("{} [{from} to {to}, ? for help]", question.into());
    Prompt::new(question, Takes::Number { from, to }, true)
        .ask(move |typed| match typed.parse() {
            Ok(number) if (from..=to).contains(&number) => Ok(number),
            _ => Err(format!("a number from {from} to {to}, please")),
        })
        .await
}

/// Asks for a short text, which `check` takes or says why not; `?` as its first character asks for an
/// explanation. Enter alone hands an empty text to `check`.
///
/// # Errors
/// When the terminal does not answer.
pub(crate) async fn text<T: Send + 'static>(
    question: impl Into<String>,
    check: impl Fn(&str) -> Result<T, String> + Send + 'static,
) -> io::Result<Asked<T>> {
    let prompt = Prompt::new(question.into(), Takes::Text, true);
    prompt.ask(move |typed| check(typed.trim())).await
}

/// Asks for a text of which nothing is shown, such as a password; it may be empty. None: left by
/// Escape or Ctrl-D.
///
/// # Errors
/// When the terminal does not answer.
pub(crate) async fn hidden(question: impl Into<String>) -> io::Result<Option<SecretString>> {
    let question = format!("{} (not shown)", question.into());
    let prompt = Prompt::new(question, Takes::Hidden, false);
    Ok(
        match prompt.ask(|typed| Ok(SecretString::from(typed))).await? {
            Asked::Answer(text) => Some(text),
            Asked::Help | Asked::Left => None,
        },
    )
}

#[expect(clippy::unnecessary_wraps, reason = "the shape of every check")]
fn yes_or_no(typed: &str) -> Result<bool, String> {
    Ok(typed == "y")
}

/// One question and what it takes.
struct Prompt {
    question: String,
    takes: Takes,
    helps: bool,
}

impl Prompt {
    fn new(question: String, takes: Takes, helps: bool) -> Self {
        Self {
            question,
            takes,
            helps,
        }
    }

    /// Asks until `check` takes what was typed.
    async fn ask<T: Send + 'static>(
        self,
        check: impl Fn(&str) -> Result<T, String> + Send + 'static,
    ) -> io::Result<Asked<T>> {
        let asked = tokio::task::spawn_blocking(move || self.ask_now(&Term::stderr(), check));
        match asked.await {
            Ok(Err(error)) if error.kind() == ErrorKind::Interrupted => {
                std::future::pending().await
            }
            Ok(answer) => answer,
            Err(error) => Err(io::Error::other(error)),
        }
    }

    fn ask_now<T>(
        self,
        term: &Term,
        check: impl Fn(&str) -> Result<T, String>,
    ) -> io::Result<Asked<T>> {
        let _quiet = Quiet::new()?;
        let mut lines = wrap(&self.question, width());
        let mut last = lines.pop().unwrap_or_default();
        if room_after(&last) < self.takes.room() {
            lines.push(std::mem::replace(&mut last, ">".into()));
        }
        for line in lines {
            term.write_line(&line)?;
        }
        let mut field = Field::new(self.takes, self.helps);
        loop {
            show(term, &last, field.shown())?;
            let key = match term.read_key_raw() {
                // Some signal that was not for us; a Ctrl-C comes as a key.
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                key => key?,
            };
            match field.press(&key) {
                Pressed::Stay => {}
                Pressed::Enter => match check(field.typed()) {
                    Ok(answer) => {
                        if self.takes == Takes::YesNo {
                            let yes = field.typed() == "y";
                            show(term, &last, if yes { "yes" } else { "no" })?;
                        }
                        term.write_line("")?;
                        return Ok(Asked::Answer(answer));
                    }
                    Err(why) => {
                        term.write_line("")?;
                        for line in wrap(&why, width()) {
                            term.write_line(&line)?;
                        }
                        field.again();
                    }
                },
                // The question stays on its line.
                Pressed::Help => {
                    term.write_line("")?;
                    return Ok(Asked::Help);
                }
                Pressed::Leave => {
                    if self.takes == Takes::YesNo {
                        show(term, &last, "no")?;
                    }
                    term.write_line("")?;
                    return Ok(Asked::Left);
                }
                Pressed::Stop => {
                    term.write_line("")?;
                    raise(Signal::SIGINT)?;
                    return Err(ErrorKind::Interrupted.into());
                }
            }
        }
    }
}

/// Columns that are left behind a question, one of them for the cursor.
fn room_after(question: &str) -> usize {
    width().saturating_sub(measure_text_width(question) + 2)
}

/// Draws the line again. Of a long text the end is shown: a line that wraps could not be cleared.
fn show(term: &Term, question: &str, typed: &str) -> io::Result<()> {
    let room = room_after(question);
    let mut tail = typed;
    while measure_text_width(tail) > room {
        let mut chars = tail.chars();
        chars.next();
        tail = chars.as_str();
    }
    term.clear_line()?;
    term.write_str(&format!("{question} {tail}"))
}

/// The terminal hands over each key and shows none, as long as this is held. What the keys of other
/// reads would do in between is thus the same as in them.
struct Quiet {
    found: Termios,
}

impl Quiet {
    fn new() -> io::Result<Self> {
        let stdin = io::stdin();
        let found = tcgetattr(stdin.as_fd())?;
        let mut raw = found.clone();
        raw.local_flags
            .remove(LocalFlags::ECHO | LocalFlags::ICANON | LocalFlags::ISIG | LocalFlags::IEXTEN);
        raw.input_flags
            .remove(InputFlags::ICRNL | InputFlags::IXON | InputFlags::INLCR | InputFlags::IGNCR);
        raw.control_chars[Char::VMIN as usize] = 1;
        raw.control_chars[Char::VTIME as usize] = 0;
        tcsetattr(stdin.as_fd(), SetArg::TCSAFLUSH, &raw)?;
        Ok(Self { found })
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        // A terminal that is gone needs no putting back.
        let _ = tcsetattr(io::stdin().as_fd(), SetArg::TCSADRAIN, &self.found);
    }
}
