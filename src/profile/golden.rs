//! Faulty files of `tests/profiles`, each with the very words in which it is refused.
//!
//! Run once with `LINKMEND_BLESS=1` to write the words anew after a change of wording, and read
//! the difference.

use std::{
    collections::BTreeSet,
    path::{Path, PathBuf},
};

use super::{Code, Faults, load_system, load_text};

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
    let all: BTreeSet<String> = Code::ALL.iter().map(|c| c.word().to_owned()).collect();
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
