//! The passphrase of a receiver's network: from a file, from the profile, or from the person; never
//! from the command line or the environment, which other programs can see.

use std::path::Path;

use secrecy::{ExposeSecret, SecretString};

use crate::{
    change::Trouble,
    cli::{
        ask,
        failure::Failure,
        screen::{Screen, Tone},
        secret_file,
    },
    find::air,
    profile::{Network, Security, is_passphrase},
    terms::Exit,
    wifi::{AccessPoint, Key},
};

/// Where the passphrase comes from, in the order in which it is looked for.
pub(super) struct PassphraseFrom {
    file: Option<SecretString>,
    /// What the person typed last, and which was not refused since.
    typed: Option<SecretString>,
}

/// The passphrase of a file, where one was typed.
pub(crate) async fn of_file(file: Option<&Path>) -> Result<Option<SecretString>, Failure> {
    let Some(file) = file else {
        return Ok(None);
    };
    let line = secret_file::line(file).await?;
    if !is_passphrase(line.expose_secret()) {
        return Err(Failure::usage(
            "the file holds no passphrase of a Wi-Fi network",
            LONG,
        ));
    }
    Ok(Some(line))
}

impl PassphraseFrom {
    /// What was typed: a file, or nothing.
    pub(super) async fn typed(file: Option<&Path>) -> Result<Self, Failure> {
        let file = of_file(file).await?;
        Ok(Self { file, typed: None })
    }

    /// What opens a network of a family; asked for at the terminal where nothing else gives it.
    pub(super) async fn key(
        &mut self,
        network: &Network,
        point: &AccessPoint,
        screen: Screen,
    ) -> Result<Key, Failure> {
        if network.security == Security::Open {
            return Ok(Key::Open);
        }
        let given = self.file.as_ref().or(self.typed.as_ref());
        let passphrase = match given.or(network.passphrase.as_ref()) {
            Some(passphrase) => passphrase.clone(),
            None => self.ask(point, screen).await?,
        };
        Ok(air::key(network, passphrase))
    }

    /// Asks for another one after the last was refused; false: there is nobody to ask, or it came
    /// from a file.
    pub(super) async fn again(
        &mut self,
        point: &AccessPoint,
        screen: Screen,
    ) -> Result<bool, Failure> {
        if self.file.is_some() || !screen.can_ask() {
            return Ok(false);
        }
        screen.asking().remark(
            Tone::Careful,
            &format!("`{}` does not take that passphrase.", point.name),
        );
        self.ask(point, screen).await?;
        Ok(true)
    }

    async fn ask(&mut self, point: &AccessPoint, screen: Screen) -> Result<SecretString, Failure> {
        let typed = prompt(&point.name.to_string(), screen).await?;
        self.typed = Some(typed.clone());
        Ok(typed)
    }
}

/// The passphrase that all networks of a family share, for a shelf of it: from its profile, or from
/// the person. None where they have none.
pub(crate) async fn of_family(
    network: &Network,
    screen: Screen,
) -> Result<Option<SecretString>, Failure> {
    match (&network.security, &network.passphrase) {
        (Security::Open, _) | (_, Some(_)) => Ok(None),
        (_, None) => Ok(Some(prompt(&network.names.join(" or "), screen).await?)),
    }
}

/// Asks for a network's passphrase at the terminal.
async fn prompt(name: &str, screen: Screen) -> Result<SecretString, Failure> {
    if !screen.can_ask() {
        let why = if screen.json {
            "with --json nobody is asked"
        } else {
            "there is no terminal to ask at"
        };
        return Err(missing(format!(
            "`{name}` has a passphrase that the profile does not know, and {why}"
        )));
    }
    loop {
        let typed = ask::hidden(format!("Passphrase of {name}:"))
            .await
            .map_err(|error| missing(format!("the terminal did not answer ({error})")))?;
        let Some(typed) = typed else {
            return Err(Failure::Stopped);
        };
        if is_passphrase(typed.expose_secret()) {
            return Ok(typed);
        }
        screen.asking().remark(Tone::Careful, LONG);
    }
}

const LONG: &str = "A passphrase is 8 to 63 printable ASCII characters.";

fn missing(message: String) -> Failure {
    let help = "put it alone into a file that you alone can read, and give --passphrase-file FILE";
    Failure::Trouble(Trouble::new("passphrase-missing", message, Some(help)).ending(Exit::Usage))
}
