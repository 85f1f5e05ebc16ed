//! A line that a person types at the terminal, shown or hidden, and secrets that are typed twice.
//!
//! The terminal is switched once for the whole line and back at its end, so that nothing that is
//! typed or pasted ahead is ever echoed, and what is left of it does not reach the shell. Escape
//! and Ctrl-D give the line up; Ctrl-C asks the program to stop.

use std::{
    io::{Error, ErrorKind, Write},
    os::fd::AsFd,
};

use nix::{
    poll::{PollFd, PollFlags, PollTimeout, poll},
    sys::{
        signal::{Signal, raise},
        termios::{LocalFlags, SetArg, SpecialCharacterIndices, Termios, tcgetattr, tcsetattr},
    },
};

use super::{context::Context, failure::Failure, screen::Tone};
use crate::{
    change::Trouble,
    terms::{Exit, untrusted::acts_on_a_screen},
};

/// Whether what is typed is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shown {
    /// As it is typed.
    Yes,
    /// Not at all, not even its length.
    No,
}

/// Asks for a secret, hidden and twice, until both are alike and it is one, at most three times.
/// `file` is what gives it without a terminal, for the message.
pub(super) async fn secret<T>(
    context: &Context,
    what: &str,
    file: &str,
    take: impl Fn(&str) -> Result<T, String>,
) -> Result<T, Failure> {
    for _ in 0..ATTEMPTS {
        let first = hidden(context, what, file).await?;
        let taken = match take(&first) {
            Ok(taken) => taken,
            Err(why) => {
                context.screen.asking().remark(Tone::Careful, &why);
                continue;
            }
        };
        if hidden(context, &format!("{what}, again"), file).await? == first {
            return Ok(taken);
        }
        let differ = "The two are not the same.";
        context.screen.asking().remark(Tone::Careful, differ);
    }
    Err(Failure::Trouble(
        Trouble::new(
            "not-entered",
            format!("{ATTEMPTS} times nothing that could be used was typed; nothing was written"),
            Some("begin again, or put it in a file"),
        )
        .ending(Exit::Refused),
    ))
}

/// Asks for a secret, hidden and once.
pub(super) async fn hidden(context: &Context, what: &str, file: &str) -> Result<String, Failure> {
    if !context.screen.can_ask() {
        let message = if context.screen.json {
            "with --json nobody is asked for a secret"
        } else {
            "there is no terminal to ask for a secret at"
        };
        let help = format!("give it in a file: {file}");
        return Err(Failure::Trouble(
            Trouble::new("no-terminal", message, Some(&help)).ending(Exit::Refused),
        ));
    }
    let typed = context.or_stopped(async {
        line(format!("{what}: "), Shown::No).await.map_err(|error| {
            let message = format!("the terminal did not answer ({error}); nothing was written");
            Failure::Trouble(Trouble::new("no-terminal", message, None).ending(Exit::Refused))
        })
    });
    typed.await?.ok_or_else(|| {
        let message = "given up; nothing was written";
        Failure::Trouble(Trouble::new("declined", message, None).ending(Exit::Refused))
    })
}

/// Asks for one line at the terminal; none: it was given up. After a Ctrl-C it never returns: the
/// wish to stop comes by itself, and the caller is dropped.
pub(super) async fn line(prompt: String, shown: Shown) -> std::io::Result<Option<String>> {
    match tokio::task::spawn_blocking(move || line_now(&prompt, shown)).await {
        Ok(Err(error)) if error.kind() == ErrorKind::Interrupted => std::future::pending().await,
        Ok(line) => line,
        Err(error) => Err(Error::other(error)),
    }
}

fn line_now(prompt: &str, shown: Shown) -> std::io::Result<Option<String>> {
    // Before the prompt is there: whoever waits for it may type at once.
    let raw = Raw::new()?;
    let mut screen = std::io::stderr();
    write!(screen, "{prompt}")?;
    screen.flush()?;
    let ended = edit(shown, &mut screen);
    writeln!(screen)?;
    drop(raw);
    match ended? {
        End::Line(line) => Ok(Some(line)),
        End::GivenUp => Ok(None),
        End::Stopped => {
            raise(Signal::SIGINT)?;
            Err(ErrorKind::Interrupted.into())
        }
    }
}

enum End {
    Line(String),
    GivenUp,
    Stopped,
}

fn edit(shown: Shown, screen: &mut impl Write) -> std::io::Result<End> {
    let mut line = String::new();
    let rub_out = |screen: &mut dyn Write, count: usize| -> std::io::Result<()> {
        if shown == Shown::Yes {
            write!(screen, "{}", "\u{8} \u{8}".repeat(count))?;
            screen.flush()?;
        }
        Ok(())
    };
    loop {
        match next()? {
            Typed::Char('\r' | '\n') => return Ok(End::Line(line)),
            Typed::Char('\u{3}') => return Ok(End::Stopped),
            Typed::Char('\u{4}') | Typed::Escape | Typed::Closed => return Ok(End::GivenUp),
            Typed::Char('\u{7f}' | '\u{8}') => {
                if line.pop().is_some() {
                    rub_out(screen, 1)?;
                }
            }
            // Ctrl-U takes all of it back.
            Typed::Char('\u{15}') => {
                rub_out(screen, line.chars().count())?;
                line.clear();
            }
            Typed::Char(c) if !acts_on_a_screen(c) && line.len() < LONGEST => {
                line.push(c);
                if shown == Shown::Yes {
                    write!(screen, "{c}")?;
                    screen.flush()?;
                }
            }
            Typed::Char(_) | Typed::Key => {}
        }
    }
}

/// What came from the keyboard.
enum Typed {
    Char(char),
    /// Escape by itself.
    Escape,
    /// A key that is told as a sequence, such as an arrow.
    Key,
    /// Nothing comes any more.
    Closed,
}

fn next() -> std::io::Result<Typed> {
    let Some(first) = byte()? else {
        return Ok(Typed::Closed);
    };
    if first == 0x1b {
        if !more_comes()? {
            return Ok(Typed::Escape);
        }
        while more_comes()? {
            byte()?;
        }
        return Ok(Typed::Key);
    }
    let length = match first {
        0xc2..=0xdf => 2,
        0xe0..=0xef => 3,
        0xf0..=0xf4 => 4,
        _ => 1,
    };
    let mut bytes = vec![first];
    while bytes.len() < length {
        match byte()? {
            Some(next) => bytes.push(next),
            None => break,
        }
    }
    let text = String::from_utf8_lossy(&bytes);
    Ok(Typed::Char(text.chars().next().unwrap_or('\u{fffd}')))
}

/// One byte, past the buffer of the library: what is asked with other means must find the rest.
fn byte() -> std::io::Result<Option<u8>> {
    let mut byte = [0];
    let read = nix::unistd::read(std::io::stdin(), &mut byte)?;
    Ok((read == 1).then_some(byte[0]))
}

/// Whether the rest of a key's sequence is there: it comes at once or not at all.
fn more_comes() -> std::io::Result<bool> {
    let stdin = std::io::stdin();
    let mut waiting = [PollFd::new(stdin.as_fd(), PollFlags::POLLIN)];
    Ok(poll(&mut waiting, PollTimeout::from(SEQUENCE_MS))? > 0)
}

/// The terminal without echo, line by line no more, until it is dropped.
struct Raw(Termios);

impl Raw {
    fn new() -> std::io::Result<Self> {
        let before = tcgetattr(std::io::stdin())?;
        let mut raw = before.clone();
        raw.local_flags -=
            LocalFlags::ECHO | LocalFlags::ICANON | LocalFlags::ISIG | LocalFlags::IEXTEN;
        raw.control_chars[SpecialCharacterIndices::VMIN as usize] = 1;
        raw.control_chars[SpecialCharacterIndices::VTIME as usize] = 0;
        tcsetattr(std::io::stdin(), SetArg::TCSAFLUSH, &raw)?;
        Ok(Self(before))
    }
}

impl Drop for Raw {
    fn drop(&mut self) {
        let _ = tcsetattr(std::io::stdin(), SetArg::TCSAFLUSH, &self.0);
    }
}

/// How often a secret may be typed that is none.
const ATTEMPTS: usize = 3;
/// Longest line, in bytes; no setting is longer.
const LONGEST: usize = 16 * 1024;
/// How long the bytes of one key may be apart, in ms: common practice, no source.
const SEQUENCE_MS: u8 = 50;
