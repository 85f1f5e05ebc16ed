//! What an adapter was connected to before anything was joined through it, and the way back there.
//!
//! It is looked up and on record before the first join, and gone at the end of every command,
//! however that ends. Where the process itself is ended in between, the journal knows, and the next
//! command that opens it goes first ([`finish`]).

use std::{collections::BTreeSet, sync::Arc};

use tokio::sync::Mutex;

use crate::{
    cli::{
        failure::Failure,
        screen::{Screen, Tone},
    },
    journal::{AwayId, Journal, LeftAway},
    wifi::{AdapterName, Home, Wifi, WifiError, by_hand::ByHand},
};

/// The adapters that are away from home.
#[derive(Default)]
pub(crate) struct WayHome(Mutex<Vec<Away>>);

struct Away {
    wifi: Arc<dyn Wifi>,
    home: Home,
    /// Where that is on record; none: nobody but the person can go back.
    row: Option<(Journal, AwayId)>,
}

impl WayHome {
    /// Remembers where the adapter is, before something is joined through it for the first time.
    pub(crate) async fn remember(
        &self,
        wifi: &Arc<dyn Wifi>,
        journal: &Journal,
        adapter: &AdapterName,
    ) -> Result<(), Failure> {
        let mut away = self.0.lock().await;
        if away.iter().any(|one| one.home.adapter == *adapter) {
            return Ok(());
        }
        let home = wifi.whereabouts(adapter).await?;
        let row = journal.leave_home(&home).await?;
        away.push(Away {
            wifi: Arc::clone(wifi),
            home,
            row: Some((journal.clone(), row)),
        });
        Ok(())
    }

    /// The person joins by hand, and is told at the end to go back.
    pub(crate) async fn by_hand(&self, hand: Arc<ByHand>) {
        let home = Home {
            adapter: ByHand::adapter(),
            connection: None,
        };
        let mut away = self.0.lock().await;
        if away.iter().all(|one| one.home != home) {
            away.push(Away {
                wifi: hand,
                home,
                row: None,
            });
        }
    }

    /// Brings every adapter back to where it was. Safe to repeat.
    pub(crate) async fn come_home(&self, screen: Screen) {
        let mut away = self.0.lock().await;
        while let Some(one) = away.pop() {
            let busy = one
                .row
                .as_ref()
                .map(|_| screen.busy(format!("back to {}", place(&one.home))));
            let came = one.wifi.go_home(&one.home).await;
            drop(busy);
            match (came, one.row) {
                (Ok(()), None) => {}
                (Ok(()), Some((journal, row))) => {
                    say_home(screen, &one.home);
                    // Not closed, it is gone again next time, which does no harm.
                    if let Err(error) = journal.came_home(row).await {
                        tracing::warn!(%error, "the way home could not be closed");
                    }
                }
                (Err(error), _) => {
                    screen.fault(
                        "warning:",
                        Tone::Careful,
                        &format!(
                            "`{}` could not be put back to {}: {error}",
                            one.home.adapter,
                            place(&one.home)
                        ),
                    );
                    screen.fault(
                        "help:",
                        Tone::Careful,
                        "choose your network in the system's settings; the next linkmend tries again",
                    );
                }
            }
        }
    }
}

/// Goes home where an earlier run was ended before it could.
pub(crate) async fn finish(screen: Screen, journal: &Journal) -> Result<(), Failure> {
    let left = journal.left_away().await?;
    if left.is_empty() {
        return Ok(());
    }
    match crate::wifi::service().await {
        Ok(wifi) => bring_back(screen, journal, &*wifi, left).await,
        Err(error) => {
            tracing::warn!(%error, "nobody can be asked to go home");
            Ok(())
        }
    }
}

async fn bring_back(
    screen: Screen,
    journal: &Journal,
    wifi: &dyn Wifi,
    left: Vec<LeftAway>,
) -> Result<(), Failure> {
    let mut back = BTreeSet::new();
    for one in left {
        let adapter = &one.home.adapter;
        // What an adapter was connected to at first is its home, whatever came in between.
        if back.contains(adapter) || is_over(wifi, &one).await {
            journal.came_home(one.id).await?;
            continue;
        }
        let busy = screen.busy(format!("back to {}", place(&one.home)));
        let came = wifi.go_home(&one.home).await;
        drop(busy);
        let error = match came {
            Ok(()) => {
                screen.remark(
                    Tone::Careful,
                    "An earlier run was ended before it could put your Wi-Fi back.",
                );
                say_home(screen, &one.home);
                back.insert(adapter.clone());
                journal.came_home(one.id).await?;
                continue;
            }
            Err(error) => error,
        };
        let text = format!(
            "`{adapter}` could not be put back to {}: {error}",
            place(&one.home)
        );
        screen.fault("warning:", Tone::Careful, &text);
        // Where it has found another network meanwhile, nothing is left to be put right: it is not
        // to be torn off that one with every command.
        if let Ok(Home {
            connection: Some(_),
            ..
        }) = wifi.whereabouts(adapter).await
        {
            journal.came_home(one.id).await?;
        }
    }
    Ok(())
}

/// Whether there is nothing to put back: the computer was restarted since, so what was joined is left
/// long ago, and the adapter is not there any more or is on a network that somebody chose.
async fn is_over(wifi: &dyn Wifi, left: &LeftAway) -> bool {
    if !left.restarted {
        return false;
    }
    match wifi.whereabouts(&left.home.adapter).await {
        Ok(now) => now.connection.is_some() || left.home.connection.is_none(),
        Err(WifiError::NoAdapter { .. } | WifiError::OtherAdapters { .. }) => true,
        Err(_) => false,
    }
}

fn say_home(screen: Screen, home: &Home) {
    let adapter = &home.adapter;
    let text = match &home.connection {
        Some(_) => format!("`{adapter}` is back on {}", place(home)),
        None => format!("`{adapter}` is connected to nothing again, as before"),
    };
    screen.step("home", Tone::Good, &text);
}

fn place(home: &Home) -> String {
    match &home.connection {
        Some(connection) => crate::terms::Untrusted::new(connection.name.as_str()).to_string(),
        None => "connected to nothing".into(),
    }
}

#[cfg(test)]
mod tests;
