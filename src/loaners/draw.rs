//! What `unique` comes to: a slot or a bind key that no other loaner of the shelf has.
//!
//! Slots are the lowest free ones, so that they are easy to say; keys are random, since whoever
//! guesses one drives the boat. What was drawn before is kept: the sticker and the transmitter are
//! set by it.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;

use super::shelf::{Shelf, Wish};
use crate::terms::{Kind, NumberRange, SettingName, Value};

/// What was drawn, or is there, by label and setting.
pub type Drawn = BTreeMap<(String, SettingName), Value>;

/// Fills bytes at random: [`system`], or a made-up one in a test.
pub type Random<'a> = &'a mut dyn FnMut(&mut [u8]) -> Result<(), DrawError>;

/// Why nothing could be drawn.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DrawError {
    /// More loaners than there are free ones.
    #[error("no `{setting}` is left for {label}: all {all} of them are taken")]
    NoneLeft {
        /// For whom.
        label: String,
        /// Of what.
        setting: SettingName,
        /// How many there are in all.
        all: usize,
    },
    /// The system gives no random bytes.
    #[error("the system gives no random bytes: {why}")]
    NoRandom {
        /// What it says.
        why: String,
    },
    /// What is given is no longer random.
    #[error("what the system gives as random bytes is the same over and over")]
    NotRandom,
}

impl DrawError {
    /// A stable kebab-case code.
    pub fn code(&self) -> &'static str {
        match self {
            DrawError::NoneLeft { .. } => "none-left",
            DrawError::NoRandom { .. } | DrawError::NotRandom => "no-random",
        }
    }
}

/// The system's own source of random bytes.
///
/// # Errors
/// When it gives none.
pub fn system(bytes: &mut [u8]) -> Result<(), DrawError> {
    getrandom::fill(bytes).map_err(|error| DrawError::NoRandom {
        why: error.to_string(),
    })
}

/// A value for each `unique` of a shelf.
///
/// `earlier` is what was drawn for it before: kept, unless a row names it by now or it is out of
/// range. `present` is what the loaners were last seen to have: none of that is drawn for another
/// one, as far as there are enough; those that get another value themselves give theirs up.
///
/// # Errors
/// When there are too few, or there are no random bytes.
pub fn all(
    shelf: &Shelf,
    earlier: &Drawn,
    present: &Drawn,
    random: Random<'_>,
) -> Result<Drawn, DrawError> {
    let mut drawn = Drawn::new();
    for setting in &shelf.profile.settings {
        let wish = |label: usize| shelf.loaners[label].wanted.get(&setting.name);
        let key = |at: usize| (shelf.loaners[at].label.clone(), setting.name.clone());
        let (wanting, others): (Vec<usize>, Vec<usize>) =
            (0..shelf.loaners.len()).partition(|at| wish(*at) == Some(&Wish::Unique));
        if wanting.is_empty() {
            continue;
        }
        // What a row names it will have; what it does not name stays as it is.
        let held = others.into_iter().filter_map(|at| match wish(at) {
            Some(Wish::Value(value)) => Some(value.clone()),
            _ => present.get(&key(at)).cloned(),
        });
        let mut drawing = Drawing {
            kind: &setting.kind,
            taken: held.map(comparable).collect(),
            still_there: BTreeMap::new(),
        };
        let mut open = Vec::new();
        for at in wanting {
            match earlier.get(&key(at)) {
                Some(value) if drawing.keeps(value) => {
                    drawn.insert(key(at), value.clone());
                }
                _ => open.push(at),
            }
        }
        for at in &open {
            if let Some(value) = present.get(&key(*at)) {
                *drawing
                    .still_there
                    .entry(comparable(value.clone()))
                    .or_default() += 1;
            }
        }
        for at in open {
            let own = present.get(&key(at)).cloned().map(comparable);
            let value = drawing.draw(own.as_ref(), random)?;
            let value = value.ok_or_else(|| DrawError::NoneLeft {
                label: shelf.loaners[at].label.clone(),
                setting: setting.name.clone(),
                all: drawing.size(),
            })?;
            drawn.insert(key(at), value);
        }
    }
    Ok(drawn)
}

/// One setting's values, while they are drawn.
struct Drawing<'a> {
    kind: &'a Kind,
    /// What somebody will have.
    taken: BTreeSet<Vec<u8>>,
    /// What somebody has that gets another one, and how many do.
    still_there: BTreeMap<Vec<u8>, usize>,
}

impl Drawing<'_> {
    /// Takes what was drawn before, where it is still free and in range.
    fn keeps(&mut self, value: &Value) -> bool {
        let in_range = self.kind.admit(value.clone()).is_ok()
            && matches!(value, Value::Number(_) | Value::Bytes(_));
        in_range && self.taken.insert(comparable(value.clone()))
    }

    /// One that is free; `own` is what the loaner itself has.
    fn draw(
        &mut self,
        own: Option<&Vec<u8>>,
        random: Random<'_>,
    ) -> Result<Option<Value>, DrawError> {
        let value = match self.kind {
            Kind::Number(range) | Kind::NumberOrOff(range) => self.slot(range, own),
            Kind::Bytes { to, .. } => self.key(*to, random)?,
            _ => None,
        };
        if let Some(value) = &value {
            self.taken.insert(comparable(value.clone()));
        }
        Ok(value)
    }

    fn slot(&self, range: &NumberRange, own: Option<&Vec<u8>>) -> Option<Value> {
        let free = |slot: &Value| !self.taken.contains(&comparable(slot.clone()));
        // Of what others still have, one is mine where I have it as the only one.
        let is_left = |slot: &Value| {
            let slot = comparable(slot.clone());
            let mine = usize::from(own == Some(&slot));
            self.still_there
                .get(&slot)
                .is_none_or(|count| *count == mine)
        };
        let slots = || slots(range).map(Value::Number).filter(free);
        // So many at most are taken or still there; looking on would find nothing new.
        let most = self.still_there.len() + 1;
        slots().take(most).find(is_left).or_else(|| slots().next())
    }

    fn key(&self, length: usize, random: Random<'_>) -> Result<Option<Value>, DrawError> {
        // Counted only where it may matter: values of another length are no keys.
        let all = keys(length);
        let of_length = |key: &&Vec<u8>| key.len() == length;
        if self.taken.len() >= all && self.taken.iter().filter(of_length).count() >= all {
            return Ok(None);
        }
        let mut bytes = vec![0; length];
        for _ in 0..MOST_TRIES {
            random(&mut bytes)?;
            let has_it = self.taken.contains(&bytes) || self.still_there.contains_key(&bytes);
            if !has_it {
                return Ok(Some(Value::Bytes(bytes)));
            }
        }
        Err(DrawError::NotRandom)
    }

    fn size(&self) -> usize {
        match self.kind {
            Kind::Number(range) | Kind::NumberOrOff(range) => slots(range).count(),
            Kind::Bytes { to, .. } => keys(*to),
            _ => 0,
        }
    }
}

/// A value as bytes, by which two are one.
fn comparable(value: Value) -> Vec<u8> {
    match value {
        Value::Bytes(bytes) => bytes,
        Value::Number(number) => number.normalize().to_string().into_bytes(),
        other => other.fingerprint_bytes(),
    }
}

/// The slots of a range from the lowest on.
pub(super) fn slots(range: &NumberRange) -> impl Iterator<Item = Decimal> {
    let step = if range.step.is_zero() {
        Decimal::ONE
    } else {
        range.step
    };
    let to = range.to;
    std::iter::successors(Some(range.from), move |slot| slot.checked_add(step))
        .take_while(move |slot| *slot <= to)
}

/// How many keys of so many bytes there are; the largest number where there are more.
pub(super) fn keys(bytes: usize) -> usize {
    let bytes = u32::try_from(bytes).unwrap_or(u32::MAX);
    256_usize.checked_pow(bytes).unwrap_or(usize::MAX)
}

/// Tries for one key. Where 255 of 256 keys are taken, all of them fail once in e^256.
const MOST_TRIES: usize = 1 << 16;

#[cfg(test)]
mod tests;
