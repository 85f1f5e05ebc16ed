//! The format of a setting in a profile file, as a description: kinds, rows and patterns.
//!
//! It is the second half of `format.rs`, and the same holds for it.

use super::shape::{Keys, Names, Shape, Table, may, need};
use super::words::KeyHash;

pub(super) static SETTING: Table = Table {
    name: "setting",
    doc: "One setting: its range, and which raw things mean which value.",
    keys: &[
        need("label", &Shape::Words, "what a person reads for it"),
        may("help", &Shape::Words, "what it is for"),
        may("flag", &Shape::True, "on or off"),
        may("number", &Shape::Table(&NUMBER), "a number in a range"),
        may("text", &Shape::Table(&TEXT), "text of so many characters"),
        may("choice", &CHOICE, "one of a list"),
        may("bytes", &Shape::Table(&BYTES), "so many bytes"),
        may("version", &Shape::True, "a version by SemVer 2.0.0"),
        may("list", &Shape::Table(&LIST), "several of one kind"),
        may("or-off", &Shape::True, "with `number`: it may also be off"),
        may(
            "at",
            &PATTERNS,
            "short for one row: the value in the hole of one place; of a flag, what stands there for on",
        ),
        may(
            "row",
            &Shape::List(&Shape::Table(&ROW)),
            "which raw things mean which value; the first that fits counts, both ways",
        ),
        may(
            "save",
            &Shape::Either(
                &Shape::Of(Names::Save),
                &Shape::List(&Shape::Of(Names::Save)),
            ),
            "the save or saves that write its places; left out: it is only read",
        ),
        may("secret", &Shape::Flag, "whether its value is hidden"),
        may(
            "optional",
            &Shape::Flag,
            "whether it may be missing from the page: then it is absent",
        ),
        may(
            "needs",
            &Shape::Needs,
            "the firmware versions that have it, such as `>=1.8.0`",
        ),
        may(
            "blank-keeps",
            &Shape::Flag,
            "the device never shows it; sent blank, it keeps what it has",
        ),
        may(
            "words",
            &Shape::Table(&WORDS),
            "with `bytes`: how bind words make it",
        ),
    ],
    groups: &[
        &[
            "flag", "number", "text", "choice", "bytes", "version", "list",
        ],
        &["at", "row"],
    ],
};

static NUMBER: Table = Table {
    name: "number",
    doc: "A number in a range, and how the wire spells it: wire = value × times + add.",
    keys: &[
        need("from", &Shape::Number, "smallest"),
        need("to", &Shape::Number, "largest"),
        may(
            "step",
            &Shape::Number,
            "values are `from` plus a multiple of this; 1 if left out, 0 for any",
        ),
        may("unit", &Shape::Words, "as it is printed, such as `ms`"),
        may(
            "times",
            &Shape::Number,
            "wire number = value × times + add; 1 if left out",
        ),
        may(
            "add",
            &Shape::Number,
            "wire number = value × times + add; 0 if left out",
        ),
    ],
    groups: &[],
};

static TEXT: Table = Table {
    name: "text",
    doc: "Text of so many characters.",
    keys: &[
        may("from", &Shape::Whole, "fewest characters; 0 if left out"),
        need("to", &Shape::Whole, "most characters"),
    ],
    groups: &[],
};

static OPTION: Table = Table {
    name: "option",
    doc: "One of a choice.",
    keys: &[
        need(
            "is",
            &Shape::Words,
            "our word for it, as commands take and print it",
        ),
        need("wire", &Shape::Text, "what the family calls it"),
        may("label", &Shape::Words, "what a person reads for it"),
    ],
    groups: &[],
};

static CHOICE: Shape = Shape::List(&Shape::Table(&OPTION));

static BYTES: Table = Table {
    name: "bytes",
    doc: "So many bytes; in text as hexadecimal.",
    keys: &[
        may("length", &Shape::Whole, "exactly so many"),
        may("from", &Shape::Whole, "with `to`: fewest; 0 if left out"),
        may("to", &Shape::Whole, "most"),
        may(
            "separator",
            &Shape::Text,
            "what stands between two bytes in text, such as `:`",
        ),
        may("upper", &Shape::Flag, "written in upper case"),
    ],
    groups: &[&["length", "to"]],
};

static WORDS: Table = Table {
    name: "words",
    doc: "How bind words make a key: the first bytes of a hash, or of PBKDF2, over prefix, words and suffix in UTF-8.",
    keys: &[
        may("hash", &HASH, "one hash over them"),
        may(
            "pbkdf2",
            &Shape::Table(&PBKDF2),
            "PBKDF2 (RFC 8018), with them as its password",
        ),
        may("prefix", &Shape::Text, "what stands before the words"),
        may("suffix", &Shape::Text, "what stands behind the words"),
        may("from", &Shape::Whole, "fewest characters; 1 if left out"),
        need("to", &Shape::Whole, "most characters"),
    ],
    groups: &[&["hash", "pbkdf2"]],
};

static HASH: Shape = Shape::Word(&KeyHash::WORDS);

static PBKDF2: Table = Table {
    name: "pbkdf2",
    doc: "PBKDF2 (RFC 8018) with HMAC.",
    keys: &[
        need("hash", &HASH, "the hash below the HMAC"),
        need("salt", &Shape::Text, "the salt, in UTF-8"),
        need("rounds", &Shape::Whole, "how often, from 1"),
    ],
    groups: &[],
};

static LIST: Table = Table {
    name: "list",
    doc: "Several of one kind.",
    keys: &[
        may("of-number", &Shape::Table(&NUMBER), "each is a number"),
        may("of-text", &Shape::Table(&TEXT), "each is text"),
        may("of-choice", &CHOICE, "each is one of a list"),
        may("length", &Shape::Whole, "exactly so many"),
        may("from", &Shape::Whole, "with `to`: fewest; 0 if left out"),
        may("to", &Shape::Whole, "most"),
        may(
            "separator",
            &Shape::Words,
            "what stands between two in text; a comma if left out",
        ),
    ],
    groups: &[&["of-number", "of-text", "of-choice"], &["length", "to"]],
};

static ROW: Table = Table {
    name: "row",
    doc: "Raw things that mean a value.",
    keys: &[
        need(
            "means",
            &Shape::Either(
                &Shape::Word(&["value", "off", "absent"]),
                &Shape::Table(&MEANS),
            ),
            "what they mean: the value in the hole, off, absent, or one value",
        ),
        need("in", &PATTERNS, "what must stand at each place"),
        may(
            "put",
            &PATTERNS,
            "what is put where to write it; left out: the same; empty: it cannot be written",
        ),
    ],
    groups: &[],
};

static MEANS: Table = Table {
    name: "means",
    doc: "One value.",
    keys: &[need("is", &Shape::Json, "the value, as commands take it")],
    groups: &[],
};

pub(super) static PATTERNS: Shape = Shape::Map(Keys::Places, &Shape::Table(&PATTERN));

static PATTERN: Table = Table {
    name: "pattern",
    doc: "What stands at a place. The hole `{}` is the value.",
    keys: &[
        may(
            "text",
            &Shape::Template,
            "text: of an element, a line, a text control",
        ),
        may(
            "choice",
            &Shape::Template,
            "the chosen value of a radio group or a select",
        ),
        may("box", &Shape::Flag, "a check box that is ticked, or not"),
        may(
            "json-number",
            &Shape::True,
            "a JSON number, which is the hole",
        ),
        may("json-text", &Shape::Template, "a JSON string"),
        may(
            "json-array",
            &Shape::True,
            "a JSON array, which is the hole: a list, or bytes as numbers",
        ),
        may("json-is", &Shape::Json, "exactly this JSON value"),
        may("json-null", &Shape::True, "JSON's null"),
        may(
            "missing",
            &Shape::True,
            "nothing stands there; for reading only",
        ),
    ],
    groups: &[&[
        "text",
        "choice",
        "box",
        "json-number",
        "json-text",
        "json-array",
        "json-is",
        "json-null",
        "missing",
    ]],
};
