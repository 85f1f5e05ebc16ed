//! The text of a profile file → a checked [`Profile`], or all of its faults at once.
//!
//! Three passes: the file's shape (`shape.rs`), this translation, and what only shows when several
//! parts are looked at together (`check.rs`, `round.rs`). The translation itself reports what one
//! part says of itself, such as a range that holds nothing; a part that the first pass refused is
//! left out silently, since its fault is on the list already.

use std::{
    collections::{BTreeMap, BTreeSet},
    net::IpAddr,
};

use rust_decimal::prelude::ToPrimitive;
use secrecy::SecretString;
use serde_json::Value as Json;

use super::announce::announce;
use super::diag::{Code, Faults, quoted};
use super::format::{FAMILY, FORMAT};
use super::kinds;
use super::model::{
    At, BindMode, Body, Encoding, Field, Format, HostAddress, IdentityRule, Login, Method, Network,
    Pattern, Place, Profile, Recognise, Request, Restart, RestartBy, Returns, Save, SaveHow,
    Security, Source, Span, WitnessRule, is_passphrase,
};
use super::template::Template;
use super::tree::Node;
use super::{characters, check, round, shape};
use crate::terms::{PlaceName, Role};

/// Loads a profile from its text; `file` is what messages call it.
///
/// # Errors
/// All faults of the file, in the order of their lines.
pub fn load_text(file: &str, text: &str) -> Result<Profile, Faults> {
    load(file, text, true)
}

/// The same for a file whose every value is known to come back: those that are built in, of which a
/// test has seen it. Going through all ranges takes longer than the rest of a start.
pub(super) fn load_tested(file: &str, text: &str) -> Result<Profile, Faults> {
    load(file, text, false)
}

fn load(file: &str, text: &str, with_trips: bool) -> Result<Profile, Faults> {
    let mut faults = Faults::new(file, text);
    let root = Node::parse(text, &mut faults);
    if newer(&root, FORMAT, &mut faults) {
        return faults.verdict(None);
    }
    characters::refuse(text, &root, &mut faults);
    shape::check(&root, &FAMILY, &mut faults);
    let source = Source {
        file: file.to_owned(),
        text: text.to_owned(),
    };
    let profile = profile(&root, source, &mut faults);
    check::whole(&profile, &root, &mut faults);
    if with_trips {
        round::trips(&profile, &root, &mut faults);
    }
    faults.verdict(Some(profile))
}

/// Whether a file is of a later format, of which nothing more can be said; reports that, and a
/// format that never was.
pub(crate) fn newer(root: &Node, newest: i64, faults: &mut Faults) -> bool {
    let Some(format) = root.get("format").and_then(Node::decimal) else {
        return false;
    };
    let span = root.spot(&["format"]);
    if format > newest.into() {
        faults.add(
            Code::NewerFormat,
            span,
            format!("format {format} was made for a newer linkmend"),
            format!("this one reads up to format {newest}: get a newer one"),
        );
        return true;
    }
    if format < 1.into() || !format.is_integer() {
        faults.add(
            Code::BadValue,
            span,
            format!("there is no format {format}"),
            format!("write `format = {newest}`"),
        );
    }
    false
}

/// What could be made of the file. Whatever is missing is on the list of faults already, so that
/// what stands in for it here never leaves the loader.
fn profile(root: &Node, source: Source, faults: &mut Faults) -> Profile {
    let requests = named(root, "request", |name, node| {
        let (method, path) = method(node)?;
        Some(Request {
            name: name.parse().ok()?,
            method,
            path,
            format: word(node, "as").and_then(format_of),
            acts: yes(node, "acts"),
            login: yes(node, "login"),
            ends: word(node, "ends").map(str::to_owned),
            body: node.get("body").and_then(body),
        })
    });
    let places = named(root, "place", |name, node| {
        Some(Place {
            name: name.parse().ok()?,
            request: word(node, "request")?.parse().ok()?,
            at: at(node)?,
            text: match word(node, "text") {
                Some(text) => Some(Template::parse(text).ok()?),
                None => None,
            },
            optional: yes(node, "optional"),
        })
    });
    let settings = kinds::settings(root, faults);
    let saves = saves(root);
    let network = root
        .get("network")
        .and_then(|node| network(node, root, faults));
    let restart = root
        .get("restart")
        .and_then(|node| restart(node, root, faults));
    let bind_mode = root.get("bind-mode").and_then(bind_mode);
    let said = |key| word(root, key).unwrap_or_default().to_owned();
    Profile {
        family: said("family"),
        title: said("title"),
        role: if word(root, "role") == Some("transmitter") {
            Role::Transmitter
        } else {
            Role::Receiver
        },
        system: said("system"),
        network,
        announce: announce(root, faults),
        identity: IdentityRule {
            serial: root
                .get("identity")
                .and_then(|node| word(node, "serial")?.parse().ok()),
            bssid_stable: root.get("identity").and_then(|node| word(node, "bssid"))
                == Some("stable"),
        },
        recognise: list(root, "recognise")
            .iter()
            .filter_map(recognise)
            .collect(),
        login: root.get("login").and_then(login).unwrap_or(Login::None),
        restart,
        bind_mode,
        faulty: root.get("faulty").map(patterns).unwrap_or_default(),
        requests: requests.into_iter().map(|r| (r.name.clone(), r)).collect(),
        places: places.into_iter().map(|p| (p.name.clone(), p)).collect(),
        settings,
        saves,
        volatile: list(root, "volatile")
            .iter()
            .filter_map(|node| node.text()?.parse().ok())
            .collect::<BTreeSet<PlaceName>>(),
        source,
    }
}

/// Each entry of a top-level table, as far as it could be made.
pub(super) fn named<T>(
    root: &Node,
    table: &str,
    mut make: impl FnMut(&str, &Node) -> Option<T>,
) -> Vec<T> {
    root.get(table)
        .map_or(&[][..], Node::entries)
        .iter()
        .filter_map(|entry| make(&entry.key, &entry.node))
        .collect()
}

pub(crate) fn word<'a>(node: &'a Node, key: &str) -> Option<&'a str> {
    node.get(key)?.text()
}

pub(super) fn yes(node: &Node, key: &str) -> bool {
    node.get(key).and_then(Node::flag).unwrap_or(false)
}

pub(crate) fn list<'a>(node: &'a Node, key: &str) -> &'a [Node] {
    node.get(key).map_or(&[], Node::items)
}

/// Patterns by place; those that are faulty are left out.
pub(super) fn patterns(node: &Node) -> Vec<(PlaceName, Pattern)> {
    node.entries()
        .iter()
        .filter_map(|entry| Some((entry.key.parse().ok()?, pattern(&entry.node)?)))
        .collect()
}

fn pattern(node: &Node) -> Option<Pattern> {
    let [entry] = node.entries() else {
        return None;
    };
    let template = || Template::parse(entry.node.text()?).ok();
    Some(match entry.key.as_str() {
        "text" => Pattern::Text(template()?),
        "choice" => Pattern::Choice(template()?),
        "box" => Pattern::Box(entry.node.flag()?),
        "json-number" => Pattern::JsonNumber,
        "json-text" => Pattern::JsonText(template()?),
        "json-array" => Pattern::JsonArray,
        "json-is" => Pattern::JsonIs(entry.node.json()?),
        "json-null" => Pattern::JsonIs(Json::Null),
        "missing" => Pattern::Missing,
        _ => return None,
    })
}

fn at(node: &Node) -> Option<At> {
    if let Some(css) = word(node, "css") {
        return Some(At::Css(css.to_owned()));
    }
    if let Some(name) = word(node, "control") {
        return Some(At::Control {
            form: word(node, "form").map(str::to_owned),
            name: name.to_owned(),
        });
    }
    word(node, "pointer")
        .map(|pointer| At::Pointer(pointer.to_owned()))
        .or_else(|| word(node, "line").map(|line| At::Line(line.to_owned())))
}

fn recognise(node: &Node) -> Option<Recognise> {
    Some(Recognise {
        request: word(node, "request")?.parse().ok()?,
        at: at(node)?,
        text: Template::parse(word(node, "text")?).ok()?,
    })
}

fn method(node: &Node) -> Option<(Method, String)> {
    [
        ("get", Method::Get),
        ("post", Method::Post),
        ("put", Method::Put),
        ("patch", Method::Patch),
    ]
    .into_iter()
    .find_map(|(key, method)| Some((method, word(node, key)?.to_owned())))
}

fn format_of(word: &str) -> Option<Format> {
    Some(match word {
        "html" => Format::Html,
        "json" => Format::Json,
        "lines" => Format::Lines,
        _ => return None,
    })
}

fn body(node: &Node) -> Option<Body> {
    let encoding = match word(node, "encoding")? {
        "urlencoded" => Encoding::Urlencoded,
        "multipart" => Encoding::Multipart,
        "json" => Encoding::Json,
        _ => return None,
    };
    let field = |node: &Node| {
        let filled = match word(node, "place") {
            Some(place) => Field::Place(place.parse().ok()?),
            None => Field::Fixed(node.get("fixed")?.json()?),
        };
        Some((word(node, "key")?.to_owned(), filled))
    };
    Some(Body {
        encoding,
        fields: list(node, "fields").iter().filter_map(field).collect(),
    })
}

fn login(node: &Node) -> Option<Login> {
    if let Some(form) = node.get("form") {
        return Some(Login::Form {
            request: word(form, "request")?.parse().ok()?,
            select: word(form, "select")?.to_owned(),
            user: word(form, "user").map(str::to_owned),
            password: word(form, "password")?.to_owned(),
            press: press(form),
        });
    }
    if yes(node, "basic") {
        return Some(Login::Basic);
    }
    yes(node, "digest").then_some(Login::Digest)
}

fn network(node: &Node, root: &Node, faults: &mut Faults) -> Option<Network> {
    let security = match word(node, "security")? {
        "open" => Security::Open,
        "wpa2" => Security::Wpa2,
        "wpa3" => Security::Wpa3,
        _ => return None,
    };
    let passphrase = word(node, "passphrase").map(str::to_owned);
    if let Some(words) = &passphrase {
        let span = root.spot(&["network", "passphrase"]);
        if security == Security::Open {
            let help = "leave it out, or say how the network is secured".to_owned();
            faults.add(
                Code::OutOfPlace,
                span,
                "an open network has no passphrase",
                help,
            );
        } else if !is_passphrase(words) {
            // The words are a secret of many devices, and stand in no message.
            faults.add(
                Code::BadPassphrase,
                span,
                "this is no WPA passphrase",
                "8 to 63 printable ASCII characters".to_owned(),
            );
        }
    }
    let address: IpAddr = word(node, "address")?.parse().ok()?;
    let host = word(node, "host-address").and_then(|text| {
        let host = text.parse().ok().filter(|host: &HostAddress| host.reaches(address));
        if host.is_none() {
            faults.add(
                Code::BadHostAddress,
                root.spot(&["network", "host-address"]),
                format!("{} is no address for a computer in the network of {address}", quoted(text)),
                "another IPv4 address of the same network and its prefix length, 1 to 30, such as 192.168.77.9/24".to_owned(),
            );
        }
        host
    });
    Some(Network {
        names: list(node, "names")
            .iter()
            .filter_map(|name| name.text().map(str::to_owned))
            .collect(),
        security,
        passphrase: passphrase.map(SecretString::from),
        address,
        host,
        opens_s: span(root, &["network", "opens-s"], faults)?,
    })
}

fn restart(node: &Node, root: &Node, faults: &mut Faults) -> Option<Restart> {
    let by = node.get("by")?;
    Some(Restart {
        by: match word(by, "request") {
            Some(request) => RestartBy::Request(request.parse().ok()?),
            None if yes(by, "saving") => RestartBy::Saving,
            None => return None,
        },
        returns: match word(node, "returns")? {
            "at-once" => Returns::AtOnce,
            "after-wait" => Returns::AfterWait,
            "by-hand" => Returns::ByHand,
            _ => return None,
        },
        within_s: span(root, &["restart", "within-s"], faults)?,
        witness: node.get("witness").and_then(|node| {
            let place = |key| word(node, key)?.parse().ok();
            place("falls")
                .map(WitnessRule::Falls)
                .or_else(|| place("changes").map(WitnessRule::Changes))
        }),
    })
}

fn bind_mode(node: &Node) -> Option<BindMode> {
    if let Some(request) = word(node, "request") {
        return Some(BindMode::Request {
            request: request.parse().ok()?,
            shows: node.get("shows").map(patterns).unwrap_or_default(),
        });
    }
    let cycles = node.get("power-cycles")?.whole()?;
    // What does not fit is refused as too many.
    Some(BindMode::PowerCycles(
        u32::try_from(cycles).unwrap_or(u32::MAX),
    ))
}

/// A range of seconds from 0.
fn span(root: &Node, path: &[&str; 2], faults: &mut Faults) -> Option<Span> {
    let node = root.get(path[0])?.get(path[1])?;
    let (from, to) = (node.get("from")?.decimal()?, node.get("to")?.decimal()?);
    if from.is_sign_negative() || from > to {
        faults.add(
            Code::BadRange,
            root.spot(&[path[0], path[1], "from"]),
            format!("no time lies between {from} and {to} seconds"),
            "`from` is 0 or more, and `to` is not less".to_owned(),
        );
    }
    Some(Span {
        from: from.to_f64()?,
        to: to.to_f64()?,
    })
}

/// The saves in the order in which they are to be sent.
fn saves(root: &Node) -> Vec<Save> {
    let mut saves = named(root, "save", |name, node| {
        Some(Save {
            name: name.parse().ok()?,
            how: how(node)?,
            restarts: yes(node, "restarts"),
            answer: match word(node, "answer") {
                Some(answer) => Some(Template::parse(answer).ok()?),
                None => None,
            },
        })
    });
    let order: Vec<&str> = list(root, "save-order")
        .iter()
        .filter_map(Node::text)
        .collect();
    saves.sort_by_key(|save| order.iter().position(|name| save.name == **name));
    saves
}

/// The button of a form that is pressed.
fn press(form: &Node) -> Option<(String, Option<String>)> {
    let press = form.get("press")?;
    let value = word(press, "value").map(str::to_owned);
    Some((word(press, "name")?.to_owned(), value))
}

fn how(node: &Node) -> Option<SaveHow> {
    if let Some(form) = node.get("form") {
        let agrees = node.get("agrees").map_or(&[][..], Node::entries);
        return Some(SaveHow::Form {
            request: word(form, "request")?.parse().ok()?,
            select: word(form, "select")?.to_owned(),
            press: press(form),
            pass: list(node, "pass")
                .iter()
                .filter_map(|control| control.text().map(str::to_owned))
                .collect(),
            agrees: agrees
                .iter()
                .filter_map(|entry| Some((entry.key.clone(), entry.node.text()?.parse().ok()?)))
                .collect::<BTreeMap<_, _>>(),
        });
    }
    if let Some(made) = node.get("body") {
        let (method, path) = method(made)?;
        return Some(SaveHow::Made {
            method,
            path,
            body: body(made)?,
        });
    }
    if let Some(one) = node.get("one") {
        let (method, path) = method(one)?;
        let place = word(one, "place")?.parse().ok()?;
        return Some(SaveHow::One {
            method,
            path,
            place,
        });
    }
    let whole = node.get("document");
    let part = whole.or_else(|| node.get("merge"))?;
    let (method, path) = method(part)?;
    let of = word(part, "of")?.parse().ok()?;
    Some(if whole.is_some() {
        SaveHow::Document { method, path, of }
    } else {
        SaveHow::Merge { method, path, of }
    })
}

/// A fault that says the words in question.
pub(super) fn about(word: &str, says: &str) -> String {
    format!("{} {says}", quoted(word))
}

#[cfg(test)]
mod tests {
    use secrecy::ExposeSecret;

    use super::super::testing::{SMALL, faults};
    use super::*;

    #[test]
    fn a_network_says_how_it_is_secured_and_by_what() {
        let network = |rest: &str| {
            let network = format!(
                "network = {{ names = [\"SmallBoat *\"], address = \"fe80::1\", opens-s = {{ from = 0, to = 55 }}, {rest} }}\n\n[restart]"
            );
            faults(&[("[restart]", &network)])
        };
        assert_eq!(network("security = \"open\""), [""; 0]);
        assert_eq!(network("security = \"wpa3\""), [""; 0]);
        assert_eq!(
            network("security = \"open\", passphrase = \"reeds-and-rushes\""),
            ["out-of-place: an open network has no passphrase"]
        );
        assert_eq!(
            network("security = \"wpa2\", passphrase = \"Röhricht\""),
            ["bad-passphrase: this is no WPA passphrase"]
        );
    }

    #[test]
    fn a_passphrase_is_kept_and_never_shown() {
        let words = "reeds-and-rushes";
        let network = format!(
            "network = {{ names = [\"SmallBoat *\"], address = \"fe80::1\", opens-s = {{ from = 0, to = 55 }}, security = \"wpa2\", passphrase = \"{words}\" }}\n\n[restart]"
        );
        let text = SMALL.replacen("[restart]", &network, 1);
        let profile = load_text("small.toml", &text).expect("sound");
        assert!(!format!("{profile:?}").contains(words));
        assert!(profile.source.text.contains(words), "it is kept for resume");
        let network = profile.network.expect("a network");
        let kept = network.passphrase.as_ref().map(ExposeSecret::expose_secret);
        assert_eq!(kept, Some(words));
    }

    #[test]
    fn a_login_form_may_name_the_button_that_is_pressed() {
        let login = |press: &str| {
            let login = format!(
                "login = {{ form = {{ request = \"page\", select = \"form\", password = \"word\"{press} }} }}\n\n[restart]"
            );
            let text = SMALL.replacen("[restart]", &login, 1);
            let profile = load_text("small.toml", &text);
            match profile
                .unwrap_or_else(|f| panic!("{}", f.picture(false, 100)))
                .login
            {
                Login::Form { press, .. } => press,
                other => panic!("{other:?}"),
            }
        };
        assert_eq!(login(""), None);
        let button = |value: Option<&str>| Some(("go".to_owned(), value.map(str::to_owned)));
        assert_eq!(login(", press = { name = \"go\" }"), button(None));
        assert_eq!(
            login(", press = { name = \"go\", value = \"in\" }"),
            button(Some("in"))
        );
        assert_eq!(
            faults(&[(
                "[restart]",
                "login = { form = { request = \"page\", select = \"form\", password = \"word\", press = { value = \"in\" } } }\n\n[restart]"
            )]),
            ["missing-key: `login.form.press` lacks `name`"]
        );
    }

    #[test]
    fn no_time_lies_before_now() {
        assert_eq!(
            faults(&[("within-s = { from = 1", "within-s = { from = -1")]),
            ["bad-range: no time lies between -1 and 5 seconds"]
        );
    }

    #[test]
    fn a_format_that_never_was_is_refused() {
        assert_eq!(
            faults(&[("format = 1", "format = 0")]),
            ["bad-value: there is no format 0"]
        );
        assert_eq!(
            faults(&[("format = 1", "format = 2\nfuture = true")]),
            ["newer-format: format 2 was made for a newer linkmend"],
            "nothing else is said of a file that is not understood"
        );
        assert_eq!(
            faults(&[("format = 1\n", "")]),
            ["missing-key: the file lacks `format`"]
        );
    }

    #[test]
    fn faults_below_a_faulty_head_are_told_too() {
        let said = faults(&[
            ("role = \"receiver\"\n", ""),
            ("pointer = \"/held\"", "line = \"held\""),
        ]);
        assert_eq!(said[0], "missing-key: the file lacks `role`");
        assert_eq!(
            said[1],
            "wrong-answer: the answer to `all` is not read as lines"
        );
    }

    #[test]
    fn what_is_loaded_is_what_stands_in_the_file() {
        let profile = load_text("small.toml", SMALL).expect("sound");
        assert_eq!(profile.source.file, "small.toml");
        assert_eq!(
            profile.identity.serial.as_ref().map(PlaceName::as_str),
            Some("plate")
        );
        assert!(profile.identity.bssid_stable);
        let names: Vec<&str> = profile.settings.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(
            names,
            ["name", "waveform", "model-lock"],
            "in the order of the file"
        );
        let reading: Vec<&str> = profile.reading().iter().map(|r| r.name.as_str()).collect();
        assert_eq!(reading, ["all", "page"]);
        let restart = profile.restart.expect("a restart");
        assert_eq!(restart.within_s, Span { from: 1.0, to: 5.0 });
        assert_eq!(restart.returns, Returns::AtOnce);
    }
}
