//! A secret goes over an open network only where the person says so, with the network's name:
//! everybody near can listen there.

use std::sync::atomic::{AtomicBool, Ordering};

use crate::{
    change::Trouble,
    cli::{context::Context, failure::Failure, guide::Guide, screen::Tone},
    terms::Exit,
    wifi::NetworkName,
};

/// An open network that was joined, and whether a secret may go over it.
#[derive(Debug)]
pub(crate) struct OpenNetwork {
    name: NetworkName,
    agreed: AtomicBool,
}

impl OpenNetwork {
    /// `given`: the name that was typed with the command.
    pub(super) fn new(name: NetworkName, given: Option<&str>) -> Self {
        let agreed = given.is_some_and(|given| given.as_bytes() == name.bytes());
        Self {
            name,
            agreed: AtomicBool::new(agreed),
        }
    }

    /// Asks whether this secret may go over it, once; refused where there is nobody to ask.
    pub(crate) async fn agree(&self, context: &Context, what: &str) -> Result<(), Failure> {
        if self.agreed.load(Ordering::SeqCst) {
            return Ok(());
        }
        let refused =
            || {
                Failure::Trouble(
                Trouble::new(
                    "open-network",
                    format!("`{}` is an open network, and {what} would go over it", self.name),
                    Some(
                        "everybody near can listen there: secure the network first, or agree with \
                         --open-network and its name",
                    ),
                )
                .ending(Exit::Refused),
            )
            };
        if !context.screen.can_ask() {
            return Err(refused());
        }
        context.screen.asking().remark(
            Tone::Careful,
            &format!(
                "{} is an open network, and {what} would go over it: everybody near can listen.",
                self.name
            ),
        );
        let name = self.name.to_string();
        let typed = Guide::new(context)
            .text(
                "Type its name to go on (? for help):",
                "Without a passphrase nothing on this network is encrypted. Enter alone leaves with \
                 nothing sent.",
                |typed| Ok(typed.to_owned()),
            )
            .await?;
        if typed != name {
            return Err(refused());
        }
        self.agreed.store(true, Ordering::SeqCst);
        Ok(())
    }
}
