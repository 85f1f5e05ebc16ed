//! Bind keys that were drawn reach somebody who types them into the transmitters, before any loaner
//! gets one: a boat whose key nobody has obeys nobody.
//!
//! They go into a file of their own or onto the screen once, and nowhere else.

use std::path::Path;

use dialoguer::console::Term;
use secrecy::{ExposeSecret, SecretString, zeroize::Zeroizing};

use crate::{
    change::Trouble,
    cli::{ask, context::Context, failure::Failure, screen::Tone, terminal::Private},
    files::{
        secret,
        whole::{self, WholeError},
    },
    loaners::{
        draw::Drawn,
        run::{self, Order},
    },
    terms::{Exit, SettingName, Untrusted, Value},
};

/// Whether keys that are drawn have a way to somebody; looked at before anything is drawn.
pub(super) fn have_a_way(
    context: &Context,
    order: &Order,
    file: Option<&Path>,
) -> Result<(), Failure> {
    let is_wanted = run::wants_unique(order, SettingName::BIND_KEY);
    if !is_wanted || file.is_some() || context.screen.can_ask() {
        return Ok(());
    }
    Err(nobody(
        "bind keys are to be drawn, and there is nobody to hand them to",
    ))
}

/// Hands the keys of those that are meant over. Nothing was written to a loaner yet.
pub(super) async fn hand_over(
    context: &Context,
    order: &Order,
    drawn: &Drawn,
    file: Option<&Path>,
) -> Result<(), Failure> {
    let keys = keys(order, drawn);
    match (keys.is_empty(), file) {
        (true, None) => Ok(()),
        (true, Some(file)) => {
            let file = shown(file);
            let text = format!("No bind key of this shelf is drawn, so `{file}` is not written.");
            context.screen.remark(Tone::Careful, &text);
            Ok(())
        }
        (false, Some(file)) => to_file(context, order, &keys, file),
        (false, None) => to_screen(context, &keys).await,
    }
}

/// One that was drawn.
struct Handed<'a> {
    label: &'a str,
    transmitter: &'a str,
    /// In hex.
    key: SecretString,
}

fn keys<'a>(order: &'a Order, drawn: &Drawn) -> Vec<Handed<'a>> {
    let meant = order.shelf.loaners.iter().filter(|loaner| {
        let only = order.only.as_ref();
        only.is_none_or(|only| only.contains(&loaner.label))
    });
    let name = order.shelf.profile.setting(SettingName::BIND_KEY);
    let key = |label: &str| match drawn.get(&(label.to_owned(), name?.name.clone())) {
        Some(Value::Bytes(bytes)) => Some(SecretString::from(hex::encode(bytes))),
        _ => None,
    };
    meant
        .filter_map(|loaner| {
            Some(Handed {
                label: &loaner.label,
                transmitter: loaner.transmitter.as_deref().unwrap_or_default(),
                key: key(&loaner.label)?,
            })
        })
        .collect()
}

/// The same text for the same keys, so that a run that was cut off goes on with the file that it
/// left.
fn text(title: &str, keys: &[Handed<'_>]) -> Zeroizing<String> {
    let mut text = Zeroizing::new(format!(
        "# The bind keys that linkmend drew for the loaners of \"{title}\".\n\
         # Set each transmitter to the key of its loaner, then put this file away: who has a key \
         drives the boat.\n\
         # A line: label, transmitter and bind key in hex, with tabs between.\n"
    ));
    for one in keys {
        for part in [
            one.label,
            "\t",
            one.transmitter,
            "\t",
            one.key.expose_secret(),
            "\n",
        ] {
            text.push_str(part);
        }
    }
    text
}

fn to_file(
    context: &Context,
    order: &Order,
    keys: &[Handed<'_>],
    file: &Path,
) -> Result<(), Failure> {
    let text = text(&order.shelf.title, keys);
    let path = shown(file);
    let done = match whole::create_private(file, &text) {
        Ok(()) => format!("{} in `{path}`, which you alone can read", count(keys)),
        Err(WholeError::There { .. }) if holds(file, &text) => {
            format!("{} in `{path}` already", count(keys))
        }
        Err(error) => {
            let help =
                "nothing is written over: take another name for the keys; they stay the same";
            return Err(Failure::unwritten(&error, help));
        }
    };
    context.screen.step("keys", Tone::Good, &done);
    Ok(())
}

/// Whether an earlier run left this very text there, and nobody else can read it.
fn holds(file: &Path, text: &str) -> bool {
    let is_file = file.symlink_metadata().is_ok_and(|found| found.is_file());
    is_file
        && secret::read(file)
            .is_ok_and(|there| there.expose_secret() == text.trim_end_matches('\n'))
}

async fn to_screen(context: &Context, keys: &[Handed<'_>]) -> Result<(), Failure> {
    if !context.screen.can_ask() {
        return Err(nobody("there is nobody to show the drawn bind keys to"));
    }
    let ready = format!(
        "{} drawn. Each has to be typed into its transmitter. Show them here, once? Nobody else \
         should see this screen.",
        count(keys)
    );
    if !confirm(context, ready).await? {
        return Err(nobody("you did not want to see the bind keys"));
    }
    let private = Private::new();
    let room = usize::from(Term::stderr().size().0)
        .saturating_sub(ROWS_AROUND)
        .max(1);
    let pages: Vec<&[Handed<'_>]> = keys.chunks(room).collect();
    let asking = context.screen.asking();
    for (number, page) in (1..).zip(&pages) {
        Private::clear();
        let head = format!("Bind keys, page {number} of {}", pages.len());
        asking.remark(Tone::Strong, &head);
        for one in *page {
            let who = Untrusted::new(one.label);
            let line = Zeroizing::new(format!(
                "{who}: {}",
                grouped(one.key.expose_secret()).as_str()
            ));
            let transmitter = Untrusted::new(one.transmitter);
            let of = if one.transmitter.is_empty() {
                String::new()
            } else {
                format!("  ({transmitter})")
            };
            let line = Zeroizing::new(format!("{}{of}", line.as_str()));
            asking.remark(Tone::Plain, &line);
        }
        let question = if number == pages.len() {
            "Are all typed in? They are not shown again in this run, and the reset begins."
        } else {
            "Are these typed in? The next ones follow."
        };
        if !confirm(context, question.to_owned()).await? {
            drop(private);
            return Err(nobody("you left the bind keys"));
        }
    }
    Ok(())
}

/// `4a1f 009c 77e2`: as it is typed without losing the place.
fn grouped(key: &str) -> Zeroizing<String> {
    let mut grouped = Zeroizing::new(String::with_capacity(key.len() * 2));
    for (place, letter) in key.chars().enumerate() {
        if place > 0 && place % GROUP == 0 {
            grouped.push(' ');
        }
        grouped.push(letter);
    }
    grouped
}

async fn confirm(context: &Context, question: String) -> Result<bool, Failure> {
    let asked = ask::confirm(question);
    let asked = async {
        asked.await.map_err(|error| {
            let message = format!("the terminal does not answer: {error}");
            Failure::Trouble(Trouble::new("no-terminal", message, None).ending(Exit::Refused))
        })
    };
    context.or_stopped(asked).await
}

/// Refused, with what to do.
fn nobody(why: &str) -> Failure {
    let help = "give --keys-to FILE: a new file that you alone can read, with a key a line for the \
                transmitters. Nothing was written; the keys stay the same for the next run";
    Failure::Trouble(Trouble::new("keys-for-nobody", why, Some(help)).ending(Exit::Refused))
}

fn count(keys: &[Handed<'_>]) -> String {
    match keys.len() {
        1 => "1 bind key is".to_owned(),
        many => format!("{many} bind keys are"),
    }
}

fn shown(path: &Path) -> String {
    Untrusted::new(path.display().to_string()).to_string()
}

/// Rows of a screen that are no key: the head, and a question of a few lines.
const ROWS_AROUND: usize = 6;

/// Letters of a key that stand together.
const GROUP: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_of_a_line_a_key_below_what_it_is() {
        let key = |label, transmitter, key: &str| Handed {
            label,
            transmitter,
            key: key.to_owned().into(),
        };
        let keys = [
            key("Heron", "Blue 3", "4a1f009c77e2"),
            key("Smew", "", "00"),
        ];
        let text = text("Tarn loaners", &keys);
        let (head, rows): (Vec<&str>, Vec<&str>) =
            text.lines().partition(|line| line.starts_with('#'));
        assert_eq!(head.len(), 3);
        assert!(head[0].contains("\"Tarn loaners\""), "{head:?}");
        assert_eq!(rows, ["Heron\tBlue 3\t4a1f009c77e2", "Smew\t\t00"]);
    }

    #[test]
    fn key_is_shown_in_groups() {
        assert_eq!(grouped("4a1f009c77e2").as_str(), "4a1f 009c 77e2");
        assert_eq!(grouped("4a1f0").as_str(), "4a1f 0");
        assert_eq!(grouped("").as_str(), "");
    }
}
