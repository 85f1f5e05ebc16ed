//! Real inputs to begin from.

use std::{
    fs,
    path::{Path, PathBuf},
};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

/// All files below some folders of this project with one of these endings.
pub(crate) fn files(folders: &[&str], endings: &[&str]) -> Vec<Vec<u8>> {
    let mut paths = Vec::new();
    for folder in folders {
        collect(&root().join(folder), endings, &mut paths);
    }
    paths.sort();
    assert!(!paths.is_empty(), "{folders:?} hold {endings:?}");
    paths
        .iter()
        .map(|path| fs::read(path).expect("readable"))
        .collect()
}

fn collect(folder: &Path, endings: &[&str], paths: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("readable").path();
        if path.is_dir() {
            if path.file_name().is_some_and(|name| name != "node_modules") {
                collect(&path, endings, paths);
            }
        } else if path
            .extension()
            .is_some_and(|ending| endings.iter().any(|e| ending == *e))
        {
            paths.push(path);
        }
    }
}

/// The blocks of one language in the page that says what the families do on the wire.
pub(crate) fn blocks(language: &str) -> Vec<Vec<u8>> {
    let page = fs::read_to_string(root().join("mock-device/FAMILIES.md")).expect("the page");
    let fence = format!("```{language}\n");
    let blocks = page.split(&fence).skip(1);
    blocks
        .filter_map(|rest| rest.split("```").next())
        .map(|block| block.as_bytes().to_vec())
        .collect()
}
