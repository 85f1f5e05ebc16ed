//! With which code a run over a shelf ends.

use crate::{
    report::words,
    terms::{
        Exit,
        output::loaners::{LoanerOut, LoanerResult, ShelfOut},
    },
};

/// 0 where all are as the file wants them.
pub(super) fn after_check(out: &ShelfOut) -> Exit {
    let is_fine = |one: &LoanerOut| one.result == LoanerResult::AsWanted;
    match out.error.as_ref().map(|error| error.code.as_str()) {
        Some(CANCELLED) => Exit::Cancelled,
        // Who was not tried is not known to be as wanted.
        None | Some(TOO_MANY_FAILED) => {
            if out.findings.is_empty() && out.loaners.iter().all(is_fine) {
                Exit::Done
            } else {
                Exit::NotAsWanted
            }
        }
        Some(_) => Exit::Failed,
    }
}

/// 0 where all are as the file wants them, else the gravest of the loaners.
pub(super) fn after_reset(out: &ShelfOut) -> Exit {
    let any =
        |results: &[LoanerResult]| out.loaners.iter().any(|one| results.contains(&one.result));
    let error = out.error.as_ref().map(|error| error.code.as_str());
    let was_stopped = error == Some(CANCELLED);
    // What an earlier run wrote this one did not.
    let wrote = out.loaners.iter().any(|one| {
        let wrote = matches!(
            one.result,
            LoanerResult::Done | LoanerResult::PutBack | LoanerResult::Unproved
        );
        wrote && !one.earlier
    });
    if any(&[LoanerResult::Unproved]) || was_stopped && wrote {
        Exit::Unproved
    } else if was_stopped {
        Exit::Cancelled
    } else if any(&[LoanerResult::PutBack]) {
        Exit::PutBack
    } else if any(&[LoanerResult::Refused]) || out.loaners.iter().any(words::is_done_in_part) {
        Exit::Refused
    } else if any(&[LoanerResult::Failed, LoanerResult::NotTried]) {
        Exit::Failed
    } else if any(&[LoanerResult::Missing]) {
        Exit::NoDevice
    } else if error.is_some() {
        // All had their turn, and it is not on record.
        if wrote { Exit::Unproved } else { Exit::Failed }
    } else {
        Exit::Done
    }
}

/// The codes of why a run ended early, as the run itself gives them.
const CANCELLED: &str = "cancelled";
const TOO_MANY_FAILED: &str = "too-many-failed";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{report::testing::shelf, terms::output::Fault};

    /// A made-up run that ended so.
    fn ended(results: &[LoanerResult]) -> ShelfOut {
        let mut out = shelf();
        out.error = None;
        out.findings.clear();
        let plain = LoanerOut {
            error: None,
            earlier: false,
            ..out.loaners[0].clone()
        };
        let one = |result: &LoanerResult| LoanerOut {
            result: *result,
            ..plain.clone()
        };
        out.loaners = results.iter().map(one).collect();
        out
    }

    fn early(code: &str, results: &[LoanerResult]) -> ShelfOut {
        let mut out = ended(results);
        out.error = Some(fault(code));
        out
    }

    fn fault(code: &str) -> Fault {
        Fault {
            code: code.into(),
            message: "made up".into(),
            help: None,
        }
    }

    #[test]
    fn a_reset_ends_as_the_gravest_of_its_loaners() {
        use LoanerResult::{
            AsWanted, Done, Failed, Missing, NotTried, Planned, PutBack, Refused, Unproved,
        };
        // The gravest first: each outweighs all that stand after it (the help of `reset`).
        let order = [
            (Unproved, Exit::Unproved),
            (PutBack, Exit::PutBack),
            (Refused, Exit::Refused),
            (Failed, Exit::Failed),
            (NotTried, Exit::Failed),
            (Missing, Exit::NoDevice),
            (Planned, Exit::Done),
            (Done, Exit::Done),
            (AsWanted, Exit::Done),
        ];
        for (number, (_, exit)) in order.iter().enumerate() {
            let results: Vec<_> = order[number..].iter().rev().map(|(one, _)| *one).collect();
            assert_eq!(after_reset(&ended(&results)), *exit, "{results:?}");
        }
    }

    #[test]
    fn one_that_is_done_but_for_a_part_is_no_success() {
        let mut out = ended(&[LoanerResult::Done, LoanerResult::Done]);
        assert_eq!(after_reset(&out), Exit::Done);
        out.loaners[1].error = Some(fault("set-by-rules"));
        assert_eq!(after_reset(&out), Exit::Refused);
    }

    #[test]
    fn a_stopped_reset_says_whether_this_run_wrote() {
        let results = [LoanerResult::Done, LoanerResult::NotTried];
        let mut out = early(CANCELLED, &results);
        assert_eq!(after_reset(&out), Exit::Unproved);
        out.loaners[0].earlier = true;
        assert_eq!(after_reset(&out), Exit::Cancelled);
        let out = early(CANCELLED, &[LoanerResult::AsWanted, LoanerResult::Refused]);
        assert_eq!(after_reset(&out), Exit::Cancelled);
    }

    #[test]
    fn what_is_not_on_record_is_no_success() {
        let out = early("journal-full", &[LoanerResult::Done]);
        assert_eq!(after_reset(&out), Exit::Unproved);
        let out = early("journal-full", &[LoanerResult::AsWanted]);
        assert_eq!(after_reset(&out), Exit::Failed);
        assert_eq!(after_check(&out), Exit::Failed);
    }

    #[test]
    fn a_check_ends_with_4_where_anything_is_not_as_wanted() {
        use LoanerResult::{AsWanted, Differs, Failed, Missing, NotTried, Refused};
        assert_eq!(after_check(&ended(&[AsWanted, AsWanted])), Exit::Done);
        for other in [Differs, Failed, Missing, NotTried, Refused] {
            let out = ended(&[AsWanted, other]);
            assert_eq!(after_check(&out), Exit::NotAsWanted, "{other:?}");
        }
        let mut out = ended(&[AsWanted]);
        out.findings = shelf().findings;
        assert_eq!(after_check(&out), Exit::NotAsWanted);
        let out = early(TOO_MANY_FAILED, &[Failed, NotTried]);
        assert_eq!(after_check(&out), Exit::NotAsWanted);
        let out = early(CANCELLED, &[Differs, NotTried]);
        assert_eq!(after_check(&out), Exit::Cancelled);
    }
}
