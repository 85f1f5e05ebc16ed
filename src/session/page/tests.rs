//! What a page gives, and what a form takes.

use proptest::prelude::*;
use url::Url;

use super::*;
use crate::terms::Raw;

fn url() -> Url {
    "http://192.168.77.1/radio".parse().expect("an address")
}

fn read(body: &str, wanted: &[&str], forms: &[&str]) -> Page {
    let kind = Some("text/html; charset=utf-8");
    Page::parse(
        body.as_bytes(),
        kind,
        &url(),
        wanted,
        forms,
        &PageLimits::default(),
    )
    .expect("the page is read")
}

fn form(controls: &str) -> Form {
    let page = read(
        &format!("<form id=f action=/keep method=post>{controls}"),
        &[],
        &["#f"],
    );
    page.form("#f").expect("the form is there").clone()
}

fn text(text: &str) -> Raw {
    Raw::Text(text.to_owned())
}

fn choice(value: &str) -> Raw {
    Raw::Choice(Some(value.to_owned()))
}

fn many(values: &[&str]) -> Raw {
    Raw::Many(values.iter().map(|&value| value.to_owned()).collect())
}

fn body(form: &Form) -> String {
    let sent = form.submit(None).expect("the form is sent");
    String::from_utf8(sent.body).expect("urlencoded is ASCII")
}

const DECK: &str = include_str!("../../../tests/forms/deck.html");

#[test]
fn page_and_form_can_cross_threads() {
    fn crosses<T: Send + Sync>() {}
    crosses::<Page>();
    crosses::<Form>();
}

#[test]
fn text_is_what_a_person_reads() {
    let wanted = ["#plate", "#works", "#awake", "title", "p"];
    let page = read(DECK, &wanted, &[]);
    assert_eq!(page.text("#plate"), Ok("No. TD-00471"));
    assert_eq!(page.text("#works"), Ok("deck 2.4.1"));
    assert_eq!(page.text("#awake"), Ok("83 s"));
    assert_eq!(page.text("title"), Ok("Tarn deck receiver"));
    let broken = "<div id=a>deck<br>2.4.1<script>x()</script><p>held <b>7</b>th</p></div>";
    let page = read(broken, &["#a"], &[]);
    assert_eq!(page.text("#a"), Ok("deck 2.4.1 held 7th"));
}

#[test]
fn text_that_is_not_there_once_is_refused() {
    let page = read("<p>a<p>b", &["p", "#x"], &[]);
    let wanted = "p".to_owned();
    assert_eq!(
        page.text("p"),
        Err(PageError::Ambiguous { wanted, found: 2 })
    );
    assert!(matches!(page.text("#x"), Err(PageError::NotFound { .. })));
    assert!(matches!(page.text("b"), Err(PageError::NotAsked { .. })));
    let bad = Page::parse(b"", None, &url(), &["p["], &[], &PageLimits::default());
    assert!(matches!(bad, Err(PageError::BadSelector { .. })));
}

#[test]
fn parse_stops_when_its_time_is_up() {
    let limits = PageLimits {
        time: Duration::ZERO,
        ..PageLimits::default()
    };
    let read = Page::parse(DECK.as_bytes(), None, &url(), &[], &[], &limits);
    assert!(matches!(read, Err(PageError::TooSlow { seconds: 0 })));
}

#[test]
fn a_page_of_too_many_controls_is_not_looked_at() {
    let many = "<form id=air>".to_owned() + &"<input name=called dirname=x>".repeat(4_001);
    let read = Page::parse(
        many.as_bytes(),
        None,
        &url(),
        &[],
        &[],
        &PageLimits::default(),
    );
    assert!(matches!(
        read,
        Err(PageError::TooManyControls { limit: 4_000 })
    ));
}

#[test]
fn a_text_without_a_direction_is_not_searched_to_its_end() {
    let spaces = " ".repeat(2_000);
    let page =
        format!("<form id=f dir=auto>{spaces}\u{5d0}<input name=a value=b dirname=d></form>");
    let page = read(&page, &[], &["#f"]);
    let sent = page.form("#f").and_then(|form| {
        form.sent(None).map_err(|_| PageError::NotFound {
            wanted: "entries".into(),
        })
    });
    assert_eq!(
        sent,
        Ok(vec![Entry::text("a", "b"), Entry::text("d", "ltr")])
    );
}

#[test]
fn form_between_table_and_row_owns_the_controls_of_its_rows() {
    let page = read(DECK, &[], &["#air"]);
    let air = page.form("#air").expect("the form is there");
    assert_eq!(air.label(), "#air");
    assert_eq!(air.raw("called"), text("Grünschenkel & Söhne"));
    assert_eq!(air.raw("follows"), choice("only"));
    assert_eq!(air.raw("held_to"), text("6"));
    assert_eq!(air.raw("wave"), choice("w1"));
    assert_eq!(air.raw("act"), Raw::Missing, "buttons hold nothing");
    let views: Vec<(String, &str)> = air
        .controls()
        .into_iter()
        .map(|v| (v.name, v.kind))
        .collect();
    let expected = [
        ("once", "hidden"),
        ("called", "text"),
        ("follows", "radio"),
        ("follows", "radio"),
        ("held_to", "number"),
        ("kinship", "text"),
        ("wave", "select-one"),
        ("zone", "select-one"),
        ("act", "submit"),
        ("act", "submit"),
    ];
    assert_eq!(views, expected.map(|(name, kind)| (name.to_owned(), kind)));
}

#[test]
fn form_is_found_by_a_control_that_only_it_has() {
    let page = read(DECK, &[], &["form", "#plate", "#nothing"]);
    assert_eq!(
        page.form_with_control("rate").map(Form::label),
        Ok("#wires".to_owned())
    );
    let once = page.form_with_control("once").map(Form::label);
    assert_eq!(
        once,
        Err(PageError::Ambiguous {
            wanted: "once".to_owned(),
            found: 2
        })
    );
    assert!(matches!(
        page.form_with_control("act"),
        Err(PageError::NotFound { .. })
    ));
    assert!(matches!(
        page.form("form"),
        Err(PageError::Ambiguous { found: 2, .. })
    ));
    assert!(matches!(
        page.form("#plate"),
        Err(PageError::NotAForm { .. })
    ));
    assert!(matches!(
        page.form("#nothing"),
        Err(PageError::NotFound { .. })
    ));
    assert!(matches!(page.form("#air"), Err(PageError::NotAsked { .. })));
}

#[test]
fn label_falls_back_to_name_and_place_and_draws_the_teeth() {
    let page = read(
        "<form></form><form name=n></form><form id='a\u{1b}[2J'></form>",
        &[],
        &[],
    );
    let labels: Vec<String> = page.forms.iter().map(Form::label).collect();
    assert_eq!(labels, ["form 1", "n", "#a\\u{1b}[2J"]);
}

#[test]
fn reads_each_shape_of_control() {
    let form = form(
        "<input type=checkbox name=one checked><input type=checkbox name=off value=1>
        <input type=radio name=none value=a><input type=radio name=none value=b>
        <select multiple name=rows><option selected>a<option>b<option selected>c</select>
        <select name=empty></select><input name=rest value=1500><input name=rest value=1100>
        <input type=hidden name=pair value=0><input type=checkbox name=pair value=1>
        <input type=number name=bad value=abc><textarea name=t>\r\n a\r\nb</textarea><input type=file name=map>
        <fieldset disabled><input name=dead value=1></fieldset>",
    );
    assert_eq!(form.raw("one"), Raw::Box(true));
    assert_eq!(form.raw("off"), Raw::Box(false));
    assert_eq!(form.raw("none"), Raw::Choice(None));
    assert_eq!(form.raw("rows"), many(&["a", "c"]));
    assert_eq!(form.raw("empty"), Raw::Choice(None));
    assert_eq!(form.raw("rest"), many(&["1500", "1100"]));
    assert_eq!(form.raw("pair"), many(&["0"]));
    assert_eq!(form.raw("bad"), text(""), "a browser blanks it");
    assert_eq!(form.raw("t"), text(" a\nb"));
    assert_eq!(form.raw("map"), text(""));
    assert_eq!(
        form.raw("dead"),
        text("1"),
        "it is on the page, though it is not sent"
    );
    assert_eq!(form.raw("nobody"), Raw::Missing);
    let dead: Vec<String> = form
        .controls()
        .into_iter()
        .filter(|v| v.disabled)
        .map(|v| v.name)
        .collect();
    assert_eq!(dead, ["dead"]);
}

#[test]
fn filling_changes_only_what_was_filled() {
    let mut form = form(
        "<input name=a value=1><input type=checkbox name=b value=on><input name=c value='x y'>
        <input name=rest value=1><input name=rest value=2><input type=hidden name=pair value=0>
        <input type=checkbox name=pair value=1><select multiple name=m><option>p<option disabled selected>q</select>",
    );
    assert_eq!(body(&form), "a=1&c=x+y&rest=1&rest=2&pair=0");
    form.fill("b", &Raw::Box(true)).expect("a box");
    form.fill("rest", &many(&["1", "3"])).expect("two lines");
    form.fill("pair", &many(&["0", "1"]))
        .expect("a mark and a box");
    form.fill("m", &many(&["p", "q"]))
        .expect("one is chosen for good");
    assert_eq!(
        body(&form),
        "a=1&b=on&c=x+y&rest=1&rest=3&pair=0&pair=1&m=p"
    );
    form.fill("pair", &many(&["0"])).expect("a mark alone");
    assert_eq!(body(&form), "a=1&b=on&c=x+y&rest=1&rest=3&pair=0&m=p");
}

#[test]
fn what_stands_there_is_always_taken_and_read_back() {
    let mut form = form(
        "<input name=a value=long maxlength=2><input name=b value=1 disabled><input name=c value=1 readonly>
        <select name=d><option disabled selected>x<option>y</select><input type=radio name=e value=1>",
    );
    for name in ["a", "b", "c", "d", "e"] {
        let raw = form.raw(name);
        assert_eq!(form.fill(name, &raw), Ok(()), "{name}");
        assert_eq!(form.raw(name), raw, "{name}");
    }
}

/// Fills one thing at a time into a form, and expects the words of the refusal and the form as it
/// was.
fn refuses(before: &Form, fillings: &[(&str, Raw, &str)]) {
    for (control, raw, message) in fillings {
        let mut form = before.clone();
        let said = form.fill(control, raw).map_err(|error| error.to_string());
        assert_eq!(said, Err((*message).to_owned()), "{control}");
        assert_eq!(body(&form), body(before), "{control}: as it was");
    }
}

#[test]
fn text_that_a_person_could_not_type_is_refused() {
    let before = form(
        "<input name=line maxlength=4><textarea name=area maxlength=4></textarea>
        <input name=must required value=x><input name=short minlength=8>
        <input name=dead disabled><input name=still readonly><input type=file name=map>
        <input type=url name=home><button name=go>",
    );
    let long = "control `line` takes at most 4 characters, not 6";
    let broken = "control `line` holds one line, and the text has a line break";
    refuses(
        &before,
        &[
            ("nobody", text("x"), "form `#f` has no control `nobody`"),
            ("go", text("x"), "form `#f` has no control `go`"),
            ("line", text("Wigeon"), long),
            ("line", text("a\nb"), broken),
            (
                "line",
                Raw::Box(true),
                "control `line` (text) cannot hold on or off",
            ),
            (
                "line",
                choice("a"),
                "control `line` (text) cannot hold a choice",
            ),
            (
                "line",
                Raw::Missing,
                "control `line` (text) cannot hold nothing",
            ),
            (
                "area",
                text("a\n\n\nb"),
                "control `area` takes at most 4 characters, not 5",
            ),
            ("must", text(""), "control `must` must not be empty"),
            (
                "short",
                text("reeds"),
                "control `short` takes at least 8 characters, not 5",
            ),
            ("dead", text("x"), "control `dead` is disabled"),
            ("still", text("x"), "control `still` is read-only"),
            ("map", text("x"), "control `map` (file) cannot hold a text"),
            (
                "home",
                text(" x "),
                "control `home` (url) would not keep the value as it was given",
            ),
        ],
    );
}

#[test]
fn number_colour_or_date_that_its_control_would_bend_is_refused() {
    let before = form(
        "<input type=number name=slot min=1 max=40 value=7><input type=color name=hue>
        <input type=range name=lamp max=100 step=5 value=40><input type=date name=day>",
    );
    let bounds = "control `slot` does not take this number: its page says 1 to 40 in steps of 1";
    let bent = |control, kind| {
        format!("control `{control}` ({kind}) would not keep the value as it was given")
    };
    refuses(
        &before,
        &[
            ("slot", text("41"), bounds),
            ("slot", text("0"), bounds),
            ("slot", text("1.5"), bounds),
            ("slot", text("x"), &bent("slot", "number")),
            ("lamp", text("42"), &bent("lamp", "range")),
            ("lamp", text("105"), &bent("lamp", "range")),
            ("hue", text("red"), &bent("hue", "color")),
            ("day", text("2026-02-29"), &bent("day", "date")),
        ],
    );
}

#[test]
fn choice_that_is_not_offered_is_refused() {
    let before = form(
        "<input type=radio name=r value=a checked><input type=radio name=r value=b disabled>
        <select name=s><option>a<option disabled>b<optgroup disabled><option>c</select>
        <select multiple name=m><option>a</select><input type=checkbox name=box>",
    );
    let only_a = |control| format!("control `{control}` offers `a`, and not what was chosen");
    let always =
        |control| format!("control `{control}` always has a choice, it cannot be left without one");
    refuses(
        &before,
        &[
            ("r", choice("b"), &only_a("r")),
            ("r", choice("x"), &only_a("r")),
            ("r", Raw::Choice(None), &always("r")),
            ("r", text("a"), "control `r` (radio) cannot hold a text"),
            ("s", choice("b"), &only_a("s")),
            ("s", choice("c"), &only_a("s")),
            ("s", Raw::Choice(None), &always("s")),
            (
                "s",
                many(&["a"]),
                "control `s` (select-one) cannot hold several values",
            ),
            ("m", many(&["z"]), &only_a("m")),
            ("m", many(&["a", "a"]), &only_a("m")),
            (
                "box",
                text("on"),
                "control `box` (checkbox) cannot hold a text",
            ),
        ],
    );
}

#[test]
fn values_that_do_not_fit_onto_the_controls_of_a_name_are_refused() {
    let before = form(
        "<input name=two value=1><input name=two value=2>
        <input type=hidden name=pair value=0><input type=checkbox name=pair value=1>",
    );
    let fit = |control, given| {
        format!("the {given} values do not fit onto the 2 controls named `{control}`")
    };
    let kind = "control `two` (several controls of this name) cannot hold a text";
    refuses(
        &before,
        &[
            ("two", many(&["1"]), &fit("two", 1)),
            ("two", many(&["1", "2", "3"]), &fit("two", 3)),
            ("two", text("1"), kind),
            ("pair", many(&["1"]), &fit("pair", 1)),
            ("pair", many(&["0", "2"]), &fit("pair", 2)),
        ],
    );
}

#[test]
fn lengths_are_counted_as_browsers_count() {
    // HTML standard, 4.10.19.2: the length of the API value, in UTF-16 code units.
    let mut form = form("<input name=a maxlength=2><textarea name=b maxlength=3></textarea>");
    form.fill("a", &text("📡")).expect("two units");
    assert!(form.fill("a", &text("📡x")).is_err());
    form.fill("b", &text("a\r\nb"))
        .expect("a line break is one");
    assert_eq!(body(&form), "a=%F0%9F%93%A1&b=a%0D%0Ab");
}

#[test]
fn only_a_button_that_can_be_pressed_is_pressed() {
    let form = form(
        "<button name=act value=keep>k</button><button name=act value=forget>f</button><button name=dead disabled>d</button>
        <button type=button name=plain>p</button><input type=reset name=again><input type=image name=pic>
        <button name=top value=1>t</button><button name=top value=1>t</button><input name=line>
        <button name=far value=1>f</button><button name=far value=1 formaction=/elsewhere>f</button>",
    );
    let press = |name, value| form.sent(Some((name, value)));
    let pairs = |pairs: &[(&str, &str)]| -> Vec<Entry> {
        pairs
            .iter()
            .map(|&(name, value)| Entry::text(name, value))
            .collect()
    };
    assert_eq!(
        press("act", Some("keep")),
        Ok(pairs(&[("act", "keep"), ("line", "")]))
    );
    assert_eq!(
        press("pic", None),
        Ok(pairs(&[("pic.x", "0"), ("pic.y", "0"), ("line", "")]))
    );
    assert_eq!(press("top", None), Ok(pairs(&[("top", "1"), ("line", "")])));
    assert!(matches!(
        press("act", None),
        Err(FormError::AmbiguousButton { found: 2, .. })
    ));
    assert!(matches!(
        press("far", Some("1")),
        Err(FormError::AmbiguousButton { .. })
    ));
    assert!(matches!(
        press("act", Some("x")),
        Err(FormError::NoSuchButton { .. })
    ));
    assert!(matches!(
        press("dead", None),
        Err(FormError::DisabledButton { .. })
    ));
    for name in ["plain", "again", "line", ""] {
        assert!(
            matches!(press(name, None), Err(FormError::NoSuchButton { .. })),
            "{name}"
        );
    }
}

#[test]
fn each_encoding_goes_with_a_post_alone_and_a_button_has_the_last_word() {
    // HTML standard, 4.10.22.3, steps "mutate action URL" and "submit as entity body".
    let sent = |attributes: &str, button: &str| {
        let page =
            format!("<form {attributes}><input name=a value='1 2'><button name=go {button}>");
        let page = read(&page, &[], &["form"]);
        let form = page.form("form").expect("the form is there");
        let boundary = Boundary::Fixed("reeds".to_owned());
        let sent = form
            .submit_with(Some(("go", None)), &boundary)
            .expect("sent");
        let body = String::from_utf8(sent.body).expect("UTF-8");
        (sent.url.to_string(), sent.content_type, body)
    };
    let part = |name: &str, value: &str| {
        format!("--reeds\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
    };
    let parts = part("a", "1 2") + &part("go", "") + "--reeds--\r\n";
    let at = |query: &str| format!("http://192.168.77.1/radio{query}");
    let kind = |kind: &str| Some(kind.to_owned());
    let multipart = kind("multipart/form-data; boundary=reeds");
    let plain = (at(""), kind("text/plain"), "a=1 2\r\ngo=\r\n".to_owned());
    let urlencoded = kind("application/x-www-form-urlencoded");
    let got = (at("?a=1+2&go="), None, String::new());
    assert_eq!(
        sent("method=POST enctype=Multipart/Form-Data", ""),
        (at(""), multipart.clone(), parts.clone())
    );
    assert_eq!(sent("method=post enctype=TEXT/plain", ""), plain);
    assert_eq!(sent("enctype=multipart/form-data", ""), got);
    assert_eq!(
        sent("enctype=multipart/form-data", "formmethod=post"),
        (at(""), multipart, parts)
    );
    assert_eq!(
        sent(
            "enctype=multipart/form-data",
            "formmethod=post formenctype=text/plain"
        ),
        plain
    );
    assert_eq!(
        sent("method=post enctype=multipart/form-data", "formenctype=''"),
        (at(""), urlencoded, "a=1+2&go=".to_owned())
    );
    assert_eq!(sent("method=post", "formmethod=put"), got);
    assert_eq!(sent("method=dialog", "formmethod=get"), got);
}

#[test]
fn what_cannot_be_sent_is_named() {
    let sent = |attributes: &str| {
        let page = read(
            &format!("<form {attributes}><input name=a></form>"),
            &[],
            &["form"],
        );
        page.form("form").expect("the form is there").submit(None)
    };
    assert!(matches!(
        sent("method=dialog"),
        Err(FormError::SendsNothing { .. })
    ));
    for action in ["javascript:keep()", "mailto:x@y", "http://[", "data:,x"] {
        let sent = sent(&format!("action='{action}'"));
        assert!(matches!(sent, Err(FormError::Action { .. })), "{action}");
    }
}

#[test]
fn shows_no_contents_when_it_is_printed() {
    let form = form("<input type=password name=word value=reeds-and-rushes>");
    let get = read(
        "<form><input name=word value=reeds-and-rushes>",
        &[],
        &["form"],
    );
    let got = get
        .form("form")
        .expect("the form is there")
        .submit(None)
        .expect("sent");
    let sent = form.submit(None).expect("sent");
    let shown = format!("{form:?} {sent:?} {:?} {got:?} {get:?}", form.controls());
    assert!(shown.contains("word"));
    assert!(!shown.contains("reeds"), "{shown}");
}

/// Pieces of tag soup: what device pages get wrong, and what hostile ones would try.
fn soup() -> impl Strategy<Value = Vec<u8>> {
    let pieces = [
        "<table>",
        "</table>",
        "<tr>",
        "<td>",
        "<form id=f>",
        "</form>",
        "<form method=post action='?x#y'>",
        "<input name=a value=1>",
        "<input type=radio name=r checked value=",
        "<input form=f name=",
        "'",
        "\"",
        ">",
        "<",
        "<select name=s size=0>",
        "<option selected>",
        "<optgroup disabled>",
        "</select>",
        "<textarea name=t>",
        "</textarea",
        "<fieldset disabled>",
        "<legend>",
        "</fieldset>",
        "<template>",
        "</template>",
        "<noscript>",
        "<b a=1>",
        "<i>",
        "</b>",
        "<p>",
        "<svg>",
        "<math><mi>",
        "<![CDATA[",
        "<!--",
        "-->",
        "<script>",
        "</script>",
        "<a>",
        "<button name=k>",
        "<datalist>",
        "<input type=range min=1e300 max=-1e300 step=1e-30 value=1e400>",
        "<input type=range min=0.1 max=9e27 step=7e-28 value=5e27>",
        "<input type=week value=2020-W53>",
        "<input type=date value=9999999-99-99>",
        "<input type=color value='hsl(1e99 -5% nan)'>",
        "<input dirname=d dir=auto name=x value='\u{5d0}'>",
        "<base href='//['>",
        "<meta charset=utf-16>",
        "<meta charset=iso-2022-jp>",
        "&#0;",
        "&#x110000;",
        "&",
        "\u{0}",
        "\u{feff}",
        "<html dir=auto id=f>",
        "<body form=f>",
        "<frameset>",
        "<nobr>",
        "text ",
    ];
    let piece = prop_oneof![
        8 => proptest::sample::select(pieces.to_vec()).prop_map(|piece| piece.as_bytes().to_vec()),
        1 => proptest::collection::vec(any::<u8>(), 0..6),
    ];
    proptest::collection::vec(piece, 0..60).prop_map(|pieces| pieces.concat())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn tag_soup_of_any_kind_is_read_filled_and_sent_without_a_panic(soup in soup(), kind in "[ -~]{0,30}") {
        let read = Page::parse(&soup, Some(&kind), &url(), &["p", "b"], &["form"], &PageLimits::default());
        for form in &read.expect("so little stays within the limits").forms {
            let mut filled = form.clone();
            for control in form.controls() {
                let raw = form.raw(&control.name);
                if raw != Raw::Missing {
                    prop_assert_eq!(filled.fill(&control.name, &raw), Ok(()));
                }
                let _ = filled.clone().fill(&control.name, &Raw::Text("7".to_owned()));
                let _ = form.submit(Some((&control.name, None)));
            }
            prop_assert_eq!(filled.sent(None), form.sent(None));
        }
    }

    #[test]
    fn a_page_cut_off_anywhere_is_read(at in 0..=DECK.len()) {
        let cut = &DECK.as_bytes()[..at];
        let read = Page::parse(cut, None, &url(), &[], &["#air"], &PageLimits::default());
        prop_assert!(read.is_ok());
    }
}
