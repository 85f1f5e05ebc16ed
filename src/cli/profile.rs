//! `linkmend profile`: how families of receivers behave.

use super::{
    args,
    context::Context,
    failure::Failure,
    screen::{Screen, Tone},
    target,
};
use crate::{
    profile::{self, Profile},
    terms::{
        Exit,
        output::{
            FORMAT, ProfileCheckOut, ProfileFault, ProfileLine, ProfileListOut, ProfileSetting,
            ProfileShowOut,
        },
    },
};

/// Runs the command.
pub(super) fn run(context: &Context, typed: &args::Profile) -> Result<Exit, Failure> {
    let screen = context.screen;
    match typed {
        args::Profile::List => list(screen),
        args::Profile::Show {
            profile,
            toml: true,
        } => screen.text(&target::named_profile(profile)?.source.text),
        args::Profile::Show { profile, .. } => show(screen, &target::named_profile(profile)?),
        args::Profile::Check { profile } => return check(screen, profile),
        args::Profile::Schema => screen.document(&profile::schema()),
    }
    Ok(Exit::Done)
}

fn list(screen: Screen) {
    let profiles: Vec<ProfileLine> = profile::built_in().iter().map(line).collect();
    for profile in &profiles {
        screen.result(&format!(
            "{:<16} {} ({} settings, system {})",
            profile.family, profile.title, profile.settings, profile.system
        ));
    }
    if screen.json {
        screen.object(&ProfileListOut {
            format: FORMAT,
            profiles,
        });
    }
}

fn line(profile: &Profile) -> ProfileLine {
    ProfileLine {
        family: profile.family.clone(),
        title: profile.title.clone(),
        role: profile.role,
        system: profile.system.clone(),
        settings: profile.settings.len(),
    }
}

fn show(screen: Screen, profile: &Profile) {
    let settings: Vec<ProfileSetting> = profile
        .settings
        .iter()
        .map(|setting| ProfileSetting {
            setting: setting.name.clone(),
            label: setting.label.clone(),
            takes: setting.kind.to_string(),
            writable: !setting.saves.is_empty(),
            secret: setting.secret,
            help: setting.help.clone(),
        })
        .collect();
    if screen.json {
        screen.object(&ProfileShowOut {
            format: FORMAT,
            profile: line(profile),
            settings,
        });
        return;
    }
    screen.result(&format!("{}: {}", profile.family, profile.title));
    for setting in &settings {
        let marks = match (setting.writable, setting.secret) {
            (true, false) => "",
            (true, true) => " (secret)",
            (false, false) => " (read only)",
            (false, true) => " (secret, read only)",
        };
        screen.result(&format!(
            "  {:<20} {}{marks}",
            setting.setting, setting.takes
        ));
        for text in [Some(&setting.label), setting.help.as_ref()]
            .into_iter()
            .flatten()
        {
            for line in super::screen::wrap(text, super::screen::width().saturating_sub(23)) {
                screen.result(&Tone::Faint.paint(&format!("{:23}{line}", "")));
            }
        }
    }
}

fn fault(fault: &profile::Fault) -> ProfileFault {
    ProfileFault {
        code: fault.code.word().into(),
        line: fault.line,
        column: fault.column,
        message: fault.message.clone(),
        help: fault.help.clone(),
    }
}

/// A faulty profile ends with 2, and every fault is shown at once.
fn check(screen: Screen, name: &str) -> Result<Exit, Failure> {
    let faults = match target::named_profile(name) {
        Ok(profile) => {
            screen.result(&Tone::Good.paint(&format!(
                "{}: sound, {} settings",
                profile.family,
                profile.settings.len()
            )));
            Vec::new()
        }
        Err(Failure::Profile {
            faults: Some(faults),
            ..
        }) => {
            if !screen.json {
                screen.picture(&faults);
            }
            faults.list.iter().map(fault).collect()
        }
        Err(failure) => return Err(failure),
    };
    let exit = if faults.is_empty() {
        Exit::Done
    } else {
        Exit::Usage
    };
    if screen.json {
        screen.object(&ProfileCheckOut {
            format: FORMAT,
            profile: name.into(),
            faults,
        });
    }
    Ok(exit)
}
