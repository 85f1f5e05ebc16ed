//! The rules of the source that can be read off it: who may use whom, where things are printed, and
//! how a file looks. They guard against a shortcut that works today and ties a knot for later.
//!
//! Files are read as tokens, so neither a comment nor a text in quotes counts as code.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// Common practice, no source: what a person still reads in one sitting.
const MOST_LINES: usize = 700;

/// The modules that talk to a person. They stand above all others and may use each other.
const FACES: [&str; 3] = ["cli", "wizard", "report"];

/// Which modules of ours each module may use, apart from itself. The faces may use all of them.
const MAY_USE: [(&str, &[&str]); 10] = [
    ("terms", &[]),
    ("files", &["terms"]),
    ("wifi", &["terms"]),
    ("profile", &["files", "terms"]),
    ("judge", &["profile", "terms"]),
    ("session", &["profile", "terms"]),
    ("find", &["profile", "session", "terms", "wifi"]),
    ("change", &["find", "profile", "session", "terms", "wifi"]),
    ("journal", &["change", "judge", "profile", "terms", "wifi"]),
    (
        "loaners",
        &[
            "change", "files", "find", "journal", "judge", "profile", "session", "terms", "wifi",
        ],
    ),
];

/// What the pure machine of a change, or a schedule, may not see, by the first two parts of a path.
const NOT_PURE: [&str; 12] = [
    "std::env",
    "std::fs",
    "std::io",
    "std::net",
    "std::process",
    "std::thread",
    "std::time",
    "super::checkpoint",
    "super::clock",
    "super::driver",
    "super::over_session",
    "super::resume",
];

/// Words that say that something is not finished, cut so that this file does not hold them.
const UNFINISHED: [&str; 4] = [
    concat!("TO", "DO"),
    concat!("FIX", "ME"),
    concat!("#[ign", "ore"),
    concat!("should_", "panic"),
];

#[test]
fn every_source_file_says_first_what_it_is() {
    let silent = sources(&["src", "mock-device/src", "mock-device/tests", "tests"])
        .into_iter()
        .filter(|file| !read(file).starts_with("//! "));
    assert_none("these do not start with a line of `//!`", silent);
}

#[test]
fn no_source_file_is_longer_than_a_sitting() {
    let long = sources(&["src", "mock-device", "tests"])
        .into_iter()
        .filter(|file| read(file).lines().count() > MOST_LINES);
    assert_none("these have too many lines", long);
}

#[test]
fn modules_use_each_other_in_one_direction_only() {
    let rules = BTreeMap::from(MAY_USE);
    let mut broken = Vec::new();
    let mut used_at_all: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (module, file) in modules().into_iter().filter(|(module, _)| !is_face(module)) {
        let allowed = rules.get(module.as_str());
        let allowed = allowed.unwrap_or_else(|| panic!("`{module}` is not in the table"));
        let of_module = used_at_all.entry(module.clone()).or_default();
        for used in used_modules(&code(&file)) {
            if used != module && !allowed.contains(&used.as_str()) {
                broken.push(format!("{} uses crate::{used}", file.display()));
            }
            of_module.insert(used);
        }
    }
    assert_none("the table above does not allow these", broken);
    let idle = MAY_USE.iter().flat_map(|(module, allowed)| {
        let used = &used_at_all[*module];
        let unused = allowed.iter().filter(|name| !used.contains(**name));
        unused.map(move |name| format!("{module} uses no {name}"))
    });
    assert_none("the table above allows what nobody needs", idle);
}

#[test]
fn machine_of_a_change_sees_neither_network_nor_disk_nor_time() {
    is_pure("src/change/machine", &["terms", "profile"]);
}

#[test]
fn schedule_of_a_shelf_sees_neither_network_nor_disk_nor_time() {
    is_pure("src/loaners/schedule", &[]);
}

/// Holds the files of a folder against the list above; `uses`: which modules of ours they may use.
fn is_pure(folder: &str, uses: &[&str]) {
    let machine = root().join(folder);
    let mut broken = Vec::new();
    let mut inside: Vec<PathBuf> = modules().into_iter().map(|(_, file)| file).collect();
    inside.retain(|file| file.starts_with(&machine));
    assert!(
        inside.len() > 1,
        "the machine lies in {}",
        machine.display()
    );
    for file in inside {
        let code = code(&file);
        for used in used_modules(&code) {
            if !uses.contains(&used.as_str()) {
                broken.push(format!("{} uses crate::{used}", file.display()));
            }
        }
        for path in pairs(&code) {
            let foreign = ["tokio", "reqwest", "rusqlite"]
                .iter()
                .any(|name| path.starts_with(&format!("{name}::")));
            if foreign || NOT_PURE.contains(&path.as_str()) {
                broken.push(format!("{} uses {path}", file.display()));
            }
        }
    }
    assert_none("this is to be pure", broken);
}

#[test]
fn only_the_screen_prints() {
    let screen = root().join("src/cli/screen.rs");
    let mut broken = Vec::new();
    for file in sources(&["src"]).into_iter().filter(|file| *file != screen) {
        for name in macros(&code(&file)) {
            if ["print", "println", "eprint", "eprintln", "dbg"].contains(&name.as_str()) {
                broken.push(format!("{} has {name}!", file.display()));
            }
        }
    }
    assert_none("only src/cli/screen.rs prints", broken);
}

/// The wizard, too, asks and shows through `cli`.
#[test]
fn only_cli_knows_standard_streams() {
    let mut broken = Vec::new();
    for (module, file) in modules().into_iter().filter(|(module, _)| module != "cli") {
        for path in pairs(&code(&file)) {
            if ["io::stdin", "io::stdout", "io::stderr"].contains(&path.as_str()) {
                broken.push(format!("{} ({module}) has {path}", file.display()));
            }
        }
    }
    assert_none("only src/cli talks to a person", broken);
}

#[test]
fn simulated_receivers_do_not_know_the_program() {
    let manifest = read(&root().join("mock-device/Cargo.toml"));
    let manifest: toml::Table = manifest.parse().expect("TOML");
    for kind in ["dependencies", "dev-dependencies", "build-dependencies"] {
        let found = manifest.get(kind).and_then(|table| table.get("linkmend"));
        assert!(found.is_none(), "mock-device depends on linkmend ({kind})");
    }
    let naming = sources(&["mock-device"])
        .into_iter()
        .filter(|file| words(&code(file)).contains("linkmend"));
    assert_none("these of mock-device name linkmend in code", naming);
}

#[test]
fn nothing_is_left_for_later() {
    let mut found = Vec::new();
    for folder in ["src", "mock-device", "tests", "profiles"] {
        for kind in ["rs", "py", "mjs", "toml", "md"] {
            for file in files(&root().join(folder), kind) {
                let text = read(&file);
                for word in UNFINISHED.iter().filter(|word| text.contains(**word)) {
                    found.push(format!("{} holds {word}", file.display()));
                }
            }
        }
    }
    for file in sources(&["src", "mock-device", "tests"]) {
        for name in macros(&code(&file)) {
            if ["todo", "unimplemented"].contains(&name.as_str()) {
                found.push(format!("{} has {name}!", file.display()));
            }
        }
    }
    assert_none("unfinished", found);
}

#[test]
fn readme_explains_every_exit_code_and_no_other() {
    let readme = read(&root().join("README.md"));
    let table = readme
        .split_once("| code | meaning |\n| --- | --- |\n")
        .expect("README.md has a table with the head `| code | meaning |`")
        .1;
    let mut explained = BTreeSet::new();
    for row in table.lines().take_while(|line| line.starts_with('|')) {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [code, meaning] = cells[..] else {
            panic!("`{row}` has not two cells");
        };
        assert!(!meaning.is_empty(), "{code} is not explained");
        let code: u8 = code.parse().expect("a code is a number");
        assert!(explained.insert(code), "{code} is explained twice");
    }
    let exit = code(&root().join("src/terms/exit.rs"));
    let codes = numbers(&exit);
    assert!(codes.len() > 1, "`terms::Exit` has its codes as literals");
    assert_eq!(explained, codes, "README.md against src/terms/exit.rs");
}

/// Tokens of two made-up files, so that the readers above are known to see what they look for.
#[test]
fn readers_of_this_file_see_what_they_look_for() {
    let code = tokens(
        r#"
        //! crate::cli in a comment
        use crate::{change::{Plan, cli_like}, terms::Exit};
        #[cfg(test)]
        mod tests { use crate::cli::Screen; fn f() { println!("{}", crate::find::x()); } }
        fn f() -> u8 { vec![crate::judge::judge(), "println!(crate::journal)"]; std::io::stdout(); 7 }
        "#,
    );
    let seen: Vec<String> = used_modules(&code).into_iter().collect();
    assert_eq!(seen, ["change", "judge", "terms"]);
    assert_eq!(macros(&code), BTreeSet::from(["vec".to_owned()]));
    assert!(pairs(&code).contains("io::stdout"));
    assert_eq!(numbers(&code), BTreeSet::from([7]));
    let nested = tokens("use super::{driver, plan::Plan}; use std::{fs, collections::BTreeMap};");
    assert!(pairs(&nested).contains("super::driver"));
    assert!(pairs(&nested).contains("std::fs"));
}

fn is_face(module: &str) -> bool {
    FACES.contains(&module)
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

#[track_caller]
fn assert_none<T: std::fmt::Debug>(what: &str, found: impl IntoIterator<Item = T>) {
    let found: Vec<T> = found.into_iter().collect();
    assert!(found.is_empty(), "{what}: {found:#?}");
}

fn read(file: &Path) -> String {
    fs::read_to_string(file).unwrap_or_else(|error| panic!("{}: {error}", file.display()))
}

/// All `.rs` files below these folders of the project.
fn sources(folders: &[&str]) -> Vec<PathBuf> {
    let found: Vec<PathBuf> = folders
        .iter()
        .flat_map(|folder| files(&root().join(folder), "rs"))
        .collect();
    assert!(!found.is_empty(), "there are no sources in {folders:?}");
    found
}

/// All files of a kind below a folder, without what is installed or built there.
fn files(folder: &Path, kind: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder of the project") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            if !path.ends_with("node_modules") && !path.ends_with("target") {
                found.extend(files(&path, kind));
            }
        } else if path.extension().is_some_and(|end| end == kind) {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The files of each module right below `src`, without those that are built for tests only.
fn modules() -> Vec<(String, PathBuf)> {
    let src = root().join("src");
    let all = sources(&["src"]);
    let for_tests: Vec<PathBuf> = all.iter().flat_map(|file| test_modules(file)).collect();
    all.into_iter()
        .filter(|file| {
            !for_tests
                .iter()
                .any(|test| file.starts_with(test) || *file == test.with_extension("rs"))
        })
        .filter_map(|file| {
            let below = file.strip_prefix(&src).ok()?;
            let first = Path::new(below.components().next()?.as_os_str());
            let module = first.file_stem()?.to_str()?.to_owned();
            let is_module = !["lib", "main"].contains(&module.as_str());
            is_module.then_some((module, file))
        })
        .collect()
}

/// Where the modules lie that a file declares for tests only, without their `.rs`.
fn test_modules(file: &Path) -> Vec<PathBuf> {
    let folder = if file.ends_with("mod.rs") || file.ends_with("lib.rs") {
        file.with_file_name("")
    } else {
        file.with_extension("")
    };
    let stream: TokenStream = read(file).parse().expect("Rust");
    let all: Vec<TokenTree> = stream.into_iter().collect();
    let mut found = Vec::new();
    for (index, _) in all.iter().enumerate().filter(|(_, tree)| is_test(tree)) {
        let item: Vec<String> = all[index + 1..]
            .iter()
            .take_while(|tree| !ends_item(tree))
            .map(ToString::to_string)
            .collect();
        if let Some(at) = item.iter().position(|word| word == "mod") {
            found.push(folder.join(&item[at + 1]));
        }
    }
    found
}

/// The code of a file as flat tokens, brackets included, without items for tests only.
fn code(file: &Path) -> Vec<String> {
    tokens(&read(file))
}

fn tokens(text: &str) -> Vec<String> {
    let mut flat = Vec::new();
    flatten(text.parse().expect("Rust"), &mut flat);
    flat
}

fn flatten(stream: TokenStream, flat: &mut Vec<String>) {
    let mut trees = stream.into_iter();
    while let Some(tree) = trees.next() {
        if is_test(&tree) {
            // The `#` before it does no harm.
            trees.by_ref().find(ends_item);
            continue;
        }
        match tree {
            TokenTree::Group(group) => {
                let (open, close) = match group.delimiter() {
                    Delimiter::Parenthesis => ("(", ")"),
                    Delimiter::Brace => ("{", "}"),
                    Delimiter::Bracket => ("[", "]"),
                    Delimiter::None => ("", ""),
                };
                flat.push(open.to_owned());
                flatten(group.stream(), flat);
                flat.push(close.to_owned());
            }
            other => flat.push(other.to_string()),
        }
    }
}

/// Whether this is the bracket of an attribute that keeps an item for tests only.
fn is_test(tree: &TokenTree) -> bool {
    matches!(tree, TokenTree::Group(group) if group.delimiter() == Delimiter::Bracket && {
        let attribute = group.stream().to_string().replace(' ', "");
        attribute == "cfg(test)" || attribute.starts_with("cfg(all(test,")
    })
}

fn ends_item(tree: &TokenTree) -> bool {
    match tree {
        TokenTree::Group(group) => group.delimiter() == Delimiter::Brace,
        TokenTree::Punct(punct) => punct.as_char() == ';',
        _ => false,
    }
}

/// The names right below `crate` in all paths, also where one `use` names several.
fn used_modules(code: &[String]) -> BTreeSet<String> {
    let below = pairs(code).into_iter();
    below
        .filter_map(|pair| Some(pair.strip_prefix("crate::")?.to_owned()))
        .collect()
}

/// Every two neighbours `a::b` of all paths, with each name of `a::{b, c::d}` next to its `a`.
fn pairs(code: &[String]) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for at in 2..code.len() {
        if code[at - 2] != ":" || code[at - 1] != ":" || at < 3 {
            continue;
        }
        let left = &code[at - 3];
        if code[at] != "{" {
            found.insert(format!("{left}::{}", code[at]));
            continue;
        }
        let mut depth = 0;
        for here in at..code.len() {
            match code[here].as_str() {
                "{" => depth += 1,
                "}" => depth -= 1,
                _ if depth == 1 && ["{", ","].contains(&code[here - 1].as_str()) => {
                    found.insert(format!("{left}::{}", code[here]));
                }
                _ => {}
            }
            if depth == 0 {
                break;
            }
        }
    }
    found
}

/// The names of all macros that are called.
fn macros(code: &[String]) -> BTreeSet<String> {
    code.windows(3)
        .filter(|three| three[1] == "!" && ["(", "[", "{"].contains(&three[2].as_str()))
        .map(|three| three[0].clone())
        .filter(|name| name.chars().all(|c| c.is_alphanumeric() || c == '_'))
        .collect()
}

/// All tokens, each once.
fn words(code: &[String]) -> BTreeSet<&str> {
    code.iter().map(String::as_str).collect()
}

/// All numbers up to 255 that stand as literals.
fn numbers(code: &[String]) -> BTreeSet<u8> {
    code.iter().filter_map(|word| word.parse().ok()).collect()
}
