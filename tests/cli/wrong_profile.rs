//! A profile that is wrong about its family: what it makes the device lose is noticed, never
//! called done, and put back where the profile can.
//!
//! The receivers are written without the profiles, so that a wrong one fails here.

use std::path::{Path, PathBuf};

use mock_device::{Family, Scenario};
use serde_json::json;
use tempfile::TempDir;

use crate::{browser, claims, harness::Bench};

/// A copy of a built-in profile with some of its lines changed.
fn wrong(family: Family, changes: &[(&str, &str)]) -> (TempDir, String) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let file: PathBuf = root.join(format!("profiles/{family}.toml"));
    let mut text = std::fs::read_to_string(file).expect("a profile");
    for (right, wrong) in changes {
        assert_eq!(
            text.matches(right).count(),
            1,
            "`{right}` stands there once"
        );
        text = text.replace(right, wrong);
    }
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("wrong.toml");
    std::fs::write(&file, text).expect("written");
    let file = file.display().to_string();
    (folder, file)
}

/// The save of the deck receiver as a script of half an hour would write it: only what it knows,
/// and one setting left out. Another save, of the whole form, can set that one.
fn half_a_save(left_out: &str, at: &str) -> (TempDir, String) {
    let air = "[save.air]\nform = { request = \"page\", select = \"#air\", press = { name = \"act\", \
               value = \"keep\" } }\nrestarts = true\nanswer = \"Kept. Starting again.\"\n";
    let places = [
        ("once", "once-air"),
        ("called", "called"),
        ("follows", "follows"),
        ("held_to", "held-to"),
        ("kinship", "kinship"),
        ("wave", "wave"),
        ("zone", "zone"),
        ("strength", "strength"),
    ];
    let fields: Vec<String> = places
        .iter()
        .filter(|(key, _)| *key != left_out)
        .map(|(key, place)| format!("  {{ key = \"{key}\", place = \"{place}\" }},\n"))
        .collect();
    let fields = fields.concat();
    let whole = air.replace("[save.air]", "[save.whole]");
    let half = format!(
        "[save.air]\nrestarts = true\nanswer = \"Kept. Starting again.\"\n\n[save.air.body]\npost = \
         \"/keep-air\"\nencoding = \"urlencoded\"\nfields = [\n{fields}  {{ key = \"act\", fixed = \
         \"keep\" }},\n]\n\n{whole}"
    );
    let by_air = format!("at = {{ {at} = {{ choice = \"{{}}\" }} }}\nsave = \"air\"");
    let by_whole = by_air.replace("\"air\"", "\"whole\"");
    let order = "save-order = [\"wires\", \"shore\", \"air\"]";
    let longer = order.replace("\"air\"", "\"air\", \"whole\"");
    wrong(
        Family::SampleForm,
        &[(air, &half), (&by_air, &by_whole), (order, &longer)],
    )
}

#[test]
fn field_that_a_save_leaves_out_is_missed_put_back_and_proved() {
    let (_folder, profile) = half_a_save("zone", "zone");
    let bench = Bench::new(Family::SampleForm, Scenario::OmittedReset);
    let before = bench.present();
    let said = bench
        .linkmend(&["unlock", "--yes", "--json", "--profile", &profile])
        .run()
        .ends(5);
    let object = said.json("change");
    assert_eq!(object["outcome"], "put-back", "{object}");
    assert_eq!(object["changes"][0]["proof"], "none");
    let notes = object["notes"].to_string();
    assert!(notes.contains("`region` changed by itself"), "{notes}");
    let after = bench.present();
    assert_eq!(after.settings, before.settings);
    assert_eq!(after.unmapped, before.unmapped);
    assert_eq!(
        (after.saves, after.boots),
        (3, 3),
        "there, and back in two saves"
    );
    bench.off_device(&["resume"]).run().ends(0);
}

#[test]
fn power_that_a_save_lowered_is_named_and_never_raised_again() {
    let (_folder, profile) = half_a_save("strength", "strength");
    let bench = Bench::new(Family::SampleForm, Scenario::OmittedReset);
    let before = bench.present();
    let said = bench
        .linkmend(&["unlock", "--yes", "--json", "--profile", &profile])
        .run()
        .ends(7);
    let object = said.json("change");
    assert_eq!(object["outcome"], "unproved", "{object}");
    let notes = object["notes"].to_string();
    assert!(notes.contains("power is never raised from here"), "{notes}");
    let mut expected = before.settings.clone();
    expected["power"] = json!(10);
    assert_eq!(bench.present().settings, expected, "all else is back");
}

#[test]
fn what_no_setting_of_the_profile_puts_right_is_told_as_unproved() {
    // The keel receiver resets what a save leaves out, and this profile leaves out the light.
    let (_folder, profile) = wrong(
        Family::SampleScript,
        &[
            ("  { key = \"/lamp\", place = \"lamp\" },\n", ""),
            ("answer = \"taken 15\"", "answer = \"taken 14\""),
            (
                "at = { lamp = { json-number = true } }\nsave = \"all\"",
                "at = { lamp = { json-number = true } }",
            ),
        ],
    );
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let before = bench.present();
    let said = bench
        .linkmend(&["unlock", "--yes", "--profile", &profile])
        .run()
        .ends(7)
        .says("`light` changed by itself")
        .says("NOT PROVED")
        .complains_once();
    assert!(!said.stdout.contains("done"), "{}", said.stdout);
    let after = bench.present();
    assert_eq!(after.settings["light"], json!(50), "the device did lose it");
    assert_ne!(before.settings["light"], after.settings["light"]);
    bench.off_device(&["resume"]).run().ends(7);
    // The record of before has it, and the right profile puts it back.
    bench.off_device(&["resume", "1", "--close"]).run().ends(0);
    bench.linkmend(&["restore", "1", "--yes"]).run().ends(0);
    assert_eq!(bench.present().settings, before.settings);
}

#[test]
fn button_that_forgets_everything_is_never_taken_for_a_save() {
    let air = "select = \"#air\", press = { name = \"act\", value = ";
    let (_folder, profile) = wrong(
        Family::SampleForm,
        &[(&format!("{air}\"keep\""), &format!("{air}\"forget\""))],
    );
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.present();
    let said = bench
        .linkmend(&["unlock", "--yes", "--json", "--profile", &profile])
        .run()
        .ends(7);
    let object = said.json("change");
    assert_eq!(object["outcome"], "unproved", "{object}");
    assert!(
        object["error"]["message"]
            .as_str()
            .is_some_and(|said| said.contains("put back"))
    );
    assert_eq!(object["changes"][0]["proof"], "none", "{object}");
    // What the other forms hold was put back first, and went again with the last of them: it is
    // all on record, and the right profile has it back but for what local rules set.
    let lost = bench.present();
    assert_eq!(lost.settings["bind-key"], json!(null));
    let restore = || bench.linkmend(&["restore", "1", "--yes"]).run();
    restore()
        .ends(6)
        .says("change 1 of this receiver is unfinished")
        .says("`linkmend resume 1 --close` leaves it as it is")
        .complains_once();
    bench.off_device(&["resume", "1", "--close"]).run().ends(0);
    restore()
        .ends(0)
        .says("`region` differs from the record and stays");
    let mut expected = before.settings.clone();
    for name in ["region", "power"] {
        expected[name] = lost.settings[name].clone();
    }
    assert_eq!(bench.present().settings, expected);
}

#[test]
fn control_that_the_profile_does_not_know_refuses_the_save() {
    let (_folder, profile) = wrong(Family::SampleForm, &[("pass = [\"trim\"]\n", "")]);
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let said = bench.linkmend(&["read", "--json"]).run().ends(0);
    let record = said.json("read")["record"].to_string();
    browser::alter(&bench, &[("failsafe", json!("cut"))]);
    let before = bench.truth();
    bench
        .linkmend(&["restore", &record, "--yes", "--profile", &profile])
        .run()
        .ends(6)
        .says("trim")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
}
