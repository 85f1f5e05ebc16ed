//! What a simulated receiver is set to, in our own words; each family says it in its own.

use serde_json::{Map, Value as Json, json};

use crate::{
    family::{Family, is_from},
    hooks::Hooks,
    seed::Seed,
};

/// Our words for waveforms, weakest reach first.
pub(crate) const WAVEFORMS: [&str; 3] = ["calm", "breeze", "gale"];
/// Regions, ISO 3166-1 alpha-2.
pub(crate) const REGIONS: [&str; 4] = ["DE", "GB", "US", "JP"];
/// Powers in mW.
pub(crate) const POWERS: [u16; 4] = [10, 25, 50, 100];
/// Our words for outputs.
pub(crate) const OUTPUTS: [&str; 3] = ["serial-frames", "pulse-widths", "pulse-sum"];
/// Our words for what happens when the link is lost.
pub(crate) const FAILSAFES: [&str; 3] = ["hold", "neutral", "cut"];

/// The slot of the lock that the scenarios begin with.
pub(crate) const LOCKED_SLOT: u8 = 7;

/// Water birds, whose names the receivers bear.
const BIRDS: [&str; 16] = [
    "Grebe",
    "Smew",
    "Teal",
    "Coot",
    "Heron",
    "Bittern",
    "Wigeon",
    "Pochard",
    "Garganey",
    "Dipper",
    "Moorhen",
    "Goosander",
    "Shelduck",
    "Curlew",
    "Avocet",
    "Scoter",
];

/// All settings of all families; each family shows those that it has. Choices are held as their
/// place in the lists above.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Settings {
    pub(crate) name: String,
    pub(crate) locked: bool,
    /// 1 to 40; keeps its number while the lock is off.
    pub(crate) slot: u8,
    pub(crate) bind_key: Option<[u8; 6]>,
    pub(crate) waveform: usize,
    pub(crate) region: usize,
    /// mW.
    pub(crate) power: u16,
    pub(crate) output: usize,
    pub(crate) inverted: bool,
    /// Hz, 50 to 400, step 10.
    pub(crate) rate: u16,
    pub(crate) failsafe: usize,
    /// Each of 1 to 8 once.
    pub(crate) order: [u8; 8],
    /// µs, 800 to 2200.
    pub(crate) rests: [u16; 4],
    /// -50 to 50; mapped by nobody.
    pub(crate) trim: i16,
    /// Mapped by nobody; not to be set.
    pub(crate) hull: String,
    /// Which channel stands on which pin, a file of the owner's; mapped by nobody. Empty: none.
    pub(crate) map: Vec<u8>,
    /// Empty: none.
    pub(crate) local_network: String,
    /// Empty: none.
    pub(crate) local_passphrase: String,
    /// Seconds, 30 to 120.
    pub(crate) fallback_wait: u16,
    /// Per cent, 0 to 100.
    pub(crate) light: u16,
}

/// One thing of the settings, for a save that keeps a part of what it carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Field {
    Name,
    Locked,
    Slot,
    BindKey,
    Waveform,
    Region,
    Power,
    Output,
    Inverted,
    Rate,
    Failsafe,
    Order,
    Rests,
    Trim,
    Map,
    LocalNetwork,
    LocalPassphrase,
    FallbackWait,
    Light,
}

impl Settings {
    /// Leaves the first half of these as they are, and sets the others to what they are in `other`.
    pub(crate) fn keep_half(&mut self, fields: &[Field], other: &Settings) {
        for field in &fields[fields.len() / 2..] {
            self.take(*field, other);
        }
    }

    fn take(&mut self, field: Field, from: &Settings) {
        match field {
            Field::Name => self.name.clone_from(&from.name),
            Field::Locked => self.locked = from.locked,
            Field::Slot => self.slot = from.slot,
            Field::BindKey => self.bind_key = from.bind_key,
            Field::Waveform => self.waveform = from.waveform,
            Field::Region => self.region = from.region,
            Field::Power => self.power = from.power,
            Field::Output => self.output = from.output,
            Field::Inverted => self.inverted = from.inverted,
            Field::Rate => self.rate = from.rate,
            Field::Failsafe => self.failsafe = from.failsafe,
            Field::Order => self.order = from.order,
            Field::Rests => self.rests = from.rests,
            Field::Trim => self.trim = from.trim,
            Field::Map => self.map.clone_from(&from.map),
            Field::LocalNetwork => self.local_network.clone_from(&from.local_network),
            Field::LocalPassphrase => self.local_passphrase.clone_from(&from.local_passphrase),
            Field::FallbackWait => self.fallback_wait = from.fallback_wait,
            Field::Light => self.light = from.light,
        }
    }

    /// How it left the works: bound to nobody. FAMILIES.md gives no factory values; these are
    /// ours, and none of them but the lock's is one of [`Settings::lent`].
    pub(crate) fn factory() -> Self {
        Self {
            name: "Tarn boat".to_owned(),
            locked: false,
            slot: 1,
            bind_key: None,
            waveform: 0,
            region: 0,
            power: 10,
            output: 0,
            inverted: false,
            rate: 50,
            failsafe: 0,
            order: [1, 2, 3, 4, 5, 6, 7, 8],
            rests: [1500; 4],
            trim: 0,
            hull: "keel-b".to_owned(),
            map: Vec::new(),
            local_network: String::new(),
            local_passphrase: String::new(),
            fallback_wait: 60,
            light: 50,
        }
    }

    /// A receiver of the loan shelf in the beginning of a scenario. Every value that a save could
    /// lose differs from its factory state, so that a loss shows.
    pub(crate) fn lent(name: &str, bind_key: [u8; 6], hooks: &Hooks) -> Self {
        Self {
            name: name.to_owned(),
            locked: hooks.locked,
            slot: LOCKED_SLOT,
            bind_key: hooks.bound.then_some(bind_key),
            waveform: 1,
            region: 1,
            power: 25,
            output: 1,
            inverted: true,
            rate: 100,
            failsafe: 1,
            order: [2, 1, 3, 4, 5, 6, 8, 7],
            rests: [1500, 1500, 1100, 1900],
            trim: -12,
            hull: "keel-b".to_owned(),
            map: b"rudder 2, sheet 1\r\n".to_vec(),
            local_network: "Tarn boathouse".to_owned(),
            local_passphrase: "oars & <duckweed>".to_owned(),
            fallback_wait: 90,
            light: 40,
        }
    }

    /// What it is set to, named and written as linkmend prints it, as far as this firmware has it.
    pub(crate) fn truth(&self, family: Family, works: &str) -> Map<String, Json> {
        let light = ("light", json!(self.light));
        let wait = ("fallback-wait", json!(self.fallback_wait));
        let own = match family {
            Family::SampleForm => {
                let order = ("channel-order", json!(self.order));
                let light = (!is_from(works, [3, 0, 0])).then_some(light);
                [Some(order), Some(wait), light]
            }
            Family::SampleScript => {
                let rests = ("failsafe-positions", json!(self.rests));
                [Some(rests), Some(wait), Some(light)]
            }
            Family::SampleLogin => [is_from(works, [1, 8, 0]).then_some(wait), None, None],
        };
        let lock = if self.locked {
            json!(self.slot)
        } else {
            json!("off")
        };
        [
            ("name", json!(self.name)),
            ("firmware", json!(works)),
            ("model-lock", lock),
            ("bind-key", json!(self.bind_key.map(hex))),
            ("waveform", json!(WAVEFORMS[self.waveform])),
            ("region", json!(REGIONS[self.region])),
            ("power", json!(self.power)),
            ("output", json!(OUTPUTS[self.output])),
            ("output-inverted", json!(self.inverted)),
            ("output-rate", json!(self.rate)),
            ("failsafe", json!(FAILSAFES[self.failsafe])),
            ("local-network", text_or_null(&self.local_network)),
            ("local-passphrase", text_or_null(&self.local_passphrase)),
        ]
        .into_iter()
        .chain(own.into_iter().flatten())
        .map(|(name, value)| (name.to_owned(), value))
        .collect()
    }

    /// What linkmend maps to nothing and must leave as it was.
    pub(crate) fn unmapped(&self, family: Family) -> Map<String, Json> {
        let (name, value) = match family {
            Family::SampleForm => ("trim", json!(self.trim)),
            Family::SampleScript => ("hull", json!(self.hull)),
            Family::SampleLogin => ("map", json!(String::from_utf8_lossy(&self.map))),
        };
        Map::from_iter([(name.to_owned(), value)])
    }
}

/// Three names, no two the same.
pub(crate) fn names(seed: &mut Seed) -> [&'static str; 3] {
    let first = seed.below(BIRDS.len());
    let second = (first + 1 + seed.below(BIRDS.len() - 1)) % BIRDS.len();
    // The next one that is neither of the two.
    let third = (1..=2)
        .map(|more| (first + more) % BIRDS.len())
        .find(|third| *third != second)
        .unwrap_or(first);
    [BIRDS[first], BIRDS[second], BIRDS[third]]
}

fn hex(key: [u8; 6]) -> String {
    key.map(|byte| format!("{byte:02x}")).concat()
}

fn text_or_null(text: &str) -> Json {
    if text.is_empty() {
        Json::Null
    } else {
        json!(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::Scenario;

    #[test]
    fn lent_receiver_differs_from_the_factory_state_in_every_setting() {
        for family in [
            Family::SampleForm,
            Family::SampleScript,
            Family::SampleLogin,
        ] {
            let works = family.versions()[0];
            let lent = Settings::lent("Smew", [1; 6], &Scenario::Locked.hooks());
            let (lent, factory) = (
                lent.truth(family, works),
                Settings::factory().truth(family, works),
            );
            let count = if family == Family::SampleLogin {
                14
            } else {
                16
            };
            assert_eq!(lent.len(), count);
            for (name, value) in &lent {
                assert_eq!(factory[name] == *value, name == "firmware", "{name}");
            }
        }
    }

    #[test]
    fn truth_is_written_as_linkmend_prints_it() {
        let mut settings = Settings::factory();
        let truth = settings.truth(Family::SampleScript, "3.1.0");
        assert_eq!(truth["model-lock"], json!("off"));
        assert_eq!(truth["bind-key"], Json::Null);
        assert_eq!(truth["local-network"], Json::Null);
        assert_eq!(truth["failsafe-positions"], json!([1500, 1500, 1500, 1500]));
        settings.locked = true;
        settings.slot = 40;
        settings.bind_key = Some([0x4a, 0x1f, 0, 0x9c, 0x77, 0xe2]);
        let truth = settings.truth(Family::SampleForm, "2.4.1");
        assert_eq!(truth["model-lock"], json!(40));
        assert_eq!(truth["bind-key"], json!("4a1f009c77e2"));
        assert_eq!(truth["channel-order"], json!([1, 2, 3, 4, 5, 6, 7, 8]));
    }

    #[test]
    fn truth_holds_what_the_firmware_has() {
        let names = |family, works| -> Vec<String> {
            let truth = Settings::factory().truth(family, works);
            truth.into_iter().map(|(name, _)| name).collect()
        };
        let light = "light".to_owned();
        assert!(names(Family::SampleForm, "2.4.1").contains(&light));
        assert!(!names(Family::SampleForm, "3.0.2").contains(&light));
        let wait = "fallback-wait".to_owned();
        assert!(names(Family::SampleLogin, "1.8.2").contains(&wait));
        assert!(!names(Family::SampleLogin, "1.7.3").contains(&wait));
    }

    #[test]
    fn half_of_a_save_is_its_first_half() {
        let old = Settings::lent("Smew", [1; 6], &Scenario::Locked.hooks());
        let mut half = Settings::factory();
        half.keep_half(&[Field::Name, Field::Power, Field::Rate, Field::Map], &old);
        let expected = Settings {
            rate: old.rate,
            map: old.map.clone(),
            ..Settings::factory()
        };
        assert_eq!(half, expected);
    }

    #[test]
    fn names_are_never_the_same() {
        for number in 0..100 {
            let [first, second, third] = names(&mut Seed::stream(number, "names"));
            assert!(first != second && second != third && first != third);
        }
    }
}
