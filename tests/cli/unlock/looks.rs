//! What a person and a script must see of `unlock` in each scenario, for each simulated family.

use mock_device::{Family, Scenario};

/// What a scenario must look like.
pub(super) struct Looks {
    pub(super) code: i32,
    pub(super) outcome: &'static str,
    pub(super) proof: &'static str,
    /// Words that the person sees.
    pub(super) words: &'static [&'static str],
    /// Saves and restarts of the first device.
    pub(super) saves: u64,
    pub(super) boots: u64,
}

const DONE: Looks = Looks {
    code: 0,
    outcome: "done",
    proof: "after-restart",
    words: &[
        "verdict locked: it is locked to slot 7",
        "kept what was there is on disk",
        "plan model-lock slot 7 → off",
        "proof read after a witnessed restart",
        "done, and proved model-lock slot 7 → off [proved: read after a witnessed restart]",
        "what was there is record 1",
        "The last proof is the skipper's: does it follow the sticks?",
    ],
    saves: 1,
    boots: 1,
};

/// Nothing is in the way of the lock, so nothing is written.
const NOTHING: Looks = Looks {
    code: 0,
    outcome: "nothing-to-do",
    proof: "",
    words: &["nothing to do: it is set as wanted"],
    saves: 0,
    boots: 0,
};

/// No settings could be read.
const UNREAD: Looks = Looks {
    code: 1,
    outcome: "",
    proof: "",
    words: &[
        "error: the answer to `GET /",
        "help: go closer to the device",
    ],
    saves: 0,
    boots: 0,
};

/// The save was refused, and that is proved by reading.
const NOT_TAKEN: Looks = Looks {
    code: 5,
    outcome: "put-back",
    proof: "none",
    words: &[],
    saves: 0,
    boots: 0,
};

pub(super) fn looks(family: Family, scenario: Scenario) -> Looks {
    match scenario {
        Scenario::Locked | Scenario::OmittedReset => DONE,
        Scenario::Unbound => Looks {
            words: &["verdict unbound: it has no bind key", "nothing to do"],
            ..NOTHING
        },
        Scenario::Healthy => Looks {
            words: &["verdict healthy: ", "nothing to do"],
            ..NOTHING
        },
        Scenario::Faulty => Looks {
            words: &[
                "verdict faulty: its processor runs but does not reach its radio part",
                "no setting mends that",
            ],
            ..NOTHING
        },
        Scenario::LockReturns => Looks {
            code: 5,
            outcome: "put-back",
            proof: "none",
            words: &[
                "it did not take; what was there is back, proved",
                "[not proved: it did not take]",
                "error: the change did not take; the device has what it had before",
                "some set a lock again by themselves",
            ],
            ..DONE
        },
        Scenario::NoAnswer => Looks {
            words: &[
                "no answer: `POST",
                "the connection was reset",
                "done, and proved",
            ],
            ..DONE
        },
        Scenario::StalledSave => Looks {
            words: &["no answer: `POST", "was not answered", "done, and proved"],
            ..DONE
        },
        // There a save is answered with a redirect, which has nothing to be cut off.
        Scenario::CutOffSave if family == Family::SampleLogin => Looks {
            words: &["done, and proved"],
            ..DONE
        },
        Scenario::CutOffSave => Looks {
            words: &["no answer: status 200, and then", "done, and proved"],
            ..DONE
        },
        Scenario::LostRestart => Looks {
            code: 7,
            outcome: "unproved",
            proof: "read-back",
            words: &[
                "it answers, and was never gone",
                "NOT PROVED",
                "[read back: read back after it was written]",
                "error: it shows what it should, but no restart of it was witnessed",
                "help: power it off and on, wait for its network, then run `linkmend resume`",
            ],
            boots: 0,
            ..DONE
        },
        Scenario::SwappedBeforeWrite | Scenario::SwappedAfterRestart => swapped(family, scenario),
        Scenario::Stalled | Scenario::CutOff => UNREAD,
        _ => on_the_wire(family, scenario),
    }
}

/// Another device takes its place; where it shows a serial, that tells.
fn swapped(family: Family, scenario: Scenario) -> Looks {
    match scenario {
        Scenario::SwappedBeforeWrite => Looks {
            code: 6,
            outcome: "refused",
            proof: "none",
            words: if family == Family::SampleScript {
                &[
                    "refused; nothing was written",
                    "it is not as it was read a moment ago: `name` changed by itself",
                ]
            } else {
                &[
                    "refused; nothing was written",
                    "error: another device answers there: serial",
                    "help: power only the receiver that you mean, then start again",
                ]
            },
            saves: 0,
            boots: 0,
        },
        _ => Looks {
            code: 7,
            outcome: "unproved",
            proof: "none",
            words: if family == Family::SampleScript {
                &[
                    "NOT PROVED",
                    "`name` changed by itself",
                    "only its address tells this receiver from others, so nothing is put back",
                ]
            } else {
                &[
                    "NOT PROVED",
                    "[not proved: it was sent, and not seen since]",
                    "error: another device answers there: serial",
                    "help: power only the receiver that was read first",
                ]
            },
            ..DONE
        },
    }
}

/// What becomes of a save, or of an answer on its way.
fn on_the_wire(family: Family, scenario: Scenario) -> Looks {
    match scenario {
        Scenario::HostileText
        | Scenario::OddHeaders
        | Scenario::ClosesEach
        | Scenario::RedirectAfterSave
        | Scenario::RedirectToSave => Looks {
            words: &["done, and proved"],
            ..DONE
        },
        Scenario::ExpiredToken => Looks {
            words: &["refused: 403", "the device has what it had before"],
            ..NOT_TAKEN
        },
        Scenario::DiskFull => Looks {
            words: &["refused: 507 Not kept: no room.", "what was there is back"],
            ..NOT_TAKEN
        },
        // The half that is kept holds the lock. Where a save restarts the receiver this one does
        // not, so nothing proves it.
        Scenario::HalfSaved if family == Family::SampleForm => Looks {
            code: 7,
            outcome: "unproved",
            proof: "read-back",
            words: &["refused: 500", "no restart of it was witnessed"],
            boots: 0,
            ..DONE
        },
        Scenario::HalfSaved => Looks {
            words: &["refused: 500", "done, and proved"],
            ..DONE
        },
        Scenario::RefusedLogin => Looks {
            code: 6,
            words: &[
                "error: the login was refused; the device says: Not let in.",
                "it was tried once",
            ],
            ..UNREAD
        },
        Scenario::RedirectElsewhere => Looks {
            words: &["leads away from the device, to `http://192.0.2.1`"],
            ..UNREAD
        },
        Scenario::EndlessBody | Scenario::Bomb => Looks {
            words: &["is larger than 1048576 bytes"],
            ..UNREAD
        },
        Scenario::DeepNesting | Scenario::LengthTooShort | Scenario::LengthTooLong => {
            misread(family, scenario)
        }
        Scenario::DoubleLength | Scenario::ManyHeaders => Looks {
            words: &["what came back is no sound HTTP answer"],
            ..UNREAD
        },
        other => panic!("{other} is told before"),
    }
}

/// Answers that are other than they say: what tells that, and when, is another thing in each family.
fn misread(family: Family, scenario: Scenario) -> Looks {
    let deep = scenario == Scenario::DeepNesting;
    match (family, scenario) {
        // It says how a whole page ends, and this one does.
        (Family::SampleForm, Scenario::LengthTooLong) => DONE,
        (_, Scenario::LengthTooLong) => Looks {
            words: &["is incomplete: the connection ended before the answer did"],
            ..UNREAD
        },
        // The page that it is recognised by is the one that holds the settings.
        (Family::SampleForm, _) => Looks {
            code: 3,
            words: if deep {
                &["is not looked at: the page nests deeper than 512 levels"]
            } else {
                &["fits none of"]
            },
            ..UNREAD
        },
        _ => Looks {
            words: match (deep, family) {
                (true, _) => &["deeper than 512 levels"],
                (false, Family::SampleScript) => &["its compressed body ends early"],
                (false, _) => &["error: the"],
            },
            ..UNREAD
        },
    }
}
