//! `sample-login` against FAMILIES.md, request by request.

use std::time::Duration;

use super::*;
use crate::{hooks::Hooks, http::Parsed, scenario::Scenario};

const KEY: [u8; 6] = [0x4a, 0x1f, 0x00, 0x9c, 0x77, 0xe2];
const ENTER: &str = "who=skipper&word=heron-on-one-leg&go=in";

struct Bench {
    login: Login,
    settings: Settings,
    works: &'static str,
    hooks: Hooks,
    /// The cookie that is sent along; empty: none.
    pass: String,
}

impl Bench {
    fn outside() -> Self {
        Self {
            login: Login::new(Seed::stream(1, "tokens"), Seed::stream(1, "passes")),
            settings: Settings::lent("Grebe", KEY, &Scenario::Locked.hooks()),
            works: "1.8.2",
            hooks: Hooks::default(),
            pass: String::new(),
        }
    }

    fn inside() -> Self {
        let mut bench = Self::outside();
        bench.enter();
        bench
    }

    fn enter(&mut self) {
        let outcome = self.post("/come-in", ENTER);
        let whole = header(&outcome, "Set-Cookie");
        let (cookie, rest) = whole.split_once(';').expect("attributes");
        assert_eq!(rest, " Path=/; HttpOnly");
        self.pass = cookie.to_owned();
    }

    fn send(&mut self, request: &[u8]) -> Outcome {
        let Parsed::Whole(request) = Request::parse(request) else {
            panic!("a whole request")
        };
        let context = Context {
            serial: "TM-0815",
            awake: Duration::from_millis(83_900),
            begun: 17,
            works: self.works,
            hooks: &self.hooks,
        };
        self.login.handle(&mut self.settings, &context, &request)
    }

    fn get(&mut self, path: &str) -> Outcome {
        let pass = self.pass.clone();
        self.send(format!("GET {path} HTTP/1.1\r\nCookie: a=b; {pass}\r\n\r\n").as_bytes())
    }

    fn page(&mut self, path: &str) -> String {
        let outcome = self.get(path);
        assert_eq!((outcome.kind, outcome.reply.status), (Kind::Reading, 200));
        String::from_utf8(outcome.reply.body).expect("a page is text")
    }

    fn token(&mut self, path: &str) -> String {
        let page = self.page(path);
        let (_, rest) = page.split_once("name=\"once\" value=\"").expect("a token");
        rest[..16].to_owned()
    }

    fn post(&mut self, path: &str, body: &str) -> Outcome {
        self.post_as(path, URLENCODED, body)
    }

    fn post_as(&mut self, path: &str, kind: &str, body: &str) -> Outcome {
        let pass = self.pass.clone();
        self.send(
            format!(
                "POST {path} HTTP/1.1\r\nCookie: {pass}\r\nContent-Type: {kind}\r\n\
                 Content-Length: {}\r\n\r\n{body}",
                body.len()
            )
            .as_bytes(),
        )
    }

    /// A save with a fresh token and `act=keep`, in the encoding of its form.
    fn keep(&mut self, page: Page, fields: &str) -> Outcome {
        let once = self.token(page.path());
        let body = format!("once={once}&{fields}&act=keep");
        let path = format!("{}-keep", page.path());
        if page == Page::Pins {
            let kind = "multipart/form-data; boundary=reed";
            self.post_as(&path, kind, &multipart(&body))
        } else {
            self.post(&path, &body)
        }
    }
}

/// The same fields as multipart/form-data, to the letter of RFC 7578; `map` is a file.
fn multipart(urlencoded: &str) -> String {
    let parts = form_urlencoded::parse(urlencoded.as_bytes()).map(|(name, value)| {
        let file = match (&*name, value.is_empty()) {
            ("map", true) => "; filename=\"\"\r\nContent-Type: application/octet-stream",
            ("map", false) => "; filename=\"a b\"\r\nContent-Type: text/plain",
            _ => "",
        };
        format!(
            "--reed\r\nContent-Disposition: form-data; name=\"{name}\"{file}\r\n\r\n{value}\r\n"
        )
    });
    parts.collect::<String>() + "--reed--\r\n"
}

fn header(outcome: &Outcome, name: &str) -> String {
    let headers = &outcome.reply.headers;
    let found = headers.iter().find(|(known, _)| *known == name);
    found.unwrap_or_else(|| panic!("no {name}")).1.clone()
}

fn says(outcome: &Outcome) -> (u16, String) {
    let page = String::from_utf8_lossy(&outcome.reply.body).into_owned();
    let (_, rest) = page
        .split_once("<p id=\"said\">")
        .expect("it says something");
    let (text, _) = rest.split_once("</p>").expect("the paragraph ends");
    (outcome.reply.status, text.to_owned())
}

fn sent_to(outcome: &Outcome) -> (u16, String) {
    (outcome.reply.status, header(outcome, "Location"))
}

#[test]
fn front_page_has_the_form_and_asks_for_nothing_else() {
    let outcome = Bench::outside().get("/");
    assert_eq!((outcome.kind, outcome.reply.status), (Kind::Other, 200));
    let page = String::from_utf8(outcome.reply.body).expect("a page is text");
    for part in [
        "<title>Tarn mast receiver</title>",
        "<form id=\"enter\" action=\"/come-in\" method=\"post\">",
        "name=\"who\"",
        "<input type=\"password\" name=\"word\" value=\"\">",
        "<button name=\"go\" value=\"in\">",
    ] {
        assert!(page.contains(part), "{part} is not in\n{page}");
    }
}

#[test]
fn good_login_is_sent_on_with_another_cookie_each_time_and_a_bad_one_gets_none() {
    let mut bench = Bench::outside();
    let first = bench.post("/come-in", ENTER);
    assert_eq!(sent_to(&first), (303, "/radio".to_owned()));
    let second = bench.post("/come-in", ENTER);
    assert_ne!(header(&first, "Set-Cookie"), header(&second, "Set-Cookie"));
    for body in [
        "who=skipper&word=heron&go=in",
        "who=Skipper&word=heron-on-one-leg&go=in",
        "word=heron-on-one-leg&go=in",
        "who=skipper&word=heron-on-one-leg",
        "",
    ] {
        let outcome = bench.post("/come-in", body);
        assert_eq!(says(&outcome), (200, "Not let in.".to_owned()), "{body}");
        assert!(
            outcome
                .reply
                .headers
                .iter()
                .all(|(name, _)| *name != "Set-Cookie")
        );
        assert!(String::from_utf8_lossy(&outcome.reply.body).contains("id=\"enter\""));
    }
}

#[test]
fn without_a_good_cookie_everything_leads_to_the_login_and_nothing_is_done() {
    let mut bench = Bench::inside();
    let once = bench.token("/radio");
    let before = bench.settings.clone();
    for pass in ["", "pass=0123456789abcdef", "pass="] {
        bench.pass = pass.to_owned();
        for path in ["/state", "/radio", "/pins", "/shore", "/nowhere"] {
            assert_eq!(sent_to(&bench.get(path)), (303, "/".to_owned()), "{path}");
        }
        for path in ["/radio-keep", "/pins-keep", "/shore-keep", "/start-anew"] {
            let outcome = bench.post(path, &format!("once={once}&slot=9&act=keep"));
            assert_eq!(sent_to(&outcome), (303, "/".to_owned()));
            assert!(!outcome.restarts);
            assert_eq!(outcome.kind, Kind::Refused);
        }
    }
    assert_eq!(bench.settings, before);
    bench.enter();
    assert_eq!(bench.get("/nowhere").reply.status, 404);
    let outcome = bench.post("/radio-keep", &format!("once={once}&slot=9&act=keep"));
    assert_eq!(outcome.kind, Kind::Saved, "the token was not used up");
    bench.login.restarted();
    assert_eq!(sent_to(&bench.get("/state")), (303, "/".to_owned()));
}

#[test]
fn state_tells_its_lines() {
    let mut bench = Bench::inside();
    assert_eq!(
        bench.page("/state"),
        "plate: TM-0815\nworks: 1.8.2\nawake: 83\nheld: slot 7\ntie: kept\nheart: beats\n"
    );
    bench.settings = Settings::factory();
    bench.hooks.radio_answers = false;
    assert_eq!(
        bench.page("/state"),
        "plate: TM-0815\nworks: 1.8.2\nawake: 83\nheld: nobody\ntie: none\nheart: still\n"
    );
}

#[test]
fn pages_show_what_families_md_says_and_no_secret() {
    let mut bench = Bench::inside();
    let radio = bench.page("/radio");
    let pins = bench.page("/pins");
    let shore = bench.page("/shore");
    for (page, part) in [
        (
            &radio,
            "<form id=\"radio\" action=\"/radio-keep\" method=\"post\">",
        ),
        (&radio, "name=\"called\" value=\"Grebe\" maxlength=\"24\""),
        (
            &radio,
            "<input type=\"checkbox\" name=\"tied\" value=\"1\" checked>",
        ),
        (&radio, "name=\"slot\" value=\"7\" min=\"1\" max=\"40\""),
        (
            &radio,
            "<input type=\"radio\" name=\"pace\" value=\"1\" checked>",
        ),
        (&radio, "<option value=\"GB\" selected>"),
        (&radio, "<option value=\"25\" selected>25 mW</option>"),
        (&radio, "<button name=\"act\" value=\"keep\">"),
        (
            &pins,
            "<form id=\"pins\" action=\"/pins-keep\" method=\"post\" \
             enctype=\"multipart/form-data\">",
        ),
        (&pins, "<option value=\"widths\" selected>"),
        (
            &pins,
            "<input type=\"checkbox\" name=\"turned\" value=\"1\" checked>",
        ),
        (&pins, "name=\"rate\" value=\"100\""),
        (
            &pins,
            "<input type=\"radio\" name=\"lost\" value=\"rest\" checked>",
        ),
        (&pins, "<input type=\"file\" name=\"map\">"),
        (
            &shore,
            "<form id=\"shore\" action=\"/shore-keep\" method=\"post\">",
        ),
        (&shore, "<input type=\"password\" name=\"kin\" value=\"\">"),
        (&shore, "name=\"net\" value=\"Tarn boathouse\""),
        (
            &shore,
            "<input type=\"password\" name=\"net_word\" value=\"\">",
        ),
        (&shore, "name=\"after\" value=\"90\" min=\"30\" max=\"120\""),
    ] {
        assert!(page.contains(part), "{part} is not in\n{page}");
    }
    let all = format!("{radio}{pins}{shore}").to_lowercase();
    assert!(!all.contains("4a1f") && !all.contains("duckweed"));
    for (page, names) in [
        (radio, page::RADIO),
        (pins, page::PINS),
        (shore, page::SHORE),
    ] {
        let mut shown: Vec<&str> = page
            .split(" name=\"")
            .skip(1)
            .map(|rest| rest.split('"').next().expect("a first part"))
            .collect();
        shown.dedup();
        assert_eq!(shown, names);
        assert!(page.ends_with("</html>"));
    }
}

#[test]
fn good_save_leads_back_to_its_page_and_means_what_families_md_says() {
    let mut bench = Bench::inside();
    for (page, fields) in [
        (
            Page::Radio,
            "called=R%C3%B6hrs%C3%A4nger&tied=1&slot=40&pace=2&area=JP&strength=100",
        ),
        (
            Page::Pins,
            "how=sum&turned=1&rate=400&lost=stop&map=rudder+3",
        ),
        (
            Page::Shore,
            "kin=0102030405aF&net=Reed+bed&net_word=a%2Bb&after=120",
        ),
    ] {
        let outcome = bench.keep(page, fields);
        assert_eq!(outcome.kind, Kind::Saved);
        assert!(!outcome.restarts, "it does not restart by a save");
        assert_eq!(sent_to(&outcome), (303, page.path().to_owned()));
        assert_eq!(outcome.note, "saved");
    }
    let expected = Settings {
        name: "Röhrsänger".to_owned(),
        locked: true,
        slot: 40,
        bind_key: Some([1, 2, 3, 4, 5, 0xaf]),
        waveform: 2,
        region: 3,
        power: 100,
        output: 2,
        inverted: true,
        rate: 400,
        failsafe: 2,
        map: b"rudder 3".to_vec(),
        local_network: "Reed bed".to_owned(),
        local_passphrase: "a+b".to_owned(),
        fallback_wait: 120,
        ..bench.settings.clone()
    };
    assert_eq!(bench.settings, expected);
    assert!(bench.page("/state").contains("held: slot 40\n"), "at once");
}

#[test]
fn older_firmware_has_no_wait_and_overlooks_it() {
    let mut bench = Bench::inside();
    bench.works = "1.7.3";
    assert!(bench.page("/state").contains("works: 1.7.3\n"));
    assert!(!bench.page("/shore").contains("after"));
    let before = bench.settings.clone();
    let outcome = bench.keep(Page::Shore, "kin=&net=Tarn+boathouse&net_word=&after=999");
    assert_eq!(outcome.kind, Kind::Saved);
    assert_eq!(bench.settings, before);
}

#[test]
fn blanks_and_what_is_left_out_keep_what_they_were_except_the_boxes() {
    let mut bench = Bench::inside();
    let mut expected = bench.settings.clone();
    bench.keep(Page::Radio, "called=Smew");
    expected.name = "Smew".to_owned();
    expected.locked = false;
    assert_eq!(bench.settings, expected, "the slot keeps its number");
    bench.keep(Page::Pins, "rate=60&map=");
    expected.rate = 60;
    expected.inverted = false;
    assert_eq!(bench.settings, expected);
    bench.keep(Page::Shore, "kin=&net=Tarn+boathouse&net_word=&after=30");
    expected.fallback_wait = 30;
    assert_eq!(bench.settings, expected);
    bench.keep(Page::Shore, "kin=&net=&net_word=&after=30");
    expected.local_network = String::new();
    expected.local_passphrase = String::new();
    assert_eq!(bench.settings, expected, "the word goes with its network");
}

#[test]
fn bad_values_are_named_and_change_nothing() {
    for (page, control, bad) in [
        (Page::Radio, "called", &["nnnnnnnnnnnnnnnnnnnnnnnnn"][..]),
        (Page::Radio, "tied", &["0", "on"]),
        (Page::Radio, "slot", &["0", "41", "", "off"]),
        (Page::Radio, "pace", &["3", "breeze"]),
        (Page::Radio, "area", &["FR", "2"]),
        (Page::Radio, "strength", &["75"]),
        (Page::Pins, "how", &["frame"]),
        (Page::Pins, "turned", &["0"]),
        (Page::Pins, "rate", &["40", "55"]),
        (Page::Pins, "lost", &["hold"]),
        (
            Page::Shore,
            "kin",
            &["4a1f", "4A:1F:00:9C:77:E2", "00000000000g"],
        ),
        (Page::Shore, "net", &["nnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnn"]),
        (Page::Shore, "after", &["29", "121"]),
    ] {
        for value in bad {
            let mut bench = Bench::inside();
            let before = bench.settings.clone();
            let outcome = bench.keep(page, &format!("{control}={value}"));
            assert_eq!(
                says(&outcome),
                (422, format!("Not kept: {control}")),
                "{value}"
            );
            assert_eq!(bench.settings, before);
        }
    }
}

#[test]
fn pins_take_multipart_alone() {
    let mut bench = Bench::inside();
    let before = bench.settings.clone();
    let once = bench.token("/pins");
    let body = format!("once={once}&rate=60&act=keep");
    assert_eq!(bench.post("/pins-keep", &body).reply.status, 415);
    for (kind, body, status) in [
        ("multipart/form-data", multipart(&body), 415),
        ("multipart/form-data; boundary=reed", body.clone(), 400),
        (
            "multipart/form-data; boundary=reed",
            multipart(&body).replace("--reed--", ""),
            400,
        ),
        ("multipart/form-data; boundary=other", multipart(&body), 400),
    ] {
        assert_eq!(
            bench.post_as("/pins-keep", kind, &body).reply.status,
            status
        );
    }
    assert_eq!(bench.settings, before);
    let kind = "multipart/form-data; boundary=reed";
    let outcome = bench.post_as("/radio-keep", kind, &multipart(&body));
    assert_eq!(outcome.reply.status, 400);
    let outcome = bench.post_as("/pins-keep", kind, &multipart(&body));
    assert_eq!(outcome.kind, Kind::Saved, "the token was not used up");
}

#[test]
fn any_token_is_good_for_one_save_or_restart_of_any_page_until_the_restart() {
    let mut bench = Bench::inside();
    let once = bench.token("/shore");
    let keep = |once: &str| format!("once={once}&slot=9&act=keep");
    assert_eq!(bench.post("/radio-keep", &keep(&once)).kind, Kind::Saved);
    let stale = (403, "Stale.".to_owned());
    assert_eq!(says(&bench.post("/radio-keep", &keep(&once))), stale);
    assert_eq!(says(&bench.post("/radio-keep", "slot=9&act=keep")), stale);
    let outcome = bench.post("/start-anew", &format!("once={once}"));
    assert_eq!(says(&outcome), stale);
    assert!(!outcome.restarts);

    let (first, second) = (bench.token("/pins"), bench.token("/radio"));
    let outcome = bench.post("/start-anew", &format!("once={first}"));
    assert_eq!(says(&outcome), (202, "Starting anew.".to_owned()));
    assert!(outcome.restarts);
    bench.login.restarted();
    bench.enter();
    assert_eq!(says(&bench.post("/radio-keep", &keep(&second))), stale);
}

#[test]
fn careless_firmware_resets_what_is_left_out_of_the_page_that_is_saved() {
    let mut bench = Bench::inside();
    bench.hooks.omitted_reset = true;
    let factory = Settings::factory();
    let mut expected = bench.settings.clone();
    bench.keep(Page::Pins, "rate=60");
    expected.output = factory.output;
    expected.inverted = false;
    expected.rate = 60;
    expected.failsafe = factory.failsafe;
    expected.map = factory.map;
    assert_eq!(bench.settings, expected);
}

#[test]
fn save_without_its_button_or_with_a_name_twice_is_not_kept() {
    let mut bench = Bench::inside();
    let before = bench.settings.clone();
    let once = bench.token("/radio");
    let outcome = bench.post("/radio-keep", &format!("once={once}&slot=9"));
    assert_eq!(says(&outcome), (422, "Not kept: act".to_owned()));
    let outcome = bench.keep(Page::Pins, "rate=60&rate=70");
    assert_eq!(says(&outcome), (422, "Not kept: rate".to_owned()));
    assert_eq!(bench.settings, before);
}
