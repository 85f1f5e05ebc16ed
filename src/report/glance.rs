//! The shelf at a glance: the sums as one bar, and a tag a loaner.

use maud::{Markup, html};

use super::{page::told, sign, signals, words};
use crate::terms::output::loaners::{LoanerOut, ShelfCounts, ShelfOut};

/// The sums: a bar whose parts are as wide as they count, and the same in words.
pub(super) fn sums(counts: &ShelfCounts) -> Markup {
    let sums = words::sums(counts);
    let all: usize = sums.iter().map(|sum| sum.count).sum();
    // Where each part begins: behind all before it.
    let begins = sums.iter().scan(0, |next, sum| {
        let begin = *next;
        *next += sum.count;
        Some(begin)
    });
    html! {
        @if all > 0 {
            svg.sums width="100%" height="14" aria-hidden="true" focusable="false" {
                @for (before, sum) in begins.zip(&sums) {
                    rect.(sign::class(words::weight(sum.like))) height="14"
                        x=(percent(before, all)) width=(percent(sum.count, all)) {}
                }
            }
        }
        ul.sums {
            @for sum in &sums {
                li.(sign::class(words::weight(sum.like))) {
                    (sign::result(sum.like)) b { (sum.count) } " " (sum.word)
                }
            }
            li.all { b { (counts.all) } " in all" }
        }
    }
}

/// A tag a loaner, in the order of the file.
pub(super) fn rack(out: &ShelfOut) -> Markup {
    html! {
        section aria-labelledby="glance" {
            h2 #glance { "The shelf at a glance" }
            ol.rack {
                @for (number, loaner) in out.loaners.iter().enumerate() {
                    li { (tag(number + 1, loaner, was_listened(out))) }
                }
            }
        }
    }
}

/// Whether anybody could have been heard: loaners that are reached by address are not.
fn was_listened(out: &ShelfOut) -> bool {
    !out.adapters.is_empty() || out.loaners.iter().any(|loaner| loaner.signal.is_some())
}

fn tag(number: usize, loaner: &LoanerOut, was_listened: bool) -> Markup {
    let weight = words::weight(loaner.result);
    html! {
        a.tag.(sign::class(weight)) href={ "#loaner-" (number) } {
            span.label { (told(&loaner.label)) }
            span.how { (sign::result(loaner.result)) (words::result(loaner.result)) }
            span.more {
                @if let Some(signal) = loaner.signal {
                    (signals::steps(signal))
                    span { (signal) " %" }
                } @else if was_listened {
                    span { "not heard" }
                }
                @if loaner.tries > 1 { span { (loaner.tries) " tries" } }
                @if loaner.earlier { span { "earlier run" } }
            }
        }
    }
}

/// A part of a whole, as SVG takes it.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of loaners are far below 2^52"
)]
fn percent(part: usize, whole: usize) -> String {
    format!("{:.3}%", part as f64 * 100.0 / whole.max(1) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::shelf;

    #[test]
    fn nobody_is_called_unheard_where_nobody_listened() {
        let mut out = shelf();
        assert!(rack(&out).into_string().contains("not heard"));
        out.adapters.clear();
        for loaner in &mut out.loaners {
            loaner.signal = None;
        }
        assert!(!rack(&out).into_string().contains("not heard"));
    }
}
