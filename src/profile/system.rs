//! Two-ended rules: what must agree between a receiver and its transmitter, as data.
//!
//! Each end alone looks fine when the fault is in the difference, so the rules name a setting of
//! the receiver, one of the transmitter, and how the two must agree.

use super::diag::{Code, Faults, quoted};
use super::load::{list, newer, word};
use super::shape::{Shape, Table, check, may, need};
use super::tree::Node;
use crate::terms::{SettingName, Value};

/// Families that can link with one another, and what must agree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct System {
    /// Its name, as profiles give it.
    pub name: String,
    /// What a person reads.
    pub title: String,
    /// In the order of the file, which is the order in which they are judged.
    pub rules: Vec<Rule>,
}

/// What must agree between the two ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rule {
    /// The receiver's setting.
    pub setting: SettingName,
    /// The transmitter's; mostly the same.
    pub other: SettingName,
    /// How.
    pub agree: Agree,
    /// What a person reads where they do not.
    pub why: String,
}

/// How two values must agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Agree {
    /// They are the same.
    Equal,
    /// Versions of the same major number (`SemVer` 2.0.0).
    SameMajor,
    /// Neither is absent.
    BothHave,
    /// The receiver's is off, or the same.
    OffOrEqual,
}

impl Agree {
    /// Whether two known values agree. Build metadata of a version says nothing (`SemVer` 2.0.0
    /// section 10).
    pub fn holds(self, receiver: &Value, transmitter: &Value) -> bool {
        match self {
            Agree::Equal => equal(receiver, transmitter),
            Agree::SameMajor => match (receiver, transmitter) {
                (Value::Version(a), Value::Version(b)) => a.major == b.major,
                _ => false,
            },
            Agree::BothHave => *receiver != Value::Absent && *transmitter != Value::Absent,
            Agree::OffOrEqual => *receiver == Value::Off || equal(receiver, transmitter),
        }
    }
}

fn equal(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Version(a), Value::Version(b)) => a.cmp_precedence(b).is_eq(),
        (Value::List(a), Value::List(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| equal(a, b))
        }
        _ => a == b,
    }
}

/// Loads a system from its text; `file` is what messages call it.
///
/// # Errors
/// All faults of the file, in the order of their lines.
pub fn load_system(file: &str, text: &str) -> Result<System, Faults> {
    let mut faults = Faults::new(file, text);
    let root = Node::parse(text, &mut faults);
    if newer(&root, super::format::FORMAT, &mut faults) {
        return faults.verdict(None);
    }
    super::characters::refuse(text, &root, &mut faults);
    check(&root, &SYSTEM, &mut faults);
    let rules = rules(&root, &mut faults);
    let system = word(&root, "system").zip(word(&root, "title"));
    faults.verdict(system.map(|(name, title)| System {
        name: name.to_owned(),
        title: title.to_owned(),
        rules,
    }))
}

fn rules(root: &Node, faults: &mut Faults) -> Vec<Rule> {
    let nodes = list(root, "rule");
    if nodes.is_empty() && root.get("rule").is_some() {
        let message = "a system without a rule says nothing";
        let help = "say what must agree between the ends".to_owned();
        faults.add(Code::Empty, root.spot(&["rule"]), message, help);
    }
    let mut rules: Vec<Rule> = Vec::new();
    for (index, node) in nodes.iter().enumerate() {
        let Some(rule) = rule(node) else { continue };
        let same = |other: &&Rule| {
            (&other.setting, &other.other, other.agree) == (&rule.setting, &rule.other, rule.agree)
        };
        if rules.iter().find(same).is_some() {
            let span = root.spot(&["rule", &index.to_string(), "setting"]);
            let message = format!("{} has this rule already", quoted(rule.setting.as_str()));
            faults.add(Code::RuleTwice, span, message, "leave one out".to_owned());
        }
        rules.push(rule);
    }
    rules
}

fn rule(node: &Node) -> Option<Rule> {
    let setting: SettingName = word(node, "setting")?.parse().ok()?;
    Some(Rule {
        other: match word(node, "other") {
            Some(other) => other.parse().ok()?,
            None => setting.clone(),
        },
        setting,
        agree: match word(node, "agree")? {
            "equal" => Agree::Equal,
            "same-major" => Agree::SameMajor,
            "both-have" => Agree::BothHave,
            "off-or-equal" => Agree::OffOrEqual,
            _ => return None,
        },
        why: word(node, "why")?.to_owned(),
    })
}

/// The format of a system file, as a description.
pub(super) static SYSTEM: Table = Table {
    name: "system",
    doc: "What must agree between the two ends of a system.",
    keys: &[
        need("format", &Shape::Format, "`format = 1` is this format"),
        need("system", &Shape::Name, "its name, as profiles give it"),
        need("title", &Shape::Words, "what a person reads for it"),
        need(
            "rule",
            &Shape::List(&Shape::Table(&RULE)),
            "what must agree, first things first",
        ),
    ],
    groups: &[],
};

static RULE: Table = Table {
    name: "rule",
    doc: "What must agree between the two ends.",
    keys: &[
        need("setting", &Shape::Name, "the receiver's setting"),
        may(
            "other",
            &Shape::Name,
            "the transmitter's, where it is another",
        ),
        need(
            "agree",
            &Shape::Word(&["equal", "same-major", "both-have", "off-or-equal"]),
            "how: the same, the same major version, both present, or the receiver's off or the same",
        ),
        need(
            "why",
            &Shape::Words,
            "what a person reads where they do not agree",
        ),
    ],
    groups: &[],
};

#[cfg(test)]
mod tests {
    use semver::Version;

    use super::*;

    fn version(text: &str) -> Value {
        Value::Version(text.parse::<Version>().expect("a version"))
    }

    #[test]
    fn versions_agree_by_their_major_number() {
        assert!(Agree::SameMajor.holds(&version("2.4.1"), &version("2.0.0-rc.1")));
        assert!(!Agree::SameMajor.holds(&version("2.4.1"), &version("3.4.1")));
        assert!(!Agree::SameMajor.holds(&version("2.4.1"), &Value::Absent));
        // SemVer 2.0.0 section 10: build metadata is ignored.
        assert!(Agree::Equal.holds(&version("1.0.0+a"), &version("1.0.0+b")));
        assert!(Agree::OffOrEqual.holds(&version("1.0.0+a"), &version("1.0.0+b")));
        let list = |text: &str| Value::List(vec![version("2.0.0"), version(text)]);
        assert!(Agree::Equal.holds(&list("1.0.0+a"), &list("1.0.0+b")));
        assert!(!Agree::Equal.holds(&list("1.0.0"), &list("1.0.1")));
        assert!(!Agree::Equal.holds(&list("1.0.0"), &Value::List(vec![version("2.0.0")])));
        assert!(!Agree::Equal.holds(&version("1.0.0-a"), &version("1.0.0")));
    }

    #[test]
    fn a_lock_that_is_off_follows_any_slot() {
        let slot = |n: i64| Value::Number(n.into());
        assert!(Agree::OffOrEqual.holds(&Value::Off, &slot(7)));
        assert!(Agree::OffOrEqual.holds(&slot(7), &slot(7)));
        assert!(!Agree::OffOrEqual.holds(&slot(7), &slot(8)));
    }

    #[test]
    fn two_ends_without_a_key_share_none() {
        let key = Value::Bytes(vec![1]);
        assert!(Agree::BothHave.holds(&key, &key));
        assert!(!Agree::BothHave.holds(&Value::Absent, &Value::Absent));
        assert!(Agree::Equal.holds(&Value::Absent, &Value::Absent));
    }

    #[test]
    fn the_other_end_has_the_same_setting_unless_the_rule_names_another() {
        let text = "format = 1\nsystem = \"s\"\ntitle = \"S\"\nrule = [\n\
            { setting = \"a\", agree = \"equal\", why = \"w\" },\n\
            { setting = \"a\", other = \"b\", agree = \"equal\", why = \"w\" }]";
        let system = load_system("s.toml", text).expect("a sound file");
        let others: Vec<&str> = system.rules.iter().map(|r| r.other.as_str()).collect();
        assert_eq!(others, ["a", "b"]);
    }
}
