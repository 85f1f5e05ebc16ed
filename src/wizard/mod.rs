//! `linkmend` without a command: what do you see? Then one question at a time, up to the skipper's
//! own proof.
//!
//! It owns the questions and their words; what is read, judged and written goes the same ways as
//! `read` and `unlock` go. It guards against a person who has no manual and no network: every
//! question explains itself, can be left with everything as it was, and none is open while
//! something is written.
//!
//! ```text
//! $ linkmend
//! What do you see?
//!   1  It does not answer its transmitter.
//!   2  It is linked, but nothing moves.
//!   …
//! Which one? [1 to 4, ? for help] 1
//! ```

mod advice;
mod bind;
mod found;
mod lock;
mod place;
mod proof;

use crate::cli::guide::Guide;
use crate::{
    change::Trouble,
    cli::{context::Context, failure::Failure, screen::Tone},
    journal::{Archive, ledger},
    terms::Exit,
};

/// Walks through all questions. The caller has made sure that there is a terminal.
pub(crate) async fn run(context: &Context) -> Result<Exit, Failure> {
    let guide = Guide::new(context);
    guide.remark(
        Tone::Plain,
        "One question at a time. ? explains, Escape leaves. Nothing is written to a receiver before \
         you have seen what it is, and said yes.",
    );
    cut_off(&guide);
    match what(&guide).await? {
        Seen::Silent => silent(&guide).await,
        Seen::Still => still(&guide).await,
        Seen::Nothing => {
            if built_in(&guide).await? {
                guide.list(
                    "There is nothing to read it back from:",
                    &advice::UNREACHABLE,
                );
                return Ok(Exit::Done);
            }
            ready(&guide).await?;
            let place = place::which(&guide).await?;
            found::show_all(&guide, &place).await
        }
        Seen::Shelf => shelf(&guide).await,
    }
}

/// What the person sees.
enum Seen {
    /// It does not answer.
    Silent,
    /// Linked, and nothing moves.
    Still,
    /// Nothing is wrong.
    Nothing,
    /// Many of them.
    Shelf,
}

async fn what(guide: &Guide<'_>) -> Result<Seen, Failure> {
    let chosen = guide
        .choose(
            "What do you see?",
            &[
                "It does not answer its transmitter.",
                "It is linked, but nothing moves.",
                "Nothing is wrong: I only want to read it back.",
                "I have a whole shelf of them.",
            ],
            "1: the sticks do nothing, and the transmitter shows no link. 2: the transmitter shows a \
             good link, and servos and motors stay still all the same. 3: all settings are shown and \
             kept on record, and nothing is changed. 4: which commands go through all of them in one run.",
        )
        .await?;
    Ok(match chosen {
        0 => Seen::Silent,
        1 => Seen::Still,
        2 => Seen::Nothing,
        _ => Seen::Shelf,
    })
}

async fn built_in(guide: &Guide<'_>) -> Result<bool, Failure> {
    let chosen = guide
        .choose(
            "What kind of receiver is it?",
            &[
                "A board of its own, joined to the craft by wires.",
                "Built into the craft's controller board.",
            ],
            "A board of its own is small, with its own antenna, and three or four wires lead from it \
             to the controller board or to the servos. Where the antenna sits on the controller \
             board itself, the receiver is built in. If you cannot tell, take 1: a network that \
             never opens tells too.",
        )
        .await?;
    Ok(chosen == 1)
}

async fn silent(guide: &Guide<'_>) -> Result<Exit, Failure> {
    if built_in(guide).await? {
        guide.list("Nothing here can reach it:", &advice::UNREACHABLE);
        guide.list("What to check instead:", &advice::BUILT_IN);
        return Ok(Exit::Done);
    }
    ready(guide).await?;
    let place = place::which(guide).await?;
    found::mend(guide, &place).await
}

async fn still(guide: &Guide<'_>) -> Result<Exit, Failure> {
    let built_in = built_in(guide).await?;
    guide.list(
        "A good link and no movement is a fault behind the receiver, and no setting that can be \
         reached over Wi-Fi is likely to mend it. Look there, one after the other:",
        if built_in {
            &advice::BEHIND_BUILT_IN
        } else {
            &advice::BEHIND
        },
    );
    if built_in {
        return Ok(Exit::Done);
    }
    let read = guide
        .agree(
            "Read back now what the receiver speaks on its wires?",
            "This reads its output, rate, channel order and failsafe over its own Wi-Fi, so that you \
             can hold them against what the controller is set to. It changes nothing.",
        )
        .await?;
    if !read {
        return Ok(Exit::Done);
    }
    ready(guide).await?;
    let place = place::which(guide).await?;
    found::show_outputs(guide, &place).await
}

async fn shelf(guide: &Guide<'_>) -> Result<Exit, Failure> {
    guide.list(
        "A whole shelf is described in one file, and gone through in one run:",
        &advice::SHELF,
    );
    let go_on = guide
        .agree(
            "Go through a single one of them now?",
            "This goes on as for a single receiver, and needs no file. A lock may be there on purpose, with \
             another number for every craft: set it to the number of its transmitter instead of clearing \
             it.",
        )
        .await?;
    if go_on {
        silent(guide).await
    } else {
        Ok(Exit::Done)
    }
}

/// What must be so before anything is powered.
async fn ready(guide: &Guide<'_>) -> Result<(), Failure> {
    guide.list("Before it is powered:", &advice::READY);
    if guide.agree("Is all of this so?", advice::WHY_READY).await? {
        return Ok(());
    }
    Err(Failure::Trouble(
        Trouble::new(
            "not-ready",
            "not ready yet; nothing was read or changed",
            Some("see to it, then start linkmend again"),
        )
        .ending(Exit::Refused),
    ))
}

/// Changes that an earlier run left unfinished are told first.
fn cut_off(guide: &Guide<'_>) {
    // What is wrong with a journal is told where it is opened to be written.
    let Ok(folder) = guide.context.folder(false) else {
        return;
    };
    let unfinished = Archive::open(&folder)
        .and_then(|archive| ledger::unfinished(&archive))
        .unwrap_or_default();
    // What is open while somebody else writes is under way.
    if unfinished.is_empty() || folder.holder().is_some() {
        return;
    }
    guide.remark(
        Tone::Careful,
        &format!(
            "{} cut off earlier: `linkmend resume` finishes or undoes it, and comes first.",
            match unfinished.len() {
                1 => "A change was".into(),
                many => format!("{many} changes were"),
            }
        ),
    );
}
