//! Faulty files of `tests/profiles`, each with the very words in which it is refused.
//!
//! Run once with `LINKMEND_BLESS=1` to write the words anew after a change of wording, and read
//! the difference.

use std::{
    collections::BTreeSet,
    path::{Path, PathBuf},
};

use proptest::prelude::*;

use super::{Code, Faults, load_system, load_text};
use crate::terms::untrusted::acts_on_a_screen;

/// Screen width of the pictures; 100 columns, so that most lines stay whole.
const WIDTH: usize = 100;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/profiles")
}

/// The files of a folder that end in `.toml`: name without the ending, and text.
fn files(folder: &str) -> Vec<(String, String)> {
    let mut files: Vec<_> = std::fs::read_dir(self::folder().join(folder))
        .expect("the folder is there")
        .map(|entry| entry.expect("readable").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .map(|path| {
            let name = path
                .file_stem()
                .expect("a name")
                .to_string_lossy()
                .into_owned();
            (name, std::fs::read_to_string(&path).expect("text"))
        })
        .collect();
    files.sort();
    files
}

/// Compares, or with `LINKMEND_BLESS` set writes, the words beside a file.
fn golden(folder: &str, name: &str, faults: &Faults) {
    let path = self::folder().join(folder).join(format!("{name}.txt"));
    let said = faults.picture(false, WIDTH);
    if std::env::var_os("LINKMEND_BLESS").is_some() {
        std::fs::write(&path, &said).expect("written");
    }
    let wanted = std::fs::read_to_string(&path).expect("the words are committed");
    assert_eq!(said, wanted, "{folder}/{name}");
}

/// Each file of a folder has one fault, with the code that it is named after.
fn one_fault_each(folder: &str, load: impl Fn(&str, &str) -> Option<Faults>) -> BTreeSet<String> {
    files(folder)
        .into_iter()
        .map(|(name, text)| {
            let faults = load(&format!("{name}.toml"), &text)
                .unwrap_or_else(|| panic!("{folder}/{name} was taken"));
            let codes: Vec<&str> = faults.list.iter().map(|f| f.code.word()).collect();
            assert_eq!(codes, [name.as_str()], "{}", faults.picture(false, WIDTH));
            golden(folder, &name, &faults);
            name
        })
        .collect()
}

#[test]
fn each_code_has_a_file_with_that_fault_alone_and_its_words() {
    let mut hit = one_fault_each("bad", |file, text| load_text(file, text).err());
    hit.extend(one_fault_each("bad-system", |file, text| {
        load_system(file, text).err()
    }));
    // Those of a shelf have files of their own, with the loaners.
    let all = Code::ALL.iter().filter(|code| !code.is_of_shelf());
    let all: BTreeSet<String> = all.map(|code| code.word().to_owned()).collect();
    assert_eq!(hit, all);
}

#[test]
fn ten_faults_are_told_in_one_run_each_with_its_line() {
    let (_, text) = files("")
        .into_iter()
        .find(|(name, _)| name == "ten-faults")
        .expect("the file is there");
    let faults = load_text("ten-faults.toml", &text).expect_err("ten faults");
    let told: Vec<(&str, usize, usize)> = faults
        .list
        .iter()
        .map(|fault| (fault.code.word(), fault.line, fault.column))
        .collect();
    assert_eq!(told.len(), 10, "{}", faults.picture(false, WIDTH));
    let codes: BTreeSet<&str> = told.iter().map(|(code, ..)| *code).collect();
    assert_eq!(codes.len(), 10, "ten different ones");
    assert_eq!(
        told,
        [
            ("empty", 3, 9),
            ("unknown-word", 4, 8),
            ("bad-selector", 7, 40),
            ("unknown-name", 8, 13),
            ("bad-range", 14, 21),
            ("bad-path", 20, 18),
            ("unknown-key", 23, 45),
            ("bad-pointer", 26, 38),
            ("wrong-type", 31, 15),
            ("missing-key", 47, 5),
        ]
    );
    golden("", "ten-faults", &faults);
}

#[test]
fn the_small_profile_that_the_faulty_ones_are_made_from_is_sound() {
    for (name, text) in files("ok") {
        if let Err(faults) = load_text(&name, &text) {
            panic!("{}", faults.picture(false, WIDTH));
        }
    }
}

#[test]
fn one_broken_line_is_one_fault_and_hides_no_other() {
    let (_, text) = files("ok").remove(0);
    for (sound, broken) in [
        ("\"page\", css = \"#plate\"", "\"page\" css = \"#plate\""),
        ("[place]", "[place"),
        ("title = \"Small receiver\"", "title = \"Small receiver"),
        ("row = [", "row = "),
        ("number = { from", "number = from"),
        ("[request]", "[request]]"),
    ] {
        let text = text
            .replacen(sound, broken, 1)
            .replace("bssid = \"stable\"", "bssid = \"steady\"");
        let faults = load_text("broken.toml", &text).expect_err("broken");
        let mut codes: Vec<&str> = faults.list.iter().map(|f| f.code.word()).collect();
        codes.sort_unstable();
        assert_eq!(
            codes,
            ["not-toml", "unknown-word"],
            "{}",
            faults.picture(false, WIDTH)
        );
    }
}

#[test]
fn what_a_file_says_cannot_act_on_a_terminal() {
    let text = "format = 1\n\"\\u001b]0;owned\\u0007\" = 1\n";
    let faults = load_text("a\u{1b}[2J.toml", text).expect_err("faulty");
    let said: Vec<String> = faults
        .list
        .iter()
        .map(ToString::to_string)
        .chain([faults.to_string()])
        .collect();
    assert!(said.iter().all(|line| !line.contains('\u{1b}')), "{said:?}");
}

/// The sound small profile with some bytes cut out and others put in.
fn damaged() -> impl Strategy<Value = String> {
    let (_, text) = files("ok").remove(0);
    let words = prop_oneof![
        Just(String::new()),
        "[\\[\\]{}=\",.#\n 0-9a-z-]{1,6}",
        any::<String>(),
        Just("9223372036854775807".to_owned()),
        Just("-79228162514264337593543950335.0".to_owned()),
    ];
    (0..text.len(), 0..40_usize, words).prop_map(move |(at, cut, words)| {
        let bytes = text.as_bytes();
        let rest = &bytes[(at + cut).min(bytes.len())..];
        let whole = [&bytes[..at], words.as_bytes(), rest].concat();
        String::from_utf8_lossy(&whole).into_owned()
    })
}

proptest! {
    #[test]
    fn a_damaged_file_is_taken_or_refused_with_places_in_it(text in damaged()) {
        if let Err(faults) = load_text("damaged.toml", &text) {
            prop_assert!(!faults.list.is_empty());
            for fault in &faults.list {
                prop_assert!(fault.span.end <= text.len());
                prop_assert!(fault.line <= text.matches('\n').count() + 1);
            }
            let picture = faults.picture(false, WIDTH);
            prop_assert!(picture.contains("damaged.toml"));
            let acts = |c: char| c != '\n' && acts_on_a_screen(c);
            prop_assert!(!picture.contains(acts), "{picture:?}");
        }
    }

    #[test]
    fn any_number_as_the_end_of_a_range_is_taken_or_refused(
        from in any::<i64>(), to in any::<i64>(), step in any::<i64>(), times in any::<i64>(),
    ) {
        let (_, text) = files("ok").remove(0);
        let range = format!("{{ from = {from}, to = {to}, step = {step}, times = {times} }}");
        let text = text.replace("{ from = 1, to = 40 }", &range);
        prop_assert!(text.contains(&range));
        if let Err(faults) = load_text("range.toml", &text) {
            prop_assert!(!faults.list.is_empty());
        }
    }
}
