//! Invented families, one for each way in which saves and restarts can follow one another.

use std::{collections::BTreeMap, sync::Arc};

use rust_decimal::Decimal;
use serde_json::{Value as Json, json};

use crate::{
    change::Wanted,
    profile::{
        At, Body, Encoding, Field, IdentityRule, Login, Means, Method, Pattern, Place, Profile,
        Restart, RestartBy, Returns, Row, Save, SaveHow, Setting, Source, Span, Template, Wire,
        WitnessRule,
    },
    terms::{Bssid, ChoiceOption, Identity, Kind, NumberRange, PlaceName, Raw, Role, Value},
};

/// A family, one device of it, and a change of that.
#[derive(Clone)]
pub(crate) struct Family {
    /// How it behaves.
    pub(crate) profile: Arc<Profile>,
    /// What stands where at first.
    pub(crate) places: BTreeMap<PlaceName, Raw>,
    /// Who it is.
    pub(crate) identity: Identity,
    /// A change that needs each of its saves.
    pub(crate) wanted: Wanted,
    /// A place that a careless save resets, and to what.
    pub(crate) reset: (PlaceName, Raw),
}

impl Family {
    /// One save that restarts the device by itself; it shows a serial and its uptime.
    pub(crate) fn one_restarting_save() -> Self {
        page_family(&[save("air", &["called", "follows", "slot", "zone"], true)])
    }

    /// The same with a second such save.
    pub(crate) fn two_restarting_saves() -> Self {
        let saves = [
            save("air", &["called", "follows", "slot", "zone"], true),
            save("wires", &["speaks"], true),
        ];
        let mut family = page_family(&saves);
        let speaks = choice("output", &["frames", "widths"], "speaks", "wires");
        family.add(speaks, "speaks", chosen("frames"));
        family.want("output", Value::Choice("widths".into()));
        family
    }

    /// One save that restarts, of a device that nothing but its address tells from others.
    pub(crate) fn only_address() -> Self {
        let mut family = Self::one_restarting_save();
        family.identity.serial = None;
        family
    }

    /// Two saves, then a restart request; no serial, a stable BSSID, a count of starts.
    pub(crate) fn two_saves_and_a_restart() -> Self {
        let saves = [
            save("craft", &["called", "held"], false),
            save("waves", &["pace", "area"], false),
        ];
        let lock = lock(
            vec![
                row(
                    Means::Is(Value::Off),
                    &[("held", Pattern::JsonIs(Json::Null))],
                ),
                row(Means::Value, &[("held", Pattern::JsonNumber)]),
            ],
            0,
            &["craft"],
        );
        let mut family = Self {
            profile: Arc::new(profile("keel", &saves, Some(request_restart()))),
            places: BTreeMap::new(),
            identity: Identity {
                serial: None,
                bssid: Some(bssid(true)),
                address: Some("http://192.168.77.1".into()),
            },
            wanted: Wanted::new(),
            reset: (named("area"), Raw::Json(json!("JP"))),
        };
        family.add(lock, "held", Raw::Json(json!(7)));
        family.add(
            text("name", "called", hole_json(), "craft"),
            "called",
            Raw::Json(json!("Smew")),
        );
        let pace = text("waveform", "pace", hole_json(), "waves");
        family.add(pace, "pace", Raw::Json(json!("calm")));
        let area = text("region", "area", hole_json(), "waves");
        family.add(area, "area", Raw::Json(json!("DE")));
        family.want("model-lock", Value::Off);
        family.want("waveform", Value::Text("breeze".into()));
        family
    }

    /// Two saves and a restart request, where the first save writes a value that is never shown.
    pub(crate) fn hidden_value() -> Self {
        let mut family = Self::two_saves_and_a_restart();
        let saves = [
            save("shore", &["word"], false),
            save("craft", &["called", "held"], false),
            save("waves", &["pace", "area"], false),
        ];
        Arc::make_mut(&mut family.profile).saves = saves.to_vec();
        let mut word = text(
            "local-passphrase",
            "word",
            Pattern::Text(Template::hole()),
            "shore",
        );
        word.kind = Kind::Text { from: 8, to: 63 };
        word.secret = true;
        word.blank_keeps = true;
        family.add(word, "word", Raw::Text(String::new()));
        family.wanted.remove("waveform");
        family.want("local-passphrase", Value::Text("reeds-and-sedge".into()));
        family
    }

    /// A save with a value that no page shows, and that reads as missing.
    pub(crate) fn unshown_value() -> Self {
        let mut family = Self::two_saves_and_a_restart();
        let saves = [
            save("lamps", &["lamp"], false),
            save("craft", &["called", "held"], false),
        ];
        Arc::make_mut(&mut family.profile).saves = saves.to_vec();
        let lamp = text("light", "lamp", hole_json(), "lamps");
        family.add(lamp, "lamp", Raw::Missing);
        family.places.remove(&named("lamp"));
        family.wanted.clear();
        family.want("light", Value::Text("dim".into()));
        family
    }

    /// A lock as a flag and a slot in two saves of a device that never restarts.
    pub(crate) fn flag_and_slot() -> Self {
        let saves = [
            save("slot", &["slot"], false),
            save("flag", &["flag"], false),
            save("craft", &["called", "area"], false),
        ];
        let lock = lock(
            vec![
                row(
                    Means::Is(Value::Off),
                    &[("flag", Pattern::JsonIs(json!(false)))],
                ),
                row(
                    Means::Value,
                    &[
                        ("flag", Pattern::JsonIs(json!(true))),
                        ("slot", Pattern::JsonNumber),
                    ],
                ),
            ],
            0,
            &["slot", "flag"],
        );
        let mut family = Self {
            profile: Arc::new(profile("plain", &saves, None)),
            places: BTreeMap::new(),
            identity: identity("PL-00012"),
            wanted: Wanted::new(),
            reset: (named("area"), Raw::Json(json!("JP"))),
        };
        family.add(lock, "flag", Raw::Json(json!(false)));
        family.place("slot", Raw::Json(json!(7)));
        family.add(
            text("name", "called", hole_json(), "craft"),
            "called",
            Raw::Json(json!("Goldeneye")),
        );
        family.add(
            text("region", "area", hole_json(), "craft"),
            "area",
            Raw::Json(json!("DE")),
        );
        family.want("model-lock", Value::Number(12.into()));
        family
    }

    /// The same family, with nothing that tells a restart but that it is gone.
    pub(crate) fn without_mark(mut self) -> Self {
        let restart = Arc::make_mut(&mut self.profile).restart.as_mut();
        restart.expect("a family that restarts").witness = None;
        self
    }

    /// All of them.
    pub(crate) fn all() -> Vec<Self> {
        vec![
            Self::one_restarting_save(),
            Self::two_saves_and_a_restart(),
            Self::flag_and_slot(),
            Self::only_address(),
            Self::two_restarting_saves(),
            Self::hidden_value(),
            Self::unshown_value(),
        ]
    }

    /// The other device that a test swaps in: the same in all but its marks.
    pub(crate) fn stranger(&self) -> Identity {
        Identity {
            serial: self.identity.serial.as_ref().map(|_| "XX-99999".into()),
            bssid: self.identity.bssid.map(|bssid| Bssid {
                mac: [2, 0, 0, 0, 0, 99],
                ..bssid
            }),
            address: self.identity.address.clone(),
        }
    }

    /// Wants one more thing.
    pub(crate) fn want(&mut self, setting: &str, value: Value) {
        let name = setting.parse().expect("a setting's name");
        self.wanted.insert(name, value);
    }

    /// Sets what stands at a place at first.
    pub(crate) fn place(&mut self, place: &str, raw: Raw) {
        let known = Place {
            name: named(place),
            request: "page".parse().expect("a request's name"),
            at: At::Pointer(format!("/{place}")),
            text: None,
            optional: false,
        };
        Arc::make_mut(&mut self.profile)
            .places
            .insert(named(place), known);
        self.places.insert(named(place), raw);
    }

    fn add(&mut self, setting: Setting, place: &str, raw: Raw) {
        self.place(place, raw);
        Arc::make_mut(&mut self.profile).settings.push(setting);
    }
}

/// Its name alone, with its saves: what it holds is above.
impl std::fmt::Debug for Family {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let saves = self.profile.saves.iter().map(|save| save.name.as_str());
        let saves: Vec<&str> = saves.collect();
        write!(
            f,
            "{} with {saves:?} as {}",
            self.profile.family, self.identity
        )
    }
}

/// The name of a place.
pub(crate) fn named(place: &str) -> PlaceName {
    place.parse().expect("a place's name")
}

/// What is chosen in a select.
pub(crate) fn chosen(word: &str) -> Raw {
    Raw::Choice(Some(word.into()))
}

fn page_family(saves: &[Save]) -> Family {
    let restart = Restart {
        by: RestartBy::Saving,
        returns: Returns::AfterWait,
        within_s: Span {
            from: 40.0,
            to: 55.0,
        },
        witness: Some(WitnessRule::Falls(named("awake"))),
    };
    let rows = vec![
        row(
            Means::Is(Value::Off),
            &[("follows", Pattern::Choice(fixed("any")))],
        ),
        row(
            Means::Value,
            &[
                ("follows", Pattern::Choice(fixed("only"))),
                ("slot", Pattern::Text(Template::hole())),
            ],
        ),
    ];
    let mut family = Family {
        profile: Arc::new(profile("deck", saves, Some(restart))),
        places: BTreeMap::new(),
        identity: identity("TD-00471"),
        wanted: Wanted::new(),
        reset: (named("zone"), chosen("JP")),
    };
    family.add(lock(rows, -1, &["air"]), "follows", chosen("only"));
    family.place("slot", Raw::Text("6".into()));
    family.add(
        text("name", "called", Pattern::Text(Template::hole()), "air"),
        "called",
        Raw::Text("Smew".into()),
    );
    family.add(
        choice("region", &["DE", "GB", "JP"], "zone", "air"),
        "zone",
        chosen("DE"),
    );
    family.want("model-lock", Value::Off);
    family
}

fn request_restart() -> Restart {
    Restart {
        by: RestartBy::Request("again".parse().expect("a request's name")),
        returns: Returns::AtOnce,
        within_s: Span { from: 4.0, to: 8.0 },
        witness: Some(WitnessRule::Changes(named("begun"))),
    }
}

fn identity(serial: &str) -> Identity {
    Identity {
        serial: Some(serial.into()),
        bssid: Some(bssid(false)),
        address: Some("http://192.168.77.1".into()),
    }
}

fn bssid(stable: bool) -> Bssid {
    Bssid {
        mac: [2, 0, 0, 0, 0, 7],
        stable,
    }
}

fn profile(family: &str, saves: &[Save], restart: Option<Restart>) -> Profile {
    Profile {
        family: family.into(),
        title: format!("Tarn {family} receiver"),
        role: Role::Receiver,
        system: "tarn".into(),
        network: None,
        announce: None,
        identity: IdentityRule {
            serial: None,
            bssid_stable: false,
        },
        recognise: Vec::new(),
        login: Login::None,
        restart,
        bind_mode: None,
        faulty: Vec::new(),
        requests: BTreeMap::new(),
        places: BTreeMap::new(),
        settings: Vec::new(),
        saves: saves.to_vec(),
        volatile: std::collections::BTreeSet::new(),
        source: Source {
            file: format!("built in: {family}"),
            text: String::new(),
        },
    }
}

fn save(name: &str, places: &[&str], restarts: bool) -> Save {
    let fields = places
        .iter()
        .map(|place| ((*place).to_owned(), Field::Place(named(place))));
    Save {
        name: name.parse().expect("a save's name"),
        how: SaveHow::Made {
            method: Method::Post,
            path: format!("/keep-{name}"),
            body: Body {
                encoding: Encoding::Urlencoded,
                fields: fields.collect(),
            },
        },
        restarts,
        answer: None,
    }
}

fn setting(name: &str, kind: Kind, rows: Vec<Row>, saves: &[&str]) -> Setting {
    Setting {
        name: name.parse().expect("a setting's name"),
        label: name.into(),
        help: None,
        kind,
        wire: Wire::default(),
        rows,
        saves: saves
            .iter()
            .map(|save| save.parse().expect("a save's name"))
            .collect(),
        secret: false,
        optional: false,
        needs: None,
        blank_keeps: false,
        words: None,
    }
}

fn lock(rows: Vec<Row>, wire_add: i64, saves: &[&str]) -> Setting {
    let slots = Kind::NumberOrOff(NumberRange {
        from: 1.into(),
        to: 40.into(),
        step: Decimal::ONE,
        unit: None,
    });
    let mut lock = setting("model-lock", slots, rows, saves);
    lock.wire.add = wire_add.into();
    lock
}

fn text(name: &str, place: &str, pattern: Pattern, save: &str) -> Setting {
    let kind = Kind::Text { from: 0, to: 24 };
    setting(
        name,
        kind,
        vec![row(Means::Value, &[(place, pattern)])],
        &[save],
    )
}

fn choice(name: &str, words: &[&str], place: &str, save: &str) -> Setting {
    let options = words.iter().map(|word| ChoiceOption {
        value: (*word).into(),
        wire: (*word).into(),
        label: None,
    });
    let pattern = Pattern::Choice(Template::hole());
    let rows = vec![row(Means::Value, &[(place, pattern)])];
    setting(name, Kind::Choice(options.collect()), rows, &[save])
}

fn row(means: Means, parts: &[(&str, Pattern)]) -> Row {
    let parts: Vec<_> = parts
        .iter()
        .map(|(place, pattern)| (named(place), pattern.clone()))
        .collect();
    Row {
        means,
        puts: parts.clone(),
        parts,
    }
}

fn fixed(text: &str) -> Template {
    Template::parse(text).expect("a template")
}

fn hole_json() -> Pattern {
    Pattern::JsonText(Template::hole())
}
