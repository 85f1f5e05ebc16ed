//! Sessions with families of JSON documents, lines and pages that scripts fill.

use serde_json::json;

use super::*;

/// A family of one JSON document, to be completed with a save.
const JSON: &str = r#"
format = 1
family = "test-json"
title = "Test keel"
role = "receiver"
system = "tarn"
identity = { bssid = "stable" }
recognise = [{ request = "all", pointer = "/craft/make", text = "keel" }]
volatile = ["begun", "awake"]
restart = { by = { request = "again" }, returns = "at-once", within-s = { from = 0, to = 1 }, witness = { changes = "begun" } }

[request]
all = { get = "/all", as = "json" }
[request.again]
post = "/again"
acts = true
body = { encoding = "json", fields = [{ key = "/sure", fixed = true }, { key = "/mark", place = "begun" }] }

[place]
called = { request = "all", pointer = "/craft/called" }
held = { request = "all", pointer = "/held" }
begun = { request = "all", pointer = "/begun" }
awake = { request = "all", pointer = "/awake" }

[setting.name]
label = "Name"
text = { to = 24 }
at = { called = { json-text = "{}" } }
NAME-SAVE

[setting.model-lock]
label = "Model lock"
number = { from = 1, to = 40 }
or-off = true
save = "all"
row = [
  { means = "off", in = { held = { json-is = OFF } } },
  { means = "value", in = { held = { json-number = true } } },
]
"#;

fn json_family(off: &str, name_saved: bool, save: &str) -> String {
    let name_save = if name_saved { "save = \"all\"" } else { "" };
    JSON.replace("NAME-SAVE", name_save).replace("OFF", off) + save
}

const DOCUMENT: &str =
    r#"{"craft":{"make":"keel","called":"Smew"},"held":7,"begun":17,"awake":83.25,"kin":[1,2]}"#;

async fn json_device() -> Tiny {
    Tiny::start(|request, _| match request.line().as_str() {
        "GET /all" => answer(
            "200 OK",
            "Content-Type: application/json\r\nContent-Encoding: gzip\r\n",
            gzip(DOCUMENT.as_bytes()),
        ),
        "POST /again" => answer("202 Accepted", "", "going"),
        _ => answer("204 No Content", "", ""),
    })
    .await
}

#[tokio::test]
async fn reads_a_document_with_all_that_is_not_mapped() {
    let tiny = json_device().await;
    let toml = json_family(
        "false",
        true,
        "[save.all]\ndocument = { put = \"/all\", of = \"all\" }",
    );
    let bssid: BssidNow = Arc::new(|| Some([2, 0, 0, 0, 0, 7]));
    let session = Session::new(
        tiny.origin.clone(),
        profile(&toml),
        Limits::default(),
        bssid,
    );
    let snapshot = session
        .expect("a session")
        .read()
        .await
        .expect("a reading")
        .snapshot;
    assert_eq!(snapshot.value("model-lock"), Some(&Value::Number(7.into())));
    assert_eq!(snapshot.witness, Some(Witness::BootMark("17".into())));
    assert_eq!(snapshot.faulty, None, "the family does not tell");
    assert_eq!(
        snapshot.rest,
        BTreeMap::from([
            ("all:/craft/make".to_owned(), Raw::Json(json!("keel"))),
            ("all:/kin".to_owned(), Raw::Json(json!([1, 2]))),
        ])
    );
    let bssid = snapshot.device.identity.bssid.expect("as it was joined");
    assert_eq!(
        (bssid.to_string().as_str(), bssid.stable),
        ("02:00:00:00:00:07", true)
    );
}

#[tokio::test]
async fn saves_json_in_each_of_its_shapes() {
    for (off, name_saved, save_toml, line, kind, body) in [
        (
            "false",
            true,
            "[save.all]\ndocument = { put = \"/all\", of = \"all\" }",
            "PUT /all",
            "application/json",
            r#"{"craft":{"make":"keel","called":"Smew"},"held":false,"begun":17,"awake":83.25,"kin":[1,2]}"#,
        ),
        (
            "false",
            false,
            "[save.all]\none = { put = \"/held\", place = \"held\" }",
            "PUT /held",
            "application/json",
            "false",
        ),
        (
            "0",
            true,
            "[save.all]\nmerge = { patch = \"/all\", of = \"all\" }",
            "PATCH /all",
            "application/merge-patch+json",
            r#"{"held":0}"#,
        ),
        (
            "0",
            true,
            "[save.all]\nbody = { post = \"/take\", encoding = \"json\", fields = [{ key = \"/title\", place = \"called\" }, { key = \"/slot\", place = \"held\" }] }",
            "POST /take",
            "application/json",
            r#"{"title":"Smew","slot":0}"#,
        ),
        (
            "0",
            true,
            "[save.all]\nbody = { post = \"/take\", encoding = \"urlencoded\", fields = [{ key = \"title\", place = \"called\" }, { key = \"slot\", place = \"held\" }, { key = \"do\", fixed = \"keep it\" }] }",
            "POST /take",
            "application/x-www-form-urlencoded",
            "title=Smew&slot=0&do=keep+it",
        ),
    ] {
        let tiny = json_device().await;
        let session = session(&tiny, &json_family(off, name_saved, save_toml));
        let answers = session.read().await.expect("a reading").answers;
        let sent = session
            .save(&answers, &save("all"), &lock_off(&session))
            .await;
        let expected = Reply::Answered {
            status: 204,
            says: "".into(),
            as_expected: None,
        };
        assert_eq!(sent.expect("sent"), expected, "{line}");
        assert_eq!(tiny.lines(), ["GET /all", line]);
        let seen = &tiny.seen()[1];
        assert_eq!(seen.body(), body, "{line}");
        assert!(
            seen.head.contains(&format!("\r\nContent-Type: {kind}\r\n")),
            "{}",
            seen.head
        );
    }
}

#[tokio::test]
async fn a_merge_patch_that_would_have_to_say_null_is_not_sent() {
    let tiny = json_device().await;
    let toml = json_family(
        "0",
        true,
        "[save.all]\nmerge = { patch = \"/all\", of = \"all\" }",
    );
    let session = session(&tiny, &toml);
    let answers = session.read().await.expect("a reading").answers;
    let overlay = Overlay::from([(place("held"), Raw::Json(json!(null)))]);
    let sent = session.save(&answers, &save("all"), &overlay).await;
    assert_eq!(code(sent), "null-in-patch");
    assert_eq!(tiny.lines(), ["GET /all"]);
}

#[tokio::test]
async fn the_restart_request_is_sent_once_with_its_body() {
    let tiny = json_device().await;
    let toml = json_family(
        "0",
        true,
        "[save.all]\nmerge = { patch = \"/all\", of = \"all\" }",
    );
    let json = session(&tiny, &toml);
    let answers = json.read().await.expect("a reading").answers;
    let sent = json.restart(&answers).await.expect("sent");
    let expected = Reply::Answered {
        status: 202,
        says: "going".into(),
        as_expected: None,
    };
    assert_eq!(sent, expected);
    assert_eq!(tiny.lines(), ["GET /all", "POST /again"]);
    assert_eq!(tiny.seen()[1].body(), r#"{"sure":true,"mark":17}"#);

    let tiny = Tiny::start(form_page("")).await;
    let form = session(&tiny, FORM);
    let answers = form.read().await.expect("a reading").answers;
    assert_eq!(
        code(form.restart(&answers).await),
        "no-restart",
        "it restarts by saving"
    );
}

#[tokio::test]
async fn a_document_that_is_unsound_is_refused_with_its_request() {
    for body in [
        "{\"craft\":",
        "[]x",
        r#"{"held":1,"held":2}"#,
        &"[".repeat(10_000),
    ] {
        let body = body.to_owned();
        let tiny = Tiny::start(move |_, _| answer("200 OK", "", &body)).await;
        let toml = json_family(
            "0",
            true,
            "[save.all]\nmerge = { patch = \"/all\", of = \"all\" }",
        );
        let error = session(&tiny, &toml).read().await.expect_err("unsound");
        assert_eq!(error.code(), "json-unreadable");
        assert!(
            error
                .to_string()
                .starts_with("the answer to `all` is not read as JSON")
        );
    }
}

/// A form that scripts fill, beside the document that says what should stand in it; and lines.
const SCRIPTED: &str = r#"
format = 1
family = "test-mixed"
title = "Test mast"
role = "receiver"
system = "tarn"
identity = { serial = "plate", bssid = "stable" }
recognise = [{ request = "state", line = "make", text = "mast" }]

[request]
state = { get = "/state", as = "lines" }
page = { get = "/page", as = "html" }
truth = { get = "/truth", as = "json" }

[place]
plate = { request = "state", line = "plate", text = "No. {}" }
area = { request = "page", control = "area" }
true-area = { request = "truth", pointer = "/area" }

[setting.region]
label = "Region"
choice = [{ is = "DE", wire = "1" }, { is = "GB", wire = "2" }]
at = { area = { choice = "{}" } }
save = "radio"

[save.radio]
form = { request = "page", select = "form" }
agrees = { area = "true-area" }
"#;

#[tokio::test]
async fn a_page_that_scripts_fill_is_not_sent_with_its_defaults() {
    for (truth, agrees) in [("2", false), ("\"1\"", true), ("1.0", true)] {
        let tiny = Tiny::start(move |request, _| match request.line().as_str() {
            "GET /state" => answer("200 OK", "", "make: mast\r\nplate: No. T-9\r\nkeel: a\nkeel: b\n"),
            "GET /truth" => answer("200 OK", "", format!("{{\"area\":{truth}}}")),
            _ => html(
                "<form method=post><select name=area><option value=1>a<option value=2>b</select></form>",
            ),
        })
        .await;
        let session = session(&tiny, SCRIPTED);
        let harvest = session.read().await.expect("a reading");
        assert_eq!(tiny.lines(), ["GET /state", "GET /page", "GET /truth"]);
        assert_eq!(harvest.snapshot.device.identity.serial, Some("T-9".into()));
        assert_eq!(
            harvest.snapshot.rest["state/keel"],
            Raw::Many(vec!["a".into(), "b".into()])
        );
        assert_eq!(
            harvest.snapshot.rest["state/make"],
            Raw::Text("mast".into())
        );
        let Reading::Known(region) = &harvest.snapshot.settings["region"].reading else {
            panic!("it is known");
        };
        assert_eq!(*region, Value::Choice("DE".into()));
        let overlay = Overlay::from([(place("area"), Raw::Choice(Some("2".into())))]);
        let sent = session
            .save(&harvest.answers, &save("radio"), &overlay)
            .await;
        if agrees {
            assert!(matches!(sent, Ok(Reply::Answered { .. })), "{sent:?}");
            assert_eq!(tiny.seen()[3].line(), "POST /page");
            assert_eq!(tiny.seen()[3].body(), "area=2");
        } else {
            assert_eq!(code(sent), "page-filled-by-scripts");
            assert_eq!(tiny.lines().len(), 3, "nothing was sent");
        }
    }
}
