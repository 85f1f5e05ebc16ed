//! What a scenario can change of a plain locked receiver, and which scenario changes what.

use crate::scenario::Scenario;

impl Scenario {
    /// What it changes of a plain locked receiver.
    pub(crate) fn hooks(self) -> Hooks {
        let mut hooks = Hooks::default();
        match self {
            Scenario::Locked => {}
            Scenario::Unbound => {
                hooks.bound = false;
                hooks.locked = false;
            }
            Scenario::Healthy => hooks.locked = false,
            Scenario::Faulty => {
                hooks.locked = false;
                hooks.radio_answers = false;
            }
            Scenario::LockReturns => hooks.lock_returns = true,
            Scenario::NoAnswer => hooks.restart = RestartHook::BeforeAnswer,
            Scenario::LostRestart => hooks.restart = RestartHook::Lost,
            Scenario::OmittedReset => hooks.omitted_reset = true,
            Scenario::SwappedBeforeWrite => hooks.swap = Some(Swap::AfterReading),
            Scenario::SwappedAfterRestart => hooks.swap = Some(Swap::AtReturn),
            Scenario::Stalled => hooks.reading = Wire::Stalled,
            Scenario::StalledSave => hooks.save = Wire::Silent,
            Scenario::CutOff => hooks.reading = Wire::Cut,
            Scenario::CutOffSave => hooks.save = Wire::Cut,
            Scenario::ExpiredToken => hooks.tokens_expire = true,
            Scenario::RefusedLogin => hooks.lets_in = false,
            Scenario::DiskFull => hooks.keeps = Keeps::Nothing,
            Scenario::HalfSaved => hooks.keeps = Keeps::Half,
            Scenario::RedirectAfterSave => hooks.save = Wire::Redirected { to_itself: false },
            Scenario::RedirectToSave => hooks.save = Wire::Redirected { to_itself: true },
            Scenario::RedirectElsewhere => hooks.reading = Wire::Elsewhere,
            Scenario::EndlessBody => hooks.reading = Wire::Endless,
            Scenario::Bomb => hooks.reading = Wire::Bomb,
            Scenario::DeepNesting => hooks.reading = Wire::Deep,
            Scenario::HostileText => hooks.hostile = true,
            Scenario::LengthTooLong => hooks.reading = Wire::LengthTooLong,
            Scenario::LengthTooShort => hooks.reading = Wire::LengthTooShort,
            Scenario::DoubleLength => hooks.reading = Wire::LengthTwice,
            Scenario::OddHeaders => hooks.dress = Dress::Odd,
            Scenario::ManyHeaders => hooks.dress = Dress::Many,
            Scenario::ClosesEach => hooks.dress = Dress::ClosesUnannounced,
        }
        hooks
    }
}

/// What a scenario can change.
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a fault of its own, and any of them may go with any other"
)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Hooks {
    /// Whether it starts with a bind key.
    pub(crate) bound: bool,
    /// Whether it starts with a model lock to slot 7.
    pub(crate) locked: bool,
    /// Whether it reaches its radio part.
    pub(crate) radio_answers: bool,
    /// Whether each restart brings the lock to slot 7 back.
    pub(crate) lock_returns: bool,
    /// Whether fields left out of a save are reset where the family itself would keep them.
    pub(crate) omitted_reset: bool,
    /// What becomes of a request that restarts it.
    pub(crate) restart: RestartHook,
    /// When another device takes its place.
    pub(crate) swap: Option<Swap>,
    /// How the answers that hold the settings go over the wire.
    pub(crate) reading: Wire,
    /// How the answers to saves that were taken go over the wire.
    pub(crate) save: Wire,
    /// How much of a good save is kept.
    pub(crate) keeps: Keeps,
    /// Whether the tokens that were given out before the first save are refused.
    pub(crate) tokens_expire: bool,
    /// Whether a good login is let in.
    pub(crate) lets_in: bool,
    /// Whether its texts are made to harm who shows them.
    pub(crate) hostile: bool,
    /// What every answer wears.
    pub(crate) dress: Dress,
}

impl Default for Hooks {
    fn default() -> Self {
        Self {
            bound: true,
            locked: true,
            radio_answers: true,
            lock_returns: false,
            omitted_reset: false,
            restart: RestartHook::Usual,
            swap: None,
            reading: Wire::Whole,
            save: Wire::Whole,
            keeps: Keeps::All,
            tokens_expire: false,
            lets_in: true,
            hostile: false,
            dress: Dress::Plain,
        }
    }
}

/// What becomes of a request that restarts a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RestartHook {
    /// It is answered, and the restart follows.
    Usual,
    /// The restart comes first; the connection is reset without a byte.
    BeforeAnswer,
    /// It is answered, and nothing follows.
    Lost,
}

/// When another device takes the place of the first, once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Swap {
    /// As soon as the settings were read for the first time.
    AfterReading,
    /// When the network is there again after the first restart.
    AtReturn,
}

/// How an answer goes over the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wire {
    /// As it is.
    Whole,
    /// Its head and half of its body, then the connection closes.
    Cut,
    /// Its head and half of its body, then nothing more.
    Stalled,
    /// Nothing at all, and the connection stays open.
    Silent,
    /// Its head without a length, its body, and more that never ends.
    Endless,
    /// A little that inflates to very much.
    Bomb,
    /// With something deeply nested in it.
    Deep,
    /// A redirect to another origin in its place.
    Elsewhere,
    /// A redirect that asks for the same request again, to another path or to its own.
    Redirected {
        /// Whether it leads to its own path.
        to_itself: bool,
    },
    /// As it is, with a Content-Length that tells more.
    LengthTooLong,
    /// As it is, with a Content-Length that tells half.
    LengthTooShort,
    /// As it is, with two Content-Lengths.
    LengthTwice,
}

/// How much of a good save is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Keeps {
    /// All of it.
    All,
    /// Nothing, and the answer says that there is no room.
    Nothing,
    /// The first half of its fields, and the answer says that something failed.
    Half,
}

/// What every answer wears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Dress {
    /// Headers as they should be.
    Plain,
    /// Headers as nobody should write them.
    Odd,
    /// Some hundred headers more.
    Many,
    /// Nothing that says that the connection will be closed.
    ClosesUnannounced,
}
