//! The one place that prints. Results go to stdout, everything else to stderr.

use std::{
    fmt::Write as _,
    io::{ErrorKind, IsTerminal, Write},
    sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError},
    time::Duration,
};

use anstyle::{AnsiColor, Style};
use indicatif::{
    ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle, TermLike, style::TemplateError,
};

use super::narrow::{Narrow, Rows};
use crate::{profile::Faults, terms::untrusted::acts_on_a_screen};

/// What a line is about, which decides its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    /// Nothing special.
    Plain,
    /// It went as it should.
    Good,
    /// Worth a second look.
    Careful,
    /// It did not.
    Bad,
    /// Less important than the rest.
    Faint,
    /// What the lines below it are about.
    Strong,
}

impl Tone {
    fn style(self) -> Style {
        match self {
            Tone::Plain => Style::new(),
            Tone::Good => AnsiColor::Green.on_default(),
            Tone::Careful => AnsiColor::Yellow.on_default(),
            Tone::Bad => AnsiColor::Red.on_default().bold(),
            Tone::Faint => Style::new().dimmed(),
            Tone::Strong => Style::new().bold(),
        }
    }

    /// Text in this tone. Colours are taken out again where they are not wanted.
    pub(crate) fn paint(self, text: &str) -> String {
        let style = self.style();
        format!("{style}{text}{style:#}")
    }
}

/// How much is shown.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Screen {
    /// One JSON object on stdout and nothing else there.
    pub json: bool,
    quiet: bool,
}

#[expect(
    clippy::unused_self,
    reason = "all printing goes through the one value"
)]
impl Screen {
    /// Sets colours for the whole process: off when asked, when `NO_COLOR` is set, or when it is
    /// no terminal.
    pub(crate) fn new(json: bool, quiet: bool, no_color: bool) -> Self {
        if no_color {
            anstream::ColorChoice::Never.write_global();
        }
        Self { json, quiet }
    }

    /// A line of the result. On a terminal a long one goes on below its own beginning; elsewhere it
    /// stays one line, for programs that read lines.
    pub(crate) fn result(self, line: &str) {
        if self.json {
            return;
        }
        if !std::io::stdout().is_terminal() || shown_width(line) <= width() {
            to_stdout(line);
            return;
        }
        let indent = line.len() - line.trim_start().len();
        let room = width().saturating_sub(indent + 2);
        for (number, part) in wrap(line.trim_start(), room).iter().enumerate() {
            let more = if number == 0 { 0 } else { 2 };
            to_stdout(&format!("{:width$}{part}", "", width = indent + more));
        }
    }

    /// A line of the result behind a mark that takes so many columns; on a terminal a long one goes
    /// on below its own beginning.
    pub(crate) fn hanging(self, mark: &str, column: usize, text: &str) {
        if self.json {
            return;
        }
        let room = if std::io::stdout().is_terminal() {
            width().saturating_sub(column)
        } else {
            usize::MAX
        };
        for (number, part) in wrap(text, room).iter().enumerate() {
            if number == 0 {
                to_stdout(&format!("{mark}{part}"));
            } else {
                to_stdout(&format!("{:column$}{part}", ""));
            }
        }
    }

    /// The one JSON object.
    pub(crate) fn object(self, object: &impl serde::Serialize) {
        match serde_json::to_string(object) {
            Ok(text) => to_stdout(&escape_for_screens(&text)),
            Err(error) => to_stderr(&format!("the result could not be written as JSON: {error}")),
        }
    }

    /// A document that is itself the result, whether or not `--json` was given.
    pub(crate) fn document(self, document: &serde_json::Value) {
        to_stdout(&escape_for_screens(&format!("{document:#}")));
    }

    /// A text that is itself the result, line by line as it is.
    pub(crate) fn text(self, text: &str) {
        to_stdout(text.trim_end());
    }

    /// The faults of a profile, with the lines in question and carets.
    pub(crate) fn picture(self, faults: &Faults) {
        let choice = anstream::AutoStream::choice(&std::io::stderr());
        let colour = choice != anstream::ColorChoice::Never;
        to_stderr(faults.picture(colour, width()).trim_end());
    }

    /// The same screen, quiet or not: what belongs to a question is always shown.
    pub(crate) fn asking(self) -> Self {
        Self {
            quiet: false,
            ..self
        }
    }

    /// A step on the way.
    pub(crate) fn step(self, word: &str, tone: Tone, text: &str) {
        if !self.quiet && !self.json {
            for (number, line) in wrap(text, width().saturating_sub(STEP_COLUMN))
                .iter()
                .enumerate()
            {
                let word = if number == 0 { word } else { "" };
                let word = tone.paint(&format!("{word:<width$}", width = STEP_COLUMN - 3));
                to_stderr(&format!("  {word} {line}"));
            }
        }
    }

    /// A remark for a person, on the way.
    pub(crate) fn remark(self, tone: Tone, text: &str) {
        if !self.quiet && !self.json {
            for line in wrap(text, width()) {
                to_stderr(&tone.paint(&line));
            }
        }
    }

    /// One of a list, with its mark before it; a long one goes on below its own beginning.
    pub(crate) fn item(self, mark: &str, text: &str) {
        let column = mark.chars().count() + 4;
        for (number, line) in wrap(text, width().saturating_sub(column))
            .iter()
            .enumerate()
        {
            let mark = if number == 0 { mark } else { "" };
            to_stderr(&format!("  {mark:<width$}{line}", width = column - 2));
        }
    }

    /// What went wrong, or what to do about it: always on stderr, also when quiet.
    pub(crate) fn fault(self, word: &str, tone: Tone, text: &str) {
        for (number, line) in wrap(&format!("{word} {text}"), width()).iter().enumerate() {
            match line.strip_prefix(word) {
                Some(rest) if number == 0 => to_stderr(&format!("{}{rest}", tone.paint(word))),
                _ => to_stderr(line),
            }
        }
    }

    /// A wait that a person can watch, with what is waited for; without a terminal it draws
    /// nothing. It is gone when it is dropped.
    pub(crate) fn busy(self, text: impl Into<String>) -> Busy {
        let style = ProgressStyle::with_template("  {spinner} {elapsed} {wide_msg}");
        let busy = self.drawn(style, Box::new(Narrow::stderr()));
        busy.say(&text.into());
        busy
    }

    fn drawn(self, style: Result<ProgressStyle, TemplateError>, on: Box<dyn TermLike>) -> Busy {
        let bar = if self.quiet || self.json || !std::io::stderr().is_terminal() {
            ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden())
        } else {
            ProgressBar::with_draw_target(None, ProgressDrawTarget::term_like(on))
        };
        if let Ok(style) = style {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(200));
        drawn().push(bar.clone());
        Busy(bar)
    }

    /// Lines that go on living until what is given back is dropped, drawn anew several times a second
    /// for the columns and rows that there are; without a terminal nothing is drawn.
    pub(crate) fn table(
        self,
        lines: impl Fn(usize, usize) -> Vec<String> + Send + Sync + 'static,
    ) -> Busy {
        let lines = Arc::new(lines);
        let coloured =
            anstream::AutoStream::choice(&std::io::stderr()) != anstream::ColorChoice::Never;
        let table = move |_: &ProgressState, out: &mut dyn std::fmt::Write| {
            let room = Narrow::stderr();
            let lines = lines(room.width().into(), room.height().into()).join("\n");
            let _ = if coloured {
                out.write_str(&lines)
            } else {
                write!(out, "{}", anstream::adapter::strip_str(&lines))
            };
        };
        self.drawn(
            ProgressStyle::with_template("{table}").map(|style| style.with_key("table", table)),
            Box::new(Rows::stderr()),
        )
    }

    /// Whether nothing is shown on the way.
    pub(crate) fn is_silent(self) -> bool {
        self.quiet || self.json
    }

    /// Whether somebody can be asked: a terminal on both ends of the question, and no `--json`.
    pub(crate) fn can_ask(self) -> bool {
        !self.json && std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
    }
}

/// Something that takes a while.
pub(crate) struct Busy(ProgressBar);

impl Busy {
    /// Says something else.
    pub(crate) fn say(&self, text: &str) {
        self.0.set_message(text.to_owned());
    }

    /// Draws it anew, now.
    pub(crate) fn draw(&self) {
        self.0.tick();
    }

    /// Whether anybody sees it.
    pub(crate) fn is_drawn(&self) -> bool {
        !self.0.is_hidden()
    }
}

/// What is drawn now, the last one below. Whatever is printed goes above it.
static DRAWN: Mutex<Vec<ProgressBar>> = Mutex::new(Vec::new());

fn drawn() -> MutexGuard<'static, Vec<ProgressBar>> {
    DRAWN.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.finish_and_clear();
        drawn().retain(|bar| !bar.is_finished());
    }
}

/// The column at which the text of a step begins.
const STEP_COLUMN: usize = 15;

/// Columns of the screen, at most 100: longer lines are hard to read.
pub(crate) fn width() -> usize {
    let columns = std::env::var("COLUMNS")
        .ok()
        .and_then(|text| text.parse().ok());
    let (_, seen) = console_size();
    columns.unwrap_or(seen).clamp(40, 100)
}

fn console_size() -> (usize, usize) {
    let (rows, columns) = dialoguer::console::Term::stderr().size();
    (rows.into(), columns.into())
}

/// Breaks text at spaces so that no line is longer than `width` characters.
pub(crate) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for paragraph in text.split('\n') {
        let mut line = String::new();
        for word in paragraph.split(' ') {
            let longer = shown_width(&line) + 1 + shown_width(word);
            if !line.is_empty() && longer > width {
                lines.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        lines.push(line);
    }
    lines
}

/// Characters that take room: all but the colours.
fn shown_width(text: &str) -> usize {
    anstream::adapter::strip_str(text)
        .to_string()
        .chars()
        .count()
}

/// Escapes everything that acts on a screen, but for line ends and our own colours: whatever a
/// message holds, a path, a typed word or a library's text.
fn harmless(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        if let Some(colour) = colour_at(rest) {
            out.push_str(colour);
            rest = &rest[colour.len()..];
            continue;
        }
        if c != '\n' && acts_on_a_screen(c) {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
        rest = &rest[c.len_utf8()..];
    }
    out
}

/// The SGR sequence (ECMA-48, 8.3.117) with which a text begins.
fn colour_at(text: &str) -> Option<&str> {
    let inside = text.strip_prefix("\u{1b}[")?;
    let end = inside.find(|c: char| !(c.is_ascii_digit() || c == ';'))?;
    inside[end..].starts_with('m').then(|| &text[..end + 3])
}

/// JSON escapes C0 by nature; everything else that acts on a screen is escaped here. A line end is
/// never part of a JSON string, only of a document that is laid out over lines.
fn escape_for_screens(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, c| {
        if c != '\n' && acts_on_a_screen(c) {
            let mut units = [0; 2];
            for unit in c.encode_utf16(&mut units) {
                let _ = write!(out, "\\u{unit:04x}");
            }
        } else {
            out.push(c);
        }
        out
    })
}

/// What clap has to say, on the stream that it belongs to.
pub(crate) fn clap_says(said: &clap::Error) {
    let text = said.render().ansi().to_string();
    if said.use_stderr() {
        to_stderr(text.trim_end());
    } else {
        to_stdout(text.trim_end());
    }
}

/// Clap's help where it was not asked for.
pub(crate) fn clap_helps(help: &clap::builder::StyledStr) {
    to_stderr(help.ansi().to_string().trim_end());
}

/// Why the result could not be written to stdout, where it could not. A pipe that somebody closed
/// is no fault of the run.
pub(crate) fn lost() -> Option<String> {
    LOST.get().cloned()
}

static LOST: OnceLock<String> = OnceLock::new();

fn to_stdout(line: &str) {
    let mut out = anstream::stdout();
    let print = || writeln!(out, "{}", harmless(line)).and_then(|()| out.flush());
    match above_what_is_drawn(print) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            let _ = LOST.set(error.to_string());
        }
        _ => {}
    }
}

fn to_stderr(line: &str) {
    let print = || {
        let _ = writeln!(anstream::stderr(), "{}", harmless(line));
    };
    above_what_is_drawn(print);
}

fn above_what_is_drawn<T>(print: impl FnOnce() -> T) -> T {
    let drawn = drawn().last().cloned();
    match drawn {
        Some(bar) => bar.suspend(print),
        None => print(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_colours_get_through_to_the_screen() {
        let painted = Tone::Bad.paint("no");
        assert_eq!(harmless(&painted), painted);
        assert_eq!(
            harmless("a\u{1b}]0;b\u{7}\u{1b}[2J\u{202e}\nc"),
            "a\\u{1b}]0;b\\u{7}\\u{1b}[2J\\u{202e}\nc"
        );
    }

    #[test]
    fn colours_take_no_room_on_a_line() {
        let painted = Tone::Good.paint("four");
        assert_eq!(wrap(&format!("{painted} {painted}"), 9).len(), 1);
        assert_eq!(wrap(&format!("{painted} {painted}"), 8).len(), 2);
    }
}
