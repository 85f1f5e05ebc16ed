//! What is drawn for a shelf before it is reset: on record before anybody sees it, so that the next
//! run has the same however this one ends.

use super::{Order, earlier::KnownDevices};
use crate::{
    change::Trouble,
    journal::{Journal, ledger},
    loaners::{
        draw::{self, DrawError, Drawn},
        pairs::{Key, Lock},
        shelf::{Shelf, Wish},
    },
    terms::{Exit, SettingName, Untrusted, Value},
};

/// Whether there is anything to draw for those that are meant.
pub fn wants_unique(order: &Order, setting: &str) -> bool {
    let mut meant = order
        .shelf
        .loaners
        .iter()
        .filter(|loaner| order.takes_part(&loaner.label));
    meant.any(|loaner| loaner.wanted.get(setting) == Some(&Wish::Unique))
}

/// Draws a value for each `unique` of a shelf that has none yet, and gives all of them. They are
/// durable when this returns.
///
/// # Errors
/// When there are too few, the system gives no random bytes, the journal fails, or a value that was
/// drawn before is not free any more.
pub async fn draw(order: &Order, journal: &Journal) -> Result<Drawn, Trouble> {
    let shelf = &order.shelf;
    let mut wishes = shelf.loaners.iter().flat_map(|one| one.wanted.values());
    if !wishes.any(|wish| *wish == Wish::Unique) {
        return Ok(Drawn::new());
    }
    let archive = journal.archive().map_err(|error| ledger::trouble(&error))?;
    let earlier = archive.drawn(&shelf.title);
    let earlier = earlier.map_err(|error| ledger::trouble(&error))?;
    let known = KnownDevices::of(&archive, &shelf.profile);
    let known = known.and_then(|known| present(shelf, &known));
    let present = known.map_err(|error| ledger::trouble(&error))?;
    let drawn = draw::all(shelf, &earlier, &present, &mut draw::system);
    let drawn = drawn.map_err(|error| not_drawn(&error))?;
    let kept = journal.keep_drawn(&shelf.title, drawn.clone()).await;
    let mut kept = kept.map_err(|error| ledger::trouble(&error))?;
    for ((label, setting), value) in &drawn {
        if kept.get(&(label.clone(), setting.clone())) != Some(value) {
            return Err(taken(label, setting));
        }
    }
    kept.retain(|place, _| drawn.contains_key(place));
    Ok(kept)
}

/// What the loaners were last seen to have.
fn present(shelf: &Shelf, known: &KnownDevices<'_>) -> Result<Drawn, crate::journal::JournalError> {
    let names = [SettingName::BIND_KEY, SettingName::MODEL_LOCK];
    let [key, lock] = names.map(|name| shelf.profile.setting(name).map(|one| one.name.clone()));
    let mut present = Drawn::new();
    for loaner in &shelf.loaners {
        let Some(pair) = known.pair(loaner)? else {
            continue;
        };
        if let (Key::Known(bytes), Some(name)) = (pair.key, &key) {
            let place = (loaner.label.clone(), name.clone());
            present.insert(place, Value::Bytes(bytes));
        }
        if let (Lock::Slot(slot), Some(name)) = (pair.lock, &lock) {
            let place = (loaner.label.clone(), name.clone());
            present.insert(place, Value::Number(slot));
        }
    }
    Ok(present)
}

fn not_drawn(error: &DrawError) -> Trouble {
    let help = match error {
        DrawError::NoneLeft { .. } => "name values in more rows, or make another shelf of some",
        DrawError::NoRandom { .. } | DrawError::NotRandom => {
            "try again; a key that can be guessed is none"
        }
    };
    Trouble::new(error.code(), error.to_string(), Some(help)).ending(Exit::Refused)
}

/// What was drawn stays, since a sticker and a transmitter are set by it.
fn taken(label: &str, setting: &SettingName) -> Trouble {
    let label = Untrusted::new(label);
    Trouble::new(
        "drawn-taken",
        format!("the `{setting}` that was drawn for `{label}` is another row's by now"),
        Some(&format!(
            "give that row another one, or name a `{setting}` in the row of `{label}` instead of \
             \"unique\""
        )),
    )
    .ending(Exit::Refused)
}
