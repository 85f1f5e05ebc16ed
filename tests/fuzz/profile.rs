//! Profiles: a file is taken or all of its faults are told, each at a place within it.

use linkmend::profile::{Faults, load_system, load_text};

use crate::{
    corpus,
    drive::{Dice, fuzz},
    mutate,
};

/// What profiles are made of, right and wrong.
const WORDS: [&[u8]; 30] = [
    b"format = 2\n",
    b"[place]\n",
    b"[setting.model-lock]\n",
    b"[save.air]\n",
    b"[request.page]\n",
    b"[restart]\n",
    b"row = [",
    b"]\n",
    b"{ ",
    b" }",
    b"in = {",
    b"means = \"value\"",
    b"\"{}\"",
    b"\"{} {}\"",
    b"number = { from = 1, to = 40 }",
    b"number = { from = 9e9, to = -9e9 }",
    b"number = { from = 0, to = 99999999999999999999999999 }",
    b"number = { from = 0, to = 1e9, step = 0 }",
    b"bytes = { length = 4294967295 }",
    b"text = { to = 0 }",
    b"choice = []",
    b"or-off = true\n",
    b"css = \"*::\"",
    b"pointer = \"~2\"",
    b"get = \"//elsewhere\"",
    b"needs = \">=1 <\"",
    b"list = { of = 9 }",
    b"list = { from = 0, to = 4294967295 }",
    b"'''",
    b"\"\"\"",
];

/// A file of the corpus with lines of another, cut and damaged.
fn make(dice: &mut Dice, corpus: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = dice.pick(corpus).clone();
    if dice.once_in(2) {
        let other = dice.pick(corpus);
        let mut lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
        let others: Vec<&[u8]> = other.split(|byte| *byte == b'\n').collect();
        for _ in 0..=dice.below(4) {
            let at = dice.below(lines.len());
            match dice.below(4) {
                0 => drop(lines.remove(at)),
                1 => {
                    let other = dice.below(lines.len());
                    lines.swap(at, other);
                }
                _ => lines.insert(at, *dice.pick(&others)),
            }
            if lines.is_empty() {
                lines.push(b"");
            }
        }
        bytes = lines.join(&b'\n');
    }
    if !dice.once_in(4) {
        mutate::damage(dice, &mut bytes, &WORDS);
    }
    bytes
}

/// Every fault has a place within the file, words, and a picture.
fn are_told(faults: &Faults, text: &str) {
    assert!(!faults.list.is_empty());
    let lines = text.split('\n').count();
    for fault in &faults.list {
        assert!(fault.span.start <= fault.span.end, "{fault:?}");
        assert!(
            fault.span.end <= text.len(),
            "{fault:?} in {} bytes",
            text.len()
        );
        assert!(
            (1..=lines).contains(&fault.line),
            "{fault:?} in {lines} lines"
        );
        assert!(fault.column >= 1, "{fault:?}");
        assert!(!fault.message.is_empty(), "{fault:?}");
        assert!(!fault.message.contains('\u{1b}'), "{fault:?}");
    }
    let mut places: Vec<usize> = faults.list.iter().map(|fault| fault.span.start).collect();
    let told = places.clone();
    places.sort_unstable();
    assert_eq!(told, places, "in the order of their places");
}

#[test]
fn profile_is_taken_or_its_faults_are_told_with_their_places() {
    let corpus = corpus::files(&["profiles", "tests/profiles", "tests/stranger"], &["toml"]);
    let mut taken = 0;
    let mut pictures = 0;
    fuzz(
        "profile",
        |dice| make(dice, &corpus),
        |input| {
            let text = String::from_utf8_lossy(input);
            match load_text("heron.toml", &text) {
                Ok(profile) => {
                    taken += 1;
                    assert_eq!(profile.source.text, text);
                    let again = load_text("heron.toml", &profile.source.text);
                    let again = again.expect("the same text is taken again");
                    assert_eq!(again.settings.len(), profile.settings.len());
                }
                Err(faults) => {
                    are_told(&faults, &text);
                    if pictures < 2_000 || input.len() % 64 == 0 {
                        // Drawing takes longer than finding them.
                        pictures += 1;
                        assert!(!faults.picture(false, 80).is_empty());
                    }
                }
            }
            if let Err(faults) = load_system("heron.toml", &text) {
                are_told(&faults, &text);
            }
        },
    );
    assert!(taken > 0, "some are still sound");
}
