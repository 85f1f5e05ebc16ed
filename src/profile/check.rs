//! What only shows when several parts of a profile are looked at together.
//!
//! Each rule is one of the ways in which a profile that reads well does harm in the field: a
//! setting that no save writes, a place looked for in an answer of another format, an acting
//! request that would be sent to find out who is there.

use std::collections::BTreeSet;

use super::diag::{Code, Faults, quoted};
use super::model::{
    At, BindMode, Body, Encoding, Field, Format, Login, Method, Profile, Request, RestartBy,
    WitnessRule,
};
use super::tree::Node;
use crate::terms::{Pointer, RequestName};

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
    check.bind_mode();
    check.saves();
    for setting in &profile.settings {
        check.patterns(setting);
        check.writing(setting);
    }
}

pub(super) struct Check<'a> {
    pub(super) profile: &'a Profile,
    pub(super) root: &'a Node,
    faults: &'a mut Faults,
}

impl Check<'_> {
    pub(super) fn fault(
        &mut self,
        code: Code,
        path: &[&str],
        message: String,
        help: impl Into<String>,
    ) {
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

    pub(super) fn body(&mut self, body: &Body, path: &[&str]) {
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
                if key.parse::<Pointer>().is_err() {
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
    pub(super) fn answer(&mut self, request: &Request, at: &At, path: &[&str]) {
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

    pub(super) fn reads(&mut self, request: &Request, path: &[&str]) {
        if request.acts {
            let message = format!("`{}` acts, and would be sent to read from it", request.name);
            let help = "read from a request that does not act";
            self.fault(Code::ReadingActs, path, message, help);
        }
    }

    /// A request whose answer is a page with a form.
    pub(super) fn page(&mut self, name: &RequestName, path: &[&str]) {
        if let Some(request) = self.profile.requests.get(name) {
            self.answer(request, &At::Css(String::new()), path);
            self.reads(request, path);
        }
    }

    pub(super) fn document(&mut self, name: &RequestName, path: &[&str]) {
        if let Some(request) = self.profile.requests.get(name) {
            self.answer(request, &At::Pointer(String::new()), path);
            self.reads(request, path);
        }
    }

    /// A bind mode is started once and then seen, or it cannot be told from a request that failed.
    fn bind_mode(&mut self) {
        let profile = self.profile;
        let (request, shows) = match &profile.bind_mode {
            None => return,
            Some(BindMode::PowerCycles(cycles)) => {
                if !(1..=MOST_CYCLES).contains(cycles) {
                    let message = "nobody powers a device on and off so often".to_owned();
                    let help = format!("1 to {MOST_CYCLES} times");
                    self.fault(
                        Code::BadBindMode,
                        &["bind-mode", "power-cycles"],
                        message,
                        help,
                    );
                }
                if self
                    .root
                    .get("bind-mode")
                    .is_some_and(|n| n.get("shows").is_some())
                {
                    let message =
                        "a bind mode that is started by hand is not looked for".to_owned();
                    self.fault(
                        Code::OutOfPlace,
                        &["bind-mode", "shows"],
                        message,
                        "leave it out",
                    );
                }
                return;
            }
            Some(BindMode::Request { request, shows }) => (request, shows),
        };
        if profile.requests.get(request).is_some_and(|r| !r.acts) {
            let message = format!("`{request}` starts bind mode and does not act");
            let help = "write `acts = true` at the request, so that it is never repeated";
            self.fault(Code::BadBindMode, &["bind-mode", "request"], message, help);
        }
        let said = self
            .root
            .get("bind-mode")
            .and_then(|node| node.get("shows"));
        if said.is_none_or(|said| said.entries().is_empty()) {
            let message = "nothing shows that it is in bind mode".to_owned();
            let help = "write `shows = { PLACE = PATTERN }`";
            self.fault(Code::BadBindMode, &["bind-mode"], message, help);
        }
        let all_known = (profile.volatile.iter()).all(|place| profile.places.contains_key(place));
        for (place, pattern) in shows {
            let path = ["bind-mode", "shows", place.as_str()];
            self.pattern(place, pattern, None, &path);
            if pattern.has_hole() {
                let message = format!("bind mode is told by fixed words, and `{place}` has a hole");
                let help = "write what stands there while it is in bind mode";
                self.fault(Code::HoleCount, &path, message, help);
            }
            if !profile.volatile.contains(place) && all_known {
                let message = format!("`{place}` changes with bind mode and is not `volatile`");
                let help = format!(
                    "add \"{place}\" to `volatile`, or leaving bind mode counts as a change"
                );
                self.fault(Code::BadBindMode, &path, message, help);
            }
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
                // A save that is faulty itself may be the one that restarts.
                let whole = self
                    .root
                    .get("save")
                    .map_or(0, |saves| saves.entries().len());
                if restarting.is_none() && profile.saves.len() == whole {
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
            // A name in `volatile` that is no place's is a fault already, and may be meant for this.
            let all_known = profile
                .volatile
                .iter()
                .all(|place| profile.places.contains_key(place));
            if !profile.volatile.contains(place) && all_known {
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
}

/// More power cycles in a row than any family asks for.
const MOST_CYCLES: u32 = 20;

#[cfg(test)]
mod tests {
    use super::super::testing::{SMALL, faults};

    #[test]
    fn a_bind_mode_is_started_once_and_seen() {
        let mode = |mode: &str| {
            let head = format!("bind-mode = {{ {mode} }}\n\n[restart]");
            faults(&[
                ("[restart]", head.as_str()),
                (
                    "volatile = [\"awake\"]",
                    "volatile = [\"awake\", \"meets\"]",
                ),
                (
                    "held = { request",
                    "meets = { request = \"all\", pointer = \"/meets\" }\nheld = { request",
                ),
            ])
        };
        let shows = "shows = { meets = { json-is = true } }";
        assert_eq!(mode(&format!("request = \"again\", {shows}")), [""; 0]);
        assert_eq!(mode("power-cycles = 3"), [""; 0]);
        assert_eq!(
            mode(&format!("request = \"all\", {shows}")),
            ["bad-bind-mode: `all` starts bind mode and does not act"]
        );
        for nothing in ["", ", shows = {}"] {
            assert_eq!(
                mode(&format!("request = \"again\"{nothing}")),
                ["bad-bind-mode: nothing shows that it is in bind mode"]
            );
        }
        assert_eq!(
            mode("request = \"again\", shows = { meets = { json-number = true } }"),
            ["hole-count: bind mode is told by fixed words, and `meets` has a hole"]
        );
        assert_eq!(
            mode("request = \"again\", shows = { meets = { box = true } }"),
            ["pattern-misfit: this can never stand at `meets`"]
        );
        assert_eq!(
            mode("request = \"again\", shows = { held = { json-is = true } }"),
            ["bad-bind-mode: `held` changes with bind mode and is not `volatile`"]
        );
        for often in ["0", "21"] {
            assert_eq!(
                mode(&format!("power-cycles = {often}")),
                ["bad-bind-mode: nobody powers a device on and off so often"]
            );
        }
        assert_eq!(
            mode(&format!("power-cycles = 3, {shows}")),
            ["out-of-place: a bind mode that is started by hand is not looked for"]
        );
        assert_eq!(
            mode(""),
            ["pick-one: `bind-mode` has none of request, power-cycles"]
        );
    }

    #[test]
    fn the_login_page_needs_no_login() {
        let login = "login = { form = { request = \"front\", select = \"form\", password = \"word\" } }\n\n[restart]";
        let front = |login: &str| {
            format!(
                "page = {{ get = \"/\", as = \"html\" }}\nfront = {{ get = \"/in\", as = \"html\"{login} }}"
            )
        };
        let page = "page = { get = \"/\", as = \"html\" }";
        assert_eq!(faults(&[("[restart]", login), (page, &front(""))]), [""; 0]);
        assert_eq!(
            faults(&[("[restart]", login), (page, &front(", login = true"))]),
            ["out-of-place: `front` holds the login form and needs a login itself"]
        );
    }

    #[test]
    fn a_get_carries_nothing_and_a_body_something() {
        let all = "all = { get = \"/all\", as = \"json\"";
        let body = |body: &str| format!("{all}, body = {{ {body} }}");
        assert_eq!(
            faults(&[(all, &body("encoding = \"json\", fields = []"))]),
            [
                "out-of-place: `all` is a GET, which carries nothing",
                "empty: the body has no field"
            ]
        );
        let again = "again = { post = \"/again\", acts = true";
        let body = |body: &str| format!("{again}, body = {{ {body} }}");
        assert_eq!(
            faults(&[(
                again,
                &body("encoding = \"json\", fields = [{ key = \"sure\", fixed = true }]")
            )]),
            ["bad-pointer: `sure` is no JSON Pointer"]
        );
        assert_eq!(
            faults(&[(
                again,
                &body("encoding = \"multipart\", fields = [{ key = \"sure\", fixed = true }]")
            )]),
            ["wrong-type: the field `sure` of a form is not text"]
        );
    }

    #[test]
    fn keys_that_say_nothing_where_they_stand_are_faults() {
        assert_eq!(
            faults(&[("css = \"#plate\"", "css = \"#plate\", form = \"#air\"")]),
            ["out-of-place: `form` says nothing without `control`"]
        );
        assert_eq!(
            faults(&[(
                "pointer = \"/awake\"",
                "pointer = \"/awake\", text = \"{} s\""
            )]),
            ["out-of-place: `awake` is no text of an element or a line"]
        );
        assert_eq!(
            faults(&[(
                "place = \"held\" } }",
                "place = \"held\" }, pass = [\"x\"] }"
            )]),
            ["out-of-place: `pass` is about the controls of a form, and `tie` has none"]
        );
    }

    #[test]
    fn faulty_is_told_by_fixed_words_that_can_stand_there() {
        let with = |faulty: &str| faults(&[("[restart]", &format!("{faulty}\n[restart]"))]);
        assert_eq!(with("faulty = { plate = { text = \"silent\" } }"), [""; 0]);
        assert_eq!(
            with("faulty = { plate = { text = \"{}\" } }"),
            ["hole-count: `faulty` is told by fixed words, and `plate` has a hole"]
        );
        assert_eq!(
            with("faulty = { plate = { json-is = 1 } }"),
            ["pattern-misfit: this can never stand at `plate`"]
        );
    }

    #[test]
    fn a_save_that_restarts_needs_a_restart_and_the_other_way() {
        let saving = ("by = { request = \"again\" }", "by = { saving = true }");
        assert_eq!(
            faults(&[saving]),
            ["restart-idle: saving restarts the device, and no save says so"]
        );
        let restarts = (
            "select = \"#air\" } }",
            "select = \"#air\" }, restarts = true }",
        );
        assert_eq!(faults(&[saving, restarts]), [""; 0]);
        let start = SMALL.find("[restart]").expect("a restart");
        let end = SMALL.find("[request]").expect("requests");
        assert_eq!(
            faults(&[restarts, (&SMALL[start..end], "")]),
            ["restart-idle: `air` restarts the device, and nothing says how it returns"]
        );
    }
}
