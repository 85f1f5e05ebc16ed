//! What local rules set, and what the device does not take: told before anything is written.

use super::*;
use crate::{
    change::testing::{Save, trouble},
    terms::Value,
};

/// A family whose change is of its region alone.
fn region() -> Family {
    let mut family = Family::two_saves_and_a_restart();
    family.wanted.clear();
    let name = SettingName::REGION.parse().expect("a setting's name");
    family.wanted.insert(name, Value::Text("GB".into()));
    family
}

fn ended(report: &Report) -> (Outcome, u8, &str) {
    let code = report.trouble.as_ref().map_or("", |t| t.code.as_str());
    (report.outcome, report.exit.code(), code)
}

fn is_in(world: &World, entry: &str) -> bool {
    world.log.iter().any(|logged| logged == entry)
}

fn nobody() -> Script {
    Script {
        consent: Some(Answer::Nobody("--yes does not agree to it".into())),
        ..Script::default()
    }
}

#[test]
fn a_region_is_asked_for_by_its_rules_and_written_alone() {
    let family = region();
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert!(is_in(&world, "ask by rules") && world.has(&family.wanted));
    let (report, world) = change(&family, nobody());
    assert_eq!(ended(&report), (Outcome::Refused, 6, "no-consent"));
    let help = report.trouble.and_then(|trouble| trouble.help);
    assert!(help.expect("what to do").contains("type the new value"));
    assert!(world.is_untouched());
}

#[test]
fn a_region_among_other_settings_is_refused_in_a_dry_run_too() {
    let mut family = region();
    let name = SettingName::MODEL_LOCK.parse().expect("a setting's name");
    family.wanted.insert(name, Value::Off);
    for dry_run in [false, true] {
        let mut machine = machine(&family);
        machine.options.dry_run = dry_run;
        let mut world = World::new(&family, Script::default());
        let report = world.run(machine).expect("an end");
        assert_eq!(ended(&report), (Outcome::Refused, 6, "set-by-rules"));
        assert_eq!(world.log, ["read", "end"], "nobody is even asked");
    }
    // Where the region is as wanted already, it is no part of the change.
    let name = SettingName::REGION.parse().expect("a setting's name");
    family.wanted.insert(name, Value::Text("DE".into()));
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert!(!is_in(&world, "ask by rules"));
}

#[test]
fn a_region_whose_change_was_cut_off_is_asked_for_again() {
    let family = region();
    let mut world = World::new(
        &family,
        Script {
            saves: vec![Save::Lost],
            cut_at: Some(10),
            ..Script::default()
        },
    );
    assert_eq!(world.run(machine(&family)), None, "it is cut off");
    assert!(is_in(&world, "save waves") && world.is_untouched());
    let record = world.record.clone().expect("a record");
    let (cut_off, wanted) = CutOff::from_steps(record, &world.steps).expect("a writing step");
    let resume = || {
        let profile = Arc::clone(&family.profile);
        Machine::resume(profile, wanted.clone(), options(), cut_off.clone())
    };
    world.again(nobody(), 10.0);
    let report = world.run(resume()).expect("an end");
    assert_eq!(ended(&report), (Outcome::Refused, 6, "no-consent"));
    assert!(is_in(&world, "ask by rules") && world.is_untouched());
    world.again(Script::default(), 10.0);
    let report = world.run(resume()).expect("an end");
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert!(is_in(&world, "ask by rules") && world.has(&family.wanted));
}

#[test]
fn a_region_that_did_not_take_is_put_back_without_another_question() {
    let script = Script {
        saves: vec![Save::ResetsOther],
        ..Script::default()
    };
    let mut family = region();
    family.reset = (
        "called".parse().expect("a place's name"),
        Raw::Json(serde_json::json!("nobody's")),
    );
    let (report, world) = change(&family, script);
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert!(world.is_untouched(), "its region is what it was too");
    let asked = world.log.iter().filter(|e| e.starts_with("ask")).count();
    assert_eq!(asked, 1, "{:?}", world.log);
}

#[test]
fn what_the_device_does_not_take_is_told_before_anybody_is_asked() {
    let family = Family::two_saves_and_a_restart();
    for dry_run in [false, true] {
        let script = Script {
            unfit: Some(trouble("value-not-offered")),
            ..Script::default()
        };
        let mut machine = machine(&family);
        machine.options.dry_run = dry_run;
        let mut world = World::new(&family, script);
        let report = world.run(machine).expect("an end");
        assert_eq!(ended(&report), (Outcome::Failed, 1, "value-not-offered"));
        assert_eq!(world.log, ["read", "try", "end"]);
        assert!(world.record.is_none(), "there is nothing to put on record");
    }
}
