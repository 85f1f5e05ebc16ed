//! The order of the conditions, and what is wanted as an input. The conditions and their order are
//! the program's own words; that a lock blocks whatever the bind key, and that majors never mix,
//! is common practice without a source.

use std::collections::BTreeMap;

use super::*;
use crate::{
    profile::{built_in_systems, named},
    terms::{Device, Entry, Identity, Role},
};

fn read(settings: &[(&str, Reading)]) -> Snapshot {
    Snapshot {
        device: Device {
            identity: Identity::default(),
            family: "sample-form".into(),
            role: Role::Receiver,
        },
        settings: settings
            .iter()
            .map(|(name, reading)| {
                let secret = *name == SettingName::BIND_KEY;
                let entry = Entry {
                    reading: reading.clone(),
                    secret,
                };
                (name.parse().expect("a name"), entry)
            })
            .collect(),
        places: BTreeMap::new(),
        rest: BTreeMap::new(),
        faulty: None,
        witness: None,
    }
}

fn key(bytes: &[u8]) -> (&'static str, Reading) {
    (
        SettingName::BIND_KEY,
        Reading::Known(Value::Bytes(bytes.to_vec())),
    )
}

fn lock(value: Value) -> (&'static str, Reading) {
    (SettingName::MODEL_LOCK, Reading::Known(value))
}

fn slot(number: i64) -> Value {
    Value::Number(number.into())
}

fn choice(name: &'static str, word: &str) -> (&'static str, Reading) {
    (name, Reading::Known(Value::Choice(word.into())))
}

fn wanted(name: &str, value: Value) -> Expectation {
    Expectation {
        wanted: [(name.parse().expect("a name"), value)].into(),
        ..Expectation::default()
    }
}

fn condition(snapshot: &Snapshot, expectation: &Expectation) -> Condition {
    judge(snapshot, expectation).condition
}

#[test]
fn each_condition_is_told_by_what_is_read() {
    let nothing = Expectation::default();
    let healthy = read(&[key(b"abcdef"), lock(Value::Off)]);
    assert_eq!(condition(&healthy, &nothing), Condition::Healthy);
    let locked = read(&[key(b"abcdef"), lock(slot(7))]);
    assert_eq!(condition(&locked, &nothing), Condition::Locked);
    let unbound = read(&[
        (SettingName::BIND_KEY, Reading::Known(Value::Absent)),
        lock(Value::Off),
    ]);
    assert_eq!(condition(&unbound, &nothing), Condition::Unbound);
    let unread = read(&[
        key(b"abcdef"),
        (SettingName::MODEL_LOCK, Reading::Unread("x".into())),
    ]);
    assert_eq!(condition(&unread, &nothing), Condition::Unknown);
}

#[test]
fn the_first_condition_in_order_is_the_verdict_and_the_rest_stands_beside_it() {
    let mut all = read(&[
        (SettingName::BIND_KEY, Reading::Known(Value::Absent)),
        lock(slot(7)),
        choice("output", "serial-frames"),
        choice(SettingName::WAVEFORM, "gale"),
    ]);
    all.faulty = Some(true);
    let expectation = Expectation {
        waveforms: vec!["calm".into()],
        ..wanted("output", Value::Choice("pulse-sum".into()))
    };
    let order: Vec<Condition> = judge(&all, &expectation)
        .findings
        .iter()
        .map(|finding| finding.condition)
        .collect();
    assert_eq!(
        order,
        [
            Condition::Faulty,
            Condition::Unsupported,
            Condition::Unbound,
            Condition::Locked,
            Condition::Mismatched
        ]
    );
}

#[test]
fn a_wanted_lock_is_right_and_another_one_is_not() {
    let locked = read(&[key(b"abcdef"), lock(slot(7))]);
    let on_purpose = wanted(SettingName::MODEL_LOCK, slot(7));
    assert_eq!(condition(&locked, &on_purpose), Condition::Healthy);
    let other_slot = wanted(SettingName::MODEL_LOCK, slot(8));
    assert_eq!(condition(&locked, &other_slot), Condition::Locked);
    let off = read(&[key(b"abcdef"), lock(Value::Off)]);
    assert_eq!(condition(&off, &on_purpose), Condition::Mismatched);
}

#[test]
fn an_open_lock_with_a_bind_key_is_remarked_and_still_healthy() {
    let verdict = judge(
        &read(&[key(b"abcdef"), lock(Value::Off)]),
        &Expectation::default(),
    );
    assert_eq!(verdict.condition, Condition::Healthy);
    assert!(
        verdict.findings[0]
            .text
            .contains("every transmitter with its bind key")
    );
}

#[test]
fn a_secret_that_is_not_as_wanted_is_never_told() {
    let verdict = judge(
        &read(&[key(b"abcdef"), lock(slot(7))]),
        &wanted(SettingName::BIND_KEY, Value::Bytes(b"ghijkl".to_vec())),
    );
    for finding in verdict.findings {
        for secret in ["616263646566", "6768696a6b6c"] {
            assert!(!finding.text.contains(secret), "{}", finding.text);
        }
    }
}

#[test]
fn two_ends_that_look_fine_alone_differ() {
    let version = |text: &str| {
        let version = text.parse().expect("a version");
        (
            SettingName::FIRMWARE,
            Reading::Known(Value::Version(version)),
        )
    };
    let end = |major: &str, word: &str, bytes: &[u8]| {
        read(&[
            key(bytes),
            lock(Value::Off),
            version(major),
            choice(SettingName::WAVEFORM, word),
        ])
    };
    let receiver = end("2.4.1", "calm", b"abcdef");
    let judged = |transmitter: Snapshot| {
        let system = built_in_systems().remove(0);
        let other_end = Some(OtherEnd {
            snapshot: Snapshot {
                device: Device {
                    role: Role::Transmitter,
                    ..transmitter.device.clone()
                },
                ..transmitter
            },
            system,
        });
        let expectation = Expectation {
            other_end,
            waveforms: vec!["calm".into(), "breeze".into()],
            ..Expectation::default()
        };
        condition(&receiver, &expectation)
    };
    assert_eq!(judged(end("2.0.0", "calm", b"abcdef")), Condition::Healthy);
    assert_eq!(
        judged(end("3.0.0", "calm", b"abcdef")),
        Condition::Mismatched
    );
    assert_eq!(
        judged(end("2.4.1", "calm", b"ghijkl")),
        Condition::Mismatched
    );
    assert_eq!(
        judged(end("2.4.1", "breeze", b"abcdef")),
        Condition::Mismatched
    );
    assert_eq!(
        judged(end("2.4.1", "gale", b"abcdef")),
        Condition::Unsupported
    );
}

#[test]
fn numbers_compare_by_value() {
    let same = Value::Number("7.0".parse().expect("a number"));
    let locked = read(&[key(b"abcdef"), lock(slot(7))]);
    assert_eq!(
        condition(&locked, &wanted(SettingName::MODEL_LOCK, same)),
        Condition::Healthy
    );
}

#[test]
fn what_is_not_shown_or_not_understood_is_unknown_and_never_healthy() {
    let unread = |name| (name, Reading::Unread("x".into()));
    let waveform = read(&[
        key(b"abcdef"),
        lock(Value::Off),
        unread(SettingName::WAVEFORM),
    ]);
    let hidden = read(&[
        key(b"abcdef"),
        (SettingName::MODEL_LOCK, Reading::WriteOnly),
    ]);
    for (snapshot, setting) in [
        (waveform, SettingName::WAVEFORM),
        (hidden, SettingName::MODEL_LOCK),
    ] {
        let value = if setting == SettingName::WAVEFORM {
            Value::Choice("calm".into())
        } else {
            slot(7)
        };
        for expectation in [Expectation::default(), wanted(setting, value)] {
            let verdict = judge(&snapshot, &expectation);
            assert_eq!(verdict.condition, Condition::Unknown);
            let told = verdict.findings.iter();
            let about = told.filter(|finding| finding.condition == Condition::Unknown);
            let about: Vec<Option<&str>> = about
                .map(|finding| finding.setting.as_ref().map(SettingName::as_str))
                .collect();
            assert_eq!(about, [Some(setting)], "told once");
        }
    }
}

#[test]
fn an_open_lock_is_remarked_with_a_key_that_is_never_shown_too() {
    let verdict = judge(
        &read(&[
            (SettingName::BIND_KEY, Reading::WriteOnly),
            lock(Value::Off),
        ]),
        &Expectation::default(),
    );
    assert_eq!(verdict.condition, Condition::Healthy);
    assert_eq!(verdict.findings.len(), 1);
    assert!(verdict.findings[0].text.contains("its model lock is off"));
}

#[test]
fn a_family_is_expected_to_do_the_waveforms_that_its_profile_lists() {
    let profile = named("sample-form").expect("it comes with the program");
    let expectation = Expectation::of(&profile);
    let can = expectation.waveforms.first().expect("it lists some");
    let receiver = |word: &str| read(&[choice(SettingName::WAVEFORM, word)]);
    assert_eq!(condition(&receiver(can), &expectation), Condition::Healthy);
    assert_eq!(
        condition(&receiver("no-such-waveform"), &expectation),
        Condition::Unsupported
    );
}
