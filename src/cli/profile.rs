//! `linkmend profile`: how families of receivers behave.

use secrecy::ExposeSecret;

use super::{
    args,
    context::Context,
    failure::Failure,
    screen::{Screen, Tone},
    seconds, target,
};
use crate::{
    profile::{self, BindMode, Network, Profile, Security},
    terms::{
        Exit,
        output::{
            FORMAT, ProfileBindMode, ProfileCheckOut, ProfileFault, ProfileLine, ProfileListOut,
            ProfileNetwork, ProfileRange, ProfileSetting, ProfileShowOut,
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
            bind_words: setting.words.as_ref().map(|rule| range(rule.from, rule.to)),
            help: setting.help.clone(),
        })
        .collect();
    if screen.json {
        screen.object(&ProfileShowOut {
            format: FORMAT,
            profile: line(profile),
            settings,
            network: profile.network.as_ref().map(|network| ProfileNetwork {
                names: network.names.clone(),
                security: match network.security {
                    Security::Open => "open",
                    Security::Wpa2 => "wpa2",
                    Security::Wpa3 => "wpa3",
                }
                .into(),
                passphrase_known: network.passphrase.is_some(),
                address: network.address.to_string(),
                opens_s: ProfileRange {
                    from: network.opens_s.from,
                    to: network.opens_s.to,
                },
            }),
            announced_as: profile.announce.as_ref().map(|one| one.service.clone()),
            bind_mode: profile.bind_mode.as_ref().map(|mode| match mode {
                BindMode::Request { .. } => ProfileBindMode::Request,
                BindMode::PowerCycles(_) => ProfileBindMode::PowerCycles,
            }),
        });
        return;
    }
    screen.result(&format!("{}: {}", profile.family, profile.title));
    for (word, text) in ways(profile) {
        screen.hanging(&format!("  {word:<20} "), 23, &text);
    }
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

/// How it is reached and bound.
fn ways(profile: &Profile) -> Vec<(&'static str, String)> {
    let mut ways = Vec::new();
    if let Some(network) = &profile.network {
        ways.push(("(its own network)", network_words(network)));
    }
    if let Some(announce) = &profile.announce {
        let text = format!("Announced there as {}: `linkmend find`.", announce.service);
        ways.push(("(local network)", text));
    }
    match &profile.bind_mode {
        Some(BindMode::Request { .. }) => {
            ways.push(("(bind mode)", "`linkmend bind --mode` starts it.".into()));
        }
        Some(BindMode::PowerCycles(times)) => ways.push((
            "(bind mode)",
            format!("{times} short power cycles, one after the other."),
        )),
        None => {}
    }
    let words = profile.settings.iter().filter_map(|one| one.words.as_ref());
    for rule in words {
        let text = format!(
            "{} to {} characters make its bind key: `linkmend bind`.",
            rule.from, rule.to
        );
        ways.push(("(bind words)", text));
    }
    ways
}

/// ``A name like `TarnBoat *`, with the passphrase `…`. It opens 40 to 55 s after power-up.``
pub(crate) fn network_words(network: &Network) -> String {
    let names: Vec<String> = network
        .names
        .iter()
        .map(|name| format!("`{name}`"))
        .collect();
    let key = match (&network.passphrase, network.security) {
        // Printed in the manual of the family, and the same for all of it.
        (Some(passphrase), _) => format!("with the passphrase `{}`", passphrase.expose_secret()),
        (None, Security::Open) => "without a passphrase".into(),
        (None, Security::Wpa2 | Security::Wpa3) => {
            "with the passphrase that its owner gave it".into()
        }
    };
    format!(
        "A name like {}, {key}. It opens {} after power-up, while the receiver has no link.",
        names.join(" or "),
        seconds::range(network.opens_s.from, network.opens_s.to)
    )
}

fn range(from: usize, to: usize) -> ProfileRange {
    let number = |number: usize| u32::try_from(number).map_or(f64::INFINITY, f64::from);
    ProfileRange {
        from: number(from),
        to: number(to),
    }
}

/// One fault of a file, for a script.
pub(super) fn fault(fault: &profile::Fault) -> ProfileFault {
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
