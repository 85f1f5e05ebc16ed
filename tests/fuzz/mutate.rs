//! Damage to bytes, in the ways in which readers break: cut, doubled, swapped, out of their place,
//! just past a bound.

use crate::drive::Dice;

/// Longest input that is made, in bytes: far above any device's page, and quick enough for many.
const LONGEST: usize = 64 * 1024;

/// What stands at the bounds of many a reader.
const ODD: [&[u8]; 14] = [
    b"\0",
    b"\xff",
    b"\xef\xbb\xbf",
    b"\xed\xa0\x80",
    b"\xf4\x90\x80\x80",
    b"\r",
    b"\n",
    b"\r\n",
    b"\"",
    b"'",
    b"&#x110000;",
    b"18446744073709551616",
    b"-0",
    b"\xe2\x80\xae",
];

/// Damages bytes a few times. `words` are put in at random places: what the format is made of.
pub(crate) fn damage(dice: &mut Dice, bytes: &mut Vec<u8>, words: &[&[u8]]) {
    for _ in 0..=dice.below(8) {
        let at = dice.below(bytes.len() + 1);
        let end = (at + dice.below(40)).min(bytes.len());
        match dice.below(9) {
            0 => drop(bytes.drain(at..end)),
            1 => bytes.truncate(at),
            2 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << dice.below(8);
                }
            }
            3 => {
                let piece = bytes[at..end].to_vec();
                for _ in 0..=dice.below(30) {
                    insert(bytes, at, &piece);
                }
            }
            4 => insert(bytes, at, dice.pick::<&[u8]>(&ODD)),
            5 => {
                let piece = bytes[at..end].to_vec();
                let to = dice.below(bytes.len() + 1);
                insert(bytes, to, &piece);
            }
            6 => bytes[at..end].reverse(),
            _ => insert(bytes, at, dice.pick::<&[u8]>(words)),
        }
    }
    bytes.truncate(LONGEST);
}

fn insert(bytes: &mut Vec<u8>, at: usize, piece: &[u8]) {
    if bytes.len() + piece.len() <= LONGEST {
        drop(bytes.splice(at..at, piece.iter().copied()));
    }
}

/// A text of such pieces, some of them odd.
pub(crate) fn text(dice: &mut Dice, longest: usize) -> String {
    const PIECES: [&str; 16] = [
        "a",
        "b",
        "0",
        "7",
        " ",
        "Smew",
        "é",
        "日",
        "\u{1f4e1}",
        "\u{202e}",
        "\u{7f}",
        "&amp;",
        "\n",
        "{}",
        ":",
        "\"",
    ];
    (0..dice.below(longest + 1))
        .map(|_| *dice.pick(&PIECES))
        .collect()
}
