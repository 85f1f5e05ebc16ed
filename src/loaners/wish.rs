//! What a file or a cell wants of a setting → a [`Wish`], by the family's own ranges.
//!
//! Of a secret no value stands in such a file: it names another one that nobody else can read.

use std::path::Path;

use secrecy::ExposeSecret;

use super::shelf::{Wish, is_only_compared};
use crate::{
    files::secret,
    profile::{
        Code, Profile, Setting,
        diag::{known_names, quoted},
        kinds::value_of,
        tree::{Node, What},
    },
    terms::{Kind, SettingName, Value},
};

/// Why something is no wish: a code, what is wrong, what to do.
pub(super) type Refusal = (Code, String, String);

/// The setting of this name.
pub(super) fn setting<'a>(profile: &'a Profile, name: &str) -> Result<&'a Setting, Refusal> {
    profile.setting(name).ok_or_else(|| {
        (
            Code::UnknownSetting,
            format!("{} has no setting {}", profile.family, quoted(name)),
            known_names(name, profile.settings.iter().map(|s| s.name.as_str())),
        )
    })
}

/// What a value of a TOML file wants; paths in it are seen from `folder`.
pub(super) fn from_node(setting: &Setting, node: &Node, folder: &Path) -> Result<Wish, Refusal> {
    if let Some(word) = node.text().and_then(|text| word(setting, text)) {
        return word;
    }
    let file = node.get("file").and_then(Node::text);
    let value = match (setting.secret, file) {
        (true, Some(file)) => from_file(setting, &folder.join(file))?,
        (true, None) => return Err(in_clear(setting)),
        (false, Some(_)) => {
            let message = format!("`{}` is no secret", setting.name);
            let help = format!("write its value here: {}", setting.kind);
            return Err((Code::OutOfPlace, message, help));
        }
        (false, None) => plain(setting, node)?,
    };
    told(setting, value)
}

/// What a cell of a table wants.
pub(super) fn from_cell(setting: &Setting, cell: &str) -> Result<Wish, Refusal> {
    if let Some(word) = word(setting, cell) {
        return word;
    }
    if setting.secret {
        return Err(in_clear(setting));
    }
    let value = setting
        .parse(cell)
        .map_err(|why| (Code::BadValue, why, takes(setting)))?;
    told(setting, value)
}

/// `unique` and `absent`, which are no values; a choice may have such a word of its own.
fn word(setting: &Setting, text: &str) -> Option<Result<Wish, Refusal>> {
    let is_option = matches!(&setting.kind,
        Kind::Choice(options) if options.iter().any(|option| option.value == text));
    match text {
        _ if is_option => None,
        "unique" => Some(unique(setting)),
        "absent" => Some(told(setting, Value::Absent)),
        _ => None,
    }
}

fn unique(setting: &Setting) -> Result<Wish, Refusal> {
    let can_be_drawn = match setting.name.as_str() {
        SettingName::MODEL_LOCK => {
            matches!(setting.kind, Kind::Number(_) | Kind::NumberOrOff(_))
        }
        SettingName::BIND_KEY => matches!(setting.kind, Kind::Bytes { .. }),
        _ => false,
    };
    if !can_be_drawn {
        let message = format!("no unique `{}` can be drawn", setting.name);
        let help = "`unique` is for `model-lock` and `bind-key` alone".to_owned();
        return Err((Code::NotUnique, message, help));
    }
    if setting.saves.is_empty() {
        return Err(only_read(setting));
    }
    Ok(Wish::Unique)
}

/// A value that is no secret, as it stands in the file.
fn plain(setting: &Setting, node: &Node) -> Result<Value, Refusal> {
    let refused = |message: String, help: String| (Code::BadValue, message, help);
    match (&setting.kind, &node.what) {
        (Kind::Number(_) | Kind::NumberOrOff(_), What::Text(text)) if text != "off" => {
            let message = format!("{} is not {}", quoted(text), setting.kind);
            let help = if text.parse::<f64>().is_ok() {
                "write it without quotes".to_owned()
            } else {
                takes(setting)
            };
            Err(refused(message, help))
        }
        (_, What::Text(text)) => setting
            .parse(text)
            .map_err(|why| refused(why, takes(setting))),
        (kind, _) => node
            .json()
            .ok_or_else(|| format!("this is not {kind}"))
            .and_then(|json| value_of(kind, &json).map_err(|error| error.to_string()))
            .map_err(|why| refused(why, takes(setting))),
    }
}

fn from_file(setting: &Setting, file: &Path) -> Result<Value, Refusal> {
    let refused = |message: String, help: &str| (Code::BadSecretFile, message, help.to_owned());
    let line = secret::line(file).map_err(|error| refused(error.to_string(), error.help()))?;
    setting.parse(line.expose_secret()).map_err(|why| {
        let shown = quoted(&file.display().to_string());
        let help = "put the secret alone into the file, on one line";
        refused(format!("of the file {shown}: {why}"), help)
    })
}

/// The value as a wish, where the family can be told it, or is only held against it.
fn told(setting: &Setting, value: Value) -> Result<Wish, Refusal> {
    if is_only_compared(&setting.name) {
        return Ok(Wish::Value(value));
    }
    if setting.saves.is_empty() {
        return Err(only_read(setting));
    }
    match setting.write(&value) {
        Ok(_) => Ok(Wish::Value(value)),
        Err(error) => Err((Code::CannotWrite, error.to_string(), takes(setting))),
    }
}

fn only_read(setting: &Setting) -> Refusal {
    let message = format!("`{}` can be read, not written", setting.name);
    let help = "leave it out: a file says what can be set".to_owned();
    (Code::CannotWrite, message, help)
}

fn in_clear(setting: &Setting) -> Refusal {
    let name = &setting.name;
    let message = format!("`{name}` is a secret, and its value stands in no such file");
    let mut ways = vec![format!(
        "write `{name} = {{ file = \"PATH\" }}` in the shelf's file, with a file that others cannot read"
    )];
    if unique(setting).is_ok() {
        ways.push("`\"unique\"`".to_owned());
    }
    if told(setting, Value::Absent).is_ok() {
        ways.push("`\"absent\"`".to_owned());
    }
    let help = ways.join(", or ");
    (Code::SecretInClear, message, help)
}

/// `model-lock takes a number from 1 to 40, or off`.
fn takes(setting: &Setting) -> String {
    let or_absent = if setting.means_absent() {
        ", or absent"
    } else {
        ""
    };
    format!("`{}` takes {}{or_absent}", setting.name, setting.kind)
}
