//! The pages of `sample-login`, as markup, and its lines.

use crate::{
    family::{
        Context,
        markup::{all, button, escape, input, radios, select},
    },
    settings::{FAILSAFES, OUTPUTS, POWERS, REGIONS, Settings, WAVEFORMS},
};

/// The controls of form `#radio`.
pub(super) const RADIO: &[&str] = &[
    "once", "called", "tied", "slot", "pace", "area", "strength", "act",
];
/// The controls of form `#pins`.
pub(super) const PINS: &[&str] = &["once", "how", "turned", "rate", "lost", "map", "act"];
/// The controls of form `#shore`.
pub(super) const SHORE: &[&str] = &["once", "kin", "net", "net_word", "after", "act"];

/// The login page, with what it says of the last try.
pub(super) fn front(said: Option<&str>) -> String {
    let said = said.map(paragraph).unwrap_or_default();
    whole(
        "Tarn mast receiver",
        &format!(
            "{said}<form id=\"enter\" action=\"/come-in\" method=\"post\">\n\
             <p><label>Who {}</label></p>\n<p><label>Word {}</label></p>\n\
             <p><button name=\"go\" value=\"in\">Come in</button></p>\n</form>\n",
            input("text", "who", "", ""),
            input("password", "word", "", "")
        ),
    )
}

/// Whether its firmware has the control `after`.
pub(super) fn has_after(context: &Context<'_>) -> bool {
    context.is_from([1, 8, 0])
}

/// The lines of `/state`.
pub(super) fn state(settings: &Settings, context: &Context<'_>) -> String {
    let held = if settings.locked {
        format!("slot {}", settings.slot)
    } else {
        "nobody".to_owned()
    };
    let tie = settings.bind_key.map_or("none", |_| "kept");
    let heart = if context.hooks.radio_answers {
        "beats"
    } else {
        "still"
    };
    format!(
        "plate: {}\nworks: {}\nawake: {}\nheld: {held}\ntie: {tie}\nheart: {heart}\n",
        context.serial,
        context.works,
        context.awake.as_secs()
    )
}

/// A page that says one thing.
pub(super) fn said(text: &str) -> String {
    whole("Tarn mast receiver", &paragraph(text))
}

/// The page with the radio's settings.
pub(super) fn radio(settings: &Settings, once: &str) -> String {
    let tied = if settings.locked { "checked" } else { "" };
    let paces: Vec<(&str, &str)> = PACES.into_iter().zip(WAVEFORMS).collect();
    let powers = POWERS.map(|power| (power.to_string(), format!("{power} mW")));
    let rows = [
        (
            "Called",
            input("text", "called", &settings.name, "maxlength=\"24\""),
        ),
        ("Tied", input("checkbox", "tied", "1", tied)),
        (
            "Slot",
            input(
                "number",
                "slot",
                &settings.slot.to_string(),
                "min=\"1\" max=\"40\"",
            ),
        ),
        ("Pace", radios("pace", &paces, PACES[settings.waveform])),
        (
            "Area",
            select("area", REGIONS.into_iter().zip(REGIONS), settings.region),
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
    ];
    form("radio", "", once, &rows)
}

/// The page with the settings of the outputs.
pub(super) fn pins(settings: &Settings, once: &str) -> String {
    let turned = if settings.inverted { "checked" } else { "" };
    let lost: Vec<(&str, &str)> = LOST.into_iter().zip(FAILSAFES).collect();
    let rows = [
        (
            "How",
            select(
                "how",
                ["frames", "widths", "sum"].into_iter().zip(OUTPUTS),
                settings.output,
            ),
        ),
        ("Turned", input("checkbox", "turned", "1", turned)),
        (
            "Rate",
            input(
                "number",
                "rate",
                &settings.rate.to_string(),
                "min=\"50\" max=\"400\" step=\"10\"",
            ),
        ),
        ("Lost", radios("lost", &lost, LOST[settings.failsafe])),
        ("Map", "<input type=\"file\" name=\"map\">".to_owned()),
    ];
    form("pins", " enctype=\"multipart/form-data\"", once, &rows)
}

/// The page with the secrets, which it does not show, and the owner's own network.
pub(super) fn shore(settings: &Settings, context: &Context<'_>, once: &str) -> String {
    let mut rows = vec![
        ("Kin", input("password", "kin", "", "")),
        (
            "Net",
            input("text", "net", &settings.local_network, "maxlength=\"32\""),
        ),
        ("Net word", input("password", "net_word", "", "")),
    ];
    if has_after(context) {
        let after = settings.fallback_wait.to_string();
        let after = input("number", "after", &after, "min=\"30\" max=\"120\"");
        rows.push(("After", after));
    }
    form("shore", "", once, &rows)
}

const PACES: [&str; 3] = ["0", "1", "2"];
const LOST: [&str; 3] = ["keep", "rest", "stop"];

fn form(id: &str, more: &str, once: &str, rows: &[(&str, String)]) -> String {
    let rows = all(rows
        .iter()
        .map(|(label, controls)| format!("<p>{label} {controls}</p>\n")));
    whole(
        &format!("Tarn mast receiver: {id}"),
        &format!(
            "<form id=\"{id}\" action=\"/{id}-keep\" method=\"post\"{more}>\n{}\n{rows}<p>{}</p>\n\
             </form>\n",
            input("hidden", "once", once, ""),
            button("keep", "Keep")
        ),
    )
}

fn paragraph(text: &str) -> String {
    format!("<p id=\"said\">{}</p>\n", escape(text))
}

fn whole(title: &str, body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <title>{title}</title>\n</head>\n<body>\n{body}</body>\n</html>"
    )
}
