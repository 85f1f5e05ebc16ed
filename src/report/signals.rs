//! How strongly each was heard, and who else was.

use maud::{Markup, html};

use super::{page::told, words};
use crate::terms::output::loaners::{ShelfOut, StrangerOut};

/// A bar a loaner, the weakest first: a weak one is the next to be missed.
pub(super) fn section(out: &ShelfOut) -> Markup {
    let mut heard: Vec<(&str, u8)> = out
        .loaners
        .iter()
        .filter_map(|loaner| Some((loaner.label.as_str(), loaner.signal?)))
        .collect();
    heard.sort_by_key(|(_, signal)| *signal);
    let unheard: Vec<&str> = out
        .loaners
        .iter()
        .filter(|loaner| loaner.signal.is_none())
        .map(|loaner| loaner.label.as_str())
        .collect();
    html! {
        @if !heard.is_empty() {
            section aria-labelledby="signals" {
                h2 #signals { "Signals" }
                p.quiet { "The strongest that was heard of each, the weakest first." }
                ol.signals {
                    @for (label, signal) in heard {
                        li { span.label { (told(label)) } (bar(signal)) span.number { (signal) " %" } }
                    }
                }
                @if !unheard.is_empty() {
                    p.quiet {
                        "Not heard in this run: "
                        @for (number, label) in unheard.iter().enumerate() {
                            @if number > 0 { ", " }
                            (told(label))
                        }
                    }
                }
            }
        }
    }
}

/// Who is in no row of the file.
pub(super) fn strangers(out: &ShelfOut) -> Markup {
    html! {
        @if !out.strangers.is_empty() {
            section aria-labelledby="strangers" {
                h2 #strangers { "Strangers in range" }
                p.quiet { "They look like the family and are in no row of the file. They were left alone." }
                ul.strangers {
                    @for stranger in &out.strangers { li { (stranger_line(stranger)) } }
                }
            }
        }
    }
}

fn stranger_line(stranger: &StrangerOut) -> Markup {
    html! {
        @if let Some(name) = &stranger.name { b { (told(name)) } " " }
        span.marks { bdi { (words::marks(&stranger.identity)) } }
        @if let Some(signal) = stranger.signal { " " span.number { (steps(signal)) (signal) " %" } }
    }
}

/// A signal as a bar over a scale of four quarters.
fn bar(signal: u8) -> Markup {
    let signal = signal.min(100);
    html! {
        svg.bar width="100%" height="10" aria-hidden="true" focusable="false" {
            rect.ground width="100%" height="10" {}
            rect.fill width={ (signal) "%" } height="10" {}
            @for quarter in ["25%", "50%", "75%"] {
                line.quarter x1=(quarter) x2=(quarter) y1="0" y2="10" {}
            }
        }
    }
}

/// A signal as up to five steps of a stair: a fifth each, the first at once.
pub(super) fn steps(signal: u8) -> Markup {
    let reached = u32::from(signal.min(100)).div_ceil(20);
    html! {
        svg.steps width="19" height="12" aria-hidden="true" focusable="false" {
            @for step in 1..=5_u32 {
                rect.fill[step <= reached].ground[step > reached]
                    x=(step * 4 - 4) y=(12 - step * 2 - 2) width="3" height=(step * 2 + 2) {}
            }
        }
    }
}
