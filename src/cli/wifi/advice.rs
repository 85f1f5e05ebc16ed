//! What may be the matter when no network opens, in words. All of it is common practice without a
//! published source, and all of it is in the program, since there is no internet on a muddy field.

use crate::find::wait::Advice;

/// All that may be the matter where nothing was heard that tells more, the likeliest first.
pub(crate) fn not_there() -> [&'static str; 7] {
    [
        Advice::NotPowered,
        Advice::TransmitterOn,
        Advice::PlaceTaken,
        Advice::JoinedStored,
        Advice::BindMode,
        Advice::TooFar,
        Advice::SwitchedOff,
    ]
    .map(words)
}

/// What to look at, for a person.
pub(crate) fn words(advice: Advice) -> &'static str {
    match advice {
        Advice::NothingHeard => {
            "This adapter hears no network at all: see that it is switched on, take another one, or \
             go where there are some."
        }
        Advice::OtherBandOnly => {
            "This adapter hears no network at 2.4 GHz, and receivers open theirs there: take an \
             adapter that can do it, or switch that band on."
        }
        Advice::SecuredOtherwise => {
            "A network of that name is there and is secured in another way than this family's: it \
             is another device's, or a copy."
        }
        Advice::WasHeard => {
            "Its network was there and is gone: go closer, and see that its battery is not empty."
        }
        Advice::NotPowered => {
            "It has no power, or was powered later than thought. The wait begins with power-up, and \
             anew with every link."
        }
        Advice::TransmitterOn => {
            "A transmitter with its bind key is on nearby, be it a friend's. Even a receiver that is \
             locked to another number may count that as a link: switch it off."
        }
        Advice::JoinedStored => {
            "It has joined a local network that it keeps: `linkmend find` shows it there, with the \
             address that leads to it (--at)."
        }
        Advice::PlaceTaken => "Another phone or computer holds its only place: let it leave.",
        Advice::BindMode => {
            "It is in bind mode, as after three short power cycles: power off, about 10 s, power on \
             once."
        }
        Advice::TooFar => "It is too far away: go closer, with nothing of metal in between.",
        Advice::SwitchedOff => "Its owner has switched its own network off.",
    }
}
