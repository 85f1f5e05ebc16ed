//! `linkmend resume`: finish or undo a change that was cut off.
//!
//! Without a device it lists what is unfinished. With one it first looks: what is already as
//! wanted and survived a restart is closed as done, what never reached the device is closed as not
//! written, and the rest is finished, or undone with `--undo`, by the rules of the profile of then.

use std::{collections::BTreeSet, sync::Arc};

use super::{
    args, bind_mode,
    changing::{self, Change},
    context::Context,
    failure::Failure,
    login::LoginFrom,
    render,
    screen::Tone,
    target::{self, Target},
    wifi,
};
use crate::{
    change::{Direction, Machine, Report, Trouble, Wanted, over_session::SessionDevice, ports},
    journal::{Archive, Journal, RecordRow, Unsettled, ledger},
    judge::Expectation,
    loaners::run::COMMAND as SHELF_RESET,
    profile,
    terms::{
        Device, Exit, Sameness, SettingName,
        output::{FORMAT, Outcome, ResumeOut},
    },
};

/// `change 3: unlock of Grebe (sample-form, serial TD-00471), 2026-11-25T09:01:29Z`.
fn title(one: &Unsettled) -> String {
    format!(
        "change {}: {} of {}, {}",
        one.change.id.0,
        one.change.command,
        render::title(&one.record.snapshot),
        one.change.at.strftime("%Y-%m-%d %H:%M UTC"),
    )
}

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Resume) -> Result<Exit, Failure> {
    let journal = context.journal(false).await?;
    let unfinished = unfinished(&journal.archive()?, typed.change)?;
    if unfinished.is_empty() {
        return Ok(nothing(context));
    }
    if typed.close {
        return close(context, &journal, &unfinished).await;
    }
    if unfinished.iter().all(|one| one.cut_off.is_none()) {
        return not_written(context, &journal, &unfinished).await;
    }
    let joined = over_wifi(&unfinished);
    if typed.at.is_none() && joined.is_none() && !typed.radio.is_asked_for() {
        return Err(list(context, &unfinished));
    }
    with_device(context, typed, &journal, joined, unfinished).await
}

/// Who is to be joined: the device of the only change that is unfinished, where that was joined then.
fn over_wifi(unfinished: &[Unsettled]) -> Option<String> {
    let [one] = unfinished else { return None };
    let identity = &one.record.snapshot.device.identity;
    let bssid = identity.bssid.filter(|_| !one.record.simulated)?;
    // One that changes with every start says nothing any more.
    match (&identity.serial, bssid.stable) {
        (Some(serial), false) => Some(serial.raw().to_owned()),
        _ => Some(bssid.to_string()),
    }
}

fn unfinished(archive: &Archive, number: Option<i64>) -> Result<Vec<Unsettled>, Failure> {
    let found = Unsettled::all(archive, number).map_err(Failure::Trouble)?;
    match number {
        Some(number) if found.is_empty() => Err(Failure::usage(
            format!("change {number} is not unfinished"),
            "`linkmend history` lists the changes",
        )),
        _ => Ok(found),
    }
}

fn nothing(context: &Context) -> Exit {
    if context.screen.json {
        context.screen.object(&ResumeOut {
            format: FORMAT,
            resumed: Vec::new(),
        });
    } else {
        context.screen.result("nothing is unfinished");
    }
    Exit::Done
}

/// What is unfinished, as the reason why a device is needed.
fn list(context: &Context, unfinished: &[Unsettled]) -> Failure {
    for one in unfinished {
        let number = one.change.id.0;
        let identity = &one.record.snapshot.device.identity;
        context.screen.result(&title(one));
        let where_to = match (&identity.bssid, &identity.address) {
            (Some(_), _) => String::new(),
            (None, address) => format!(" --at {}", address.as_deref().unwrap_or("URL")),
        };
        context.screen.result(&format!(
            "  look at it and finish it: linkmend resume {number}{where_to}"
        ));
        context.screen.result(&format!(
            "  leave it as it is:        linkmend resume {number} --close"
        ));
    }
    let joined = |one: &Unsettled| one.record.snapshot.device.identity.bssid.is_some();
    let alone = if unfinished.iter().all(joined) {
        "power that receiver alone and run `linkmend resume CHANGE`"
    } else {
        "power that receiver alone and run `linkmend resume --at URL`, or `linkmend resume --by-hand` \
         where its network has to be joined"
    };
    let of_shelf = |one: &Unsettled| one.change.command == SHELF_RESET;
    let help = if unfinished.iter().any(of_shelf) {
        format!(
            "run the shelf again: `linkmend {SHELF_RESET} FILE` settles its changes first; or {alone}"
        )
    } else {
        alone.to_owned()
    };
    let all: Vec<String> = unfinished.iter().map(title).collect();
    // A script has no list above the message.
    let which = if context.screen.json {
        format!(": {}", all.join("; "))
    } else {
        String::new()
    };
    Failure::Trouble(
        Trouble::new(
            "unfinished-change",
            format!("unfinished, and the device is needed to tell how it stands{which}"),
            Some(&help),
        )
        .ending(Exit::Unproved),
    )
}

/// Closes changes of which nothing ever left for the device.
async fn not_written(
    context: &Context,
    journal: &Journal,
    unfinished: &[Unsettled],
) -> Result<Exit, Failure> {
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let mut resumed = Vec::new();
    for one in unfinished {
        let ended = close_unwritten(journal, one).await?;
        let profile = profile_of_then(one)?;
        if let Ok(out) = changing::to_json(&ended, &profile, one.record.simulated, &fingerprint) {
            resumed.push(out);
        }
        let what = if one.change.command == bind_mode::COMMAND {
            "it wrote no setting"
        } else {
            "it had written nothing"
        };
        context
            .screen
            .result(&format!("{}: {what}; closed", title(one)));
    }
    if context.screen.json {
        context.screen.object(&ResumeOut {
            format: FORMAT,
            resumed,
        });
    }
    Ok(Exit::Done)
}

async fn close_unwritten(journal: &Journal, one: &Unsettled) -> Result<changing::Ended, Failure> {
    one.close_unwritten(journal).await?;
    Ok(changing::Ended {
        report: Report::not_written(&one.record.snapshot),
        record: Some(one.record.id.0),
        change: Some(one.change.id),
        resumed: true,
    })
}

async fn close(
    context: &Context,
    journal: &Journal,
    unfinished: &[Unsettled],
) -> Result<Exit, Failure> {
    for one in unfinished {
        journal.close(one.change.id).await?;
        context.screen.result(&format!(
            "change {} is closed as unproved; what was there is record {}",
            one.change.id.0, one.record.id.0
        ));
    }
    if context.screen.json {
        context.screen.object(&ResumeOut {
            format: FORMAT,
            resumed: Vec::new(),
        });
    }
    Ok(Exit::Done)
}

async fn with_device(
    context: &Context,
    typed: &args::Resume,
    journal: &Journal,
    joined: Option<String>,
    unfinished: Vec<Unsettled>,
) -> Result<Exit, Failure> {
    let limits = target::limits(&typed.limit)?;
    let mut profiles: Vec<Arc<profile::Profile>> = Vec::new();
    for one in &unfinished {
        let profile = profile_of_then(one)?;
        if !profiles.iter().any(|known| known.source == profile.source) {
            profiles.push(Arc::new(profile));
        }
    }
    let looked = context
        .or_stopped(async {
            let login = LoginFrom::typed(typed.login_file.as_deref()).await?;
            let target = if let Some(at) = &typed.at {
                let there = target::At {
                    origin: target::origin(at)?,
                    login: &login,
                    bssid: crate::session::no_bssid(),
                    footing: None,
                    open: None,
                };
                let opened = target::at_origin(context, there, &profiles, &limits);
                let (session, profile) = opened.await?;
                Target::real(session, profile, limits)
            } else {
                let wanted = args::Target {
                    radio: typed.radio.clone(),
                    device: joined,
                    ..args::Target::default()
                };
                let among = wifi::Among {
                    profiles: &profiles,
                    known: &BTreeSet::new(),
                };
                let opened = wifi::open(context, journal, &wanted, among, limits, login);
                Box::pin(opened).await?
            };
            let mut device = SessionDevice::new(target.session.clone(), None);
            let now = ports::Device::read(&mut device)
                .await
                .map_err(Failure::Trouble)?;
            Ok((target, now))
        })
        .await;
    let (target, now) = match looked {
        Err(Failure::Stopped) => return Err(stopped()),
        looked => looked?,
    };
    let one = the_one_of(unfinished, &now.device)?;
    // An earlier run of it may have written.
    context.wrote.set();
    let ended = go_on(context, typed, journal, &target, one).await?;
    let fingerprint = |bytes: &[u8]| journal.fingerprint(bytes);
    let exit = ended.report.exit;
    if context.screen.json {
        match changing::to_json(&ended, &target.profile, false, &fingerprint) {
            Ok(change) => {
                context.screen.object(&ResumeOut {
                    format: FORMAT,
                    resumed: vec![change],
                });
            }
            Err(error) => context.screen.object(&error),
        }
        return Ok(exit);
    }
    Ok(changing::say(context.screen, &ended, &target, &fingerprint))
}

/// The unfinished change of the device that answers: by its marks, or where it has none by the
/// address alone.
fn the_one_of(unfinished: Vec<Unsettled>, now: &Device) -> Result<Unsettled, Failure> {
    let then = |one: &Unsettled| one.record.snapshot.device.clone();
    let (same, others): (Vec<_>, Vec<_>) = unfinished
        .into_iter()
        .partition(|one| then(one).identity.compare(&now.identity) == Sameness::Same);
    let perhaps = others.into_iter().filter(|one| then(one).may_be(now));
    same.into_iter().chain(perhaps).next().ok_or_else(|| {
        Failure::Trouble(
            Trouble::new(
                "another-device",
                format!(
                    "nothing is unfinished of {}, which answers here",
                    now.identity
                ),
                Some("`linkmend resume` lists what is unfinished"),
            )
            .ending(Exit::Refused),
        )
    })
}

/// Stopped by the person before anything was settled.
fn stopped() -> Failure {
    Failure::Trouble(
        Trouble::new(
            "cancelled",
            "stopped by you; what was cut off is as unfinished as before",
            None,
        )
        .ending(Exit::Unproved),
    )
}

async fn go_on(
    context: &Context,
    typed: &args::Resume,
    journal: &Journal,
    target: &Target,
    one: Unsettled,
) -> Result<changing::Ended, Failure> {
    let options = changing::options(target, typed.writing, typed.trust_address, journal)?;
    let Some((mut cut_off, wanted)) = one.cut_off.clone() else {
        return close_unwritten(journal, &one).await;
    };
    if typed.undo {
        cut_off.direction = Direction::Back;
    }
    let undoing = cut_off.direction == Direction::Back;
    context.screen.step(
        if undoing { "undo" } else { "finish" },
        Tone::Plain,
        &format!("change {}: {}", one.change.id.0, one.change.command),
    );
    let sent = match cut_off.direction {
        Direction::Back => before(&one.record, &wanted),
        Direction::There => wanted.clone(),
    };
    changing::agree_to_open(context, target, &sent, typed.writing).await?;
    let source = target.profile.source.clone();
    let change = Change {
        target,
        machine: Machine::resume(target.profile.clone(), wanted.clone(), options, cut_off),
        ledger: ledger::ChangeLedger::resume(
            journal.clone(),
            &one.change,
            source,
            wanted,
            typed.writing.dry_run,
        ),
        device: None,
        writing: typed.writing,
        expectation: Expectation::of(&target.profile),
    };
    let mut ended = changing::run(context, journal, change).await;
    ended.resumed = true;
    let report = &mut ended.report;
    if typed.undo && report.outcome == Outcome::PutBack {
        // It was asked for, so it is no failure.
        report.exit = Exit::Done;
        report.trouble = None;
    }
    report.left_unfinished();
    Ok(ended)
}

/// What undoing a change sends, as far as that is known.
fn before(record: &RecordRow, wanted: &Wanted) -> Wanted {
    let settings = &record.snapshot.settings;
    let of = |name: &SettingName| settings.get(name)?.value().cloned();
    wanted
        .keys()
        .filter_map(|name| Some((name.clone(), of(name)?)))
        .collect()
}

fn profile_of_then(one: &Unsettled) -> Result<profile::Profile, Failure> {
    one.profile().map_err(Failure::faulty)
}
