//! What an earlier run, or an earlier try, was cut off in: it comes before anything else of its loaner.

use super::{
    one::{Ended, Link, Visit},
    outs,
};
use crate::{
    change::{Direction, Machine},
    journal::ledger::ChangeLedger,
    session::Harvest,
    terms::output::{
        Outcome,
        loaners::{LoanerOut, LoanerResult},
    },
};

impl Visit {
    /// Finishes or undoes what an earlier run, or an earlier try, was cut off in. None: it could not
    /// be settled, and nothing else is done. `settled` is what the loaner is at least, once something
    /// was.
    pub(super) async fn settle(
        &self,
        mut link: Link,
        mut harvest: Harvest,
        out: &mut LoanerOut,
        settled: &mut Option<Settled>,
    ) -> Result<Option<(Link, Harvest)>, Ended> {
        let shared = &self.shared;
        while let Some(one) = shared.take_unsettled(&harvest.snapshot.device.identity) {
            let number = one.change.id.0;
            if shared.order.dry_run {
                out.notes.push(format!(
                    "change {number} of it was cut off; that comes first"
                ));
                continue;
            }
            let Some((cut_off, wanted)) = one.cut_off.clone() else {
                one.close_unwritten(&shared.world.journal).await?;
                continue;
            };
            let profile = &shared.order.shelf.profile;
            if one.change.profile_text != profile.source.text {
                return Err(Ended {
                    result: LoanerResult::Unproved,
                    ..Ended::refused(
                        "unfinished-change",
                        format!(
                            "change {number} of it was cut off, and its profile was another one then"
                        ),
                        "finish or undo it with `linkmend resume` first",
                    )
                });
            }
            let word = match cut_off.direction {
                Direction::There => "finished",
                Direction::Back => "undone",
            };
            let ledger = ChangeLedger::resume(
                shared.world.journal.clone(),
                &one.change,
                profile.source.clone(),
                wanted.clone(),
                false,
            );
            let is_all = self.is_all(&wanted);
            let machine = Machine::resume(profile.clone(), wanted, self.options(), cut_off);
            let (mut report, ledger, back) = self.drive(link, harvest, machine, ledger).await;
            link = back;
            report.left_unfinished();
            self.take(&report, &ledger, out);
            out.change = Some(number);
            out.result = outs::result(report.outcome);
            if !matches!(report.outcome, Outcome::Done | Outcome::PutBack) {
                out.result = LoanerResult::Unproved;
                shared.still_unsettled(one);
                return Ok(None);
            }
            let result = match report.outcome {
                Outcome::Done if !is_all => LoanerResult::Unproved,
                outcome => outs::result(outcome),
            };
            *settled = Some(Settled {
                change: number,
                result,
            });
            // Undoing was what was left of it, so it is no failure.
            out.error = None;
            out.notes.push(format!(
                "change {number} of it was cut off; it is {word} now"
            ));
            harvest = self.read(&mut link).await?;
            // Somebody else may have answered, and that one may be as wanted.
            let is_it = self.is_it(&harvest.snapshot.device.identity);
            is_it.map_err(|ended| Ended {
                again: true,
                ..ended
            })?;
        }
        Ok(Some((link, harvest)))
    }
}

/// A change of an earlier run that this one settled, and what its loaner is at least since then.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settled {
    change: i64,
    result: LoanerResult,
}

/// How a try ended that settled a change before: that one may have written, so whatever fails afterwards
/// it did not fail without a write, and what is told is told of that change.
pub(super) fn at_least(
    settled: Option<Settled>,
    ended: Result<(), Ended>,
    out: &mut LoanerOut,
) -> Result<(), Ended> {
    let Some(Settled { change, result }) = settled else {
        return ended;
    };
    let came_to_nothing = outs::came_to_nothing(out.result);
    match ended {
        Err(ended) => {
            out.change = Some(change);
            Err(Ended { result, ..ended })
        }
        Ok(()) if came_to_nothing => {
            out.change = Some(change);
            out.result = result;
            Ok(())
        }
        ended => ended,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::change::Trouble;

    fn lost() -> Result<(), Ended> {
        Err(Ended::failed(Trouble::new("no-answer", "it is gone", None)))
    }

    #[test]
    fn a_try_that_settled_a_change_did_not_fail_without_a_write() {
        use LoanerResult as R;
        let mut out = LoanerOut::named("Heron", R::NotTried);
        for settled in [R::Done, R::PutBack, R::Unproved] {
            let before = Some(Settled {
                change: 4,
                result: settled,
            });
            // The next change of it was begun, and nothing was written.
            out.change = Some(5);
            let ended = at_least(before, lost(), &mut out);
            assert_eq!(ended.err().map(|ended| ended.result), Some(settled));
            assert_eq!(out.change, Some(4));
            for (result, told, of) in [
                (R::Failed, settled, 4),
                (R::Refused, settled, 4),
                (R::Done, R::Done, 5),
                (R::Unproved, R::Unproved, 5),
            ] {
                out.result = result;
                out.change = Some(5);
                assert!(at_least(before, Ok(()), &mut out).is_ok());
                assert_eq!((out.result, out.change), (told, Some(of)));
            }
        }
        let ended = at_least(None, lost(), &mut out);
        assert_eq!(ended.err().map(|ended| ended.result), Some(R::Failed));
    }
}
