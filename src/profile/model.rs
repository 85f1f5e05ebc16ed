//! A family as the program knows it: checked, with every cross-reference resolved.
//!
//! `raw` is the file as it is written, `load` turns it into this and reports every fault; nothing
//! but `load` makes a [`Profile`], so whoever holds one may rely on it: every place names a
//! request that exists, every setting that can be written names saves that write its places, and
//! reading gives back what writing put in, over each setting's range.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt,
};

use secrecy::SecretString;
use semver::VersionReq;
use serde_json::Value as Json;

use super::announce::Announce;
use super::template::Template;
use super::words::KeyRule;
use crate::terms::{Kind, PlaceName, RequestName, Role, SaveName, SettingName, Value};

/// How one family behaves.
#[derive(Debug, Clone)]
pub struct Profile {
    /// The family's name; also its file's.
    pub family: String,
    /// What a person reads.
    pub title: String,
    /// Which end.
    pub role: Role,
    /// With which families it can link.
    pub system: String,
    /// Its fallback network.
    pub network: Option<Network>,
    /// How it is announced on a local network that it has joined; none: it is not.
    pub announce: Option<Announce>,
    /// Which of its marks are strong.
    pub identity: IdentityRule,
    /// All of these must hold for a device to be of this family.
    pub recognise: Vec<Recognise>,
    /// How one gets in.
    pub login: Login,
    /// How it restarts.
    pub restart: Option<Restart>,
    /// How it is made to listen for a transmitter that binds; none: it cannot be.
    pub bind_mode: Option<BindMode>,
    /// What stands where when the processor does not reach its radio part; empty: the family
    /// does not tell.
    pub faulty: Vec<(PlaceName, Pattern)>,
    /// By name.
    pub requests: BTreeMap<RequestName, Request>,
    /// By name.
    pub places: BTreeMap<PlaceName, Place>,
    /// In the order of the file, which is the order in which a person reads them.
    pub settings: Vec<Setting>,
    /// In the order in which they are to be sent.
    pub saves: Vec<Save>,
    /// Places and controls that change by themselves: no part of a fingerprint.
    pub volatile: BTreeSet<PlaceName>,
    /// The file it was loaded from.
    pub source: Source,
}

/// Where a profile came from, kept with each change so that `resume` uses the rules of then.
#[derive(Clone, PartialEq, Eq)]
pub struct Source {
    /// The file's path, or `built in: NAME`.
    pub file: String,
    /// The whole text.
    pub text: String,
}

/// The file alone, since a passphrase may stand in the text.
impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Source")
            .field("file", &self.file)
            .finish_non_exhaustive()
    }
}

/// The fallback network of a family.
#[derive(Debug, Clone)]
pub struct Network {
    /// Patterns of its name; `*` stands for any characters.
    pub names: Vec<String>,
    /// How it is secured.
    pub security: Security,
    /// The passphrase that every device of the family has, if it is printed in its manual.
    pub passphrase: Option<SecretString>,
    /// The device's own address in its network: a literal IP address.
    pub address: std::net::IpAddr,
    /// An address that this computer may take in it; none: the device gives one.
    pub host: Option<HostAddress>,
    /// Seconds after power-up within which it opens.
    pub opens_s: Span,
}

/// An address for this computer in a device's own network.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HostAddress {
    /// Another one than the device's, in the same network.
    pub address: std::net::Ipv4Addr,
    /// Bits of the network's part, 1 to 30.
    pub prefix: u8,
}

/// An address with a prefix length (RFC 4632 section 3.1), such as `192.168.77.9/24`.
impl std::str::FromStr for HostAddress {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let (address, prefix) = text.split_once('/').ok_or(())?;
        let address = address.parse().map_err(|_| ())?;
        let prefix = prefix.parse().map_err(|_| ())?;
        if (1..=30).contains(&prefix) {
            Ok(Self { address, prefix })
        } else {
            Err(())
        }
    }
}

impl HostAddress {
    /// Whether a device at an address is in the same network, and is another one.
    pub fn reaches(&self, device: std::net::IpAddr) -> bool {
        let std::net::IpAddr::V4(device) = device else {
            return false;
        };
        let network = |address: std::net::Ipv4Addr| address.to_bits() >> (32 - self.prefix);
        device != self.address && network(device) == network(self.address)
    }
}

/// Whether words can be the passphrase of a Wi-Fi network: 8 to 63 characters from 32 to 126 (IEEE
/// 802.11-2020 annex J.4.1, clause number from memory).
pub fn is_passphrase(words: &str) -> bool {
    (8..=63).contains(&words.len()) && words.bytes().all(|byte| (32..=126).contains(&byte))
}

/// A closed range of seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Earliest, in s.
    pub from: f64,
    /// Latest, in s.
    pub to: f64,
}

/// How a Wi-Fi network is secured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Security {
    /// Not at all.
    Open,
    /// WPA2-PSK.
    Wpa2,
    /// WPA3-SAE.
    Wpa3,
}

/// Which marks tell devices of this family apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IdentityRule {
    /// Where it shows its serial.
    pub serial: Option<PlaceName>,
    /// Whether its BSSID stays over restarts.
    pub bssid_stable: bool,
}

/// One thing that must stand in an answer for a device to be of this family.
#[derive(Debug, Clone)]
pub struct Recognise {
    /// In the answer to this request, which needs no login and does not act.
    pub request: RequestName,
    /// What to look at.
    pub at: At,
    /// What must stand there; the hole, if it has one, is anything.
    pub text: Template,
}

/// How one gets in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Login {
    /// It asks for nothing.
    None,
    /// HTTP Basic (RFC 7617).
    Basic,
    /// HTTP Digest (RFC 7616).
    Digest,
    /// A login form, answered by a cookie.
    Form {
        /// The page that holds it.
        request: RequestName,
        /// CSS selector of the form.
        select: String,
        /// The control for the user's name, if there is one.
        user: Option<String>,
        /// The control for the password.
        password: String,
        /// The button that is pressed: name and, among several, value.
        press: Option<(String, Option<String>)>,
    },
}

/// How a family restarts.
#[derive(Debug, Clone, PartialEq)]
pub struct Restart {
    /// What makes it restart.
    pub by: RestartBy,
    /// When its network is there again.
    pub returns: Returns,
    /// Seconds until it is there again, as the family does it.
    pub within_s: Span,
    /// The place whose value tells a restart.
    pub witness: Option<WitnessRule>,
}

/// What makes a device restart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RestartBy {
    /// A request of its own.
    Request(RequestName),
    /// Each of the saves that say so.
    Saving,
}

/// When the network is there again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Returns {
    /// As soon as it has started.
    AtOnce,
    /// After it has listened for its transmitter in vain.
    AfterWait,
    /// After a power cycle by hand.
    ByHand,
}

/// How a place tells a restart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WitnessRule {
    /// Seconds since start: falls with a restart. Text and JSON numbers both count.
    Falls(PlaceName),
    /// Another value after each start.
    Changes(PlaceName),
}

/// How a device is made to listen for a transmitter that binds.
#[derive(Debug, Clone, PartialEq)]
pub enum BindMode {
    /// By a request, which acts.
    Request {
        /// Which.
        request: RequestName,
        /// What stands where while it is in bind mode; volatile places.
        shows: Vec<(PlaceName, Pattern)>,
    },
    /// By hand: so many short power cycles, one after the other.
    PowerCycles(u32),
}

/// Method of a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// GET.
    Get,
    /// POST.
    Post,
    /// PUT.
    Put,
    /// PATCH (RFC 5789), with a JSON merge patch.
    Patch,
}

/// What an answer is read as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// An HTML page.
    Html,
    /// A JSON document.
    Json,
    /// `key: value` lines.
    Lines,
}

/// One request of a family.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// Its name.
    pub name: RequestName,
    /// Method.
    pub method: Method,
    /// Path and query, from the root of the device's origin.
    pub path: String,
    /// What its answer is read as; none: the answer is not looked at.
    pub format: Option<Format>,
    /// Whether it makes the device do something: then it is never repeated by itself.
    pub acts: bool,
    /// Whether one must be logged in.
    pub login: bool,
    /// What an answer must end with (white space aside) to be whole.
    pub ends: Option<String>,
    /// What it carries.
    pub body: Option<Body>,
}

/// A body that is made from places and fixed parts, in another shape than what was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// How it is written.
    pub encoding: Encoding,
    /// Key (a field's name, or a JSON Pointer into the body) and what stands there, in order.
    pub fields: Vec<(String, Field)>,
}

/// How a made body is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// `application/x-www-form-urlencoded`.
    Urlencoded,
    /// `multipart/form-data` (RFC 7578).
    Multipart,
    /// `application/json`; keys are JSON Pointers.
    Json,
}

/// What stands in one field of a made body.
#[derive(Debug, Clone, PartialEq)]
pub enum Field {
    /// What stands at a place, as read or as planned.
    Place(PlaceName),
    /// Always this.
    Fixed(Json),
}

/// Where a raw thing stands.
#[derive(Debug, Clone)]
pub struct Place {
    /// Its name.
    pub name: PlaceName,
    /// In the answer to this request.
    pub request: RequestName,
    /// Where in it.
    pub at: At,
    /// What surrounds it there (text of elements and lines only).
    pub text: Option<Template>,
    /// Whether it may be missing.
    pub optional: bool,
}

/// Where in an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum At {
    /// The text of the one element that a CSS selector finds.
    Css(String),
    /// A control of a form of the page.
    Control {
        /// CSS selector of the form; none: the one form that has such a control.
        form: Option<String>,
        /// The control's name.
        name: String,
    },
    /// A JSON Pointer (RFC 6901).
    Pointer(String),
    /// The value of a line with this key.
    Line(String),
}

/// One setting of a family.
#[derive(Debug, Clone)]
pub struct Setting {
    /// Its name.
    pub name: SettingName,
    /// What a person reads.
    pub label: String,
    /// What it is for.
    pub help: Option<String>,
    /// Its range.
    pub kind: Kind,
    /// How values are spelled on the wire.
    pub wire: Wire,
    /// Which raw things mean which value: the first row that fits counts, in both directions.
    pub rows: Vec<Row>,
    /// The saves that write its places; none: it is only read.
    pub saves: Vec<SaveName>,
    /// Whether its value is hidden.
    pub secret: bool,
    /// Whether it may be missing.
    pub optional: bool,
    /// The firmware versions that have it.
    pub needs: Option<VersionReq>,
    /// The device never shows it; sent blank, it keeps what it has.
    pub blank_keeps: bool,
    /// How bind words make it; none: it is given as it is.
    pub words: Option<KeyRule>,
}

/// How the values of one setting are spelled on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wire {
    /// Wire number = value × times + add.
    pub times: rust_decimal::Decimal,
    /// Wire number = value × times + add.
    pub add: rust_decimal::Decimal,
    /// What stands between the items of a list, or between bytes, in text.
    pub separator: String,
    /// Upper-case hexadecimal.
    pub upper: bool,
}

/// Raw things that mean a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// What they mean.
    pub means: Means,
    /// What must stand at each place for this row to fit; at most one pattern has the hole.
    pub parts: Vec<(PlaceName, Pattern)>,
    /// What is put where to write it: the same, unless the family tells a thing in another way
    /// than it takes it.
    pub puts: Vec<(PlaceName, Pattern)>,
}

/// What a row means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Means {
    /// The value in the hole.
    Value,
    /// This one value: `off`, a flag, one of a choice, absent.
    Is(Value),
}

/// What must stand at a place, and what is put there.
#[derive(Debug, Clone, PartialEq)]
pub enum Pattern {
    /// Text with at most one hole.
    Text(Template),
    /// The chosen value of a radio group or a select, with at most one hole.
    Choice(Template),
    /// A check box.
    Box(bool),
    /// A JSON number that is the value.
    JsonNumber,
    /// A JSON string with at most one hole.
    JsonText(Template),
    /// A JSON array whose items are the value: of a list, or bytes as numbers.
    JsonArray,
    /// Exactly this JSON value, `null` included.
    JsonIs(Json),
    /// Nothing stands there (reading only).
    Missing,
}

/// One way to write settings: one acting request.
#[derive(Debug, Clone)]
pub struct Save {
    /// Its name.
    pub name: SaveName,
    /// How it is sent.
    pub how: SaveHow,
    /// Whether the device restarts by itself after it, perhaps before it answers.
    pub restarts: bool,
    /// What a good answer says, where it says anything.
    pub answer: Option<Template>,
}

/// How a save is sent.
#[derive(Debug, Clone, PartialEq)]
pub enum SaveHow {
    /// The page's own form, filled in as a browser would.
    Form {
        /// The request whose answer holds it.
        request: RequestName,
        /// CSS selector of the form.
        select: String,
        /// The button that is pressed: name and, among several, value.
        press: Option<(String, Option<String>)>,
        /// Controls that may be sent along as they are.
        pass: Vec<String>,
        /// Controls whose value a JSON document must confirm, so that a page which scripts fill
        /// is not sent with its defaults.
        agrees: BTreeMap<String, PlaceName>,
    },
    /// A body of another shape.
    Made {
        /// Method.
        method: Method,
        /// Path.
        path: String,
        /// What it carries.
        body: Body,
    },
    /// The whole JSON document as it was read, with the planned differences.
    Document {
        /// Method.
        method: Method,
        /// Path.
        path: String,
        /// The request whose answer it is.
        of: RequestName,
    },
    /// One JSON value.
    One {
        /// Method.
        method: Method,
        /// Path.
        path: String,
        /// The place whose value it is.
        place: PlaceName,
    },
    /// A JSON merge patch (RFC 7396) of the planned differences.
    Merge {
        /// Method.
        method: Method,
        /// Path.
        path: String,
        /// The request whose answer is patched.
        of: RequestName,
    },
}

impl Profile {
    /// The setting of this name.
    pub fn setting(&self, name: &str) -> Option<&Setting> {
        self.settings.iter().find(|setting| setting.name == *name)
    }

    /// The save of this name.
    pub fn save(&self, name: &str) -> Option<&Save> {
        self.saves.iter().find(|save| save.name == *name)
    }

    /// Whether a save writes what stands at a place.
    pub fn writes(&self, save: &Save, place: &PlaceName) -> bool {
        let Some(place) = self.places.get(place) else {
            return false;
        };
        match &save.how {
            SaveHow::Form {
                request, select, ..
            } => {
                place.request == *request
                    && matches!(&place.at, At::Control { form, .. }
                        if form.as_ref().is_none_or(|form| form == select))
            }
            SaveHow::Made { body, .. } => body
                .fields
                .iter()
                .any(|(_, field)| matches!(field, Field::Place(name) if *name == place.name)),
            SaveHow::Document { of, .. } | SaveHow::Merge { of, .. } => {
                place.request == *of && matches!(place.at, At::Pointer(_))
            }
            SaveHow::One { place: name, .. } => *name == place.name,
        }
    }

    /// The requests that a full reading takes: those that places stand in and that do not act, in
    /// the order of their names.
    pub fn reading(&self) -> Vec<&Request> {
        let wanted: BTreeSet<&RequestName> =
            self.places.values().map(|place| &place.request).collect();
        self.requests
            .values()
            .filter(|r| wanted.contains(&r.name) && !r.acts)
            .collect()
    }
}
