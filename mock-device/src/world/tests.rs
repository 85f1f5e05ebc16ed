//! Each scenario without sockets and without waiting.

use serde_json::{Value as Json, json};

use super::*;
use crate::http::{Parsed, Piece};

pub(super) const FORM: Family = Family::SampleForm;
pub(super) const SCRIPT: Family = Family::SampleScript;

const EVERY: [Family; 3] = [
    Family::SampleForm,
    Family::SampleScript,
    Family::SampleLogin,
];
const URLENCODED: &str = "application/x-www-form-urlencoded";

/// A world and a hand on its clock.
pub(super) struct Bench {
    pub(super) world: World,
    pub(super) now: Duration,
    /// The cookie of the family with a login, with its header; empty: none.
    cookie: String,
}

impl Bench {
    pub(super) fn new(family: Family, scenario: Scenario) -> Self {
        Self::of(&Options::new(family, scenario))
    }

    pub(super) fn of(options: &Options) -> Self {
        Self {
            world: World::new(options).expect("it suits the family"),
            now: Duration::from_secs(2),
            cookie: String::new(),
        }
    }

    pub(super) fn later(&mut self, seconds: u64) -> &mut Self {
        self.now += Duration::from_secs(seconds);
        self
    }

    pub(super) fn send(&mut self, request: &str) -> Handled {
        let Parsed::Whole(request) = Request::parse(request.as_bytes()) else {
            panic!("a whole request: {request}")
        };
        self.world.handle(&request, self.now)
    }

    /// Logs in, where the family wants that.
    fn enter(&mut self) {
        if let Some((user, word)) = self.world.family.login() {
            self.cookie.clear();
            let form = format!("who={user}&word={word}&go=in");
            let answer = text(&self.post("/come-in", URLENCODED, &form));
            let (_, rest) = answer.split_once("Set-Cookie: ").expect("a cookie");
            let pass = rest.split(';').next().expect("a first part");
            self.cookie = format!("Cookie: {pass}\r\n");
        }
    }

    fn get(&mut self, path: &str) -> Handled {
        let cookie = self.cookie.clone();
        self.send(&format!("GET {path} HTTP/1.1\r\n{cookie}\r\n"))
    }

    /// The answer with the token or the lock, after the others of a reading.
    pub(super) fn read(&mut self) -> Handled {
        self.enter();
        match self.world.family {
            Family::SampleForm => self.get("/"),
            Family::SampleScript => self.get("/as-it-is"),
            Family::SampleLogin => {
                for path in ["/state", "/pins", "/shore"] {
                    self.get(path);
                }
                self.get("/radio")
            }
        }
    }

    fn token(&mut self) -> String {
        let page = text(&self.read());
        let (_, rest) = page
            .split_once("name=\"once\" value=\"")
            .unwrap_or_else(|| panic!("no token in {page}"));
        rest[..16].to_owned()
    }

    /// Lifts the lock.
    pub(super) fn unlock(&mut self) -> Handled {
        match self.world.family {
            Family::SampleForm => {
                let once = self.token();
                self.save_form(&once)
            }
            Family::SampleScript => {
                let save = r#"{"key":[1,2,3,4,5,6],"slot":null}"#;
                self.post("/take-over", "application/json", save)
            }
            Family::SampleLogin => {
                let once = self.token();
                let body = format!("once={once}&act=keep");
                self.post("/radio-keep", URLENCODED, &body)
            }
        }
    }

    fn save_form(&mut self, once: &str) -> Handled {
        let body = format!("once={once}&follows=any&act=keep");
        self.post("/keep-air", URLENCODED, &body)
    }

    /// Asks for the restart, on a family that does not restart by a save.
    pub(super) fn restart(&mut self) -> Handled {
        match self.world.family {
            Family::SampleForm => panic!("a save restarts it"),
            Family::SampleScript => {
                self.post("/once-again", "application/json", r#"{"sure":true}"#)
            }
            Family::SampleLogin => {
                let once = self.token();
                self.post("/start-anew", URLENCODED, &format!("once={once}"))
            }
        }
    }

    pub(super) fn post(&mut self, path: &str, kind: &str, body: &str) -> Handled {
        let (length, cookie) = (body.len(), self.cookie.clone());
        self.send(&format!(
            "POST {path} HTTP/1.1\r\n{cookie}Content-Type: {kind}\r\n\
             Content-Length: {length}\r\n\r\n{body}"
        ))
    }

    pub(super) fn plans_a_restart(&self) -> bool {
        self.world.due().is_some()
    }

    /// Waits for the restart that is planned and then for its end; when that is.
    pub(super) fn comes_back(&mut self) -> Duration {
        for turn in ["its beginning", "its end"] {
            self.now = self.world.due().expect(turn);
            self.world.is_gone(self.now);
        }
        self.now
    }

    pub(super) fn truth(&mut self) -> Truth {
        self.world.truth(self.now)
    }

    pub(super) fn lock(&mut self) -> Json {
        let truth = self.truth();
        truth.devices[truth.present].settings["model-lock"].clone()
    }
}

pub(super) fn pieces(handled: &Handled) -> &[Piece] {
    match handled {
        Handled::Gone => panic!("the device is gone"),
        Handled::Answer(answer) => &answer.pieces,
    }
}

pub(super) fn text(handled: &Handled) -> String {
    let bytes = pieces(handled).iter().map(|piece| match piece {
        Piece::Bytes(bytes) => bytes.as_slice(),
        Piece::Stall | Piece::Reset | Piece::Wait(_) | Piece::Again { .. } => &[],
    });
    String::from_utf8_lossy(&bytes.collect::<Vec<_>>().concat()).into_owned()
}

/// The length that the head tells and the length of what follows.
fn lengths(handled: &Handled) -> (usize, usize) {
    let [Piece::Bytes(head), Piece::Bytes(body), ..] = pieces(handled) else {
        panic!("a head and a body: {handled:?}")
    };
    let head = String::from_utf8_lossy(head).into_owned();
    let (_, rest) = head
        .split_once("Content-Length: ")
        .expect("a length is told");
    let told = rest.split("\r\n").next().expect("a first part");
    (told.parse().expect("a number"), body.len())
}

#[test]
fn scenarios_begin_as_their_lines_say() {
    for family in EVERY {
        for scenario in Scenario::ALL {
            if !scenario.suits(family) {
                let fault = World::new(&Options::new(family, scenario)).expect_err("unfit");
                let words = format!("`{family}` cannot be `{scenario}`");
                assert!(fault.to_string().starts_with(&words), "{fault}");
                continue;
            }
            let truth = Bench::new(family, scenario).truth();
            let settings = &truth.devices[0].settings;
            let unlocked = matches!(
                scenario,
                Scenario::Unbound | Scenario::Healthy | Scenario::Faulty
            );
            let lock = if unlocked { json!("off") } else { json!(7) };
            assert_eq!(settings["model-lock"], lock, "{scenario}");
            assert_eq!(
                settings["bind-key"].is_null(),
                scenario == Scenario::Unbound,
                "{scenario}"
            );
            assert!(truth.devices[0].up);
            assert_eq!(truth.devices[0].serial.is_some(), family != SCRIPT);
            assert!(truth.devices[0].bssid.starts_with("02:"));
        }
    }
    let page = text(&Bench::new(FORM, Scenario::Faulty).read());
    assert!(page.contains("radio part silent"));
}

#[test]
fn save_of_the_form_family_restarts_it_after_its_pause_and_it_comes_back_after_its_wait() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    let saved = bench.unlock();
    assert!(text(&saved).contains("Kept. Starting again."));
    let restart = bench.world.due().expect("a restart is planned");
    assert_eq!(restart, bench.now + Duration::from_millis(300));
    assert!(matches!(bench.read(), Handled::Answer(..)));
    assert!(matches!(bench.later(1).read(), Handled::Gone));
    assert!(!bench.truth().devices[0].up);
    assert!(matches!(bench.later(38).read(), Handled::Gone));
    let page = text(&bench.later(20).read());
    assert!(page.contains("value=\"any\" checked"), "{page}");
    let truth = bench.truth();
    assert_eq!((truth.devices[0].boots, truth.devices[0].saves), (1, 1));
    assert_eq!(bench.lock(), json!("off"));
}

#[test]
fn restart_of_the_script_family_comes_by_request_and_counts_one_more() {
    let mut bench = Bench::new(SCRIPT, Scenario::Locked);
    bench.unlock();
    assert!(!bench.plans_a_restart());
    assert!(matches!(bench.later(80).read(), Handled::Answer(..)));
    let asked = bench.restart();
    assert!(text(&asked).ends_with("going"));
    assert!(matches!(bench.later(4).read(), Handled::Gone));
    assert!(matches!(bench.later(5).read(), Handled::Answer(..)));
    assert_eq!(bench.truth().devices[0].boots, 1);
    assert_eq!(bench.lock(), json!("off"));
}

#[test]
fn tokens_do_not_outlive_the_restart() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    let page = text(&bench.read());
    let (_, rest) = page.split_once("name=\"once\" value=\"").expect("a token");
    bench.unlock();
    bench.later(80);
    assert!(text(&bench.save_form(&rest[..16])).contains("stale form"));
    let truth = bench.truth();
    assert_eq!((truth.devices[0].saves, truth.devices[0].refused), (1, 1));
}

#[test]
fn lock_returns_with_the_restart_and_not_before() {
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::LockReturns);
        bench.unlock();
        assert_eq!(bench.lock(), json!("off"));
        if family != FORM {
            bench.restart();
        }
        bench.later(80);
        assert_eq!(bench.lock(), json!(7));
        let key = &bench.truth().devices[0].settings["bind-key"];
        assert!(!key.is_null(), "the other settings stay");
    }
}

#[test]
fn no_answer_takes_what_restarts_it_and_is_gone_at_once() {
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::NoAnswer);
        let mut answer = bench.unlock();
        if family != FORM {
            assert!(text(&answer).starts_with("HTTP/1.1 "), "a save is answered");
            answer = bench.restart();
        }
        assert_eq!(pieces(&answer), [Piece::Reset]);
        assert!(bench.plans_a_restart());
        assert!(matches!(bench.get("/"), Handled::Gone));
        bench.later(80);
        assert_eq!(bench.lock(), json!("off"));
        let truth = bench.truth();
        assert_eq!(truth.devices[0].boots, 1);
        let last = truth.requests.last().expect("a request");
        assert_eq!(last.answer, None);
    }
}

#[test]
fn lost_restart_is_answered_and_does_not_come() {
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::LostRestart);
        let mut answer = bench.unlock();
        if family == FORM {
            assert!(text(&answer).contains("Kept. Starting again."));
        } else {
            answer = bench.restart();
            assert!(text(&answer).starts_with("HTTP/1.1 202 "));
        }
        assert!(!bench.plans_a_restart());
        assert!(matches!(bench.later(1).read(), Handled::Answer(..)));
        assert_eq!(bench.truth().devices[0].boots, 0);
        assert_eq!(bench.lock(), json!("off"));
    }
}

#[test]
fn expired_tokens_are_refused_once_and_fresh_ones_work() {
    for family in [FORM, Family::SampleLogin] {
        let mut bench = Bench::new(family, Scenario::ExpiredToken);
        assert!(text(&bench.unlock()).starts_with("HTTP/1.1 403 "));
        let truth = bench.truth();
        assert_eq!((truth.devices[0].saves, truth.devices[0].refused), (0, 1));
        assert_eq!(bench.lock(), json!(7));
        bench.unlock();
        assert_eq!(bench.lock(), json!("off"));
    }
}

#[test]
fn refused_login_lets_nobody_in() {
    let mut bench = Bench::new(Family::SampleLogin, Scenario::RefusedLogin);
    let form = "who=skipper&word=heron-on-one-leg&go=in";
    let answer = text(&bench.post("/come-in", URLENCODED, form));
    assert!(answer.contains("Not let in.") && !answer.contains("Set-Cookie"));
}

#[test]
fn full_disk_keeps_nothing_and_says_so() {
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::DiskFull);
        let before = bench.truth().devices[0].settings.clone();
        let answer = bench.unlock();
        assert!(text(&answer).starts_with("HTTP/1.1 507 "));
        assert!(text(&answer).contains("no room") && !bench.plans_a_restart());
        let truth = bench.truth();
        assert_eq!(truth.devices[0].settings, before);
        assert_eq!((truth.devices[0].saves, truth.devices[0].refused), (0, 1));
    }
}

#[test]
fn half_saved_keeps_the_first_half_and_says_that_it_failed() {
    let mut bench = Bench::new(SCRIPT, Scenario::HalfSaved);
    let before = bench.truth().devices[0].settings.clone();
    let answer = bench.post("/take-over", "application/json", "{}");
    assert!(text(&answer).starts_with("HTTP/1.1 500 "));
    let truth = bench.truth();
    let settings = &truth.devices[0].settings;
    for (name, value) in &before {
        let first = [
            "name",
            "bind-key",
            "model-lock",
            "waveform",
            "region",
            "power",
            "output",
        ];
        assert_eq!(
            settings[name] != *value,
            first.contains(&name.as_str()),
            "{name}"
        );
    }
    assert_eq!(truth.devices[0].saves, 1);
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::HalfSaved);
        assert!(text(&bench.unlock()).starts_with("HTTP/1.1 500 "));
        assert_eq!(bench.lock(), json!("off"), "the lock is in the first half");
    }
}

#[test]
fn save_that_is_redirected_is_carried_out_already() {
    for scenario in [Scenario::RedirectAfterSave, Scenario::RedirectToSave] {
        for family in EVERY {
            let mut bench = Bench::new(family, scenario);
            let answer = bench.unlock();
            assert!(text(&answer).starts_with("HTTP/1.1 307 "));
            assert_eq!(bench.plans_a_restart(), family == FORM);
            assert_eq!(bench.lock(), json!("off"));
        }
    }
}

#[test]
fn hostile_device_has_a_hostile_name_and_serial() {
    for family in EVERY {
        let truth = Bench::new(family, Scenario::HostileText).truth();
        let name = truth.devices[0].settings["name"].as_str().expect("text");
        assert!(name.contains("\u{1b}[2J\u{202e}"));
        let serial = truth.devices[0].serial.as_deref();
        assert!(serial.is_none_or(|serial| serial.contains('\u{1b}')));
    }
}

#[test]
fn omitted_reset_loses_what_the_save_did_not_name() {
    let mut bench = Bench::new(FORM, Scenario::OmittedReset);
    bench.unlock();
    let settings = &bench.truth().devices[0].settings;
    assert_eq!(settings["bind-key"], Json::Null);
    assert_eq!(settings["region"], json!("DE"));
    assert_eq!(settings["output-rate"], json!(100), "of another form");
}

#[test]
fn another_device_is_there_after_the_first_reading() {
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::SwappedBeforeWrite);
        let bssid = bench.world.bssid(bench.now);
        let before = bench.truth();
        if family != FORM {
            bench.enter();
            for path in ["/", "/state", "/pins", "/shore"] {
                bench.get(path);
            }
            assert_eq!(bench.truth().present, 0, "no whole reading yet");
        }
        let first = text(&bench.read());
        let truth = bench.truth();
        assert_eq!(truth.present, 1);
        assert!(truth.devices[1].up && !truth.devices[0].up);
        assert_ne!(bench.world.bssid(bench.now), bssid);
        let [one, other] = &before.devices[..] else {
            panic!("two devices")
        };
        assert_ne!(one.bssid, other.bssid);
        for (name, value) in &one.settings {
            assert_eq!(other.settings[name] == *value, name != "name", "{name}");
        }
        if family == FORM {
            assert_ne!(one.serial, other.serial);
            assert!(first.contains(one.serial.as_deref().expect("a serial")));
            let second = text(&bench.read());
            assert!(second.contains(other.serial.as_deref().expect("a serial")));
        }
        bench.read();
        assert_eq!(bench.truth().present, 1, "once");
    }
}

#[test]
fn another_device_comes_back_from_the_first_restart() {
    for family in EVERY {
        let mut bench = Bench::new(family, Scenario::SwappedAfterRestart);
        bench.read();
        bench.unlock();
        if family != FORM {
            bench.restart();
        }
        bench.later(1);
        assert_eq!(bench.truth().present, 0);
        bench.later(80);
        let truth = bench.truth();
        assert_eq!(truth.present, 1);
        assert_eq!(truth.devices[0].settings["model-lock"], json!("off"));
        assert_eq!(bench.lock(), json!(7), "the other was never written");
        bench.unlock();
        if family != FORM {
            bench.restart();
        }
        bench.later(80);
        let truth = bench.truth();
        assert_eq!((truth.present, truth.devices[1].boots), (1, 1));
        assert!(truth.devices[1].up);
    }
}

#[test]
fn page_tells_the_real_time_since_the_restart_whichever_device_is_back() {
    for scenario in [Scenario::Locked, Scenario::SwappedAfterRestart] {
        let mut bench = Bench::new(FORM, scenario);
        bench.world.speed = 100.0;
        let page = text(&bench.read());
        assert!(page.contains("<td id=\"awake\">85 s</td>"), "{page}");
        bench.unlock();
        // The restart began after the pause of 0.3 s, and the wait was 0.55 s at most.
        let page = text(&bench.later(2).read());
        assert!(page.contains("<td id=\"awake\">1 s</td>"), "{page}");
    }
}

#[test]
fn readings_are_halved_when_stalled_or_cut_and_saves_are_not() {
    for family in EVERY {
        for scenario in [Scenario::Stalled, Scenario::CutOff] {
            let mut bench = Bench::new(family, scenario);
            let answer = bench.read();
            let (told, sent) = lengths(&answer);
            assert_eq!(sent, told / 2);
            let stalls = pieces(&answer).last() == Some(&Piece::Stall);
            assert_eq!(stalls, scenario == Scenario::Stalled);
            if family == SCRIPT {
                let (told, sent) = lengths(&bench.unlock());
                assert_eq!(sent, told);
            }
        }
    }
}

#[test]
fn saves_are_taken_though_their_answers_are_silent_or_cut() {
    for family in EVERY {
        for scenario in [Scenario::StalledSave, Scenario::CutOffSave] {
            let mut bench = Bench::new(family, scenario);
            let (told, sent) = lengths(&bench.read());
            assert_eq!(sent, told, "readings are whole");
            let answer = bench.unlock();
            if scenario == Scenario::StalledSave {
                assert_eq!(pieces(&answer), [Piece::Stall]);
            } else {
                let (told, sent) = lengths(&answer);
                assert_eq!(sent, told / 2);
            }
            assert_eq!(bench.plans_a_restart(), family == FORM);
            assert_eq!(bench.lock(), json!("off"));
            assert_eq!(bench.truth().devices[0].saves, 1);
        }
    }
}

#[test]
fn truth_tells_each_request_and_telling_it_changes_nothing() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    bench.send("GET /nowhere?x=1 HTTP/1.1\r\n\r\n");
    bench.unlock();
    let truth = bench.truth();
    assert_eq!(bench.truth(), truth);
    let told: Vec<(u64, &str, &str, Option<u16>)> = truth
        .requests
        .iter()
        .map(|r| (r.number, r.method.as_str(), r.path.as_str(), r.answer))
        .collect();
    assert_eq!(
        told,
        [
            (1, "GET", "/nowhere", Some(404)),
            (2, "GET", "/", Some(200)),
            (3, "POST", "/keep-air", Some(200)),
        ]
    );
    let json = serde_json::to_value(&truth).expect("it is told as JSON");
    assert_eq!(json["family"], "sample-form");
    assert_eq!(json["scenario"], "locked");
    assert_eq!(json["devices"][0]["unmapped"], json!({"trim": -12}));
}

#[test]
fn truth_tells_which_requests_act_and_a_login_is_none() {
    let mut bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    bench.unlock();
    bench.restart();
    let truth = bench.truth();
    let acting = truth.requests.iter().filter(|request| request.acts);
    let paths: Vec<&str> = acting.map(|request| request.path.as_str()).collect();
    assert_eq!(paths, ["/radio-keep", "/start-anew"]);
    let login = bench.world.family().login().expect("it has one");
    assert_eq!(login, ("skipper", "heron-on-one-leg"));
}

#[test]
fn same_seed_gives_the_same_world_and_another_seed_another() {
    let truth = |seed| {
        let mut options = Options::new(FORM, Scenario::SwappedBeforeWrite);
        options.seed = seed;
        World::new(&options)
            .expect("its usual firmware")
            .truth(Duration::ZERO)
    };
    assert_eq!(truth(5), truth(5));
    assert_ne!(truth(5).devices[0].serial, truth(6).devices[0].serial);
    for seed in 0..200 {
        let truth = truth(seed);
        assert_ne!(truth.devices[0].serial, truth.devices[1].serial);
        assert_ne!(truth.devices[0].bssid, truth.devices[1].bssid);
    }
}

#[test]
fn log_has_a_line_for_each_request_and_restart_and_escapes_what_came() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    bench.send("GET /\u{1b}[2J HTTP/1.1\r\n\r\n");
    bench.unlock();
    bench.later(80).truth();
    let lines = bench.world.take_lines();
    assert_eq!(lines.len(), 7, "{lines:?}");
    assert!(lines[0].contains("GET /\\u{1b}[2J answer 404"), "{lines:?}");
    assert!(lines[2].ends_with("POST /keep-air answer 200 saved"));
    assert!(lines[3].ends_with("device 0 restarts"));
    assert!(lines[4].ends_with("the air is closed: restart"));
    assert!(lines[5].contains("device 0 is back"));
    assert!(lines[6].ends_with("the air is open"));
    assert!(bench.world.take_lines().is_empty());
}
