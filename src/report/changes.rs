//! Old → new, loaner by loaner, each with its proof.

use maud::{Markup, html};

use super::{
    page::{message, sentence, told},
    sign, words,
};
use crate::terms::{
    Proof,
    output::{
        ChangeLine,
        loaners::{LoanerOut, LoanerResult, ShelfCommand, ShelfOut},
    },
};

/// The table.
pub(super) fn section(out: &ShelfOut) -> Markup {
    let [title, before, after, proof] = match out.command {
        ShelfCommand::Reset => ["Old and new, with the proof", "Was", "Wanted", "Proof"],
        ShelfCommand::Check => ["What differs", "Is", "Should be", "Remark"],
    };
    let common = left_by_all(out);
    html! {
        section aria-labelledby="changes" {
            h2 #changes { (title) }
            @if let Some(left) = &common {
                p.quiet { "Left as they are on every loaner that was read: " (left.join(", ")) "." }
            }
            table.changes {
                thead {
                    tr {
                        th scope="col" { "Loaner" }
                        th scope="col" { "Setting" }
                        th scope="col" { (before) }
                        th scope="col" { (after) }
                        th scope="col" { (proof) }
                    }
                }
                @for (number, loaner) in out.loaners.iter().enumerate() {
                    @let rows = rows(loaner, [before, after, proof], common.is_none());
                    tbody id={ "loaner-" (number + 1) } {
                        @for (at, row) in rows.iter().enumerate() {
                            tr {
                                @if at == 0 {
                                    th.who scope="rowgroup" rowspan=(rows.len()) { (who(loaner)) }
                                }
                                (row)
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The rows of a loaner, without the cell before them that says which one it is.
fn rows(loaner: &LoanerOut, heads: [&str; 3], with_left: bool) -> Vec<Markup> {
    let [before, after, proof] = heads;
    let mut rows: Vec<Markup> = loaner
        .changes
        .iter()
        .map(|line| {
            html! {
                th scope="row" { (line.setting) }
                td data-head=(before) { bdi { (words::value(&line.setting, &line.before)) } }
                td.new data-head=(after) { bdi { (words::value(&line.setting, &line.after)) } }
                td data-head=(proof) { (proof_of(line, loaner.result)) }
            }
        })
        .collect();
    if rows.is_empty() {
        rows.push(html! { td.none colspan="4" { (nothing(loaner)) } });
    }
    let left = if with_left { &loaner.left[..] } else { &[] };
    if !loaner.notes.is_empty() || !left.is_empty() {
        rows.push(html! {
            td.notes colspan="4" {
                @for note in &loaner.notes { p { (sentence(note)) } }
                @if !left.is_empty() {
                    p { "Left as they are: " bdi { (words::harmless(&left.join(", "))) } }
                }
            }
        });
    }
    rows
}

fn who(loaner: &LoanerOut) -> Markup {
    let numbers = [
        loaner.record.map(|number| format!("record {number}")),
        loaner.change.map(|number| format!("change {number}")),
        (loaner.tries > 1).then(|| format!("{} tries", loaner.tries)),
    ];
    html! {
        span.label { (told(&loaner.label)) }
        (sign::with_word(loaner.result))
        span.marks { bdi { (words::marks(&loaner.identity)) } }
        span.numbers {
            @if let Some(transmitter) = &loaner.transmitter { "with " (told(transmitter)) }
            @for (at, number) in numbers.iter().flatten().enumerate() {
                @if at > 0 || loaner.transmitter.is_some() { " · " }
                span { (number) }
            }
        }
    }
}

fn nothing(loaner: &LoanerOut) -> &'static str {
    match loaner.result {
        LoanerResult::AsWanted if loaner.earlier => {
            "An earlier run over this shelf proved it; this one left it alone."
        }
        other => words::meaning(other),
    }
}

fn proof_of(line: &ChangeLine, result: LoanerResult) -> Markup {
    let text = words::proved(line, result);
    match (line.proof, result) {
        (Proof::None, LoanerResult::Differs | LoanerResult::Planned) => message(&text),
        (Proof::None, _) => html! { span.mark.bad { (sign::proof(line.proof)) (message(&text)) } },
        (proof, _) => html! { span.mark.good { (sign::proof(proof)) (message(&text)) } },
    }
}

/// What every loaner that was read has left alone, where that is the same for all.
fn left_by_all(out: &ShelfOut) -> Option<Vec<String>> {
    let mut lists = out.loaners.iter().filter(|loaner| loaner.record.is_some());
    let first = &lists.next()?.left;
    let same = !first.is_empty() && lists.all(|loaner| loaner.left == *first);
    same.then(|| first.iter().map(|name| words::harmless(name)).collect())
}
