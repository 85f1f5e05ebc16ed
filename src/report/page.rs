//! The page: what it shows, in which order, and the frame around it.

use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{changes, glance, open, sign, signals, timeline, words};
use crate::terms::output::{
    Fault,
    loaners::{ShelfCommand, ShelfOut},
};

/// Draws the report as one HTML page: complete in itself, without a script, and forbidding itself by
/// a policy of its own to load anything. Times are shown as of `zone`.
pub fn html(out: &ShelfOut, zone: &TimeZone) -> String {
    let title = format!("{}: {}", words::command(out), words::harmless(&out.title));
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="format-detection" content="telephone=no";
                (PreEscaped(MARK))
                title { (title) }
                style { (PreEscaped(SHEET)) }
            }
            body {
                (sign::all())
                (head(out, zone))
                main {
                    @if let Some(error) = &out.error { (cut_short(error)) }
                    (findings(out))
                    (glance::rack(out))
                    (open::section(out))
                    (changes::section(out))
                    (timeline::section(out, zone))
                    (signals::section(out))
                    (signals::strangers(out))
                    @if out.command == ShelfCommand::Reset { (cautions()) }
                }
                (foot(out))
            }
        }
    }
    .into_string()
}

/// By what such a page is known: HTML (Living Standard, 4.2.5.1) has it for the program that made it.
pub(super) const MARK: &str = r#"<meta name="generator" content="linkmend">"#;

/// Text of somebody else within ours: its writing direction ends where it ends.
pub(super) fn told(text: &str) -> Markup {
    html! { bdi { (words::harmless(text)) } }
}

/// The same for a message, which may have several lines. What stands between two backticks is set apart
/// instead.
pub(super) fn message(text: &str) -> Markup {
    let pairs = text.matches('`').count().is_multiple_of(2);
    html! {
        bdi {
            @for (number, line) in text.split('\n').enumerate() {
                @if number > 0 { br; }
                @for (number, part) in line.split(if pairs { '`' } else { '\n' }).enumerate() {
                    @if number % 2 == 0 { (words::harmless(part)) }
                    @else { code { (words::harmless(part)) } }
                }
            }
        }
    }
}

/// A message in a line of its own, where it is a sentence.
pub(super) fn sentence(text: &str) -> Markup {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) if first.is_ascii_lowercase() => message(&format!(
            "{}{}",
            first.to_ascii_uppercase(),
            letters.as_str()
        )),
        _ => message(text),
    }
}

/// Labels, linked to where the loaner's own part is.
pub(super) fn labels(labels: &[String], out: &ShelfOut) -> Markup {
    html! {
        @for (number, label) in labels.iter().enumerate() {
            @if number > 0 { ", " }
            @match out.loaners.iter().position(|loaner| loaner.label == *label) {
                Some(at) => { a href={ "#loaner-" (at + 1) } { (told(label)) } }
                None => { (told(label)) }
            }
        }
    }
}

fn head(out: &ShelfOut, zone: &TimeZone) -> Markup {
    let (when, utc) = words::when(&out.began, out.took_s, zone);
    let adapters = out.adapters.iter().enumerate();
    html! {
        header.top {
            @if out.simulated {
                p.practice { "Practice: these receivers are simulated. Nothing real was touched." }
            }
            p.kind { (words::command(out)) " of a loan shelf" }
            h1 { (told(&out.title)) }
            p.verdict { (words::verdict(out)) }
            (glance::sums(&out.counts))
            dl.facts {
                div {
                    dt { "When" }
                    dd {
                        @if utc.is_empty() { (when) } @else { time datetime=(utc) { (when) } }
                    }
                }
                div { dt { "Took" } dd { (words::lasted(out.took_s)) } }
                div { dt { "Family" } dd { (told(&out.family)) } }
                div {
                    dt { @if out.adapters.len() == 1 { "Adapter" } @else { "Adapters" } }
                    dd {
                        @if out.adapters.is_empty() { "none" }
                        @for (number, adapter) in adapters {
                            @if number > 0 { ", " }
                            (told(adapter))
                        }
                    }
                }
                div { dt { "Run" } dd { (out.run) } }
            }
        }
    }
}

fn cut_short(error: &Fault) -> Markup {
    html! {
        section.alert aria-labelledby="cut-short" {
            h2 #cut-short { (sign::look()) "It ended before all had their turn" }
            p { (sentence(&error.message)) }
            @if let Some(help) = &error.help { p { b { "Next: " } (sentence(help)) } }
        }
    }
}

fn findings(out: &ShelfOut) -> Markup {
    html! {
        @if !out.findings.is_empty() {
            section.alert aria-labelledby="findings" {
                h2 #findings { (sign::look()) "Across the shelf" }
                ul.findings {
                    @for finding in &out.findings {
                        li {
                            p { b { (finding_title(&finding.code)) } }
                            p { (sentence(&finding.text)) }
                            @if !finding.loaners.is_empty() {
                                p.quiet { "Concerns " (labels(&finding.loaners, out)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A code in words; one that is not known here is shown as it is.
fn finding_title(code: &str) -> String {
    match code {
        "shared-pair" => "One bind key and lock for several".into(),
        "shared-key-without-lock" => "A shared bind key without a lock".into(),
        "one-identity-twice" => "One identity twice".into(),
        "mixed-firmware" => "Mixed firmware".into(),
        "missing" => "Missing".into(),
        "faulty" => "Faulty".into(),
        "unbound" => "Unbound".into(),
        "stranger" => "A stranger in range".into(),
        other => words::harmless(other),
    }
}

fn cautions() -> Markup {
    html! {
        section.cautions aria-labelledby="cautions" {
            h2 #cautions { "Before anyone operates one" }
            ol {
                li { "Select the right model memory on its transmitter: a lock follows one slot alone." }
                li { "Check that everything moves the right way, propulsion off or propeller removed." }
                li { "Check the failsafe: switch the transmitter off, and watch what the outputs do." }
                li { "Do a range check." }
            }
            p {
                "What stands here is what each receiver showed when it was read. "
                strong { "The last proof is the skipper's: does it follow the sticks?" }
            }
        }
    }
}

fn foot(out: &ShelfOut) -> Markup {
    html! {
        footer {
            p {
                "A result is called done only where the receiver showed what was written. Secrets stand here "
                "as fingerprints: two that are equal are the same secret. What a receiver or a file said is "
                "shown as it was said, with what cannot be seen written out as "
                code { "\\u{…}" } "."
            }
            p { "Made by linkmend " (env!("CARGO_PKG_VERSION")) " from run " (out.run) " of its journal." }
        }
    }
}

/// Neither scripts nor anything from elsewhere (Content Security Policy Level 3).
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

const SHEET: &str = include_str!("sheet.css");

#[cfg(test)]
mod tests {
    use scraper::{Html, Selector};

    use super::*;
    use crate::report::testing::{hostile, shelf};

    fn drawn(out: &ShelfOut) -> Html {
        Html::parse_document(&html(out, &TimeZone::UTC))
    }

    fn texts(page: &Html, select: &str) -> Vec<String> {
        let selector = Selector::parse(select).expect("a selector");
        let found = page.select(&selector);
        found.map(|e| e.text().collect::<String>()).collect()
    }

    #[test]
    fn findings_and_what_is_left_to_do_stand_before_what_went_well() {
        let page = drawn(&shelf());
        assert_eq!(
            texts(&page, "h2"),
            [
                "Across the shelf",
                "The shelf at a glance",
                "What is left to do",
                "Old and new, with the proof",
                "The run, from start to end",
                "Signals",
                "Strangers in range",
                "Before anyone operates one",
            ]
        );
        let open: Vec<String> = texts(&page, ".case h3");
        assert_eq!(open, ["Cootnot proved", "Eiderput back", "Ruffmissing"]);
        assert_eq!(
            texts(&page, ".verdict"),
            ["21 of 24 loaners are set as the file wants it, and that is proved. 3 are not."]
        );
    }

    /// A reason of one's own is a case of one's own; a check where many differ is no wall of cases.
    #[test]
    fn loaners_that_ended_alike_share_a_case() {
        let mut out = shelf();
        for loaner in &mut out.loaners {
            if loaner.result == crate::terms::output::loaners::LoanerResult::Done {
                loaner.result = crate::terms::output::loaners::LoanerResult::Differs;
            }
        }
        let heads = texts(&drawn(&out), ".case h3");
        assert_eq!(
            heads,
            [
                "Cootnot proved",
                "Eiderput back",
                "Ruffmissing",
                "18 loanersdiffers"
            ]
        );
    }

    #[test]
    fn shelf_without_a_fault_has_neither_findings_nor_anything_left_to_do() {
        let mut out = shelf();
        out.loaners.retain(|loaner| loaner.error.is_none());
        out.findings.clear();
        out.strangers.clear();
        out.counts.all = 21;
        let page = drawn(&out);
        let heads = texts(&page, "h2");
        assert!(
            !heads.iter().any(|head| head == "Across the shelf"),
            "{heads:?}"
        );
        assert!(
            !heads.iter().any(|head| head == "What is left to do"),
            "{heads:?}"
        );
        assert_eq!(
            texts(&page, ".verdict"),
            ["All 21 loaners are set as the file wants it, and that is proved."]
        );
    }

    #[test]
    fn change_stands_with_old_new_and_its_proof() {
        let page = drawn(&shelf());
        let smew = texts(&page, "#loaner-2 tr:first-child > *");
        assert_eq!(
            smew[1..],
            [
                "model-lock",
                "slot 5",
                "slot 2",
                "read after a witnessed restart"
            ]
        );
        let coot = texts(&page, "#loaner-4 tr:first-child > *");
        assert_eq!(coot[1..4], ["model-lock", "slot 7", "slot 4"]);
        assert_eq!(
            coot[4],
            "not proved: it did not come back after its restart"
        );
    }

    /// A secret is told by its fingerprint.
    #[test]
    fn secret_is_a_fingerprint() {
        let page = drawn(&shelf());
        let coot = texts(&page, "#loaner-4 tr:nth-child(2) > *");
        assert_eq!(
            coot[..3],
            ["local-network", "(secret, fingerprint 5b0c9e)", "none"]
        );
    }

    /// Nothing that a stranger says becomes an element or an attribute, in text, attributes and SVG.
    #[test]
    fn text_of_a_stranger_stays_text() {
        let out = hostile();
        let page = drawn(&out);
        for select in [
            "script",
            "img",
            "b > i",
            "[onload]",
            "[onerror]",
            "body style",
        ] {
            assert_eq!(texts(&page, select), [""; 0], "{select}");
        }
        let tame = drawn(&shelf());
        let kinds = |page: &Html| -> std::collections::BTreeSet<String> {
            let every = Selector::parse("*").expect("a selector");
            let every = page.select(&every);
            every.map(|e| e.value().name().to_owned()).collect()
        };
        // A breach would bring an element that the report has not. A line of its own is the only one.
        let mut new = kinds(&page);
        new.retain(|name| !kinds(&tame).contains(name));
        assert!(new.iter().all(|name| name == "br"), "{new:?}");
        let labels: Vec<String> = out
            .loaners
            .iter()
            .map(|l| words::harmless(&l.label))
            .collect();
        assert_eq!(texts(&page, ".tag .label"), labels);
        assert_eq!(texts(&page, ".changes .who .label"), labels);
        let titles = texts(&page, "figure g > title");
        assert!(
            titles
                .iter()
                .any(|title| title.contains("through <img src=x"))
        );
    }

    #[test]
    fn what_acts_on_a_screen_is_written_out() {
        let text = html(&hostile(), &TimeZone::UTC);
        let acting: Vec<char> = text
            .chars()
            .filter(|c| *c != '\n' && crate::terms::untrusted::acts_on_a_screen(*c))
            .collect();
        assert!(acting.is_empty(), "{acting:?}");
        assert!(text.contains("gnp.\\u{202e}Teal") && text.contains("nul\\u{0}"));
    }

    #[test]
    fn page_loads_nothing_and_says_so() {
        let text = html(&shelf(), &TimeZone::UTC);
        assert!(text.contains("content=\"default-src 'none'; style-src 'unsafe-inline';"));
        for needle in [
            "src=",
            "http://192",
            "https://",
            "url(\"http",
            "@import",
            "<script",
        ] {
            assert!(!text.contains(needle), "{needle}");
        }
    }

    /// A time that is none, a run of no length and an empty shelf are shown, not refused.
    #[test]
    fn odd_runs_are_drawn_too() {
        let mut out = shelf();
        out.began = "yesterday".into();
        out.took_s = f64::NAN;
        for span in out.loaners.iter_mut().flat_map(|loaner| &mut loaner.spans) {
            span.to_s = f64::INFINITY;
        }
        let text = html(&out, &TimeZone::UTC);
        assert!(
            text.contains("<dd>yesterday</dd>") && !text.contains("NaN") && !text.contains("inf%")
        );
        out.loaners.clear();
        out.counts = crate::terms::output::loaners::ShelfCounts::default();
        let page = drawn(&out);
        assert_eq!(
            texts(&page, ".verdict"),
            ["There is no loaner in this run."]
        );
    }
}
