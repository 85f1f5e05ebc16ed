//! `linkmend write`: change any settings, several at once.
//!
//! ```text
//! $ linkmend write light=60 failsafe=cut --at http://192.168.77.1
//! $ linkmend write local-passphrase --at http://192.168.77.1      asks for it, hidden and twice
//! ```
//!
//! A secret's value never stands on the command line. Region and transmit power are written alone,
//! and agreed to by typing the new value.

use std::path::Path;

use secrecy::ExposeSecret;

use super::{
    args,
    changing::{self, Order, Which},
    context::Context,
    failure::Failure,
    read::known,
    secret_file, typed, values,
};
use crate::{
    change::Wanted,
    judge::Expectation,
    profile::{Profile, Setting},
    terms::{Exit, Untrusted, Value},
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Write) -> Result<Exit, Failure> {
    let (journal, target) = changing::begin(context, &typed.target).await?;
    let given = given(context, &target.profile, typed).await?;
    let mut wanted = Wanted::new();
    for (setting, value) in given {
        let value = match value {
            Given::Value(value) => value,
            Given::Asked => asked(context, setting).await?,
        };
        values::writable(setting, &value)?;
        wanted.insert(setting.name.clone(), value);
    }
    let expectation = Expectation {
        wanted: wanted.clone(),
        ..Expectation::of(&target.profile)
    };
    let order = Order {
        wanted,
        expectation,
        ..Order::of("write", Which::typed(&typed.target), typed.writing)
    };
    changing::make(context, &journal, &target, order).await
}

/// Where a value comes from.
enum Given {
    /// It was typed, or stood in a file.
    Value(Value),
    /// The person is asked for it.
    Asked,
}

/// Everything that was given, each setting once.
async fn given<'a>(
    context: &Context,
    profile: &'a Profile,
    typed: &args::Write,
) -> Result<Vec<(&'a Setting, Given)>, Failure> {
    let mut all: Vec<(&Setting, Given)> = Vec::new();
    for word in &typed.settings {
        add(&mut all, from_word(profile, word)?)?;
    }
    for word in &typed.secret_file {
        add(&mut all, from_file(context, profile, word).await?)?;
    }
    Ok(all)
}

fn add<'a>(all: &mut Vec<(&'a Setting, Given)>, one: (&'a Setting, Given)) -> Result<(), Failure> {
    if all.iter().any(|(other, _)| other.name == one.0.name) {
        return Err(Failure::usage(
            format!("`{}` is given twice", one.0.name),
            "give each setting once",
        ));
    }
    all.push(one);
    Ok(())
}

fn from_word<'a>(profile: &'a Profile, word: &str) -> Result<(&'a Setting, Given), Failure> {
    let (name, value) = match word.split_once('=') {
        Some((name, value)) => (name, Some(value)),
        None => (word, None),
    };
    let setting = setting(profile, name)?;
    let name = &setting.name;
    let Some(value) = value else {
        if setting.secret {
            return Ok((setting, Given::Asked));
        }
        return Err(Failure::usage(
            format!("it is not said what `{name}` is to be"),
            format!("give {name}=VALUE; it takes {}", setting.kind),
        ));
    };
    // That there is to be none is no secret; whether the family can be told that shows later.
    if setting.secret && value == "none" {
        return Ok((setting, Given::Value(Value::Absent)));
    }
    if setting.secret {
        return Err(Failure::usage(
            format!("`{name}` is secret, and a secret never stands on the command line"),
            format!(
                "give `{name}` alone to be asked for it, or --secret-file {name}=FILE; everybody \
                 on this computer sees what stands here, and the shell keeps it"
            ),
        ));
    }
    let value = setting.parse(value).map_err(|why| refused(setting, why))?;
    Ok((setting, Given::Value(value)))
}

async fn from_file<'a>(
    context: &Context,
    profile: &'a Profile,
    word: &str,
) -> Result<(&'a Setting, Given), Failure> {
    let Some((name, file)) = word.split_once('=') else {
        return Err(Failure::usage(
            format!("--secret-file `{}` has no `=`", Untrusted::new(word)),
            "give NAME=FILE, such as bind-key=key.txt",
        ));
    };
    let setting = setting(profile, name)?;
    let file = secret_file::line(Path::new(file));
    let line = context.or_stopped(file).await?;
    let value = setting
        .parse(line.expose_secret())
        .map_err(|why| refused(setting, why))?;
    Ok((setting, Given::Value(value)))
}

/// A setting by its name, which can be written at all.
fn setting<'a>(profile: &'a Profile, name: &str) -> Result<&'a Setting, Failure> {
    let name = known(profile, name)?;
    let setting = profile.setting(name.as_str());
    let setting = setting.filter(|setting| !setting.saves.is_empty());
    setting.ok_or_else(|| {
        let writable: Vec<&str> = profile
            .settings
            .iter()
            .filter(|setting| !setting.saves.is_empty())
            .map(|setting| setting.name.as_str())
            .collect();
        Failure::usage(
            format!("`{name}` can be read, but not written"),
            format!("it can write {}", writable.join(", ")),
        )
    })
}

fn refused(setting: &Setting, why: String) -> Failure {
    Failure::usage(why, format!("`{}` takes {}", setting.name, setting.kind))
}

async fn asked(context: &Context, setting: &Setting) -> Result<Value, Failure> {
    let file = format!("--secret-file {}=FILE", setting.name);
    let take = |typed: &str| setting.parse(typed);
    typed::secret(context, &setting.label, &file, take).await
}
