//! What only shows when several parts of a profile are looked at together.
//!
//! Each rule is one of the ways in which a profile that reads well does harm in the field: a
//! setting that no save writes, a place looked for in an answer of another format, an acting
//! request that would be sent to find out who is there.

use std::collections::BTreeSet;

use super::diag::{Code, Faults, quoted};
use super::model::{
    At, Body, Encoding, Field, Format, Login, Method, Pattern, Profile, Request, RestartBy, Save,
    SaveHow, Setting, WitnessRule,
};
use super::shape::is_pointer;
use super::tree::Node;
use crate::terms::{Kind, PlaceName, RequestName};

/// Adds every fault that shows between the parts.
pub(super) fn whole(profile: &Profile, root: &Node, faults: &mut Faults) {
    let mut check = Check {
        profile,
        root,
        faults,
    };
    check.head();
    check.requests();
    check.places();
    check.restart();
    check.saves();
    for setting in &profile.settings {
        check.patterns(setting);
        check.writing(setting);
    }
}

struct Check<'a> {
    profile: &'a Profile,
    root: &'a Node,
    faults: &'a mut Faults,
}

impl Check<'_> {
    fn fault(&mut self, code: Code, path: &[&str], message: String, help: impl Into<String>) {
        self.faults
            .add(code, self.root.spot(path), message, help.into());
    }

    /// What stands above requests and places.
    fn head(&mut self) {
        for (key, empty) in [
            ("recognise", self.profile.recognise.is_empty()),
            ("setting", self.profile.settings.is_empty()),
        ] {
            let said = self.root.get(key);
            if empty && said.is_some_and(|n| n.items().is_empty() && n.entries().is_empty()) {
                let message = format!("`{key}` is empty");
                self.fault(
                    Code::Empty,
                    &[key],
                    message,
                    "without any, no device can be told",
                );
            }
        }
        if let Some(network) = &self.profile.network
            && network.names.is_empty()
        {
            let message = "the network has no name".to_owned();
            let help = "at least one; `*` stands for any characters";
            self.fault(Code::Empty, &["network", "names"], message, help);
        }
        for (index, rule) in self.profile.recognise.iter().enumerate() {
            let index = index.to_string();
            let path = ["recognise", &index, "request"];
            let Some(request) = self.profile.requests.get(&rule.request) else {
                continue;
            };
            if request.acts || request.login {
                let why = if request.acts {
                    "acts"
                } else {
                    "needs a login"
                };
                let message = format!(
                    "`{}` {why}, and is sent to find out who is there",
                    request.name
                );
                let help = "recognise by a request that neither acts nor needs a login";
                self.fault(Code::RecogniseUnsafe, &path, message, help);
            }
            self.answer(request, &rule.at, &path);
            self.form_alone(&["recognise", &index]);
        }
        if let Login::Form { request, .. } = &self.profile.login {
            self.page(request, &["login", "form", "request"]);
            if self.profile.requests.get(request).is_some_and(|r| r.login) {
                let message = format!("`{request}` holds the login form and needs a login itself");
                let help = "leave its `login` out";
                self.fault(
                    Code::OutOfPlace,
                    &["login", "form", "request"],
                    message,
                    help,
                );
            }
        }
    }

    fn requests(&mut self) {
        let profile = self.profile;
        for request in profile.requests.values() {
            let name = request.name.as_str();
            if request.method == Method::Get {
                if request.body.is_some() {
                    let message = format!("`{name}` is a GET, which carries nothing");
                    let help = "write `post`, or leave `body` out";
                    self.fault(Code::OutOfPlace, &["request", name, "body"], message, help);
                }
            } else if self
                .root
                .get("request")
                .is_some_and(|all| all.get(name).is_some_and(|node| node.get("acts").is_none()))
            {
                let message = format!("`{name}` is no GET and does not say whether it acts");
                let help = "write `acts = true`, or `acts = false` where it only reads";
                self.fault(Code::ActsUnsaid, &["request", name], message, help);
            }
            if let Some(body) = &request.body {
                self.body(body, &["request", name, "body"]);
            }
        }
    }

    fn body(&mut self, body: &Body, path: &[&str]) {
        let mut seen = BTreeSet::new();
        if body.fields.is_empty() {
            let path = [path, &["fields"]].concat();
            self.fault(
                Code::Empty,
                &path,
                "the body has no field".to_owned(),
                "say what it carries",
            );
        }
        for (index, (key, field)) in body.fields.iter().enumerate() {
            let index = index.to_string();
            let at = |key| [path, &["fields", index.as_str(), key]].concat();
            if !seen.insert(key) {
                let message = format!("{} stands in the body twice", quoted(key));
                self.fault(Code::FieldTwice, &at("key"), message, "write it once");
            }
            if body.encoding == Encoding::Json {
                if !is_pointer(key) {
                    let message = format!("{} is no JSON Pointer", quoted(key));
                    let help = "in a JSON body a key is a pointer into it, such as `/slot`";
                    self.fault(Code::BadPointer, &at("key"), message, help);
                }
            } else if matches!(field, Field::Fixed(json) if !json.is_string()) {
                let message = format!("the field {} of a form is not text", quoted(key));
                let help = "a form carries text alone: put it in quotes";
                self.fault(Code::WrongType, &at("fixed"), message, help);
            }
        }
    }

    fn places(&mut self) {
        let profile = self.profile;
        let mut seen: Vec<(&RequestName, &At, &str)> = Vec::new();
        for place in profile.places.values() {
            let name = place.name.as_str();
            let path = ["place", name, "request"];
            if let Some(request) = profile.requests.get(&place.request) {
                self.answer(request, &place.at, &path);
                self.reads(request, &path);
            }
            if place.text.is_some() && !matches!(place.at, At::Css(_) | At::Line(_)) {
                let message = format!("`{name}` is no text of an element or a line");
                let help = "say what surrounds the value in the setting's pattern instead";
                self.fault(Code::OutOfPlace, &["place", name, "text"], message, help);
            }
            self.form_alone(&["place", name]);
            if let At::Control { .. } | At::Pointer(_) = place.at {
                let twin = seen
                    .iter()
                    .find(|(request, at, _)| **request == place.request && **at == place.at);
                if let Some((_, _, other)) = twin {
                    let message = format!("`{name}` and `{other}` are one place");
                    let help = "give it one name, so that it is not written twice";
                    self.fault(Code::PlaceTwice, &["place", name], message, help);
                }
            }
            seen.push((&place.request, &place.at, name));
        }
        for (place, pattern) in &profile.faulty {
            self.pattern(place, pattern, None, &["faulty", place.as_str()]);
            if pattern.has_hole() {
                let message = format!("`faulty` is told by fixed words, and `{place}` has a hole");
                let help = "write what stands there when the radio part is out of reach";
                self.fault(Code::HoleCount, &["faulty", place.as_str()], message, help);
            }
        }
    }

    /// `form` picks among forms for a control, and says nothing without one.
    fn form_alone(&mut self, path: &[&str]) {
        let node = path
            .iter()
            .try_fold(self.root, |node, step| match step.parse::<usize>() {
                Ok(index) => node.items().get(index),
                Err(_) => node.get(step),
            });
        if node.is_some_and(|n| n.get("form").is_some() && n.get("control").is_none()) {
            let message = "`form` says nothing without `control`".to_owned();
            let path = [path, &["form"]].concat();
            self.fault(Code::OutOfPlace, &path, message, "leave it out");
        }
    }

    /// Whether what is looked for can stand in the answer at all.
    fn answer(&mut self, request: &Request, at: &At, path: &[&str]) {
        let (wanted, words) = match at {
            At::Css(_) | At::Control { .. } => (Format::Html, "html"),
            At::Pointer(_) => (Format::Json, "json"),
            At::Line(_) => (Format::Lines, "lines"),
        };
        if request.format != Some(wanted) {
            let message = format!("the answer to `{}` is not read as {words}", request.name);
            let help =
                format!("write `as = \"{words}\"` at the request, or look for it in another way");
            self.fault(Code::WrongAnswer, path, message, help);
        }
    }

    fn reads(&mut self, request: &Request, path: &[&str]) {
        if request.acts {
            let message = format!("`{}` acts, and would be sent to read from it", request.name);
            let help = "read from a request that does not act";
            self.fault(Code::ReadingActs, path, message, help);
        }
    }

    /// A request whose answer is a page with a form.
    fn page(&mut self, name: &RequestName, path: &[&str]) {
        if let Some(request) = self.profile.requests.get(name) {
            self.answer(request, &At::Css(String::new()), path);
            self.reads(request, path);
        }
    }

    fn document(&mut self, name: &RequestName, path: &[&str]) {
        if let Some(request) = self.profile.requests.get(name) {
            self.answer(request, &At::Pointer(String::new()), path);
            self.reads(request, path);
        }
    }

    fn restart(&mut self) {
        let profile = self.profile;
        let restarting = profile.saves.iter().find(|save| save.restarts);
        let Some(restart) = &profile.restart else {
            if let Some(save) = restarting
                && self.root.get("restart").is_none()
            {
                let message = format!(
                    "`{}` restarts the device, and nothing says how it returns",
                    save.name
                );
                let help = "write `[restart]`";
                self.fault(
                    Code::RestartIdle,
                    &["save", save.name.as_str(), "restarts"],
                    message,
                    help,
                );
            }
            return;
        };
        match &restart.by {
            RestartBy::Request(name) => {
                if profile.requests.get(name).is_some_and(|r| !r.acts) {
                    let message = format!("`{name}` restarts the device and does not act");
                    let help = "write `acts = true` at the request, so that it is never repeated";
                    self.fault(
                        Code::RestartIdle,
                        &["restart", "by", "request"],
                        message,
                        help,
                    );
                }
            }
            RestartBy::Saving => {
                if restarting.is_none() {
                    let message = "saving restarts the device, and no save says so".to_owned();
                    let help = "write `restarts = true` at each save that does";
                    self.fault(
                        Code::RestartIdle,
                        &["restart", "by", "saving"],
                        message,
                        help,
                    );
                }
            }
        }
        if let Some(witness) = &restart.witness {
            let (key, place) = match witness {
                WitnessRule::Falls(place) => ("falls", place),
                WitnessRule::Changes(place) => ("changes", place),
            };
            if !profile.volatile.contains(place) {
                let message = format!("`{place}` changes with each restart and is not `volatile`");
                let help =
                    format!("add \"{place}\" to `volatile`, or every restart counts as a change");
                self.fault(
                    Code::WitnessNotVolatile,
                    &["restart", "witness", key],
                    message,
                    help,
                );
            }
        }
    }

    fn saves(&mut self) {
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
    fn patterns(&mut self, setting: &Setting) {
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

    fn pattern(
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
    fn writing(&mut self, setting: &Setting) {
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
        if put.is_empty() {
            let message = format!("`{name}` has a save and is put nowhere");
            let help = "leave `save` out, or say in `put` how it is written";
            self.fault(Code::SaveMisses, &path, message, help);
        }
    }
}
