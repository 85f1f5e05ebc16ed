//! `sample-form` against FAMILIES.md, request by request.

use std::time::Duration;

use super::*;
use crate::{hooks::Hooks, http::Parsed, scenario::Scenario};

const KEY: [u8; 6] = [0x4a, 0x1f, 0x00, 0x9c, 0x77, 0xe2];

struct Bench {
    form: Form,
    settings: Settings,
    works: &'static str,
    hooks: Hooks,
}

impl Bench {
    fn new() -> Self {
        Self {
            form: Form::new(Seed::stream(1, "tokens")),
            settings: Settings::lent("Grebe", KEY, &Scenario::Locked.hooks()),
            works: "2.4.1",
            hooks: Hooks::default(),
        }
    }

    fn send(&mut self, request: &str) -> Outcome {
        let Parsed::Whole(request) = Request::parse(request.as_bytes()) else {
            panic!("a whole request: {request}")
        };
        let context = Context {
            serial: "TD-00471",
            awake: Duration::from_millis(83_900),
            begun: 17,
            works: self.works,
            hooks: &self.hooks,
        };
        self.form.handle(&mut self.settings, &context, &request)
    }

    fn page(&mut self) -> String {
        let outcome = self.send("GET / HTTP/1.1\r\n\r\n");
        assert_eq!((outcome.kind, outcome.reply.status), (Kind::Reading, 200));
        String::from_utf8(outcome.reply.body).expect("a page is text")
    }

    /// The tokens of a new page, by form.
    fn tokens(&mut self) -> [String; 3] {
        let page = self.page();
        let found: Vec<String> = page
            .split("name=\"once\" value=\"")
            .skip(1)
            .map(|rest| rest[..16].to_owned())
            .collect();
        found.try_into().expect("three forms")
    }

    fn post(&mut self, path: &str, body: &str) -> Outcome {
        self.send(&format!(
            "POST {path} HTTP/1.1\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        ))
    }

    /// A save with a fresh token and `act=keep`.
    fn keep(&mut self, path: &str, fields: &str) -> (u16, String) {
        let once = &self.tokens()[place(path)];
        said(&self.post(path, &format!("once={once}&{fields}&act=keep")))
    }
}

fn place(path: &str) -> usize {
    ["/keep-air", "/keep-wires", "/keep-shore"]
        .iter()
        .position(|known| *known == path)
        .expect("one of the forms")
}

fn said(outcome: &Outcome) -> (u16, String) {
    let page = String::from_utf8_lossy(&outcome.reply.body).into_owned();
    let (_, rest) = page
        .split_once("<p id=\"said\">")
        .expect("it says something");
    let (text, _) = rest.split_once("</p>").expect("the paragraph ends");
    (outcome.reply.status, text.to_owned())
}

#[test]
fn page_shows_what_families_md_says() {
    let mut bench = Bench::new();
    let page = bench.page();
    for part in [
        "<title>Tarn deck receiver</title>",
        "<td id=\"plate\">No. TD-00471</td>",
        "<td id=\"works\">deck 2.4.1</td>",
        "<td id=\"awake\">83 s</td>",
        "<td id=\"heart\">radio part answers</td>",
        "<table><form id=\"air\" action=\"/keep-air\" method=\"post\"><tr>",
        "<table><form id=\"wires\" action=\"/keep-wires\" method=\"post\"><tr>",
        "<table><form id=\"shore\" action=\"/keep-shore\" method=\"post\"><tr>",
        "<input type=\"text\" name=\"called\" value=\"Grebe\" maxlength=\"24\">",
        "<input type=\"radio\" name=\"follows\" value=\"any\">",
        "<input type=\"radio\" name=\"follows\" value=\"only\" checked>",
        "<input type=\"number\" name=\"held_to\" value=\"6\" min=\"0\" max=\"39\">",
        "<input type=\"text\" name=\"kinship\" value=\"4A:1F:00:9C:77:E2\">",
        "<option value=\"w1\" selected>breeze</option>",
        "<option value=\"2\" selected>GB</option>",
        "<option value=\"25\" selected>25 mW</option>",
        "<button name=\"act\" value=\"forget\">",
        "<option value=\"widths\" selected>pulse-widths</option>",
        "<input type=\"checkbox\" name=\"turned\" value=\"1\" checked>",
        "<input type=\"number\" name=\"rate\" value=\"100\" min=\"50\" max=\"400\" step=\"10\">",
        "<input type=\"radio\" name=\"lost\" value=\"rest\" checked>",
        "<input type=\"text\" name=\"order\" value=\"2,1,3,4,5,6,8,7\">",
        "<input type=\"number\" name=\"trim\" value=\"-12\" min=\"-50\" max=\"50\">",
        "<input type=\"text\" name=\"net\" value=\"Tarn boathouse\" maxlength=\"32\">",
        "<input type=\"password\" name=\"net_word\" value=\"oars &amp; &lt;duckweed&gt;\">",
        "<input type=\"number\" name=\"after\" value=\"90\" min=\"30\" max=\"120\">",
        "<input type=\"range\" name=\"lamp\" value=\"40\" min=\"0\" max=\"100\">",
    ] {
        assert!(page.contains(part), "{part} is not in\n{page}");
    }
    assert!(page.ends_with("</html>"));
    bench.hooks.radio_answers = false;
    assert!(
        bench
            .page()
            .contains("<td id=\"heart\">radio part silent</td>")
    );
}

#[test]
fn page_closes_what_it_opens_and_has_each_control_once() {
    let page = Bench::new().page();
    for tag in [
        "html", "head", "body", "table", "form", "tr", "th", "td", "select", "option",
    ] {
        let opened =
            page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        let closed = page.matches(&format!("</{tag}>")).count();
        assert!(opened == closed && opened > 0, "{tag}: {opened}, {closed}");
    }
    let forms: Vec<&str> = page.split("<form ").skip(1).collect();
    for (form, names) in forms.iter().zip([page::AIR, page::WIRES, page::SHORE]) {
        let form = form.split("</form>").next().expect("a first part");
        let mut shown: Vec<&str> = form
            .split(" name=\"")
            .skip(1)
            .map(|rest| rest.split('"').next().expect("a first part"))
            .collect();
        shown.dedup();
        assert_eq!(shown, names);
    }
}

#[test]
fn newer_firmware_has_neither_lamp_nor_third_wave_and_refuses_both() {
    let mut bench = Bench::new();
    bench.works = "3.0.2";
    let page = bench.page();
    assert!(page.contains("deck 3.0.2") && page.contains("value=\"w1\""));
    assert!(!page.contains("lamp") && !page.contains("w2"));
    for (path, control, value) in [("/keep-air", "wave", "w2"), ("/keep-shore", "lamp", "40")] {
        let answer = bench.keep(path, &format!("{control}={value}"));
        assert_eq!(answer, (422, format!("Not kept: {control}")));
    }
    assert_eq!(bench.keep("/keep-shore", "after=30").0, 200);
}

#[test]
fn values_are_escaped_in_the_page() {
    let mut bench = Bench::new();
    bench.settings.name = "a\"'<&>".to_owned();
    assert!(
        bench
            .page()
            .contains("name=\"called\" value=\"a&quot;&#39;&lt;&amp;&gt;\"")
    );
}

#[test]
fn tokens_differ_by_form_and_by_answer() {
    let mut bench = Bench::new();
    let mut tokens: Vec<String> = [bench.tokens(), bench.tokens()].concat();
    assert!(
        tokens
            .iter()
            .all(|token| token.bytes().all(|b| b.is_ascii_hexdigit()))
    );
    tokens.sort();
    tokens.dedup();
    assert_eq!(tokens.len(), 6);
}

/// An address, a control of its form, values that are kept and values that are not.
type Case = (
    &'static str,
    &'static str,
    &'static [&'static str],
    &'static [&'static str],
);

const CASES: &[Case] = &[
    (
        "/keep-air",
        "called",
        &["", "Smew", "%C3%A9+%26%3D"],
        &["nnnnnnnnnnnnnnnnnnnnnnnnn"],
    ),
    ("/keep-air", "follows", &["any", "only"], &["", "all"]),
    (
        "/keep-air",
        "held_to",
        &["0", "39"],
        &["40", "-1", "", "1.5", "+1", "off"],
    ),
    (
        "/keep-air",
        "kinship",
        &["", "00:00:00:00:00:0F"],
        &[
            "4A:1F",
            "4a:1f:00:9c:77:e2",
            "4A1F009C77E2",
            "4A:1F:00:9C:77:E2:00",
            "x",
        ],
    ),
    ("/keep-air", "wave", &["w0", "w1", "w2"], &["w3", "calm"]),
    (
        "/keep-air",
        "zone",
        &["1", "2", "3", "4"],
        &["0", "5", "DE"],
    ),
    (
        "/keep-air",
        "strength",
        &["10", "25", "50", "100"],
        &["75", "025"],
    ),
    (
        "/keep-wires",
        "speaks",
        &["frames", "widths", "sum"],
        &["frame"],
    ),
    ("/keep-wires", "turned", &["1"], &["0", "on"]),
    ("/keep-wires", "rate", &["50", "400"], &["40", "410", "55"]),
    ("/keep-wires", "lost", &["keep", "rest", "stop"], &["hold"]),
    (
        "/keep-wires",
        "order",
        &["8,7,6,5,4,3,2,1"],
        &[
            "1,2,3,4,5,6,7",
            "1,1,3,4,5,6,7,8",
            "0,2,3,4,5,6,7,8",
            "1,2,3,4,5,6,7,8,1",
        ],
    ),
    (
        "/keep-wires",
        "trim",
        &["-50", "0", "50"],
        &["-51", "51", "--1"],
    ),
    (
        "/keep-shore",
        "net",
        &["", "Reed+bed"],
        &["nnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnn"],
    ),
    ("/keep-shore", "after", &["30", "120"], &["29", "121"]),
    ("/keep-shore", "lamp", &["0", "100"], &["101", "-1"]),
];

#[test]
fn good_values_are_kept_and_bad_ones_are_named_and_change_nothing() {
    for &(path, control, good, bad) in CASES {
        for value in good {
            let answer = Bench::new().keep(path, &format!("{control}={value}"));
            assert_eq!(
                answer,
                (200, "Kept. Starting again.".to_owned()),
                "{control}={value}"
            );
        }
        for value in bad {
            let mut bench = Bench::new();
            let before = bench.settings.clone();
            let answer = bench.keep(path, &format!("{control}={value}"));
            assert_eq!(
                answer,
                (422, format!("Not kept: {control}")),
                "{control}={value}"
            );
            assert_eq!(bench.settings, before);
        }
    }
}

#[test]
fn each_control_means_what_families_md_says() {
    let mut bench = Bench::new();
    bench.keep(
        "/keep-air",
        "called=R%C3%B6hrs%C3%A4nger&follows=only&held_to=39&kinship=01:02:03:04:05:AF&wave=w2&zone=4\
         &strength=100",
    );
    bench.keep(
        "/keep-wires",
        "speaks=sum&turned=1&rate=400&lost=stop&order=8,7,6,5,4,3,2,1&trim=50",
    );
    bench.keep(
        "/keep-shore",
        "net=Reed+bed&net_word=a%2Bb&after=120&lamp=100",
    );
    let settings = &bench.settings;
    assert_eq!(settings.name, "Röhrsänger");
    assert_eq!((settings.locked, settings.slot), (true, 40));
    assert_eq!(settings.bind_key, Some([1, 2, 3, 4, 5, 0xaf]));
    assert_eq!(
        (settings.waveform, settings.region, settings.power),
        (2, 3, 100)
    );
    assert_eq!(
        (settings.output, settings.inverted, settings.rate),
        (2, true, 400)
    );
    assert_eq!((settings.failsafe, settings.trim), (2, 50));
    assert_eq!(settings.order, [8, 7, 6, 5, 4, 3, 2, 1]);
    assert_eq!(settings.local_network, "Reed bed");
    assert_eq!(settings.local_passphrase, "a+b");
    assert_eq!((settings.fallback_wait, settings.light), (120, 100));
}

#[test]
fn fields_left_out_keep_what_they_were_except_the_box() {
    let mut bench = Bench::new();
    let mut expected = bench.settings.clone();
    bench.keep("/keep-air", "follows=any");
    expected.locked = false;
    assert_eq!(bench.settings, expected, "the slot keeps its number");
    bench.keep("/keep-wires", "rate=60");
    expected.rate = 60;
    expected.inverted = false;
    assert_eq!(bench.settings, expected);
}

#[test]
fn careless_firmware_resets_what_is_left_out_of_the_form_that_is_saved() {
    let mut bench = Bench::new();
    bench.hooks.omitted_reset = true;
    let before = bench.settings.clone();
    bench.keep("/keep-air", "called=Smew");
    let factory = Settings::factory();
    let expected = Settings {
        name: "Smew".to_owned(),
        locked: factory.locked,
        slot: factory.slot,
        bind_key: factory.bind_key,
        waveform: factory.waveform,
        region: factory.region,
        power: factory.power,
        ..before
    };
    assert_eq!(bench.settings, expected);
}

#[test]
fn forget_sets_the_whole_receiver_to_its_factory_state() {
    let mut bench = Bench::new();
    let once = &bench.tokens()[0];
    let outcome = bench.post("/keep-air", &format!("once={once}&act=forget"));
    assert_eq!(outcome.kind, Kind::Saved);
    assert!(outcome.restarts);
    assert_eq!(bench.settings, Settings::factory());
}

#[test]
fn save_without_a_button_or_with_a_name_twice_is_not_kept() {
    let mut bench = Bench::new();
    let before = bench.settings.clone();
    let once = &bench.tokens()[0];
    let outcome = bench.post("/keep-air", &format!("once={once}&follows=any"));
    assert_eq!(said(&outcome), (422, "Not kept: act".to_owned()));
    let answer = bench.keep("/keep-wires", "rate=60&rate=70");
    assert_eq!(answer, (422, "Not kept: rate".to_owned()));
    let once = &bench.tokens()[1];
    let outcome = bench.post("/keep-wires", &format!("once={once}&act=forget"));
    assert_eq!(said(&outcome), (422, "Not kept: act".to_owned()));
    assert_eq!(bench.settings, before);
}

#[test]
fn unknown_reused_strange_and_old_tokens_are_stale() {
    let mut bench = Bench::new();
    let before = bench.settings.clone();
    let stale = (403, "stale form".to_owned());
    let [air, wires, _] = bench.tokens();
    let unlock = |once: &str| format!("once={once}&follows=any&act=keep");
    for body in [
        unlock("0123456789abcdef"),
        unlock(&wires),
        "follows=any&act=keep".to_owned(),
    ] {
        assert_eq!(said(&bench.post("/keep-air", &body)), stale, "{body}");
    }
    bench.form.restarted();
    assert_eq!(said(&bench.post("/keep-air", &unlock(&air))), stale);
    assert_eq!(bench.settings, before);

    let [air, ..] = bench.tokens();
    // Another page in between takes nothing away.
    bench.tokens();
    assert_eq!(bench.post("/keep-air", &unlock(&air)).kind, Kind::Saved);
    let after = bench.settings.clone();
    let again = format!("once={air}&called=Coot&act=keep");
    assert_eq!(said(&bench.post("/keep-air", &again)), stale);
    assert_eq!(bench.settings, after);
}

#[test]
fn token_is_used_up_by_a_save_that_is_not_kept() {
    let mut bench = Bench::new();
    let [air, ..] = bench.tokens();
    let outcome = bench.post("/keep-air", &format!("once={air}&held_to=40&act=keep"));
    assert_eq!(outcome.reply.status, 422);
    let outcome = bench.post("/keep-air", &format!("once={air}&held_to=39&act=keep"));
    assert_eq!(outcome.reply.status, 403);
}

#[test]
fn only_urlencoded_posts_to_the_three_addresses_save() {
    let mut bench = Bench::new();
    let once = &bench.tokens()[0];
    let body = format!("once={once}&follows=any&act=keep");
    let outcome = bench.send(&format!(
        "POST /keep-air HTTP/1.1\r\nContent-Type: text/plain\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    ));
    assert_eq!((outcome.kind, outcome.reply.status), (Kind::Refused, 400));
    for request in [
        "GET /keep-air HTTP/1.1\r\n\r\n",
        "POST / HTTP/1.1\r\n\r\n",
        "GET /x HTTP/1.1\r\n\r\n",
    ] {
        let outcome = bench.send(request);
        assert_eq!(
            (outcome.kind, outcome.reply.status),
            (Kind::Other, 404),
            "{request}"
        );
    }
    assert!(bench.settings.locked);
}

#[test]
fn fields_of_no_control_are_remarked_upon_by_name() {
    let mut bench = Bench::new();
    let once = &bench.tokens()[2];
    let outcome = bench.post("/keep-shore", &format!("once={once}&slot=1&act=keep"));
    assert_eq!(outcome.note, "saved, without knowing slot");
}
