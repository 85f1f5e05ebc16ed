//! `sample-script` against FAMILIES.md, request by request.

use std::{io::Read as _, time::Duration};

use flate2::read::GzDecoder;

use super::*;
use crate::{hooks::Hooks, http::Parsed, scenario::Scenario};

const KEY: [u8; 6] = [74, 31, 0, 156, 119, 226];

/// The save of FAMILIES.md, to the letter.
const SAVE: &str = r#"{"title":"Smew","key":[74,31,0,156,119,226],"slot":7,"pace":1,"area":"DE","strength":25,
 "how":"frames","turned":false,"rate":100,"lost":"rest","rests":[1500,1500,1100,1500],
 "net":"","word":"","after":60,"lamp":40}"#;

struct Bench {
    script: Script,
    settings: Settings,
    hooks: Hooks,
}

impl Bench {
    fn new() -> Self {
        Self {
            script: Script::new(Seed::stream(1, "volts")),
            settings: Settings::lent("Grebe", KEY, &Scenario::Locked.hooks()),
            hooks: Hooks::default(),
        }
    }

    fn send(&mut self, request: &str) -> Outcome {
        let Parsed::Whole(request) = Request::parse(request.as_bytes()) else {
            panic!("a whole request: {request}")
        };
        let context = Context {
            serial: "never shown",
            awake: Duration::from_millis(83_490),
            begun: 17,
            works: "3.1.0",
            hooks: &self.hooks,
        };
        self.script.handle(&mut self.settings, &context, &request)
    }

    fn document(&mut self) -> Json {
        let outcome = self.send("GET /as-it-is HTTP/1.1\r\n\r\n");
        assert_eq!((outcome.kind, outcome.reply.status), (Kind::Reading, 200));
        let gzip = ("Content-Encoding", "gzip".to_owned());
        assert!(outcome.reply.headers.contains(&gzip), "unasked");
        let mut text = String::new();
        GzDecoder::new(outcome.reply.body.as_slice())
            .read_to_string(&mut text)
            .expect("gzip");
        serde_json::from_str(&text).expect("JSON")
    }

    fn post(&mut self, path: &str, body: &str) -> (Outcome, u16, String) {
        let outcome = self.send(&format!(
            "POST {path} HTTP/1.1\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        ));
        let text = String::from_utf8_lossy(&outcome.reply.body).into_owned();
        let status = outcome.reply.status;
        (outcome, status, text)
    }

    /// The save of FAMILIES.md with one field replaced.
    fn save_with(&mut self, field: &str, value: &Json) -> (u16, String) {
        let mut save: Json = serde_json::from_str(SAVE).expect("JSON");
        save[field] = value.clone();
        let (_, status, text) = self.post("/take-over", &save.to_string());
        (status, text)
    }
}

#[test]
fn document_shows_every_pointer_of_families_md() {
    let mut bench = Bench::new();
    let mut document = bench.document();
    let volts = document["now"]["volts"].take();
    assert!((4.95..=5.05).contains(&volts.as_f64().expect("a number")));
    assert_eq!(
        document,
        json!({
            "craft": {"called": "Grebe", "works": "3.1.0", "hull": "keel-b"},
            "tie": {"kin": [74, 31, 0, 156, 119, 226], "held": 7},
            "air": {"pace": 1, "area": "GB", "strength": 25},
            "out": {"how": "widths", "turned": true, "rate": 100, "lost": "rest",
                    "rests": [1500, 1500, 1100, 1900]},
            "shore": {"net": "Tarn boathouse", "word": "oars & <duckweed>", "after": 90,
                      "lamp": 40},
            "now": {"awake": 83.4, "begun": 17, "volts": null, "heart": "beats",
                    "meets": false},
        })
    );
    bench.settings.locked = false;
    bench.settings.bind_key = None;
    bench.hooks.radio_answers = false;
    let document = bench.document();
    assert_eq!(document["tie"], json!({"kin": null, "held": null}));
    assert_eq!(document["now"]["heart"], "still");
}

#[test]
fn front_page_holds_no_values() {
    let outcome = Bench::new().send("GET / HTTP/1.1\r\n\r\n");
    let page = String::from_utf8(outcome.reply.body).expect("text");
    assert!(page.contains("<title>Tarn keel receiver</title>"));
    assert!(page.contains("<main id=\"deck\"></main>"));
    assert!(!page.contains("Grebe"));
    assert_eq!(outcome.kind, Kind::Other);
}

#[test]
fn whole_save_is_taken_and_shown_and_does_not_restart() {
    let mut bench = Bench::new();
    let (outcome, status, text) = bench.post("/take-over", SAVE);
    assert_eq!((status, text.as_str()), (200, "taken 15"));
    assert_eq!(outcome.kind, Kind::Saved);
    assert!(!outcome.restarts);
    let document = bench.document();
    assert_eq!(document["craft"]["called"], "Smew");
    assert_eq!(document["tie"]["held"], 7);
    assert_eq!(document["air"]["area"], "DE");
    assert_eq!(
        document["out"],
        json!({"how": "frames", "turned": false, "rate": 100, "lost": "rest",
               "rests": [1500, 1500, 1100, 1500]})
    );
    assert_eq!(
        document["shore"],
        json!({"net": "", "word": "", "after": 60, "lamp": 40})
    );
}

#[test]
fn good_values_are_taken_and_bad_ones_are_named_and_change_nothing() {
    for (field, good, bad) in [
        (
            "title",
            json!(["", "x".repeat(24)]),
            json!(["x".repeat(25), 7, null]),
        ),
        (
            "key",
            json!([null, [0, 0, 0, 0, 0, 255]]),
            json!([
                [],
                [1, 2, 3, 4, 5],
                [1, 2, 3, 4, 5, 256],
                [1, 2, 3, 4, 5, -1],
                "4a1f009c77e2"
            ]),
        ),
        (
            "slot",
            json!([null, 1, 40]),
            json!([0, 41, -1, "7", 7.5, false]),
        ),
        ("pace", json!([0, 2]), json!([3, "1", null])),
        (
            "area",
            json!(["DE", "GB", "US", "JP"]),
            json!(["FR", 1, "de"]),
        ),
        ("strength", json!([10, 25, 50, 100]), json!([75, "25"])),
        (
            "how",
            json!(["frames", "widths", "sum"]),
            json!(["serial-frames", 0]),
        ),
        ("turned", json!([true, false]), json!([1, "true", null])),
        ("rate", json!([50, 400]), json!([40, 410, 55, "100"])),
        ("lost", json!(["keep", "rest", "stop"]), json!(["hold"])),
        (
            "rests",
            json!([[800, 2200, 800, 2200]]),
            json!([
                [799, 1500, 1500, 1500],
                [1500, 1500, 1500, 2201],
                [1500, 1500, 1500]
            ]),
        ),
        (
            "net",
            json!(["", "x".repeat(32)]),
            json!(["x".repeat(33), null]),
        ),
        ("word", json!(["", "a long one"]), json!([null, 5])),
        ("after", json!([30, 120]), json!([29, 121])),
        ("lamp", json!([0, 100]), json!([101, -1])),
    ] {
        for value in good.as_array().expect("a list") {
            let answer = Bench::new().save_with(field, value);
            assert_eq!(answer, (200, "taken 15".to_owned()), "{field} {value}");
        }
        for value in bad.as_array().expect("a list") {
            let mut bench = Bench::new();
            let before = bench.settings.clone();
            let answer = bench.save_with(field, value);
            assert_eq!(
                answer,
                (422, format!("not taken: {field}")),
                "{field} {value}"
            );
            assert_eq!(bench.settings, before);
        }
    }
}

#[test]
fn fields_left_out_go_to_their_factory_state() {
    let mut bench = Bench::new();
    let (_, status, text) = bench.post("/take-over", r#"{"slot":null,"lamp":7}"#);
    assert_eq!((status, text.as_str()), (200, "taken 2"));
    let expected = Settings {
        light: 7,
        order: bench.settings.order,
        trim: bench.settings.trim,
        map: bench.settings.map.clone(),
        ..Settings::factory()
    };
    assert_eq!(bench.settings, expected);
}

#[test]
fn fields_that_it_does_not_know_are_not_counted() {
    let (outcome, _, text) = Bench::new().post("/take-over", r#"{"lamp":7,"held":7}"#);
    assert_eq!(text, "taken 1");
    assert_eq!(outcome.note, "saved, 1 fields, without knowing 1 more");
}

#[test]
fn bind_mode_needs_its_body_and_lasts_until_the_restart() {
    let mut bench = Bench::new();
    let settings = bench.settings.clone();
    let (outcome, status, _) = bench.post("/meet", r#"{"sure":false}"#);
    assert_eq!((outcome.kind, status), (Kind::Refused, 400));
    assert!(!bench.script.meets());
    let (outcome, status, text) = bench.post("/meet", r#"{"sure":true}"#);
    assert_eq!((status, text.as_str()), (202, "meeting"));
    assert_eq!((outcome.kind, outcome.restarts), (Kind::Met, false));
    assert_eq!(bench.document()["now"]["meets"], true);
    assert_eq!(bench.settings, settings);
    bench.script.restarted();
    assert_eq!(bench.document()["now"]["meets"], false);
}

#[test]
fn restart_needs_its_body() {
    let mut bench = Bench::new();
    let (outcome, status, text) = bench.post("/once-again", r#"{"sure":true}"#);
    assert_eq!((status, text.as_str()), (202, "going"));
    assert!(outcome.restarts);
    for body in ["", "{}", r#"{"sure":false}"#, r#"{"sure":"true"}"#, "true"] {
        let (outcome, status, _) = bench.post("/once-again", body);
        assert_eq!(status, 400, "{body}");
        assert!(!outcome.restarts, "{body}");
    }
}

#[test]
fn what_is_no_json_saves_nothing() {
    let mut bench = Bench::new();
    let before = bench.settings.clone();
    let deep = "[".repeat(100_000);
    for body in ["", "lamp=7", "[]", deep.as_str()] {
        let (outcome, status, _) = bench.post("/take-over", body);
        assert_eq!((outcome.kind, status), (Kind::Refused, 400));
    }
    let outcome = bench.send(&format!(
        "POST /take-over HTTP/1.1\r\nContent-Type: text/plain\r\nContent-Length: {}\r\n\r\n{SAVE}",
        SAVE.len()
    ));
    assert_eq!(outcome.reply.status, 400);
    assert_eq!(bench.settings, before);
    assert_eq!(
        bench.send("GET /take-over HTTP/1.1\r\n\r\n").reply.status,
        404
    );
}
