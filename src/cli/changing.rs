//! What all commands that write share: run the change, show it, say how it ended.

use std::sync::Arc;

use super::{
    args::{self, Writing},
    consent::Person,
    context::Context,
    failure::{Failure, say_fault},
    render::{self, Fingerprint},
    screen::{Screen, Tone},
    steps::Steps,
    target::{self, Target},
    wifi::OverHands,
};
use crate::{
    change::{
        Machine, Options, Report, Trouble, Wanted,
        by_hand::HandReach,
        clock::SystemClock,
        driver::{self, World},
        over_session::{SessionDevice, SessionReach},
        over_wifi::WifiReach,
        ports::{Back, Reach, Wait},
        secrets,
    },
    journal::{
        ChangeId, Journal,
        ledger::{self, ChangeLedger},
    },
    judge::{Expectation, judge},
    profile::Profile,
    terms::{
        Condition, Exit, Proof, SettingName, Value,
        output::{ChangeOut, ErrorOut, FORMAT, Outcome},
    },
};

/// One change to run.
pub(crate) struct Change<'a> {
    /// The device.
    pub target: &'a Target,
    /// What decides.
    pub machine: Machine,
    /// Where it is put on record.
    pub ledger: ChangeLedger,
    /// Go on only if it is this one.
    pub device: Option<String>,
    /// What was allowed.
    pub writing: Writing,
    /// What is wanted of it, for the verdict.
    pub expectation: Expectation,
}

/// Which device may be written to.
#[derive(Debug, Clone, Default)]
pub(crate) struct Which {
    /// A serial, a BSSID or a name that it must have.
    pub device: Option<String>,
    /// Go on where only the address tells it from others.
    pub trust_address: bool,
}

impl Which {
    /// As it was typed.
    pub(super) fn typed(target: &args::Target) -> Self {
        Self {
            device: target.device.clone(),
            trust_address: target.trust_address,
        }
    }
}

/// A new change, as a command wants it.
pub(crate) struct Order {
    /// The command, for the record.
    pub command: &'static str,
    /// What is wanted.
    pub wanted: Wanted,
    /// What was allowed.
    pub writing: Writing,
    /// Which device.
    pub which: Which,
    /// What is wanted of it, for the verdict.
    pub expectation: Expectation,
    /// What else a person should know at the end.
    pub notes: Vec<String>,
    /// What is to be said where there was nothing to do.
    pub if_nothing: Option<&'static str>,
}

impl Order {
    /// One that wants nothing yet.
    pub(crate) fn of(command: &'static str, which: Which, writing: Writing) -> Self {
        Self {
            command,
            wanted: Wanted::new(),
            writing,
            which,
            expectation: Expectation::default(),
            notes: Vec::new(),
            if_nothing: None,
        }
    }
}

/// The journal and the device that a command is about. The journal comes first: where it cannot be
/// written, the device is not asked.
pub(super) async fn begin(
    context: &Context,
    typed: &args::Target,
) -> Result<(Journal, Target), Failure> {
    let opened = async {
        let journal = context.journal(typed.practice.is_some()).await?;
        let target = target::open(context, &journal, typed).await?;
        Ok((journal, target))
    };
    context.or_stopped(opened).await
}

/// Makes a new change of a device, shown step by step, and says how it ended.
pub(super) async fn make(
    context: &Context,
    journal: &Journal,
    target: &Target,
    order: Order,
) -> Result<Exit, Failure> {
    let ended = made(context, journal, target, order).await?;
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    Ok(say(context.screen, &ended, target, &fingerprint))
}

/// The same, for the caller to say how it ended.
pub(crate) async fn made(
    context: &Context,
    journal: &Journal,
    target: &Target,
    order: Order,
) -> Result<Ended, Failure> {
    let Order {
        command,
        wanted,
        writing,
        which,
        expectation,
        notes,
        if_nothing,
    } = order;
    agree_to_open(context, target, &wanted, writing).await?;
    let options = options(target, writing, which.trust_address, journal)?;
    let source = target.profile.source.clone();
    let change = Change {
        target,
        machine: Machine::new(target.profile.clone(), wanted.clone(), options),
        ledger: ChangeLedger::new(journal.clone(), command, source, wanted, target.simulated),
        device: which.device,
        writing,
        expectation,
    };
    let mut ended = run(context, journal, change).await;
    ended.report.notes.extend(notes);
    if ended.report.outcome == Outcome::NothingToDo {
        ended.report.notes.extend(if_nothing.map(Into::into));
    }
    Ok(ended)
}

/// What came of it.
pub(crate) struct Ended {
    /// How it ended.
    pub report: Report,
    /// The record of what was there.
    pub record: Option<i64>,
    /// The change itself, where one was begun.
    pub change: Option<ChangeId>,
    /// Whether an earlier run of this change may have written to the device.
    pub resumed: bool,
}

/// What the machine is allowed, and what of this journal it must look out for.
pub(crate) fn options(
    target: &Target,
    writing: Writing,
    trust_address: bool,
    journal: &Journal,
) -> Result<Options, Failure> {
    let unfinished = if target.simulated {
        Vec::new()
    } else {
        ledger::unfinished(&journal.archive()?)?
    };
    Ok(Options {
        dry_run: writing.dry_run,
        trust_address,
        leave_s: target.limits.leave.as_secs_f64(),
        unfinished,
    })
}

/// Runs a change to its end, shown step by step.
pub(crate) async fn run(context: &Context, journal: &Journal, change: Change<'_>) -> Ended {
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let screen = context.screen;
    let Change {
        target,
        machine,
        ledger,
        device,
        writing,
        expectation,
    } = change;
    let profile = Arc::clone(&target.profile);
    let clock = SystemClock::new();
    let mut world = World {
        device: SessionDevice::new(Arc::clone(&target.session), device),
        reach: way_back(target, &clock),
        ledger,
        consent: Person {
            screen,
            yes: writing.yes,
            profile: Arc::clone(&profile),
            fingerprint: &fingerprint,
            speed: target.speed,
        },
        clock,
        stop: context.stop.clone(),
    };
    let expectation_after = expectation.clone();
    let mut steps = Steps::new(
        screen,
        profile,
        expectation,
        target.speed,
        context.wrote.clone(),
    );
    let mut report = Box::pin(driver::run(machine, &mut world, &mut steps)).await;
    report.notes.extend(verdict(&report, &expectation_after));
    Ended {
        report,
        record: world.ledger.record().map(|id| id.0),
        change: world.ledger.change(),
        resumed: false,
    }
}

/// Asks whether secrets may go over an open network, where some would.
pub(crate) async fn agree_to_open(
    context: &Context,
    target: &Target,
    wanted: &Wanted,
    writing: Writing,
) -> Result<(), Failure> {
    if let Some(open) = target.wifi.as_ref().and_then(|over| over.open.as_ref())
        && let Some(what) = secrets::first(&target.profile, wanted)
        && !writing.dry_run
    {
        open.agree(context, &what).await?;
    }
    Ok(())
}

/// How the device of a target is reached again.
fn way_back(target: &Target, clock: &SystemClock) -> WayBack {
    let session = || Arc::clone(&target.session);
    if let Some(OverHands { hands, names }) = &target.hands {
        return WayBack::Hands(HandReach::new(
            session(),
            clock.clone(),
            Arc::clone(hands),
            names.clone(),
        ));
    }
    let knocks = SessionReach::new(session(), clock.clone());
    match &target.wifi {
        None => WayBack::Address(knocks),
        Some(over) => WayBack::Wifi(Box::new(WifiReach::new(
            Arc::clone(&over.wifi),
            over.way.clone(),
            over.join.clone(),
            Arc::clone(&target.profile),
            knocks,
            clock.clone(),
        ))),
    }
}

/// The way back to a device after a restart.
enum WayBack {
    /// It stays at its address.
    Address(SessionReach<SystemClock>),
    /// A person joins it again.
    Hands(HandReach<SystemClock>),
    /// Its network opens again.
    Wifi(Box<WifiReach<SessionReach<SystemClock>, SystemClock>>),
}

impl Reach for WayBack {
    async fn again(&mut self, wait: &Wait) -> Back {
        match self {
            WayBack::Address(way) => way.again(wait).await,
            WayBack::Hands(way) => way.again(wait).await,
            WayBack::Wifi(way) => way.again(wait).await,
        }
    }
}

/// What still keeps a device from linking although the change is done, or had nothing to do.
fn verdict(report: &Report, expectation: &Expectation) -> Option<String> {
    if !matches!(report.outcome, Outcome::Done | Outcome::NothingToDo) {
        return None;
    }
    let verdict = judge(report.last.as_ref()?, expectation);
    let first = verdict.findings.first()?;
    (verdict.condition != Condition::Healthy)
        .then(|| format!("it is {}: {}", verdict.condition.word(), first.text))
}

/// The JSON of a change; without a reading there is no device and it is an error alone.
pub(crate) fn to_json(
    ended: &Ended,
    profile: &Profile,
    simulated: bool,
    fingerprint: Fingerprint<'_>,
) -> Result<ChangeOut, ErrorOut> {
    let Ended { report, record, .. } = ended;
    let error = report.trouble.as_ref().map(render::fault);
    match (&report.last, error) {
        (None, error) => Err(ErrorOut {
            format: FORMAT,
            error: error.unwrap_or_else(render::unread),
            faults: Vec::new(),
        }),
        (Some(last), error) => Ok(ChangeOut {
            format: FORMAT,
            device: render::device(&last.device),
            record: *record,
            changes: report
                .lines
                .iter()
                .map(|line| render::change_line(line, profile, fingerprint))
                .collect(),
            outcome: report.outcome,
            notes: report.notes.clone(),
            simulated,
            error,
        }),
    }
}

/// Says how it ended, for a person or as JSON.
pub(crate) fn say(
    screen: Screen,
    ended: &Ended,
    target: &Target,
    fingerprint: Fingerprint<'_>,
) -> Exit {
    let profile = &target.profile;
    if screen.json {
        match to_json(ended, profile, target.simulated, fingerprint) {
            Ok(change) => screen.object(&change),
            Err(error) => screen.object(&error),
        }
        return ended.report.exit;
    }
    let report = &ended.report;
    let (tone, headline) = headline(ended);
    screen.result(&tone.paint(&headline));
    for line in &report.lines {
        let text = render::plan_line(&line.plan, profile, fingerprint);
        match report.outcome {
            Outcome::Planned | Outcome::NothingToDo | Outcome::Refused | Outcome::Failed => {
                screen.result(&format!("  {text}"));
            }
            _ => screen.result(&format!(
                "  {text}  [{}: {}]",
                proof_word(line.proof),
                line.why
            )),
        }
    }
    for note in &report.notes {
        screen.result(&format!("  note: {note}"));
    }
    if let Some(record) = ended.record {
        screen.result(&format!("  what was there is record {record}"));
    }
    if let Some(trouble) = &report.trouble {
        let mut fault = render::fault(trouble);
        if target.simulated
            && report.outcome == Outcome::Unproved
            && trouble.code != Trouble::NOT_SHOWN
        {
            fault.help = Some("a practice receiver ends with this run: nothing to resume".into());
        }
        say_fault(screen, &fault);
    }
    if report.outcome == Outcome::Done {
        for advice in advice(report) {
            screen.remark(Tone::Plain, &advice);
        }
    }
    report.exit
}

fn headline(ended: &Ended) -> (Tone, String) {
    match ended.report.outcome {
        Outcome::Done => (Tone::Good, "done, and proved".into()),
        Outcome::NothingToDo => {
            // What keeps it from linking all the same is in the notes.
            let told = !ended.report.notes.is_empty();
            let tone = if told { Tone::Careful } else { Tone::Good };
            (tone, "nothing to do: it is set as wanted".into())
        }
        Outcome::Planned => (Tone::Plain, "dry run: this would be written".into()),
        Outcome::PutBack if ended.report.exit == Exit::Done => {
            (Tone::Good, "undone: what was there is back, proved".into())
        }
        Outcome::PutBack => (
            Tone::Bad,
            "it did not take; what was there is back, proved".into(),
        ),
        Outcome::Refused if ended.resumed => (Tone::Bad, "refused; this run wrote nothing".into()),
        Outcome::Refused => (Tone::Bad, "refused; nothing was written".into()),
        Outcome::Unproved => (Tone::Bad, "NOT PROVED".into()),
        Outcome::Failed if ended.report.exit == Exit::Done => (
            Tone::Good,
            "nothing of it was ever written; it is closed".into(),
        ),
        Outcome::Failed => (Tone::Bad, "failed; nothing was written".into()),
    }
}

fn proof_word(proof: Proof) -> &'static str {
    match proof {
        Proof::None => "not proved",
        Proof::ReadBack => "read back",
        Proof::AfterRestart => "proved",
    }
}

/// What comes next for the person; the last proof is the skipper's.
fn advice(report: &Report) -> Vec<String> {
    let linkage = [SettingName::MODEL_LOCK, SettingName::BIND_KEY];
    let changed = |name: &str| report.lines.iter().find(|l| l.plan.setting == *name);
    let mut advice = Vec::new();
    if let Some(line) = changed(SettingName::MODEL_LOCK) {
        advice.push(match &line.plan.after {
            Value::Number(slot) => format!("Next: select model memory {slot} on the transmitter."),
            _ => "Its model lock is off now: every transmitter with its bind key drives it, so \
                  keep others of that key switched off."
                .into(),
        });
    }
    if linkage.iter().any(|name| changed(name).is_some()) {
        advice.push(
            "Before anyone operates it: the right model memory, control directions, failsafe and \
             a range check. The last proof is the skipper's: does it follow the sticks?"
                .into(),
        );
    }
    advice
}
