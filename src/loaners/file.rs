//! The file of a shelf → a checked [`Shelf`], or all of its faults at once.
//!
//! Shape first (`format.rs`), then the family, then what is wanted of each setting (`wish.rs`), then
//! the rows one by one and together (`rows.rs`). What depends on a faulty part is not looked at.

use std::{collections::BTreeMap, path::Path, sync::Arc};

use super::{
    format::{FORMAT, SHELF},
    rows::{self, Row, Said, Wished, Wishes},
    shelf::{Shelf, Wish},
    wish,
};
use crate::{
    files::{
        text::{self, TextError},
        whole::folder,
    },
    profile::{
        self, Code, Faults, Profile, characters,
        diag::{known_names, quoted},
        load::{list, newer, word},
        shape,
        tree::{Entry, Node, What},
    },
    terms::{Role, SettingName, Untrusted, Value},
};

/// Why there is no shelf.
#[derive(Debug, thiserror::Error)]
pub enum ShelfError {
    /// The file cannot be read, or is no text of its size.
    #[error(transparent)]
    Unread(#[from] TextError),
    /// It was read and is faulty: all of its faults.
    #[error(transparent)]
    Faulty(Box<Faults>),
}

/// Loads a shelf, and gives its text as well. Paths in it are seen from its own folder.
///
/// # Errors
/// When it cannot be read or is not sound.
pub fn load_file(path: &Path) -> Result<(Shelf, String), ShelfError> {
    let text = text::read("shelf", path, MOST_BYTES)?;
    let shelf = load_text(&path.display().to_string(), &text, folder(path))
        .map_err(|faults| ShelfError::Faulty(Box::new(faults)))?;
    Ok((shelf, text))
}

/// Loads a shelf from its text; `file` is what messages call it, `folder` where paths in it are
/// seen from.
///
/// # Errors
/// All faults, in the order of their lines.
pub fn load_text(file: &str, text: &str, folder: &Path) -> Result<Shelf, Faults> {
    let mut faults = Faults::new(file, text);
    let root = Node::parse(text, &mut faults);
    if newer(&root, FORMAT, &mut faults) {
        return faults.verdict(None);
    }
    characters::refuse(text, &root, &mut faults);
    shape::check(&root, &SHELF, &mut faults);
    let profile = word(&root, "family").and_then(|name| {
        let found = family(name, folder);
        found
            .map_err(|(message, help)| {
                faults.add(Code::BadFamily, root.spot(&["family"]), message, help);
            })
            .ok()
    });
    let title = title(&root, &mut faults);
    let mut loading = Loading {
        profile: profile.as_ref(),
        folder,
        faults: &mut faults,
    };
    let mut baseline = root
        .get("baseline")
        .map(|node| loading.wishes(node))
        .unwrap_or_default();
    if let Some(profile) = &profile {
        defaults(profile, &mut baseline);
    }
    let nodes = list(&root, "loaner");
    let rows: Vec<Row> = nodes.iter().map(|node| loading.row(node)).collect();
    if nodes.is_empty() && root.get("loaner").is_some() {
        let help = "write a `[[loaner]]` with its label and its serial or BSSID".to_owned();
        let span = root.spot(&["loaner"]);
        faults.add(Code::Empty, span, "no loaner stands on this shelf", help);
    }
    let loaners = rows::loaners(rows, &baseline, profile.as_ref(), &mut faults);
    let shelf = profile.zip(title).map(|(profile, title)| Shelf {
        title,
        profile: Arc::new(profile),
        loaners,
    });
    faults.verdict(shelf)
}

/// The profile of a family, by the name of a built-in one or by a path seen from `folder`; else
/// what is wrong, and what to do.
///
/// # Errors
/// When there is none, it is faulty, or it is one of transmitters.
pub fn family(name: &str, folder: &Path) -> Result<Profile, (String, String)> {
    let profile = if name.contains(['/', '.']) {
        profile::load_file(&folder.join(name)).map_err(|error| {
            let cause = std::error::Error::source(&error).map(|cause| format!(": {cause}"));
            let help = "`linkmend profile check` with its path shows every fault of a profile";
            // The path is as the file has it, and what acts on a screen may stand in it.
            let message = Untrusted::new(format!("{error}{}", cause.unwrap_or_default()));
            (message.to_string(), help.to_owned())
        })?
    } else {
        profile::named(name).ok_or_else(|| {
            let known = profile::built_in();
            let names = known_names(name, known.iter().map(|one| one.family.as_str()));
            let help = format!("{names}; a file is given by its path");
            (format!("there is no family {}", quoted(name)), help)
        })?
    };
    if profile.role == Role::Transmitter {
        let message = format!("{} are transmitters", quoted(&profile.family));
        return Err((message, "a shelf is of receivers".to_owned()));
    }
    Ok(profile)
}

/// A loaner keeps nobody's local network, unless the file wants one.
pub(super) fn defaults(profile: &Profile, baseline: &mut Wishes) {
    let absent = |baseline: &mut Wishes, name: &str| {
        let setting = profile
            .setting(name)
            .filter(|one| one.write(&Value::Absent).is_ok());
        if let Some(setting) = setting {
            baseline.entry(setting.name.clone()).or_insert(Wished {
                wish: Wish::Value(Value::Absent),
                span: 0..0,
            });
        }
    };
    absent(baseline, SettingName::LOCAL_NETWORK);
    let network = baseline.get(SettingName::LOCAL_NETWORK);
    if network.is_some_and(|wished| wished.wish == Wish::Value(Value::Absent)) {
        absent(baseline, SettingName::LOCAL_PASSPHRASE);
    }
}

fn title(root: &Node, faults: &mut Faults) -> Option<String> {
    let title = word(root, "title")?;
    if title.contains(['\n', '\t']) {
        let message = format!("{} holds a line break or a tab", quoted(title));
        let help = "it stands on one line of a screen".to_owned();
        faults.add(Code::BadLabel, root.spot(&["title"]), message, help);
        return None;
    }
    Some(title.to_owned())
}

struct Loading<'a> {
    profile: Option<&'a Profile>,
    folder: &'a Path,
    faults: &'a mut Faults,
}

impl Loading<'_> {
    fn row(&mut self, node: &Node) -> Row {
        let said = |key: &str| {
            let node = node.get(key)?;
            // A blank is told as such already.
            let text = node.text().filter(|text| !text.trim().is_empty())?;
            Some(Said {
                text: text.to_owned(),
                span: node.span.clone(),
            })
        };
        Row {
            span: node.span.clone(),
            label: said("label"),
            serial: said("serial"),
            bssid: said("bssid"),
            identity: None,
            transmitter: said("transmitter"),
            at: said("at"),
            wishes: node
                .get("settings")
                .map(|node| self.wishes(node))
                .unwrap_or_default(),
        }
    }

    fn wishes(&mut self, node: &Node) -> Wishes {
        let Some(profile) = self.profile else {
            return BTreeMap::new();
        };
        let mut wishes = Wishes::new();
        // A date is told as such already.
        let values = |entry: &&Entry| !matches!(entry.node.what, What::Other);
        for entry in node.entries().iter().filter(values) {
            let setting = match wish::setting(profile, &entry.key) {
                Ok(setting) => setting,
                Err((code, message, help)) => {
                    self.faults.add(code, entry.key_span.clone(), message, help);
                    continue;
                }
            };
            let file = entry.node.get("file").map(|node| node.span.clone());
            let span = file.unwrap_or_else(|| entry.point());
            match wish::from_node(setting, &entry.node, self.folder) {
                Ok(wish) => {
                    wishes.insert(setting.name.clone(), Wished { wish, span });
                }
                Err((code, message, help)) => {
                    if code == Code::SecretInClear {
                        self.faults.hide(entry.node.span.clone());
                    }
                    self.faults.add(code, span, message, help);
                }
            }
        }
        wishes
    }
}

/// 16 MiB: ten thousand rows of the longest kind take less than a half of it.
pub(super) const MOST_BYTES: u64 = 1 << 24;

#[cfg(test)]
mod tests;
