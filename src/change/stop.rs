//! The troubles that end a change, each in the same words wherever it is met.

use super::report::Trouble;
use crate::terms::{Exit, SettingName, Snapshot};

pub(super) fn declined() -> Trouble {
    Trouble::new("declined", "you said no; nothing was written", None).ending(Exit::Refused)
}

/// Local rules set it, so it never goes along with anything else.
pub(super) fn alone_only(setting: &SettingName) -> Trouble {
    Trouble::new(
        "set-by-rules",
        format!("`{setting}` is set by local rules, and never together with other settings"),
        Some(
            "write it in a command of its own, at a terminal: you are asked to type the new value",
        ),
    )
    .ending(Exit::Refused)
}

pub(super) fn cancelled() -> Trouble {
    Trouble::new("cancelled", "stopped by you", None).ending(Exit::Cancelled)
}

/// `unfinished`: whether an earlier step may have written, so that there is something to resume.
pub(super) fn another_device(seen: &Snapshot, unfinished: bool) -> Trouble {
    Trouble::new(
        "another-device",
        format!("another device answers there: {}", seen.device.identity),
        Some(if unfinished {
            "power only the receiver that was read first, then run `linkmend resume`"
        } else {
            "power only the receiver that you mean, then start again"
        }),
    )
    .ending(Exit::Refused)
}

pub(super) fn only_address() -> Trouble {
    Trouble::new(
        "identity-undetermined",
        "only its address tells this receiver from others, so nothing is put back by itself",
        Some(
            "`linkmend history` has what was there; after `linkmend resume CHANGE --close`, \
             `linkmend restore` writes it when you say so",
        ),
    )
    .ending(Exit::Refused)
}

pub(super) fn gone_for_good() -> Trouble {
    Trouble::new(
        "not-back",
        "the device did not answer again after it was written to",
        Some("power it off and on, wait for its network, then run `linkmend resume`"),
    )
}

pub(super) fn unfinished_change(change: i64) -> Trouble {
    Trouble::new(
        "unfinished-change",
        format!("change {change} of this receiver is unfinished"),
        Some(&format!(
            "run `linkmend resume` first; `linkmend resume {change} --close` leaves it as it is"
        )),
    )
    .ending(Exit::Refused)
}
