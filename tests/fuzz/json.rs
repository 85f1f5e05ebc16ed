//! JSON: where it is taken, `serde_json` takes it for the same; where it is refused, there is a
//! reason; and merge patches lead where they are to (RFC 7396).

use linkmend::session::json::{self, JsonError};
use serde_json::Value as Json;

use crate::{
    corpus,
    drive::{Dice, fuzz},
    mutate,
};

/// The bound on nesting of these checks, in levels.
const NESTING: usize = 64;

fn value(dice: &mut Dice, depth: usize) -> Json {
    let numbers = [0.0, -0.0, 7.0, 83.4, 1e308, 5e-324, 0.1];
    match dice.below(if depth == 0 { 6 } else { 8 }) {
        0 => Json::Null,
        1 => Json::Bool(dice.once_in(2)),
        2 => Json::from(dice.number()),
        3 => Json::from(*dice.pick(&numbers)),
        4 => Json::from(i64::MIN + i64::try_from(dice.below(3)).expect("small")),
        5 => Json::from(mutate::text(dice, 5)),
        6 => (0..dice.below(5)).map(|_| value(dice, depth - 1)).collect(),
        _ => Json::Object(
            (0..dice.below(5))
                .map(|_| {
                    let names = ["tie", "held", "kin", "", "é\n", "a/b~c"];
                    ((*dice.pick(&names)).to_owned(), value(dice, depth - 1))
                })
                .collect(),
        ),
    }
}

#[test]
fn json_is_taken_as_serde_json_takes_it() {
    let corpus = corpus::blocks("json");
    let words: [&[u8]; 12] = [
        b"{",
        b"}",
        b"[",
        b"]",
        b",",
        b":",
        b"null",
        b"1e999",
        b"\\u0000",
        b"\\ud800",
        b"[[[[[[[[",
        b"{\"a\":1,\"a\":2}",
    ];
    let make = |dice: &mut Dice| {
        let mut bytes = if dice.once_in(3) {
            dice.pick(&corpus).clone()
        } else {
            let depth = dice.below(6);
            value(dice, depth).to_string().into_bytes()
        };
        if dice.once_in(10) {
            let levels = dice.below(NESTING * 2);
            bytes = [&b"[".repeat(levels)[..], &bytes, &b"]".repeat(levels)].concat();
        }
        if !dice.once_in(4) {
            mutate::damage(dice, &mut bytes, &words);
        }
        bytes
    };
    fuzz("json", make, |input| {
        let plain = input.strip_prefix(b"\xef\xbb\xbf").unwrap_or(input);
        let theirs = serde_json::from_slice::<Json>(plain);
        match (json::parse(input, NESTING), theirs) {
            (Ok(ours), Ok(theirs)) => {
                assert_eq!(ours, theirs);
                assert_eq!(json::parse(ours.to_string().as_bytes(), NESTING), Ok(ours));
            }
            (Ok(ours), Err(error)) => panic!("{ours} is none for serde_json: {error}"),
            (Err(JsonError::Unsound { why }), Ok(_)) => {
                assert!(why.contains("stands twice in one object"), "{why}");
            }
            (Err(JsonError::TooDeep { .. }), theirs) => {
                let opens = input.iter().filter(|byte| b"[{".contains(byte)).count();
                assert!(opens > NESTING, "{theirs:?}");
            }
            (Err(JsonError::Unsound { .. }), Err(_)) => {}
        }
    });
}

#[test]
fn json_patches_lead_from_one_document_to_the_other() {
    let make = |dice: &mut Dice| {
        let documents: [Json; 2] = std::array::from_fn(|_| value(dice, 3));
        serde_json::to_vec(&documents).expect("JSON")
    };
    let mut patched = 0;
    fuzz("patch", make, |input| {
        let [from, to]: [Json; 2] = serde_json::from_slice(input).expect("made so");
        if let Some(patch) = json::patch_between(&from, &to) {
            let mut target = from.clone();
            json::merge(&mut target, &patch);
            assert_eq!(target, to, "{from} + {patch}");
            patched += 1;
        } else {
            // Only a null that is to stay cannot be said.
            assert!(to.to_string().contains("null"), "{from} to {to}");
        }
        // Taken as a patch, any document changes nothing a second time.
        let mut once = from;
        json::merge(&mut once, &to);
        let mut twice = once.clone();
        json::merge(&mut twice, &to);
        assert_eq!(once, twice);
    });
    assert!(patched > 0, "some can be said");
}
