//! What did not end as wanted: why, and what to do next.

use maud::{Markup, html};

use super::{
    page::{sentence, told},
    sign, words,
    words::Weight,
};
use crate::terms::output::loaners::{LoanerOut, LoanerResult, ShelfOut};

/// The gravest first: what may be set either way, then what failed, then what is not known.
const ORDER: [LoanerResult; 8] = [
    LoanerResult::Unproved,
    LoanerResult::PutBack,
    LoanerResult::Failed,
    LoanerResult::Refused,
    LoanerResult::Missing,
    LoanerResult::NotTried,
    LoanerResult::Differs,
    LoanerResult::Planned,
];

/// The section; none where all is well.
pub(super) fn section(out: &ShelfOut) -> Markup {
    let open: Vec<(usize, &LoanerOut)> = ORDER
        .iter()
        .flat_map(|result| {
            let all = out.loaners.iter().enumerate();
            all.filter(move |(_, loaner)| loaner.result == *result)
        })
        .collect();
    html! {
        @if !open.is_empty() {
            section aria-labelledby="open" {
                h2 #open { "What is left to do" }
                div.cases {
                    @for (number, loaner) in open { (case(number + 1, loaner)) }
                }
            }
        }
    }
}

fn case(number: usize, loaner: &LoanerOut) -> Markup {
    let error = loaner.error.as_ref();
    let help = error.and_then(|error| error.help.as_deref());
    html! {
        article.case.(sign::class(words::weight(loaner.result))) {
            h3 { a href={ "#loaner-" (number) } { (told(&loaner.label)) } (sign::with_word(loaner.result)) }
            p { (words::meaning(loaner.result)) }
            dl {
                @if let Some(error) = error {
                    dt { "Why" }
                    dd { (sentence(&error.message)) }
                }
                @if words::weight(loaner.result) != Weight::Careful {
                    @if let Some(verdict) = words::worth_saying(loaner.condition) {
                        dt { "Verdict" }
                        dd { (sentence(verdict)) " when it was last read" }
                    }
                }
                @if let Some(next) = help.or(words::next(loaner.result)) {
                    dt { "Next" }
                    dd { strong { (sentence(next)) } }
                }
                @if loaner.result == LoanerResult::Unproved && help.is_some() {
                    dt { "Until then" }
                    dd { "Do not lend it." }
                }
            }
        }
    }
}
