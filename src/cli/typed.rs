//! Secrets that a person types: hidden, and twice where they are to be written.

use secrecy::{ExposeSecret, SecretString};

use super::{ask, context::Context, failure::Failure, screen::Tone};
use crate::{change::Trouble, terms::Exit};

/// Asks for a secret, hidden and twice, until both are alike and it is one, at most three times.
/// `file` is what gives it without a terminal, for the message.
pub(super) async fn secret<T>(
    context: &Context,
    what: &str,
    file: &str,
    take: impl Fn(&str) -> Result<T, String>,
) -> Result<T, Failure> {
    let careful = |text: &str| context.screen.asking().remark(Tone::Careful, text);
    for _ in 0..ATTEMPTS {
        let first = hidden(context, what, file).await?;
        let taken = match take(first.expose_secret()) {
            Ok(taken) => taken,
            Err(why) => {
                careful(&why);
                continue;
            }
        };
        let again = hidden(context, &format!("{what}, again"), file).await?;
        if again.expose_secret() == first.expose_secret() {
            return Ok(taken);
        }
        careful("the two are not the same");
    }
    let message = format!("{ATTEMPTS} times nothing was typed that could be used");
    let help = format!("begin again, or give it in a file: {file}");
    Err(refused("not-entered", &message, Some(&help)))
}

/// Asks for a secret, hidden and once.
pub(super) async fn hidden(
    context: &Context,
    what: &str,
    file: &str,
) -> Result<SecretString, Failure> {
    if !context.screen.can_ask() {
        let message = if context.screen.json {
            "with --json nobody is asked for a secret"
        } else {
            "there is no terminal to ask for a secret at"
        };
        let help = format!("give it in a file: {file}");
        return Err(refused("no-terminal", message, Some(&help)));
    }
    let typed = context.or_stopped(async {
        ask::hidden(what).await.map_err(|error| {
            let message = format!("the terminal did not answer ({error})");
            refused("no-terminal", &message, None)
        })
    });
    let left = || refused("declined", "you left it; nothing was written", None);
    typed.await?.ok_or_else(left)
}

fn refused(code: &str, message: &str, help: Option<&str>) -> Failure {
    Failure::Trouble(Trouble::new(code, message, help).ending(Exit::Refused))
}

/// How often a secret may be typed that is none.
const ATTEMPTS: usize = 3;
