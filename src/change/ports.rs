//! What the driver of a change needs from the world, as small contracts.

#![expect(
    async_fn_in_trait,
    reason = "the driver runs on one task and needs no Send"
)]

use super::{
    plan::{Plan, PlanLine},
    report::{Report, Trouble},
    step::{BootTime, Direction, Step},
};
use crate::terms::{Identity, Overlay, SaveName, Snapshot, Witness};

/// How an acting request ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Sent {
    /// It was answered as the profile expects.
    Answered(String),
    /// It was answered, and the device says that it refused.
    Refused(String),
    /// It may have been carried out: the answer is missing, cut or unexpected.
    NoAnswer(String),
    /// It surely never reached the device.
    NotSent(Trouble),
}

impl Sent {
    /// In words, for the journal.
    pub fn words(&self) -> String {
        match self {
            Sent::Answered(says) => format!("answered: {says}"),
            Sent::Refused(says) => format!("refused: {says}"),
            Sent::NoAnswer(why) => format!("no answer: {why}"),
            Sent::NotSent(trouble) => format!("not sent: {}", trouble.message),
        }
    }
}

/// One device that can be read and written. Every call is one attempt as the person sees it:
/// reading may repeat requests that do not act, writing and restarting send exactly one request
/// or none. A call that is dropped halfway counts as perhaps carried out.
pub trait Device {
    /// Reads all of it. What is written afterwards is written from these very answers.
    async fn read(&mut self) -> Result<Snapshot, Trouble>;
    /// Whether the saves of a plan can be made of what was read last; nothing is sent.
    fn tries(&self, plan: &Plan) -> Result<(), Trouble>;
    /// Sends one save.
    async fn save(&mut self, save: &SaveName, overlay: &Overlay) -> Sent;
    /// Sends the family's restart request.
    async fn restart(&mut self) -> Sent;
}

/// What is waited for.
#[derive(Debug, Clone, PartialEq)]
pub struct Wait {
    /// Who should be there again; a way that finds networks looks for just this one.
    pub expected: Identity,
    /// How long the device may take to go away at first, in s.
    pub leave_s: f64,
    /// When the family says that it is there again, in s from now.
    pub usual_s: (f64, f64),
    /// When waiting ends, in s from now.
    pub deadline_s: f64,
    /// Whether somebody has to power it off and on by hand.
    pub by_hand: bool,
    /// The device's own mark before it was asked to restart: where it shows another start now, the
    /// restart is over, seen or not.
    pub mark: Option<Witness>,
}

/// How a wait ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Back {
    /// Whether the device was seen to be gone: its connection refused or reset, or its network
    /// away, or its own mark tells of another start. Silence alone is none: nobody can say whose
    /// fault it is.
    pub gone: bool,
    /// Whether something answers there now.
    pub there: bool,
}

/// Getting there again after a restart. It may be dropped at any moment.
pub trait Reach {
    /// Waits until the device has gone and is there again, or the time is up.
    async fn again(&mut self, wait: &Wait) -> Back;
}

/// Where it is put on record. Each call returns when it is durable.
pub trait Ledger {
    /// Keeps what was there, and opens the change.
    async fn keep(&mut self, before: &Snapshot) -> Result<(), Trouble>;
    /// Adds one step.
    async fn step(&mut self, step: &Step) -> Result<(), Trouble>;
    /// Closes the change, where one was opened. One that wrote and is unproved stays open for
    /// `resume`; so does one that was resumed and ends neither done nor put back, since an earlier
    /// run of it wrote.
    async fn end(&mut self, report: &Report) -> Result<(), Trouble>;
}

/// Time that goes on while the computer sleeps.
pub trait Clock {
    /// Now.
    fn now(&self) -> BootTime;
}

/// What a person is asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Question {
    /// Nothing but the address tells the device from others: is it the only one powered?
    OnlyAddress(Identity),
    /// Shall it be asked for bind mode?
    BindMode,
    /// Shall this be written?
    Write {
        /// Where it goes.
        direction: Direction,
        /// What.
        plan: Plan,
        /// How long it will take, in s from and to.
        takes_s: Option<(f64, f64)>,
        /// What cannot be undone or proved, in words.
        warnings: Vec<String>,
        /// What of it local rules set. Consent to that is its new value, typed by the person, and
        /// nothing else: whoever cannot have that typed answers [`Answer::Nobody`].
        by_rules: Option<PlanLine>,
    },
}

/// What a person, or the lack of one, answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Go on.
    Yes,
    /// Do not.
    No,
    /// There is nobody to ask; in words.
    Nobody(String),
}

/// Who is asked. It may be dropped at any moment.
pub trait Consent {
    /// Asks one question.
    async fn ask(&mut self, question: &Question) -> Answer;
}
