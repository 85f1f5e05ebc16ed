//! What is told of a loaner while it is under way: the step that it is at, and the spans of those
//! that are over.

use std::{cell::RefCell, rc::Rc};

use tokio::{sync::mpsc, time::Instant};

use super::night::Message;
use crate::{
    change::{Action, Direction, Event, Step, driver::Watch, ports::Wait},
    terms::output::loaners::{ShelfEvent, ShelfStep, SpanOut},
};

/// The time of a run: since it began, in s.
#[derive(Debug, Clone, Copy)]
pub(super) struct Since(Instant);

impl Since {
    pub(super) fn now() -> Self {
        Self(Instant::now())
    }

    pub(super) fn s(self) -> f64 {
        self.0.elapsed().as_secs_f64()
    }
}

/// What is told of one loaner. Clones are handles of the same one.
#[derive(Clone)]
pub(super) struct Told {
    since: Since,
    label: Rc<str>,
    send: mpsc::UnboundedSender<Message>,
    speed: f64,
    inner: Rc<RefCell<Inner>>,
}

#[derive(Default)]
struct Inner {
    adapter: Option<String>,
    signal: Option<u8>,
    open: Option<(ShelfStep, f64)>,
    spans: Vec<SpanOut>,
    back: bool,
    awaited: bool,
}

impl Told {
    pub(super) fn new(
        since: Since,
        label: &str,
        speed: f64,
        send: mpsc::UnboundedSender<Message>,
    ) -> Self {
        Self {
            since,
            label: label.into(),
            send,
            speed,
            inner: Rc::default(),
        }
    }

    /// What went on before this try, and since when, in s since the run began.
    pub(super) fn waited(&self, before: Vec<(ShelfStep, f64)>) {
        let mut inner = self.inner.borrow_mut();
        for (step, from_s) in before {
            inner.close(from_s);
            inner.open = Some((step, from_s));
        }
    }

    /// Through which adapter it is from now on; none: through none.
    pub(super) fn through(&self, adapter: Option<&str>) {
        let now_s = self.since.s();
        let mut inner = self.inner.borrow_mut();
        if inner.adapter.as_deref() != adapter {
            // What goes on goes on without it, or through another one.
            let open = inner.open;
            inner.close(now_s);
            inner.open = open.map(|(step, _)| (step, now_s));
            inner.adapter = adapter.map(ToOwned::to_owned);
        }
    }

    /// How loud it was heard.
    pub(super) fn heard(&self, signal: u8) {
        let mut inner = self.inner.borrow_mut();
        inner.signal = inner.signal.max(Some(signal));
    }

    /// The loudest that it was heard.
    pub(super) fn signal(&self) -> Option<u8> {
        self.inner.borrow().signal
    }

    /// It goes on to a step, which is expected to take so long, in s.
    pub(super) fn step(&self, step: ShelfStep, takes_s: Option<f64>) {
        let now_s = self.since.s();
        let mut inner = self.inner.borrow_mut();
        if inner.open.is_some_and(|(open, _)| open == step) {
            return;
        }
        inner.close(now_s);
        inner.open = Some((step, now_s));
        let event = ShelfEvent::Step {
            loaner: self.label.to_string(),
            step,
            adapter: inner.adapter.clone(),
            signal: inner.signal,
            until_s: takes_s.map(|takes_s| now_s + takes_s / self.speed),
        };
        // Where nobody listens any more the run is over.
        let _ = self.send.send(Message::Told(event));
    }

    /// The step with which a try is over.
    pub(super) fn says(&self, step: ShelfStep) -> ShelfEvent {
        ShelfEvent::Step {
            loaner: self.label.to_string(),
            step,
            adapter: None,
            signal: self.signal(),
            until_s: None,
        }
    }

    /// The spans of all that is over.
    pub(super) fn spans(&self) -> Vec<SpanOut> {
        let mut inner = self.inner.borrow_mut();
        inner.close(self.since.s());
        inner.spans.clone()
    }

    /// Watches a new change.
    pub(super) fn watch(&self) -> Self {
        let mut inner = self.inner.borrow_mut();
        inner.back = false;
        inner.awaited = false;
        drop(inner);
        self.clone()
    }

    fn waits(&self, wait: &Wait) {
        self.inner.borrow_mut().awaited = true;
        if wait.by_hand {
            let label = vec![self.label.to_string()];
            let event = ShelfEvent::Power {
                on: label.clone(),
                off: label,
            };
            let _ = self.send.send(Message::Told(event));
        }
        self.step(ShelfStep::Restarting, Some(wait.usual_s.1));
    }
}

impl Inner {
    fn close(&mut self, now_s: f64) {
        if let Some((step, from_s)) = self.open.take() {
            self.spans.push(SpanOut {
                step,
                from_s,
                to_s: now_s,
                adapter: self.adapter.clone(),
            });
        }
    }
}

impl Watch for Told {
    fn before(&mut self, action: &Action) {
        let (back, awaited) = {
            let inner = self.inner.borrow();
            (inner.back, inner.awaited)
        };
        let writing = if back {
            ShelfStep::PuttingBack
        } else {
            ShelfStep::Writing
        };
        match action {
            Action::Read if awaited => self.step(ShelfStep::Proving, None),
            Action::Note(Step::Writing { direction, .. }) => {
                self.inner.borrow_mut().back = *direction == Direction::Back;
                let writing = match direction {
                    Direction::Back => ShelfStep::PuttingBack,
                    Direction::There => ShelfStep::Writing,
                };
                self.step(writing, None);
            }
            Action::Save(_) | Action::Restart => {
                self.inner.borrow_mut().awaited = true;
                self.step(writing, None);
            }
            Action::Await(wait) => self.waits(wait),
            _ => {}
        }
    }

    fn after(&mut self, _event: &Event) {}
}
