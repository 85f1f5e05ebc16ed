//! The page of `sample-form`, as markup.
//!
//! Every value is escaped. Each form tag stands between its table and the first row, so that by
//! the rules of HTML its controls are no descendants of it, as on many device pages.

use crate::{
    family::{
        Context,
        markup::{all, button, escape, input, radios, select},
    },
    settings::{FAILSAFES, OUTPUTS, POWERS, REGIONS, Settings, WAVEFORMS},
};

/// The controls of form `#air`.
pub(super) const AIR: &[&str] = &[
    "once", "called", "follows", "held_to", "kinship", "wave", "zone", "strength", "act",
];
/// The controls of form `#wires`.
pub(super) const WIRES: &[&str] = &[
    "once", "speaks", "turned", "rate", "lost", "order", "trim", "act",
];
/// The controls of form `#shore`.
pub(super) const SHORE: &[&str] = &["once", "net", "net_word", "after", "lamp", "act"];

/// Whether its firmware is of the kind without the lamp and the third wave.
pub(super) fn is_new(context: &Context<'_>) -> bool {
    context.is_from([3, 0, 0])
}

/// The page with its three forms, a token for each.
pub(super) fn page(settings: &Settings, context: &Context<'_>, once: &[String; 3]) -> String {
    let [air_once, wires_once, shore_once] = once;
    let heart = if context.hooks.radio_answers {
        "radio part answers"
    } else {
        "radio part silent"
    };
    let signs = [
        ("Plate", "plate", format!("No. {}", context.serial)),
        ("Works", "works", format!("deck {}", context.works)),
        ("Awake", "awake", format!("{} s", context.awake.as_secs())),
        ("Heart", "heart", heart.to_owned()),
    ];
    let signs = signs.map(|(label, id, text)| {
        let text = escape(&text);
        format!("<tr><th>{label}</th><td id=\"{id}\">{text}</td></tr>\n")
    });
    let forms = [
        form("air", air_once, &air(settings, context)),
        form("wires", wires_once, &wires(settings)),
        form("shore", shore_once, &shore(settings, context)),
    ];
    whole(&format!(
        "<table>\n{}</table>\n{}",
        signs.concat(),
        forms.concat()
    ))
}

/// A page that says one thing.
pub(super) fn said(text: &str) -> String {
    whole(&format!("<p id=\"said\">{}</p>\n", escape(text)))
}

fn whole(body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <title>Tarn deck receiver</title>\n</head>\n<body>\n<h1>Tarn deck receiver</h1>\n\
         {body}</body>\n</html>"
    )
}

fn form(id: &str, once: &str, rows: &[(&str, String)]) -> String {
    let rows = all(rows
        .iter()
        .map(|(label, controls)| format!("<tr><th>{label}</th><td>{controls}</td></tr>\n")));
    format!(
        "<table><form id=\"{id}\" action=\"/keep-{id}\" method=\"post\"><tr><th>{id}</th>\
         <td><input type=\"hidden\" name=\"once\" value=\"{}\"></td></tr>\n\
         {rows}</form></table>\n",
        escape(once)
    )
}

fn air(settings: &Settings, context: &Context<'_>) -> Vec<(&'static str, String)> {
    let held_to = settings.slot.saturating_sub(1).to_string();
    let follows = if settings.locked { "only" } else { "any" };
    let kinship = settings.bind_key.map_or_else(String::new, |key| {
        let bytes: Vec<String> = key.iter().map(|byte| format!("{byte:02X}")).collect();
        bytes.join(":")
    });
    let waves = if is_new(context) { 2 } else { 3 };
    let powers = POWERS.map(|power| (power.to_string(), format!("{power} mW")));
    vec![
        (
            "Called",
            input("text", "called", &settings.name, "maxlength=\"24\""),
        ),
        (
            "Follows",
            radios("follows", &[("any", "any"), ("only", "only")], follows),
        ),
        (
            "Held to",
            input("number", "held_to", &held_to, "min=\"0\" max=\"39\""),
        ),
        ("Kinship", input("text", "kinship", &kinship, "")),
        (
            "Wave",
            select(
                "wave",
                ["w0", "w1", "w2"].into_iter().zip(WAVEFORMS).take(waves),
                settings.waveform,
            ),
        ),
        (
            "Zone",
            select(
                "zone",
                ["1", "2", "3", "4"].into_iter().zip(REGIONS),
                settings.region,
            ),
        ),
        (
            "Strength",
            select(
                "strength",
                powers
                    .iter()
                    .map(|(value, text)| (value.as_str(), text.as_str())),
                POWERS
                    .iter()
                    .position(|power| *power == settings.power)
                    .unwrap_or(0),
            ),
        ),
        ("", button("keep", "Keep") + &button("forget", "Forget all")),
    ]
}

fn wires(settings: &Settings) -> Vec<(&'static str, String)> {
    let order = settings.order.map(|number| number.to_string()).join(",");
    let ticked = if settings.inverted { "checked" } else { "" };
    let words = ["keep", "rest", "stop"];
    let lost: Vec<(&str, &str)> = words.into_iter().zip(FAILSAFES).collect();
    vec![
        (
            "Speaks",
            select(
                "speaks",
                ["frames", "widths", "sum"].into_iter().zip(OUTPUTS),
                settings.output,
            ),
        ),
        ("Turned", input("checkbox", "turned", "1", ticked)),
        (
            "Rate",
            input(
                "number",
                "rate",
                &settings.rate.to_string(),
                "min=\"50\" max=\"400\" step=\"10\"",
            ),
        ),
        ("Lost", radios("lost", &lost, words[settings.failsafe])),
        ("Order", input("text", "order", &order, "")),
        (
            "Trim",
            input(
                "number",
                "trim",
                &settings.trim.to_string(),
                "min=\"-50\" max=\"50\"",
            ),
        ),
        ("", button("keep", "Keep")),
    ]
}

fn shore(settings: &Settings, context: &Context<'_>) -> Vec<(&'static str, String)> {
    let mut rows = vec![
        (
            "Net",
            input("text", "net", &settings.local_network, "maxlength=\"32\""),
        ),
        (
            "Word",
            input("password", "net_word", &settings.local_passphrase, ""),
        ),
        (
            "After",
            input(
                "number",
                "after",
                &settings.fallback_wait.to_string(),
                "min=\"30\" max=\"120\"",
            ),
        ),
    ];
    if !is_new(context) {
        let lamp = settings.light.to_string();
        let lamp = input("range", "lamp", &lamp, "min=\"0\" max=\"100\"");
        rows.push(("Lamp", lamp));
    }
    rows.push(("", button("keep", "Keep")));
    rows
}
