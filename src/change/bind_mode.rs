//! Bind mode, by a family's own request: asked for once, and seen or not.
//!
//! It writes no setting. What holds for a change holds here too: the device is the one that was
//! read, what was there is on disk before anything leaves, the request is sent once, and "done" is
//! said only of what the device shows afterwards.

use super::{
    compare::Comparison,
    over_session::SessionDevice,
    plan::Wanted,
    ports::{Device, Ledger, Sent},
    report::{Report, Trouble},
    step::Step,
};
use crate::{
    profile::{Pattern, Profile},
    terms::{Exit, PlaceName, RequestName, Sameness, Snapshot, output::Outcome},
};

/// How a family is put into bind mode by a request.
#[derive(Debug, Clone, Copy)]
pub struct ByRequest<'a> {
    /// The family.
    pub profile: &'a Profile,
    /// The request, which acts.
    pub request: &'a RequestName,
    /// What stands where while it is in bind mode.
    pub shows: &'a [(PlaceName, Pattern)],
    /// Go on where nothing but the address tells the device from others.
    pub trust_address: bool,
}

impl ByRequest<'_> {
    /// Whether the last reading shows that the device is in bind mode.
    pub fn shown(&self, device: &SessionDevice) -> bool {
        device.shows(self.shows)
    }

    /// Asks the device for bind mode, once, and looks. It was agreed to, and `before` is what it
    /// was agreed upon. Not to be dropped halfway.
    pub async fn start(
        &self,
        device: &mut SessionDevice,
        ledger: &mut impl Ledger,
        before: &Snapshot,
    ) -> Report {
        let report = self.go(device, ledger, before).await;
        let report = report.unwrap_or_else(|trouble| not_started(before, trouble));
        match ledger.end(&report).await {
            Ok(()) => report,
            Err(trouble) => {
                let note = format!("the journal failed at the end: {}", trouble.message);
                let notes = [report.notes, vec![note]].concat();
                Report { notes, ..report }
            }
        }
    }

    /// An error says that surely nothing was sent.
    async fn go(
        &self,
        device: &mut SessionDevice,
        ledger: &mut impl Ledger,
        before: &Snapshot,
    ) -> Result<Report, Trouble> {
        ledger.keep(before).await?;
        ledger.step(&Step::Agreed).await?;
        let now = device.read().await?;
        let moved = Comparison::new(self.profile, before, &now, &Wanted::new());
        if !self.is_same(before, &now) || !moved.holds() {
            let message = format!(
                "it is not as it was read a moment ago: {}",
                if moved.holds() {
                    "another device answers".into()
                } else {
                    moved.words()
                }
            );
            let help = "power only the receiver that you mean, then start again";
            let trouble = Trouble::new("changed-meanwhile", message, Some(help));
            return Err(trouble.ending(Exit::Refused));
        }
        ledger.step(&Step::Asking(self.request.clone())).await?;
        let sent = device.act(self.request).await;
        if let Sent::NotSent(trouble) = sent {
            return Err(trouble);
        }
        let noted = ledger.step(&Step::Asked(sent.words())).await;
        let mut report = self.look(device, before, &sent).await;
        if let Err(trouble) = noted {
            let note = format!("the journal failed on the way: {}", trouble.message);
            report.notes.push(note);
        }
        Ok(report)
    }

    /// What became of it.
    async fn look(&self, device: &mut SessionDevice, before: &Snapshot, sent: &Sent) -> Report {
        let unproved = |why: String, last: &Snapshot| {
            let help = "look at the receiver; switched off and on again, it is out of bind mode";
            let trouble = Trouble::new(Trouble::NOT_SHOWN, why, Some(help));
            ended(Outcome::Unproved, Exit::Unproved, Some(trouble), last)
        };
        let now = match device.read().await {
            Ok(now) => now,
            Err(trouble) => {
                let why = format!(
                    "it was asked, and could not be read since: {}",
                    trouble.message
                );
                return unproved(why, before);
            }
        };
        if !self.is_same(before, &now) {
            return unproved("it was asked, and another device answers now".into(), &now);
        }
        let moved = Comparison::new(self.profile, before, &now, &Wanted::new());
        if !moved.holds() {
            return unproved(format!("it was asked, and then: {}", moved.words()), &now);
        }
        match (self.shown(device), sent) {
            (true, _) => {
                let mut report = ended(Outcome::Done, Exit::Done, None, &now);
                report
                    .notes
                    .push("it shows that it is in bind mode (read back)".into());
                report
            }
            (false, Sent::Refused(says)) => {
                let help = "read it again: it may be busy, or the profile may not fit its firmware";
                let message = format!("it refused, and is not in bind mode: {says}");
                let mut report = not_started(before, Trouble::new("refused", message, Some(help)));
                report.wrote = true;
                report
            }
            (false, _) => unproved(
                format!(
                    "it does not show that it is in bind mode ({})",
                    sent.words()
                ),
                &now,
            ),
        }
    }

    fn is_same(&self, before: &Snapshot, now: &Snapshot) -> bool {
        match before.device.identity.compare(&now.device.identity) {
            Sameness::Same => true,
            Sameness::Different => false,
            Sameness::Undetermined => self.trust_address && !before.device.identity.is_strong(),
        }
    }
}

/// Surely nothing came of it.
fn not_started(before: &Snapshot, trouble: Trouble) -> Report {
    let exit = trouble.exit;
    let outcome = if exit == Exit::Refused {
        Outcome::Refused
    } else {
        Outcome::Failed
    };
    Report {
        wrote: false,
        ..ended(outcome, exit, Some(trouble), before)
    }
}

fn ended(outcome: Outcome, exit: Exit, trouble: Option<Trouble>, last: &Snapshot) -> Report {
    Report {
        outcome,
        exit,
        lines: Vec::new(),
        trouble,
        notes: Vec::new(),
        last: Some(Box::new(last.clone())),
        wrote: true,
    }
}
