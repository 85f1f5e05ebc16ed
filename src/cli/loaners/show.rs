//! Draws a run: the table at a terminal, lines elsewhere, JSON where that was asked for.

use std::{
    io::IsTerminal,
    sync::{Arc, Mutex, PoisonError},
    time::Instant,
};

use super::{board::Board, lines, summary, table};
use crate::{
    cli::screen::{self, Busy, Screen},
    terms::output::loaners::{ShelfLine, ShelfOut},
};

/// Shows a run as it goes on. The table is gone when it is dropped or [`end`](Show::end)ed.
pub(crate) struct Show {
    screen: Screen,
    now: Arc<Mutex<Now>>,
    table: Busy,
}

/// Where things stand, and when that was told.
struct Now {
    board: Board,
    at_s: f64,
    told: Instant,
}

impl Now {
    /// In s since the run began, going on since the last event.
    fn s(&self) -> f64 {
        self.at_s + self.told.elapsed().as_secs_f64()
    }
}

impl Show {
    /// Begins.
    pub(crate) fn new(screen: Screen) -> Self {
        let now = Arc::new(Mutex::new(Now {
            board: Board::default(),
            at_s: 0.0,
            told: Instant::now(),
        }));
        let drawn = Arc::clone(&now);
        let table = screen.table(move |width, height| {
            let now = drawn.lock().unwrap_or_else(PoisonError::into_inner);
            if now.board.rows.is_empty() {
                return Vec::new();
            }
            table::lines(&now.board, now.s(), width, height)
        });
        Self { screen, now, table }
    }

    /// Shows what happened.
    pub(crate) fn event(&self, line: &ShelfLine) {
        if self.screen.json {
            self.screen.object(line);
            return;
        }
        {
            let mut now = self.now.lock().unwrap_or_else(PoisonError::into_inner);
            now.board.take(line);
            now.at_s = line.at_s;
            now.told = Instant::now();
        }
        if self.table.is_drawn() {
            self.table.draw();
        } else if let Some(said) = lines::of(line) {
            self.screen.step(said.word, said.tone, &said.text);
        }
    }

    /// Ends with the summary, or with the last JSON object.
    pub(crate) fn end(self, out: &ShelfOut) {
        drop(self.table);
        if self.screen.json {
            self.screen.object(out);
            return;
        }
        let width = std::io::stdout().is_terminal().then(screen::width);
        for line in summary::lines(out, width) {
            self.screen.result(&line);
        }
    }
}
