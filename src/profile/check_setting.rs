//! What only shows between the settings of a profile, their places and the saves that write them.
//!
//! It is the second half of `check.rs`: a setting that no save writes, a place that two write, a
//! pattern that can never stand where it is looked for.

use std::collections::BTreeSet;

use super::check::Check;
use super::diag::{Code, quoted};
use super::model::{At, Pattern, Save, SaveHow, Setting};
use super::tree::Node;
use crate::terms::{Kind, PlaceName};

impl Check<'_> {
    pub(super) fn saves(&mut self) {
        let profile = self.profile;
        for save in &profile.saves {
            self.save(save);
        }
        let names: Vec<&str> = self
            .root
            .get("save")
            .map_or(&[][..], Node::entries)
            .iter()
            .map(|entry| entry.key.as_str())
            .collect();
        let Some(order) = self.root.get("save-order") else {
            if let [_, second, ..] = names.as_slice() {
                let message = "several saves, and nothing says in which order".to_owned();
                let help = format!("write save-order = {names:?} in the order of sending");
                self.fault(Code::SaveOrder, &["save", second], message, help);
            }
            return;
        };
        let said: Vec<&str> = order.items().iter().filter_map(Node::text).collect();
        let missing = names.iter().find(|name| !said.contains(name));
        let twice = said
            .iter()
            .enumerate()
            .find(|(i, name)| said[..*i].contains(name));
        let help = "name each save once";
        if let Some((index, name)) = twice {
            let message = format!("{} stands in the order twice", quoted(name));
            self.fault(
                Code::SaveOrder,
                &["save-order", &index.to_string()],
                message,
                help,
            );
        } else if let Some(missing) = missing {
            let message = format!("{} is not in the order", quoted(missing));
            self.fault(Code::SaveOrder, &["save-order"], message, help);
        }
    }

    fn save(&mut self, save: &Save) {
        let name = save.name.as_str();
        let node = self.root.get("save").and_then(|saves| saves.get(name));
        if !matches!(save.how, SaveHow::Form { .. }) {
            for key in ["pass", "agrees"] {
                if node.is_some_and(|node| node.get(key).is_some()) {
                    let message =
                        format!("`{key}` is about the controls of a form, and `{name}` has none");
                    self.fault(
                        Code::OutOfPlace,
                        &["save", name, key],
                        message,
                        "leave it out",
                    );
                }
            }
        }
        match &save.how {
            SaveHow::Form {
                request, agrees, ..
            } => {
                self.page(request, &["save", name, "form", "request"]);
                for (control, place) in agrees {
                    let at = self.profile.places.get(place).map(|place| &place.at);
                    if at.is_some_and(|at| !matches!(at, At::Pointer(_))) {
                        let message = format!("`{place}` is no place of a JSON document");
                        let help = "only what a page's scripts read can confirm what they fill in";
                        self.fault(
                            Code::WrongAnswer,
                            &["save", name, "agrees", control],
                            message,
                            help,
                        );
                    }
                }
            }
            SaveHow::Made { body, .. } => self.body(body, &["save", name, "body"]),
            SaveHow::Document { of, .. } => self.document(of, &["save", name, "document", "of"]),
            SaveHow::Merge { of, .. } => self.document(of, &["save", name, "merge", "of"]),
            SaveHow::One { place, .. } => {
                let at = self.profile.places.get(place).map(|place| &place.at);
                if at.is_some_and(|at| !matches!(at, At::Pointer(_))) {
                    let message = format!("`{place}` is no place of a JSON document");
                    let help = "a save of one JSON value needs a place with `pointer`";
                    self.fault(
                        Code::WrongAnswer,
                        &["save", name, "one", "place"],
                        message,
                        help,
                    );
                }
            }
        }
    }

    /// Whether each pattern can stand at its place and hold the setting's kind.
    pub(super) fn patterns(&mut self, setting: &Setting) {
        let name = setting.name.as_str();
        let volatile = self.root.get("volatile").map_or(&[][..], Node::items);
        for (index, node) in volatile.iter().enumerate() {
            let Some(place) = node.text().filter(|place| {
                setting
                    .own_places()
                    .into_iter()
                    .any(|own| own.as_str() == *place)
            }) else {
                continue;
            };
            let message = format!("`{name}` stands at `{place}`, which changes by itself");
            let help = "a setting stays until it is set: take the place out of `volatile`";
            let path = ["volatile", &index.to_string()];
            self.fault(Code::VolatileSetting, &path, message, help);
        }
        let short = self.root.spot(&["setting", name, "at"]) != self.root.spot(&["setting", name]);
        for (index, row) in setting.rows.iter().enumerate() {
            let index = index.to_string();
            for (side, patterns) in [("in", &row.parts), ("put", &row.puts)] {
                if side == "put" && row.puts == row.parts {
                    continue;
                }
                for (place, pattern) in patterns {
                    let place_name = place.as_str();
                    let long = ["setting", name, "row", &index, side, place_name];
                    let path: &[&str] = if short {
                        &["setting", name, "at", place_name]
                    } else {
                        &long
                    };
                    self.pattern(place, pattern, Some(&setting.kind), path);
                    if side == "put" && *pattern == Pattern::Missing {
                        let message = "nothing can be put by `missing`".to_owned();
                        let help = "say what is put there, or leave the place out";
                        self.fault(Code::PatternMisfit, path, message, help);
                    }
                }
            }
        }
    }

    pub(super) fn pattern(
        &mut self,
        place: &PlaceName,
        pattern: &Pattern,
        kind: Option<&Kind>,
        path: &[&str],
    ) {
        let Some(at) = self.profile.places.get(place).map(|place| &place.at) else {
            return;
        };
        let (fits, takes) = match at {
            At::Css(_) | At::Line(_) => (matches!(pattern, Pattern::Text(_)), "`text`"),
            At::Control { .. } => (
                matches!(
                    pattern,
                    Pattern::Text(_) | Pattern::Choice(_) | Pattern::Box(_)
                ),
                "`text`, `choice` or `box`",
            ),
            At::Pointer(_) => (
                matches!(
                    pattern,
                    Pattern::JsonNumber
                        | Pattern::JsonText(_)
                        | Pattern::JsonArray
                        | Pattern::JsonIs(_)
                ),
                "a pattern that starts with `json-`",
            ),
        };
        if !fits && *pattern != Pattern::Missing {
            let message = format!("this can never stand at `{place}`");
            self.fault(
                Code::PatternMisfit,
                path,
                message,
                format!("it takes {takes}"),
            );
        }
        let holds = match (pattern, kind) {
            (Pattern::JsonArray, Some(kind)) => {
                matches!(kind, Kind::Bytes { .. } | Kind::List { .. })
            }
            (Pattern::JsonNumber, Some(kind)) => {
                matches!(kind, Kind::Number(_) | Kind::NumberOrOff(_))
            }
            _ => true,
        };
        if let (false, Some(kind)) = (holds, kind) {
            let message = format!("this can never hold {kind}");
            let help = "`json-number` holds numbers, `json-array` lists and bytes";
            self.fault(Code::PatternMisfit, path, message, help);
        }
    }

    /// Whether the saves of a setting write its places, each once.
    pub(super) fn writing(&mut self, setting: &Setting) {
        let profile = self.profile;
        let name = setting.name.as_str();
        if setting.blank_keeps && setting.saves.is_empty() {
            let message = format!("`{name}` is never shown and never written");
            let help = "name its `save`, or leave `blank-keeps` out";
            self.fault(
                Code::SaveMisses,
                &["setting", name, "blank-keeps"],
                message,
                help,
            );
        }
        let saves: Vec<&Save> = setting
            .saves
            .iter()
            .filter_map(|name| profile.save(name.as_str()))
            .collect();
        if saves.len() < setting.saves.len() || saves.is_empty() {
            return;
        }
        let put: BTreeSet<&PlaceName> = setting
            .rows
            .iter()
            .flat_map(|row| row.puts.iter().map(|(place, _)| place))
            .filter(|place| profile.places.contains_key(*place))
            .collect();
        let path = ["setting", name, "save"];
        let mut missed = false;
        for place in &put {
            let writing = saves
                .iter()
                .filter(|save| profile.writes(save, place))
                .count();
            if writing == 0 {
                missed = true;
                let message =
                    format!("`{name}` is put at `{place}`, which its save does not write");
                let others: Vec<&str> = profile
                    .saves
                    .iter()
                    .filter(|save| profile.writes(save, place))
                    .map(|save| save.name.as_str())
                    .collect();
                let help = match others.as_slice() {
                    [] => {
                        "no save writes it; where it is only shown, say in `put` how it is written"
                            .to_owned()
                    }
                    others => format!("written by: {}", others.join(", ")),
                };
                self.fault(Code::SaveMisses, &path, message, help);
            }
            if writing > 1 {
                let message = format!("`{place}` of `{name}` is written by two of its saves");
                let help = "name the one save that is to write it";
                self.fault(Code::SaveTwice, &path, message, help);
            }
        }
        for save in &saves {
            if !missed && !put.iter().any(|place| profile.writes(save, place)) && !put.is_empty() {
                let message = format!("`{}` writes no place of `{name}`", save.name);
                self.fault(Code::SaveMisses, &path, message, "leave it out");
            }
        }
        if put.is_empty() && !setting.rows.is_empty() {
            let message = format!("`{name}` has a save and is put nowhere");
            let help = "leave `save` out, or say in `put` how it is written";
            self.fault(Code::SaveMisses, &path, message, help);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::faults;

    #[test]
    fn several_saves_have_an_order_of_all_of_them() {
        let order = "save-order = [\"air\", \"tie\"]";
        assert_eq!(
            faults(&[(order, "")]),
            ["save-order: several saves, and nothing says in which order"]
        );
        assert_eq!(
            faults(&[(order, "save-order = [\"air\", \"tie\", \"air\"]")]),
            ["save-order: `air` stands in the order twice"]
        );
    }

    #[test]
    fn a_save_takes_places_of_its_own_kind() {
        assert_eq!(
            faults(&[
                (
                    "put = \"/held\", place = \"held\"",
                    "put = \"/held\", place = \"plate\""
                ),
                ("save = \"tie\"\n", ""),
            ]),
            ["wrong-answer: `plate` is no place of a JSON document"]
        );
        assert_eq!(
            faults(&[(
                "select = \"#air\" } }",
                "select = \"#air\" }, agrees = { called = \"plate\" } }"
            )]),
            ["wrong-answer: `plate` is no place of a JSON document"]
        );
        let merge = (
            "tie = { one = { put = \"/held\", place = \"held\" } }",
            "tie = { merge = { patch = \"/all\", of = \"page\" } }",
        );
        let said = faults(&[merge]);
        assert_eq!(
            said[1],
            "wrong-answer: the answer to `page` is not read as json"
        );
    }

    #[test]
    fn a_setting_that_is_written_is_put_somewhere() {
        let row = "in = { held = { json-null = true } } }";
        let value = "in = { held = { json-number = true } } }";
        let no_put = |row: &str| row.replace("} } }", "} }, put = {} }");
        assert_eq!(
            faults(&[(row, &no_put(row)), (value, &no_put(value))]),
            ["save-misses: `model-lock` has a save and is put nowhere"]
        );
        assert_eq!(
            faults(&[("save = \"tie\"\n", "save = [\"tie\", \"air\"]\n")]),
            ["save-misses: `air` writes no place of `model-lock`"]
        );
        assert_eq!(
            faults(&[("save = \"tie\"\n", "blank-keeps = true\n")]),
            ["save-misses: `model-lock` is never shown and never written"]
        );
    }

    #[test]
    fn a_pattern_holds_what_the_kind_can_be() {
        assert_eq!(
            faults(&[(
                "{ held = { json-number = true } }",
                "{ held = { json-array = true } }"
            )]),
            ["pattern-misfit: this can never hold a number from 1 to 40, or off"]
        );
        let put = "in = { held = { json-null = true } }, put = { held = { missing = true } }";
        let said = faults(&[("in = { held = { json-null = true } }", put)]);
        assert_eq!(said, ["pattern-misfit: nothing can be put by `missing`"]);
    }
}
