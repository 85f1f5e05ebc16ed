//! Where each loaner stands, as the events tell it.

use crate::terms::output::loaners::{LoanerOut, ShelfEvent, ShelfLine, ShelfStep};

/// A run as it stands.
#[derive(Debug, Clone, Default)]
pub(super) struct Board {
    /// One a loaner, in the order of the file.
    pub rows: Vec<Row>,
    /// To be powered now, by label.
    pub on: Vec<String>,
    /// To be switched off now, by label.
    pub off: Vec<String>,
    /// How many in range are in no row.
    pub strangers: usize,
}

/// One loaner as it stands.
#[derive(Debug, Clone)]
pub(super) struct Row {
    /// What stands on its sticker.
    pub label: String,
    /// What goes on.
    pub step: ShelfStep,
    /// Since when, in s since the run began.
    pub since_s: f64,
    /// When it is expected to be over, in s since the run began.
    pub until_s: Option<f64>,
    /// Through which adapter.
    pub adapter: Option<String>,
    /// The last signal that was told, in percent.
    pub signal: Option<u8>,
    /// How it ended; none: it has not, or is tried again.
    pub ended: Option<Box<LoanerOut>>,
}

impl Board {
    /// Takes in what happened.
    pub(super) fn take(&mut self, line: &ShelfLine) {
        match &line.event {
            ShelfEvent::Began { loaners, .. } => {
                self.rows = loaners.iter().map(|label| Row::new(label)).collect();
            }
            ShelfEvent::Step {
                loaner,
                step,
                adapter,
                signal,
                until_s,
            } => {
                let row = self.row(loaner);
                row.step = *step;
                row.since_s = line.at_s;
                row.until_s = *until_s;
                row.adapter.clone_from(adapter);
                row.signal = signal.or(row.signal);
                row.ended = None;
            }
            ShelfEvent::Power { on, off } => {
                self.on.clone_from(on);
                self.off.clone_from(off);
            }
            ShelfEvent::Ended(loaner) => {
                let row = self.row(&loaner.label);
                row.since_s = line.at_s;
                row.until_s = None;
                row.adapter = None;
                row.signal = loaner.signal.or(row.signal);
                // Put off until the end is no end.
                if row.step != ShelfStep::LaterAgain {
                    row.step = ShelfStep::Through;
                    row.ended = Some(loaner.clone());
                }
            }
            ShelfEvent::Stranger(_) => self.strangers += 1,
        }
    }

    /// The row of this loaner; a new one where it was not named at the start.
    fn row(&mut self, label: &str) -> &mut Row {
        let at = self.rows.iter().position(|row| row.label == label);
        let at = at.unwrap_or_else(|| {
            self.rows.push(Row::new(label));
            self.rows.len() - 1
        });
        &mut self.rows[at]
    }
}

impl Row {
    fn new(label: &str) -> Self {
        Self {
            label: label.to_owned(),
            step: ShelfStep::Waiting,
            since_s: 0.0,
            until_s: None,
            adapter: None,
            signal: None,
            ended: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::shelf;

    fn step(at_s: f64, step: ShelfStep) -> ShelfLine {
        let event = ShelfEvent::Step {
            loaner: "Coot".into(),
            step,
            adapter: None,
            signal: None,
            until_s: None,
        };
        ShelfLine {
            format: 1,
            at_s,
            event,
        }
    }

    #[test]
    fn loaner_that_is_tried_again_has_not_ended() {
        let coot = shelf().loaners.swap_remove(3);
        let ended = |at_s| ShelfLine {
            format: 1,
            at_s,
            event: ShelfEvent::Ended(Box::new(coot.clone())),
        };
        let mut board = Board::default();
        board.take(&step(1.0, ShelfStep::LaterAgain));
        board.take(&ended(1.0));
        assert!(board.rows[0].ended.is_none());
        assert_eq!(board.rows[0].step, ShelfStep::LaterAgain);
        board.take(&step(9.0, ShelfStep::Joining));
        board.take(&ended(12.0));
        assert!(board.rows[0].ended.is_some());
        board.take(&step(20.0, ShelfStep::Joining));
        assert!(board.rows[0].ended.is_none() && board.rows.len() == 1);
    }
}
