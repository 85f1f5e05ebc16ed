//! The run as a picture: a lane a loaner, then a lane an adapter, over one scale of time.
//!
//! Widths are percentages and heights pixels, so that the picture fits a phone and a desk alike and its
//! letters keep their size.

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::{page::told, sign, words};
use crate::terms::output::loaners::{LoanerOut, LoanerResult, ShelfOut, ShelfStep, SpanOut};

/// Lanes of one picture: a page of A4 holds them with their scale and legend.
const LANES: usize = 24;

/// Heights in px: of a lane, and of the scale above and below.
const LANE: usize = 30;
const SCALE: usize = 22;

/// Where the bar stands in its lane, below its label, and how high it is, in px.
const BAR_TOP: usize = 15;
const BAR: usize = 9;

/// Characters of a label in a lane; the whole label stands in the table.
const LABEL: usize = 24;

/// Most parts of the scale: more run into one another on a phone.
const PARTS: f64 = 7.0;

/// Distances of the scale's marks, in s: those that a clock's face has.
const MARKS_S: [f64; 16] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1_800.0, 3_600.0, 7_200.0,
    14_400.0, 43_200.0,
];

/// How many adapters are told apart by a line of their own; further ones begin anew.
const LINES: usize = 4;

/// The section; none where nothing was gone through.
pub(super) fn section(out: &ShelfOut, zone: &TimeZone) -> Markup {
    let end = end_s(out);
    let some = out.loaners.iter().any(|loaner| !loaner.spans.is_empty());
    let parts: Vec<&[LoanerOut]> = out.loaners.chunks(LANES).collect();
    html! {
        @if some && end > 0.0 {
            section.timeline aria-labelledby="timeline" {
                h2 #timeline { "The run, from start to end" }
                p.quiet {
                    "Minutes and seconds since the start"
                    @if let Some(clock) = words::clock(&out.began, 0.0, zone) { ", which was at " (clock) }
                    "."
                }
                (legend(out))
                @for (number, part) in parts.iter().enumerate() {
                    figure {
                        (picture(out, number, part, end))
                        @if parts.len() > 1 {
                            figcaption { "Loaners " (number * LANES + 1) " to " (number * LANES + part.len()) }
                        }
                    }
                }
                @if !out.adapters.is_empty() { figure.adapters { (adapters(out, end)) } }
            }
        }
    }
}

fn picture(out: &ShelfOut, part: usize, loaners: &[LoanerOut], end: f64) -> Markup {
    let height = SCALE * 2 + loaners.len() * LANE;
    let ids = [format!("lanes-{part}-title"), format!("lanes-{part}-text")];
    html! {
        svg.lanes width="100%" height=(height) role="img" aria-labelledby=(ids.join(" ")) {
            title id=(ids[0]) { "What went on when, a lane a loaner" }
            desc id=(ids[1]) { (described(loaners, end)) }
            (scale(end, loaners.len() * LANE))
            @for (number, loaner) in loaners.iter().enumerate() {
                (lane(loaner, SCALE + number * LANE, out, end))
            }
        }
    }
}

/// The picture in a sentence.
fn described(loaners: &[LoanerOut], end: f64) -> String {
    let lanes: Vec<String> = loaners
        .iter()
        .map(|loaner| {
            let how = words::result(loaner.result);
            let label = words::harmless(&loaner.label);
            match words::took_s(loaner) {
                Some(took) => format!("{label}: {how}, over {}", words::lasted(took)),
                None => format!("{label}: {how}"),
            }
        })
        .collect();
    format!("The run took {}. {}.", words::lasted(end), lanes.join("; "))
}

fn lane(loaner: &LoanerOut, top: usize, out: &ShelfOut, end: f64) -> Markup {
    let class = sign::class(words::weight(loaner.result));
    let bar = top + BAR_TOP;
    html! {
        line.rail x1="0" x2="100%" y1=(bar + BAR / 2) y2=(bar + BAR / 2) {}
        @for span in loaner.spans.iter().filter(|span| is_drawn(span)) {
            (block(span, bar, out, end))
        }
        text.label x="0" y=(top + 11) { (short(&loaner.label)) }
        text.how.(class) x="100%" y=(top + 11) { (outcome(loaner)) }
    }
}

fn outcome(loaner: &LoanerOut) -> String {
    match (loaner.result, words::took_s(loaner)) {
        (LoanerResult::AsWanted, _) if loaner.earlier => "as wanted, by an earlier run".into(),
        (result, Some(took)) => format!("{} · {}", words::result(result), words::since(took)),
        (result, None) => words::result(result).into(),
    }
}

fn block(span: &SpanOut, bar: usize, out: &ShelfOut, end: f64) -> Markup {
    let (x, width) = place(span, end);
    let thin = !words::is_at_work(span.step);
    let (y, height) = if thin { (bar + 3, BAR - 6) } else { (bar, BAR) };
    let through = span.adapter.as_deref().and_then(|name| line_of(name, out));
    html! {
        g {
            title { (block_title(span)) }
            rect.(step_class(span.step)) x=(percent(x)) width=(percent(width)) y=(y) height=(height) {}
            @if let Some(line) = through {
                line.adapter.(line_class(line)) x1=(percent(x)) x2=(percent(x + width))
                    y1=(bar + BAR + 3) y2=(bar + BAR + 3) {}
            }
        }
    }
}

fn block_title(span: &SpanOut) -> String {
    let times = format!(
        "{} to {}",
        words::since(span.from_s),
        words::since(span.to_s)
    );
    match &span.adapter {
        Some(adapter) => format!(
            "{}, {times}, through {}",
            words::step(span.step),
            words::harmless(adapter)
        ),
        None => format!("{}, {times}", words::step(span.step)),
    }
}

/// What each adapter did: whether one stood idle while loaners waited for the other.
fn adapters(out: &ShelfOut, end: f64) -> Markup {
    let height = SCALE * 2 + out.adapters.len() * LANE;
    html! {
        svg.lanes width="100%" height=(height) role="img" aria-labelledby="adapters-title adapters-text" {
            title #adapters-title { "When each adapter was at work" }
            desc #adapters-text {
                @for adapter in &out.adapters { (words::harmless(adapter)) ": " (busy(adapter, out)) ". " }
            }
            (scale(end, out.adapters.len() * LANE))
            @for (number, adapter) in out.adapters.iter().enumerate() {
                (adapter_lane(adapter, number, out, end))
            }
        }
    }
}

fn adapter_lane(adapter: &str, number: usize, out: &ShelfOut, end: f64) -> Markup {
    let top = SCALE + number * LANE;
    let bar = top + BAR_TOP;
    html! {
        line.rail x1="0" x2="100%" y1=(bar + BAR / 2) y2=(bar + BAR / 2) {}
        @for (loaner, span) in spans_of(adapter, out) {
            @let (x, width) = place(span, end);
            g {
                title { (words::harmless(&loaner.label)) ": " (block_title(span)) }
                rect.(step_class(span.step)) x=(percent(x)) width=(percent(width)) y=(bar) height=(BAR) {}
            }
        }
        line.adapter.(line_class(number)) x1="0" x2="100%" y1=(bar + BAR + 3) y2=(bar + BAR + 3) {}
        text.label x="0" y=(top + 11) { (short(adapter)) }
        text.how x="100%" y=(top + 11) { (busy(adapter, out)) }
    }
}

fn busy(adapter: &str, out: &ShelfOut) -> String {
    let busy: f64 = spans_of(adapter, out)
        .map(|(_, span)| span.to_s - span.from_s)
        .sum();
    format!(
        "at work {} of {}",
        words::since(busy),
        words::since(end_s(out))
    )
}

fn spans_of<'a>(
    adapter: &'a str,
    out: &'a ShelfOut,
) -> impl Iterator<Item = (&'a LoanerOut, &'a SpanOut)> {
    let all = out.loaners.iter();
    all.flat_map(|loaner| loaner.spans.iter().map(move |span| (loaner, span)))
        .filter(move |(_, span)| span.adapter.as_deref() == Some(adapter) && is_drawn(span))
}

fn legend(out: &ShelfOut) -> Markup {
    let there = |step| {
        let mut spans = out.loaners.iter().flat_map(|loaner| &loaner.spans);
        spans.any(|span| span.step == step)
    };
    let used = STEPS.into_iter().filter(|step| there(*step));
    html! {
        ul.legend {
            @for step in used {
                li {
                    svg width="22" height="12" aria-hidden="true" focusable="false" {
                        @let (y, height) = if words::is_at_work(step) { (2, BAR) } else { (5, BAR - 6) };
                        rect.(step_class(step)) width="22" y=(y) height=(height) {}
                    }
                    (words::step(step))
                }
            }
            @for (number, adapter) in out.adapters.iter().enumerate() {
                li {
                    svg width="22" height="12" aria-hidden="true" focusable="false" {
                        line.adapter.(line_class(number)) x1="0" x2="22" y1="6" y2="6" {}
                    }
                    "through " (told(adapter))
                }
            }
        }
    }
}

/// Marks above and below, with a line through the lanes between them.
fn scale(end: f64, lanes: usize) -> Markup {
    let bottom = SCALE + lanes;
    html! {
        @for mark in marks(end) {
            @let x = mark * 100.0 / end;
            @let anchor = if mark == 0.0 { "start" } else if x > 95.0 { "end" } else { "middle" };
            line.mark x1=(percent(x)) x2=(percent(x)) y1=(SCALE - 4) y2=(bottom + 4) {}
            @for y in [SCALE - 8, bottom + 16] {
                text.time x=(percent(x)) y=(y) text-anchor=(anchor) { (words::since(mark)) }
            }
        }
    }
}

/// Where the marks stand, in s: at most eight.
fn marks(end: f64) -> Vec<f64> {
    let last = MARKS_S[MARKS_S.len() - 1];
    // Beyond the list, whole multiples of its last.
    let step = MARKS_S
        .into_iter()
        .find(|step| end / step <= PARTS)
        .unwrap_or_else(|| (end / PARTS / last).ceil() * last);
    let mut marks = vec![0.0];
    let mut mark = step;
    while mark <= end {
        marks.push(mark);
        mark += step;
    }
    marks
}

/// When the picture ends, in s: with the run, or with a span that goes beyond it.
fn end_s(out: &ShelfOut) -> f64 {
    let spans = out.loaners.iter().flat_map(|loaner| &loaner.spans);
    spans
        .map(|span| span.to_s)
        .chain([out.took_s])
        .filter(|s| s.is_finite())
        .fold(0.0, f64::max)
}

fn is_drawn(span: &SpanOut) -> bool {
    span.step != ShelfStep::Through && span.from_s.is_finite() && span.to_s > span.from_s
}

/// Where a span begins and how wide it is, in percent.
fn place(span: &SpanOut, end: f64) -> (f64, f64) {
    let from = span.from_s.clamp(0.0, end);
    let to = span.to_s.clamp(from, end);
    (from * 100.0 / end, (to - from) * 100.0 / end)
}

fn percent(part: f64) -> String {
    format!("{part:.3}%")
}

/// Which line stands for this adapter.
fn line_of(name: &str, out: &ShelfOut) -> Option<usize> {
    out.adapters.iter().position(|adapter| adapter == name)
}

fn line_class(number: usize) -> String {
    format!("line-{}", number % LINES + 1)
}

fn step_class(step: ShelfStep) -> String {
    format!("step-{}", words::step(step).replace(' ', "-"))
}

/// What fits above a bar; the whole stands in the table.
fn short(text: &str) -> String {
    let text = words::harmless(text);
    match text.char_indices().nth(LABEL) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text,
    }
}

/// In the order of the legend.
const STEPS: [ShelfStep; 9] = [
    ShelfStep::Waiting,
    ShelfStep::InRange,
    ShelfStep::Joining,
    ShelfStep::Reading,
    ShelfStep::Writing,
    ShelfStep::Restarting,
    ShelfStep::Proving,
    ShelfStep::PuttingBack,
    ShelfStep::LaterAgain,
];

#[cfg(test)]
mod tests {
    use super::*;

    /// One mark more than there are parts, whatever the length.
    #[test]
    fn scale_has_a_few_round_marks_whatever_the_length() {
        for end in [0.4, 3.0, 59.0, 276.0, 1_715.0, 7_200.0, 90_000.0, 3.0e6] {
            let marks = marks(end);
            assert!(marks.len() <= 8, "{end} s: {marks:?}");
            assert!(end < 1.0 || marks.len() >= 3, "{end} s: {marks:?}");
        }
        assert_eq!(marks(276.0), [0.0, 60.0, 120.0, 180.0, 240.0]);
    }

    #[test]
    fn span_beyond_the_run_is_drawn_within_the_picture() {
        let span = SpanOut {
            step: ShelfStep::Reading,
            from_s: -5.0,
            to_s: 500.0,
            adapter: None,
        };
        assert_eq!(place(&span, 100.0), (0.0, 100.0));
        let odd = SpanOut {
            to_s: f64::NAN,
            ..span
        };
        assert!(!is_drawn(&odd));
    }
}
