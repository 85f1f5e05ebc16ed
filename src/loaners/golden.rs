//! Faulty shelves and tables of `tests/loaners`, each with the very words in which it is refused.
//!
//! Run once with `LINKMEND_BLESS=1` to write the words anew after a change of wording, and read
//! the difference.

use std::{
    collections::BTreeSet,
    fs::{self, Permissions},
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
};

use proptest::prelude::*;
use tempfile::TempDir;

use super::{
    csv, load_text,
    testing::{FAMILY, SMALL},
};
use crate::{
    profile::{Code, Faults},
    terms::untrusted::acts_on_a_screen,
};

/// Screen width of the pictures; 100 columns, so that most lines stay whole.
const WIDTH: usize = 100;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/loaners")
}

/// A folder with the key that some of the files name.
fn with_key() -> TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let key = folder.path().join("shelf.key");
    fs::write(&key, "4a:1f:00:9c:77:e2\n").expect("written");
    fs::set_permissions(&key, Permissions::from_mode(0o600)).expect("our own");
    folder
}

/// Compares, or with `LINKMEND_BLESS` set writes, the words beside a file.
fn golden(path: &Path, faults: &Faults) {
    let said = faults.picture(false, WIDTH);
    if std::env::var_os("LINKMEND_BLESS").is_some() {
        fs::write(path, &said).expect("written");
    }
    let wanted = fs::read_to_string(path).expect("the words are committed");
    assert_eq!(said, wanted, "{}", path.display());
}

/// Each file of a folder has one fault, with the code that it is named after.
fn one_fault_each(
    folder: &str,
    ending: &str,
    load: impl Fn(&str, &str) -> Option<Faults>,
) -> BTreeSet<String> {
    let mut files: Vec<PathBuf> = fs::read_dir(root().join(folder))
        .expect("the folder is there")
        .map(|entry| entry.expect("readable").path())
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let name = path.file_stem().expect("a name").to_string_lossy();
            let text = fs::read_to_string(&path).expect("text");
            let faults = load(&format!("{name}.{ending}"), &text)
                .unwrap_or_else(|| panic!("{folder}/{name} was taken"));
            let codes: Vec<&str> = faults.list.iter().map(|f| f.code.word()).collect();
            assert_eq!(codes, [&*name], "{}", faults.picture(false, WIDTH));
            golden(&path.with_extension("txt"), &faults);
            name.into_owned()
        })
        .collect()
}

#[test]
fn each_code_of_a_shelf_has_a_file_with_that_fault_alone_and_its_words() {
    let folder = with_key();
    let mut hit = one_fault_each("bad", "toml", |file, text| {
        load_text(file, text, folder.path()).err()
    });
    hit.extend(one_fault_each("bad-rows", "csv", |file, text| {
        csv::load_text(file, text, &FAMILY).err()
    }));
    let of_shelf = Code::ALL.iter().filter(|code| code.is_of_shelf());
    let missing: Vec<&str> = of_shelf
        .map(|code| code.word())
        .filter(|word| !hit.contains(*word))
        .collect();
    assert_eq!(missing, Vec::<&str>::new());
}

#[test]
fn all_faults_are_told_in_one_run_each_with_its_line() {
    let path = root().join("ten-faults.toml");
    let text = fs::read_to_string(&path).expect("text");
    let faults = load_text("ten-faults.toml", &text, Path::new(".")).expect_err("faulty");
    let told: Vec<(&str, usize)> = faults
        .list
        .iter()
        .map(|fault| (fault.code.word(), fault.line))
        .collect();
    assert_eq!(
        told,
        [
            ("empty", 2),
            ("bad-value", 6),
            ("unknown-setting", 7),
            ("bad-value", 8),
            ("no-identity", 10),
            ("label-twice", 14),
            ("unknown-key", 16),
            ("bad-value", 17),
            ("missing-key", 20),
            ("identity-twice", 20),
            ("bad-at", 21),
            ("secret-in-clear", 22),
        ],
        "{}",
        faults.picture(false, WIDTH)
    );
    golden(&root().join("ten-faults.txt"), &faults);
}

#[test]
fn a_secret_that_stands_in_a_file_is_in_no_message_and_no_picture() {
    for secret in [
        "\"reed-and-rush\"",
        "'''reed-and-rush'''",
        "[\"reed-and-rush\"]",
        "{ words = \"reed-and-rush\" }",
    ] {
        let text = SMALL.replace("name = \"Heron\"", &format!("bind-key = {secret}"));
        let faults = load_text("small.toml", &text, Path::new(".")).expect_err("in the clear");
        let codes: Vec<&str> = faults.list.iter().map(|f| f.code.word()).collect();
        assert!(codes.contains(&"secret-in-clear"), "{secret}: {codes:?}");
        let said = faults.picture(false, WIDTH);
        assert!(!said.contains("reed-and-rush"), "{said}");
        assert!(said.contains("*****"), "{said}");
    }
}

/// A sound text with some bytes cut out and others put in.
fn damaged(text: &'static str) -> impl Strategy<Value = String> {
    let words = prop_oneof![
        Just(String::new()),
        "[\\[\\]{}=\",.#\n 0-9a-z-]{1,6}",
        any::<String>(),
        Just("9223372036854775807".to_owned()),
    ];
    (0..text.len(), 0..40_usize, words).prop_map(move |(at, cut, words)| {
        let bytes = text.as_bytes();
        let rest = &bytes[(at + cut).min(bytes.len())..];
        let whole = [&bytes[..at], words.as_bytes(), rest].concat();
        String::from_utf8_lossy(&whole).into_owned()
    })
}

const TABLE: &str = "\u{feff}label,identity,at,model-lock,waveform,name\r\n\
    Heron,TD-0042,,7,calm,\"Heron, \"\"the grey\"\"\"\r\n\
    Smew,02-00-5E-00-00-2B,http://192.0.2.7,unique,gale,\r\n";

fn has_its_places(faults: &Faults, text: &str) -> Result<(), TestCaseError> {
    prop_assert!(!faults.list.is_empty());
    for fault in &faults.list {
        prop_assert!(fault.span.end <= text.len());
        prop_assert!(fault.line <= text.matches('\n').count() + 1);
    }
    let picture = faults.picture(false, WIDTH);
    let acts = |c: char| c != '\n' && acts_on_a_screen(c);
    prop_assert!(!picture.contains(acts), "{picture:?}");
    Ok(())
}

proptest! {
    #[test]
    fn a_damaged_shelf_is_taken_or_refused_with_places_in_it(text in damaged(SMALL)) {
        if let Err(faults) = load_text("damaged.toml", &text, Path::new("/nonexistent")) {
            has_its_places(&faults, &text)?;
        }
    }

    #[test]
    fn a_damaged_table_is_taken_or_refused_with_places_in_it(text in damaged(TABLE)) {
        if let Err(faults) = csv::load_text("damaged.csv", &text, &FAMILY) {
            has_its_places(&faults, &text)?;
        }
    }
}

#[test]
fn the_table_that_is_damaged_is_sound() {
    let rows = csv::load_text("sound.csv", TABLE, &FAMILY).map(|rows| rows.len());
    assert_eq!(rows.map_err(|faults| faults.to_string()), Ok(2));
}
