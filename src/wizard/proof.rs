//! How a change ended, and the last proof, which is the skipper's: does it follow the sticks?

use crate::{
    change::Trouble,
    cli::{
        changing::{self, Ended},
        failure::Failure,
        screen::Tone,
    },
    journal::{JournalError, ledger},
    terms::{Exit, output::Outcome},
};

use super::{advice, found, guide::Guide, place::Place};

/// Says how a change ended; where it is done, asks for the last proof.
pub(super) async fn ended(
    guide: &Guide<'_>,
    place: &Place,
    ended: &Ended,
) -> Result<Exit, Failure> {
    let Place { target, journal } = place;
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let exit = changing::say(guide.screen(), ended, target, &fingerprint);
    if ended.report.outcome == Outcome::Done {
        found::own_network(guide, place);
        last_proof(guide, place, ended).await?;
    }
    Ok(exit)
}

/// Asks whether it follows the sticks, and keeps the answer as the person's word. Whoever leaves
/// this question has said nothing, and the change is done all the same.
async fn last_proof(guide: &Guide<'_>, place: &Place, ended: &Ended) -> Result<(), Failure> {
    guide.remark(
        Tone::Plain,
        if place.target.simulated {
            "A real one is tried now. This one has no sticks to follow; answer as you like."
        } else {
            "Try it now, with propulsion still off: the transmitter first, a few seconds, then power \
             the receiver anew."
        },
    );
    let asked = guide
        .choose(
            "Does it follow the sticks?",
            &["Yes.", "No.", "I have not tried it."],
            "linkmend has proved that the receiver keeps what was written. Whether the craft answers \
             is yours to see, and goes on record as your word, beside the change. Escape leaves; \
             the change is done either way.",
        )
        .await;
    let follows = match asked {
        Ok(0) => true,
        Ok(1) => false,
        Ok(_) | Err(Failure::Stopped) => {
            guide.remark(
                Tone::Plain,
                "The change is done; nothing more was put on record.",
            );
            return Ok(());
        }
        Err(failure) => return Err(failure),
    };
    if let Some(change) = ended.change {
        ledger::say_follows(&place.journal, change, follows)
            .await
            .map_err(|error| unkept(&error))?;
        guide.remark(
            Tone::Good,
            &format!("On record with change {}, as your word.", change.0),
        );
    }
    if !follows && let Some(last) = &ended.report.last {
        guide.list("What to look at next:", &advice::other_end(last));
        guide.remark(
            Tone::Plain,
            "If the transmitter shows a link and nothing moves, start linkmend again and choose 2.",
        );
    }
    Ok(())
}

/// The change is done and on record; only the word is not.
fn unkept(error: &JournalError) -> Failure {
    Failure::Trouble(Trouble::new(
        "journal-io",
        format!("the change is done, and your word could not be put on record: {error}"),
        None,
    ))
}
