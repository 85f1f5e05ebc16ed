//! How a change ended, and the last proof, which is the skipper's: does it follow the sticks?

use crate::{
    change::Trouble,
    cli::{
        changing::{self, Ended},
        failure::Failure,
        guide::Guide,
        screen::Tone,
    },
    journal::ledger,
    terms::{Exit, output::Outcome},
};

use super::{advice, found, place::Place};

/// Says how a change ended. Where it is done, and where only seeing whether it works can tell, asks
/// for the last proof.
pub(super) async fn ended(
    guide: &Guide<'_>,
    place: &Place,
    ended: &Ended,
) -> Result<Exit, Failure> {
    let Place { target, journal } = place;
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let exit = changing::say(guide.screen(), ended, target, &fingerprint);
    let trouble = ended.report.trouble.as_ref();
    let not_shown = trouble.is_some_and(|trouble| trouble.code == Trouble::NOT_SHOWN);
    if ended.report.outcome == Outcome::Done || not_shown {
        found::own_network(guide, place);
        last_proof(guide, place, ended).await;
    }
    Ok(exit)
}

/// Asks whether it follows the sticks, and keeps the answer as the person's word. Whoever leaves
/// this question has said nothing. Whatever goes wrong here, the change is as it was before.
async fn last_proof(guide: &Guide<'_>, place: &Place, ended: &Ended) {
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
            "What linkmend has proved stands above. Whether the craft answers is yours to see, and \
             goes on record as your word, apart from that. Escape leaves; the change stays as it is \
             either way.",
        )
        .await;
    let unkept = |why: String| {
        let text = format!("Your word was not put on record: {why}");
        guide.remark(Tone::Careful, &text);
    };
    let follows = match asked {
        Ok(0) => true,
        Ok(1) => false,
        Ok(_) | Err(Failure::Stopped) => {
            guide.remark(
                Tone::Plain,
                "It stands as told above; nothing more is on record.",
            );
            return;
        }
        Err(failure) => return unkept(failure.to_string()),
    };
    if let Some(change) = ended.change {
        match ledger::say_follows(&place.journal, change, follows).await {
            Ok(()) => guide.remark(
                Tone::Good,
                &format!("On record with change {}, as your word.", change.0),
            ),
            Err(error) => unkept(error.to_string()),
        }
    }
    if !follows && let Some(last) = &ended.report.last {
        guide.list("What to look at next:", &advice::other_end(last));
        guide.remark(
            Tone::Plain,
            "If the transmitter shows a link and nothing moves, start linkmend again and choose 2.",
        );
    }
}
