//! What did not end as wanted: why, and what to do next.

use maud::{Markup, html};

use super::{
    page::{sentence, told},
    sign, words,
};
use crate::terms::output::loaners::{LoanerOut, LoanerResult, ShelfOut};

/// The section; none where all is well.
pub(super) fn section(out: &ShelfOut) -> Markup {
    let left = words::left_to_do(out);
    html! {
        @if !left.is_empty() {
            section aria-labelledby="open" {
                h2 #open { "What is left to do" }
                div.cases {
                    @for (result, loaners) in &left {
                        @if let [(number, loaner)] = loaners[..] { (case(number + 1, loaner)) }
                        @else { (several(*result, loaners)) }
                    }
                }
            }
        }
    }
}

fn case(number: usize, loaner: &LoanerOut) -> Markup {
    let error = loaner.error.as_ref();
    let own = error.and_then(|error| error.help.as_deref());
    html! {
        article.case.(sign::class(words::weight(loaner.result))) {
            h3 { a href={ "#loaner-" (number) } { (told(&loaner.label)) } (sign::with_word(loaner.result)) }
            p { (words::meaning(loaner.result)) }
            dl {
                @if let Some(error) = error {
                    dt { "Why" }
                    dd { (sentence(&error.message)) }
                    @if let Some(verdict) = words::worth_saying(loaner.condition) {
                        dt { "Verdict" }
                        dd { (sentence(verdict)) " when it was last read" }
                    }
                }
                @if let Some(next) = own.or(words::next(loaner.result)) {
                    dt { "Next" }
                    dd { strong { (sentence(next)) } }
                }
                @if loaner.result == LoanerResult::Unproved && own.is_some() {
                    dt { "Until then" }
                    dd { "Do not lend it." }
                }
            }
        }
    }
}

/// Several that ended alike, for one reason or without any.
fn several(result: LoanerResult, loaners: &[(usize, &LoanerOut)]) -> Markup {
    let error = loaners.first().and_then(|(_, one)| one.error.as_ref());
    let own = error.and_then(|error| error.help.as_deref());
    html! {
        article.case.(sign::class(words::weight(result))) {
            h3 { (loaners.len()) " loaners" (sign::with_word(result)) }
            p { (words::meaning(result)) }
            dl {
                dt { "Which" }
                dd {
                    @for (at, (number, loaner)) in loaners.iter().enumerate() {
                        @if at > 0 { ", " }
                        a href={ "#loaner-" (number + 1) } { (told(&loaner.label)) }
                    }
                }
                @if let Some(error) = error {
                    dt { "Why" }
                    dd { (sentence(&error.message)) }
                }
                @if let Some(next) = own.or(words::next(result)) {
                    dt { "Next" }
                    dd { strong { (sentence(next)) } }
                }
                @if result == LoanerResult::Unproved && own.is_some() {
                    dt { "Until then" }
                    dd { "Do not lend them." }
                }
            }
        }
    }
}
