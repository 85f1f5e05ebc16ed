//! The wait for a receiver's network, as a person watches it.
//!
//! At a terminal one line counts down; elsewhere a line now and then says how far it is. What may be
//! the matter is said once, when the time in which the network should have opened has passed.

use crate::{
    cli::{
        screen::{Busy, Screen, Tone},
        seconds,
    },
    find::wait::Progress,
    profile::Span,
};

use super::advice;

/// How often a log is told how far the wait is, in s. No source.
const LINE_EVERY_S: f64 = 15.0;

/// How long the first scan takes, in s: both bands, as seen.
const FIRST_SCAN_S: f64 = 4.0;

/// How long a receiver may wait without air over it before that is said again, in s. No source: when
/// it gets hot differs; a minute and a half is when most networks are open.
const WARM_S: f64 = 90.0;

/// Shows the wait.
pub(super) struct Countdown {
    screen: Screen,
    busy: Busy,
    said_s: Option<f64>,
    advised: bool,
    warned: bool,
}

impl Countdown {
    /// Begins.
    pub(super) fn new(screen: Screen) -> Self {
        Self {
            screen,
            busy: screen.busy("looking for its network"),
            said_s: None,
            advised: false,
            warned: false,
        }
    }

    /// Shows how far it is.
    pub(super) fn show(&mut self, progress: &Progress) {
        // What the first scan brings comes before any countdown.
        if progress.passed_s < FIRST_SCAN_S {
            return;
        }
        let line = line(progress);
        self.busy.say(&line);
        if !self.busy.is_drawn() {
            let due = self
                .said_s
                .is_none_or(|said| progress.passed_s - said >= LINE_EVERY_S);
            if due {
                self.said_s = Some(progress.passed_s);
                self.screen.step("wait", Tone::Plain, &line);
            }
        }
        if progress.powered_s >= WARM_S && !self.warned {
            self.warned = true;
            self.screen.remark(
                Tone::Careful,
                "It may get hot while it waits: keep air moving over it, or switch it off for a \
                 while.",
            );
        }
        if !progress.advice.is_empty() && !self.advised {
            self.advised = true;
            self.screen.remark(
                Tone::Careful,
                "Its network should be there by now. What may be the matter:",
            );
            if !self.screen.is_silent() {
                for one in &progress.advice {
                    self.screen.item("-", advice::words(*one));
                }
            }
        }
    }
}

/// `its network opens in 12 to 27 s; powered for 28 s: air over it?`.
fn line(progress: &Progress) -> String {
    let powered = seconds::exact(progress.powered_s);
    let when = match progress.left_s() {
        None => "its network is not there yet".into(),
        Some(Span { from, to }) if from > 0.0 => {
            format!("its network opens in {}", seconds::range(from, to))
        }
        Some(Span { to, .. }) if to > 0.0 => {
            format!("its network opens within {}", seconds::exact(to))
        }
        Some(Span { to, .. }) => format!("its network is overdue by {}", seconds::exact(-to)),
    };
    format!("{when}; powered for {powered}: air over it?")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn progress(powered_s: f64, window_s: Option<Span>) -> Progress {
        Progress {
            passed_s: powered_s,
            powered_s,
            window_s,
            scans: 1,
            heard: 3,
            advice: Vec::new(),
        }
    }

    #[test]
    fn line_counts_down_to_the_window_through_it_and_past_it() {
        let window = Some(Span {
            from: 40.0,
            to: 55.0,
        });
        assert!(line(&progress(28.0, window)).contains("opens in 12 to 27 s"));
        assert!(line(&progress(50.0, window)).contains("within 5 s"));
        assert!(line(&progress(75.0, window)).contains("overdue by 20 s"));
        assert!(line(&progress(75.0, window)).contains("powered for 1 min 15 s"));
        assert!(line(&progress(75.0, None)).contains("not there yet"));
    }
}
