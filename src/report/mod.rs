//! The report on a run over a shelf: a page to read and print, and a list for a spreadsheet.
//!
//! Both are drawn from [`ShelfOut`](crate::terms::output::loaners::ShelfOut) alone; nothing is asked and
//! nothing printed here. It guards against a report that looks better than the run was: what is not
//! proved stands before what is, a result is told by a sign and a word beside its colour, and text of
//! a device is escaped in whichever place it stands.

mod changes;
mod csv;
mod glance;
mod open;
mod page;
mod sign;
mod signals;
mod timeline;
pub(crate) mod words;

#[cfg(test)]
pub(crate) mod testing;

pub use csv::csv;
pub use page::html;

/// Whether a text is a report of either kind, so that a newer one may take its place.
pub fn is_one(text: &str) -> bool {
    // The mark of a page stands in its head, before anything that somebody else wrote.
    let head = text.split_once("<title>").map_or("", |(head, _)| head);
    head.contains(page::MARK) || text.starts_with(csv::beginning().trim_end_matches(','))
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::{csv, html, is_one, testing};

    #[test]
    fn a_report_is_known_as_one_and_nothing_else_is() {
        for out in [testing::shelf(), testing::hostile()] {
            assert!(is_one(&html(&out, &TimeZone::UTC)));
            assert!(is_one(&csv(&out)));
        }
        for other in [
            "",
            "label,serial\r\nHeron,TD-0042\r\n",
            "<!DOCTYPE html><title>Tarn</title>",
            "<title><meta name=\"generator\" content=\"linkmend\"></title>",
        ] {
            assert!(!is_one(other), "{other}");
        }
    }
}
