//! The format of a shelf's file, as a description: every key, what it takes and what it is for.
//!
//! The loader checks a file by it and `shelf.schema.json` is made from it. `format = 1` stands for
//! exactly this; a key may be added, none changes its meaning. What a setting takes is the family's
//! to say, so the schema alone lets more pass than the loader.

use crate::profile::{
    schema::document,
    shape::{Keys, Shape, Table, may, need},
};

/// The newest format that this program reads.
pub(super) const FORMAT: i64 = 1;

/// The JSON Schema (draft 2020-12) of a shelf's file.
pub fn schema() -> serde_json::Value {
    document(&SHELF)
}

/// A whole shelf.
pub(super) static SHELF: Table = Table {
    name: "shelf",
    doc: "A loan shelf: which receivers stand on it, and what each should be.",
    keys: &[
        need("format", &Shape::Format, "`format = 1` is this format"),
        need("title", &Shape::Words, "what the shelf is called"),
        need(
            "family",
            &Shape::Words,
            "how its receivers behave: a built-in family, or the path of a profile's file, seen from this one",
        ),
        may(
            "baseline",
            &WISHES,
            "what all of them should be; `local-network` is absent unless it is named. Region and power are only compared, never written",
        ),
        need(
            "loaner",
            &Shape::List(&Shape::Table(&LOANER)),
            "the loaners, one a row",
        ),
    ],
    groups: &[],
};

static LOANER: Table = Table {
    name: "loaner",
    doc: "One loaner: what stands on its sticker, what tells it from the others, what it should be.",
    keys: &[
        need("label", &Shape::Words, "what stands on its sticker"),
        may(
            "serial",
            &Shape::Words,
            "the serial that it shows; this, or `bssid`, or both",
        ),
        may(
            "bssid",
            &Shape::Words,
            "the MAC address of its fallback network, such as 02:00:5e:00:00:01",
        ),
        may(
            "transmitter",
            &Shape::Words,
            "what its transmitter is called",
        ),
        may(
            "at",
            &Shape::Words,
            "its address on a local network that it has joined, such as http://192.0.2.7; it tells it from no other",
        ),
        may(
            "settings",
            &WISHES,
            "what this one should be, over the baseline",
        ),
    ],
    groups: &[],
};

static WISHES: Shape = Shape::Map(Keys::Free, &WISH);

/// As commands take a value: a number, true or false, a word or a text, `"off"`, `"absent"`,
/// `"unique"`, a list, or the file of a secret.
static WISH: Shape = Shape::Any(&[
    &Shape::Text,
    &Shape::Number,
    &Shape::Flag,
    &Shape::List(&Shape::Json),
    &Shape::Table(&SECRET),
]);

static SECRET: Table = Table {
    name: "secret",
    doc: "A secret's value, in a file of its own that nobody else can read.",
    keys: &[need(
        "file",
        &Shape::Words,
        "the path of that file, seen from this one",
    )],
    groups: &[],
};

#[cfg(test)]
mod tests {
    use serde_json::{Value as Json, json};

    use super::*;

    /// Beside the code, since the program prints it.
    fn path() -> std::path::PathBuf {
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/loaners/shelf.schema.json")
    }

    #[test]
    fn the_committed_schema_is_what_the_code_makes() {
        let made = format!("{:#}\n", schema());
        if std::env::var_os("LINKMEND_BLESS").is_some() {
            std::fs::write(path(), &made).expect("the folder can be written");
        }
        let there = std::fs::read_to_string(path()).expect("the schema is committed");
        assert!(
            there == made,
            "`shelf.schema.json` is not what the code makes; run the tests once with LINKMEND_BLESS=1"
        );
    }

    #[test]
    fn the_schema_takes_a_sound_shelf_and_refuses_what_the_loader_refuses_by_itself() {
        let validator = jsonschema::draft202012::new(&schema()).expect("draft 2020-12");
        let table: toml::Table = super::super::testing::SMALL.parse().expect("TOML");
        let sound = serde_json::to_value(table).expect("JSON");
        assert!(validator.is_valid(&sound));
        let broken = |pointer: &str, key: &str, value: Json| {
            let mut file = sound.clone();
            file.pointer_mut(pointer).expect("it is there")[key] = value;
            !validator.is_valid(&file)
        };
        assert!(broken("", "colour", json!("red")), "an unknown key");
        assert!(broken("/loaner/0", "colour", json!("red")), "one in a row");
        assert!(broken("/loaner/0", "label", json!(7)), "no text");
        assert!(broken("/loaner/0", "label", json!(" ")), "a blank");
        assert!(broken("", "format", json!(2)), "another format");
        let settings = "/loaner/0/settings";
        assert!(broken(settings, "bind-key", json!({ "path": "a" })));
        assert!(!broken(settings, "bind-key", json!({ "file": "a" })));
        assert!(!broken(settings, "model-lock", json!("unique")));
    }
}
