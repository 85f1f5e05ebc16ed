//! Lines: every key that is there is found, none is lost, and nothing grows.

use std::fmt::Write as _;

use linkmend::session::lines::{Lines, LinesError, MOST_LINES};

use crate::{
    drive::{Dice, fuzz},
    mutate,
};

fn make(dice: &mut Dice) -> Vec<u8> {
    let ends = ["\n", "\r\n", "\r", "\n\n", ""];
    let mut bytes = Vec::new();
    let most = if dice.once_in(500) {
        MOST_LINES + 2
    } else {
        20
    };
    for _ in 0..dice.below(most) {
        let key = *dice.pick(&["plate", "works", "held", "tie", "", " awake ", "pl\u{e9}"]);
        let value = mutate::text(dice, 4);
        bytes.extend(format!("{key}: {value}{}", dice.pick(&ends)).into_bytes());
    }
    if dice.once_in(2) {
        mutate::damage(dice, &mut bytes, &[b":", b"\n", b"\t", b" : "]);
    }
    bytes
}

#[test]
fn lines_are_all_found_by_their_keys() {
    fuzz("lines", make, |input| {
        let lines = match Lines::parse(input) {
            Ok(lines) => lines,
            Err(LinesError::NotUtf8) => return assert!(std::str::from_utf8(input).is_err()),
            Err(LinesError::TooMany) => {
                let breaks = input.split(|byte| *byte == b'\n').count() - 1;
                return assert!(breaks >= MOST_LINES, "{breaks}");
            }
            Err(error) => panic!("{error}"),
        };
        // A first byte order mark is left aside, and a second one may be part of a key.
        let mut again = String::from("\u{feff}");
        let mut size = 0;
        for key in lines.keys() {
            let values: Vec<&str> = lines.values(key).collect();
            match (lines.get(key), values.as_slice()) {
                (Ok(Some(one)), [value]) => assert_eq!(one, *value),
                (Err(LinesError::Twice { times, .. }), values) => assert_eq!(times, values.len()),
                (got, values) => panic!("{key:?}: {got:?} of {values:?}"),
            }
            size += key.len();
        }
        assert!(size <= input.len());
        // Written out they are read as the same: every key once, with its values in order.
        let mut keys: Vec<&str> = Vec::new();
        for key in lines.keys() {
            if !keys.contains(&key) {
                keys.push(key);
                for value in lines.values(key) {
                    let _ = write!(again, "{key}: {value}\r\n");
                }
            }
        }
        let again = Lines::parse(again.as_bytes()).expect("they were read before");
        for key in keys {
            let [first, second] = [&lines, &again].map(|l| l.values(key).collect::<Vec<_>>());
            if key.is_empty() && first.iter().all(|value| value.is_empty()) {
                continue;
            }
            assert_eq!(first, second, "{key:?}");
        }
    });
}
