//! `linkmend bind --mode`: let a receiver listen for a transmitter that binds.

use std::sync::Arc;

use super::{
    args,
    changing::{self, Ended},
    consent::Person,
    context::Context,
    failure::Failure,
    render,
    screen::Tone,
    target::Target,
};
use crate::{
    change::{
        Report, Trouble, Wanted,
        bind_mode::ByRequest,
        over_session::SessionDevice,
        ports::{Answer, Consent, Device, Question},
    },
    journal::{Journal, ledger::ChangeLedger},
    profile::BindMode,
    terms::{Exit, Snapshot, output::Outcome},
};

/// Runs the command.
pub(crate) async fn run(
    context: &Context,
    journal: &Journal,
    target: &Target,
    typed: &args::Bind,
) -> Result<Exit, Failure> {
    let profile = &target.profile;
    let mode = profile.bind_mode.as_ref().ok_or_else(|| {
        let message = format!("a {} has no bind mode", profile.title);
        let help = "bind it by its key: `linkmend bind` sets it from bind words";
        Failure::Trouble(Trouble::new("no-bind-mode", message, Some(help)))
    })?;
    let mut device = SessionDevice::new(Arc::clone(&target.session), typed.target.device.clone());
    let read = context.or_stopped(async { device.read().await.map_err(Failure::Trouble) });
    let before = read.await?;
    context
        .screen
        .step("read", Tone::Good, &render::title(&before));
    let mut ended = match mode {
        BindMode::PowerCycles(cycles) => {
            if !context.screen.json {
                context.screen.result("bind mode is started by hand");
                for line in by_hand(*cycles) {
                    context.screen.result(&format!("  {line}"));
                }
                return Ok(Exit::Done);
            }
            let mut report = report(Outcome::Planned, &before);
            report.notes.extend(by_hand(*cycles));
            of(report, None)
        }
        BindMode::Request { request, shows } => {
            let how = ByRequest {
                profile,
                request,
                shows,
                trust_address: typed.target.trust_address,
            };
            by_request(context, journal, target, typed, &mut device, how, &before).await?
        }
    };
    if ended.report.outcome == Outcome::Done {
        ended.report.notes.push(NEXT.into());
    }
    if let (false, None) = (context.screen.json, &ended.report.trouble) {
        return Ok(say(context, &ended));
    }
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    Ok(changing::say(context.screen, &ended, target, &fingerprint))
}

/// What came of it, to a person. No setting was to be written, so nothing is said of any.
fn say(context: &Context, ended: &Ended) -> Exit {
    let screen = context.screen;
    screen.result(&match ended.report.outcome {
        Outcome::Done => Tone::Good.paint("it is in bind mode"),
        Outcome::NothingToDo => Tone::Good.paint("nothing to do"),
        _ => "dry run".into(),
    });
    for note in &ended.report.notes {
        screen.result(&format!("  note: {note}"));
    }
    if let Some(record) = ended.record {
        screen.result(&format!("  what was there is record {record}"));
    }
    ended.report.exit
}

/// Common practice, no source.
fn by_hand(cycles: u32) -> Vec<String> {
    vec![
        format!(
            "power it on and off again {cycles} times, each time for about a second; then leave it \
             on: it listens for a transmitter that binds, so keep all but yours switched off"
        ),
        "to leave bind mode: power it off for about 10 s, then on once".into(),
        "nothing was written, and nothing of it can be proved from here".into(),
    ]
}

async fn by_request(
    context: &Context,
    journal: &Journal,
    target: &Target,
    typed: &args::Bind,
    device: &mut SessionDevice,
    mut how: ByRequest<'_>,
    before: &Snapshot,
) -> Result<Ended, Failure> {
    if how.shown(device) {
        let mut report = report(Outcome::NothingToDo, before);
        report.notes.push("it is in bind mode already".into());
        return Ok(of(report, None));
    }
    let options = changing::options(target, typed.writing, how.trust_address, journal)?;
    let mut unfinished = options.unfinished.iter();
    if let Some(earlier) = unfinished.find(|one| one.device.may_be(&before.device)) {
        return Err(refused(
            "unfinished-change",
            &format!("change {} of this receiver is unfinished", earlier.change),
            "run `linkmend resume` first",
        ));
    }
    if options.dry_run {
        let mut report = report(Outcome::Planned, before);
        report.notes.push(format!(
            "`{}` would be sent once; no setting is written",
            how.request
        ));
        return Ok(of(report, None));
    }
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let mut person = Person {
        screen: context.screen,
        yes: typed.writing.yes,
        profile: Arc::clone(&target.profile),
        fingerprint: &fingerprint,
        speed: target.speed,
    };
    if !before.device.identity.is_strong() && !how.trust_address {
        let question = Question::OnlyAddress(before.device.identity.clone());
        let asked = context.or_stopped(async { Ok(person.ask(&question).await) });
        let help = "power this one alone and add --trust-address, or use a connection that shows \
                    its BSSID";
        agreed(asked.await?, "identity-undetermined", help)?;
        how.trust_address = true;
    }
    let asked = context.or_stopped(async { Ok(person.ask(&Question::BindMode).await) });
    let help = "add --yes to start it without being asked";
    agreed(asked.await?, "no-consent", help)?;
    let source = target.profile.source.clone();
    let nothing = Wanted::new();
    let mut ledger =
        ChangeLedger::new(journal.clone(), COMMAND, source, nothing, target.simulated).closing();
    context.wrote.set();
    let busy = context.screen.busy("starting bind mode");
    let report = how.start(device, &mut ledger, before).await;
    drop(busy);
    Ok(of(report, Some(&ledger)))
}

/// Goes on with a yes alone.
fn agreed(answer: Answer, code: &str, help: &str) -> Result<(), Failure> {
    match answer {
        Answer::Yes => Ok(()),
        Answer::No => Err(refused("declined", "you said no; nothing was sent", "")),
        Answer::Nobody(why) => {
            let message = format!("bind mode is not started without consent, and {why}");
            Err(refused(code, &message, help))
        }
    }
}

fn refused(code: &str, message: &str, help: &str) -> Failure {
    let help = Some(help).filter(|help| !help.is_empty());
    Failure::Trouble(Trouble::new(code, message, help).ending(Exit::Refused))
}

fn report(outcome: Outcome, last: &Snapshot) -> Report {
    Report {
        outcome,
        exit: Exit::Done,
        lines: Vec::new(),
        trouble: None,
        notes: Vec::new(),
        last: Some(Box::new(last.clone())),
        wrote: false,
    }
}

fn of(report: Report, ledger: Option<&ChangeLedger>) -> Ended {
    Ended {
        report,
        record: ledger.and_then(ChangeLedger::record).map(|record| record.0),
        change: ledger.and_then(ChangeLedger::change),
        resumed: false,
    }
}

/// The command in the journal.
pub(super) const COMMAND: &str = "bind --mode";

/// Common practice, no source.
const NEXT: &str =
    "start binding on the transmitter now; switched off and on again, it is out of bind mode";
