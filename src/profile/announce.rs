//! What a family announces of itself on a local network that it has joined: a service of DNS-SD
//! (RFC 6763) by its type, and what its TXT record says.
//!
//! An announcement is a stranger's word. It says where a device may be asked; who it is, the device
//! itself has to show.

use super::diag::{Code, Faults, quoted};
use super::load::word;
use super::template::Template;
use super::tree::Node;
use crate::terms::{Mac, Untrusted};

/// Most bytes of one `key=value` of a TXT record (RFC 6763 section 6.1: a length of one byte).
const MOST_TXT_BYTES: usize = 255;

/// How devices of a family are told on a local network.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Announce {
    /// The service type, in lower case and without a domain: `_tarn-boat._tcp`.
    pub service: String,
    /// What each key of the TXT record must say, in the order of the file.
    pub txt: Vec<(String, Template)>,
    /// The key whose hole is the serial.
    pub serial: Option<String>,
    /// The key whose hole is the BSSID of the device's own access point.
    pub bssid: Option<String>,
}

/// What an announcement says of who a device is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Marks {
    /// Its serial.
    pub serial: Option<Untrusted>,
    /// The BSSID of its own access point.
    pub bssid: Option<Mac>,
}

impl Announce {
    /// What a TXT record says by these rules; none: it is not of this family. `value` gives what
    /// stands behind a key, whatever its case (RFC 6763 section 6.4).
    pub fn fit<'a>(&self, value: impl Fn(&str) -> Option<&'a str>) -> Option<Marks> {
        let mut marks = Marks::default();
        for (key, template) in &self.txt {
            let hole = template.find(value(key)?)?;
            if self.serial.as_ref() == Some(key) && !hole.is_empty() {
                marks.serial = Some(hole.into());
            }
            if self.bssid.as_ref() == Some(key) {
                marks.bssid = hole.parse().ok();
            }
        }
        Some(marks)
    }
}

/// Makes it of its part of a file that was found sound by itself.
pub(super) fn announce(root: &Node, faults: &mut Faults) -> Option<Announce> {
    let node = root.get("announce")?;
    let service = word(node, "service")?;
    if let Err(why) = check_service(service) {
        faults.add(
            Code::BadService,
            root.spot(&["announce", "service"]),
            format!("{} is no service type: {why}", quoted(service)),
            "such as `_tarn-boat._tcp`, without a domain".to_owned(),
        );
    }
    let entries = node.get("txt").map_or(&[][..], Node::entries);
    let mut txt: Vec<(String, Template)> = Vec::new();
    for entry in entries {
        let (key, text) = (&entry.key, entry.node.text());
        let Some(template) = text.and_then(|text| Template::parse(text).ok()) else {
            continue;
        };
        let twice = txt.iter().any(|(other, _)| other.eq_ignore_ascii_case(key));
        let why = if !is_txt_key(key) {
            Some("a key is of printable ASCII characters without `=`")
        } else if twice {
            Some("it stands here twice, since case does not count in keys")
        } else if key.len() + 1 + text.map_or(0, str::len) > MOST_TXT_BYTES {
            Some("key and value are more than 254 bytes together")
        } else {
            None
        };
        if let Some(why) = why {
            faults.add(
                Code::BadTxt,
                entry.key_span.clone(),
                format!(
                    "{} is no key that a TXT record can have: {why}",
                    quoted(key)
                ),
                "write the keys as the device announces them (RFC 6763 section 6.4)".to_owned(),
            );
        }
        txt.push((key.clone(), template));
    }
    let mut mark = |role: &str| {
        let named = word(node, role)?;
        let found = txt
            .iter()
            .find(|(key, template)| key == named && template.has_hole());
        if found.is_none() {
            faults.add(
                Code::BadTxt,
                root.spot(&["announce", role]),
                format!("{} is no key of `txt` with a hole", quoted(named)),
                format!("write `txt = {{ KEY = \"{{}}\" }}` and `{role} = \"KEY\"`"),
            );
        }
        found.map(|(key, _)| key.clone())
    };
    let (serial, bssid) = (mark("serial"), mark("bssid"));
    Some(Announce {
        service: service.to_ascii_lowercase(),
        txt,
        serial,
        bssid,
    })
}

/// RFC 6763 section 4.1.2 for the two labels, RFC 6335 section 5.1 for the first of them. Devices
/// are talked to over HTTP, so the second is TCP.
fn check_service(service: &str) -> Result<(), &'static str> {
    let name = service
        .strip_prefix('_')
        .ok_or("it starts with an underscore")?;
    let name = match name.rsplit_once('.') {
        Some((name, protocol)) if protocol.eq_ignore_ascii_case("_tcp") => name,
        _ => return Err("it ends with `._tcp`"),
    };
    if !(1..=15).contains(&name.len()) {
        return Err("its name has 1 to 15 characters");
    }
    if !name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-') {
        return Err("its name is of ASCII letters, digits and hyphens");
    }
    if !name.bytes().any(|b| b.is_ascii_alphabetic()) {
        return Err("its name has a letter");
    }
    if name.starts_with('-') || name.ends_with('-') || name.contains("--") {
        return Err("its hyphens stand alone between others");
    }
    Ok(())
}

/// RFC 6763 section 6.4: one character or more, 0x20 to 0x7E, no equals sign.
fn is_txt_key(key: &str) -> bool {
    !key.is_empty() && key.bytes().all(|b| (0x20..=0x7e).contains(&b) && b != b'=')
}

#[cfg(test)]
mod tests {
    use super::super::testing::{SMALL, faults};
    use super::super::{Profile, load_text};
    use super::*;

    fn announcing(rules: &str) -> [(&'static str, String); 1] {
        [(
            "[restart]",
            format!("announce = {{ {rules} }}\n\n[restart]"),
        )]
    }

    fn said(rules: &str) -> Vec<String> {
        let [(at, text)] = announcing(rules);
        faults(&[(at, &text)])
    }

    fn loaded(rules: &str) -> Profile {
        let [(at, text)] = announcing(rules);
        load_text("small.toml", &SMALL.replacen(at, &text, 1)).expect("sound")
    }

    #[test]
    fn a_service_type_is_one_by_the_two_standards() {
        // The rules of RFC 6335 section 5.1, one broken by each.
        for (service, why) in [
            ("tarn._tcp", "underscore"),
            ("_tarn._udp", "`._tcp`"),
            ("_tarn._tcp.local.", "`._tcp`"),
            ("_tarn", "`._tcp`"),
            ("_._tcp", "1 to 15"),
            ("_sixteen-letters-._tcp", "1 to 15"),
            ("_t\u{e4}rn._tcp", "ASCII"),
            ("_tarn boat._tcp", "ASCII"),
            ("_a.b._tcp", "ASCII"),
            ("_4711._tcp", "a letter"),
            ("_-tarn._tcp", "hyphens"),
            ("_tarn-._tcp", "hyphens"),
            ("_tarn--boat._tcp", "hyphens"),
        ] {
            let said = said(&format!("service = \"{service}\""));
            assert_eq!(said.len(), 1, "{service}: {said:?}");
            let head = format!("bad-service: `{service}` is no service type: ");
            assert!(
                said[0].starts_with(&head) && said[0].contains(why),
                "{said:?}"
            );
        }
        for service in ["_tarn-boat._tcp", "_a1._tcp", "_fifteen-letters._tcp"] {
            let rules = format!("service = \"{service}\"");
            assert_eq!(said(&rules), [""; 0]);
            let announce = loaded(&rules).announce.expect("it announces itself");
            assert_eq!(announce.service, service);
        }
        let upper = loaded("service = \"_Tarn-Boat._TCP\"").announce;
        assert_eq!(upper.expect("one").service, "_tarn-boat._tcp");
    }

    #[test]
    fn a_txt_key_that_no_record_can_have_is_a_fault() {
        let long = "x".repeat(252);
        for (txt, why) in [
            ("\"a=b\" = \"c\"", "without `=`"),
            ("\"\" = \"c\"", "printable"),
            ("\"pl\u{e4}te\" = \"c\"", "printable"),
            ("plate = \"{}\", Plate = \"{}\"", "twice"),
            (&format!("abc = \"{long}\""), "254 bytes"),
        ] {
            let said = said(&format!("service = \"_a._tcp\", txt = {{ {txt} }}"));
            assert_eq!(said.len(), 1, "{txt}: {said:?}");
            assert!(
                said[0].starts_with("bad-txt: ") && said[0].contains(why),
                "{said:?}"
            );
        }
        let fits = "x".repeat(251);
        let rules = format!("service = \"_a._tcp\", txt = {{ abc = \"{fits}\" }}");
        assert_eq!(said(&rules), [""; 0]);
    }

    #[test]
    fn a_mark_needs_a_key_with_a_hole() {
        for role in ["serial", "bssid"] {
            for txt in ["hull = \"deck\"", "hull = \"deck\", plat = \"{}\""] {
                let rules = format!("service = \"_a._tcp\", txt = {{ {txt} }}, {role} = \"hull\"");
                let said = said(&rules);
                assert_eq!(said.len(), 1, "{said:?}");
                assert!(
                    said[0].starts_with("bad-txt: `hull` is no key of `txt`"),
                    "{said:?}"
                );
            }
        }
    }

    #[test]
    fn a_record_fits_where_every_rule_holds_and_says_the_marks() {
        let rules = "service = \"_a._tcp\", txt = { hull = \"deck\", plate = \"No. {}\", aerial = \"{}\" }, serial = \"plate\", bssid = \"aerial\"";
        let announce = loaded(rules).announce.expect("it announces itself");
        let fit = |record: &[(&str, &'static str)]| {
            announce.fit(|key| {
                let found = record.iter().find(|(name, _)| *name == key);
                found.map(|(_, value)| *value)
            })
        };
        let whole = [
            ("hull", "deck"),
            ("plate", "No. 4711"),
            ("aerial", "02:00:00:00:00:01"),
        ];
        assert_eq!(
            fit(&whole),
            Some(Marks {
                serial: Some("4711".into()),
                bssid: Some(Mac([2, 0, 0, 0, 0, 1])),
            })
        );
        for broken in [("hull", "mast"), ("plate", "4711")] {
            let mut record = whole;
            let rule = record.iter_mut().find(|(name, _)| *name == broken.0);
            *rule.expect("it is there") = broken;
            assert_eq!(fit(&record), None, "{broken:?}");
        }
        assert_eq!(fit(&whole[1..]), None);
        // A mark that says nothing is none, and the rest holds.
        let empty = [("hull", "deck"), ("plate", "No. "), ("aerial", "none")];
        assert_eq!(fit(&empty), Some(Marks::default()));
    }
}
