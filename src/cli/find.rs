//! `linkmend find`: fallback networks in range, and devices that have joined a network of this
//! computer. Nothing is joined, and no device is asked anything.
//!
//! ```text
//! $ linkmend find
//! networks of their own, heard through wlan0:
//!   TarnBoat 3  02:00:5e:00:00:01  ▂▄▆_ 62 %, channel 6, WPA2
//!     sample-form
//! on a local network:
//!   Grebe  http://192.168.4.7
//!     sample-script, serial TD-00471
//! ```

mod list;

use std::{sync::Arc, time::Duration};

use super::{
    args,
    context::Context,
    failure::Failure,
    screen::{Screen, Tone},
    target,
    wifi::{adapter, choose},
};
use crate::{
    change::Trouble,
    find::{
        around::{Event, Listen, Until, listen},
        mdns::{self, Browse, MdnsError},
    },
    terms::{
        Exit,
        output::{FORMAT, Fault, FindEvent, FindLine},
    },
    wifi::{AdapterName, Wifi, WifiError},
};
use list::{Listing, One};

/// How long local networks are listened to at most: longer than anybody watches.
const LONGEST: Duration = Duration::from_hours(7 * 24);

/// The column at which what comes and goes stands.
const COLUMN: usize = 7;

/// What to do while it is watched.
const NOW: &str = "Now power the one that you mean, or switch it off: what comes and what goes shows \
                   here.";

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Find) -> Result<Exit, Failure> {
    let screen = context.screen;
    let profiles = target::candidates(typed.profile.as_deref())?;
    context.or_stopped(context.home_first()).await?;
    let air = context
        .or_stopped(async { Ok(ear(context, typed).await) })
        .await?;
    let only = typed.adapter.as_deref().map(AdapterName::new);
    let net = mdns::browse(only.as_ref(), &profiles, LONGEST);
    let (air, net, warnings) = both(air, net)?;
    if !screen.json {
        for warning in &warnings {
            say_warning(screen, warning);
        }
    }
    let until = match (typed.watch, typed.wait) {
        (true, longest) => Until::Passed(longest.unwrap_or(f64::INFINITY)),
        (false, Some(longest)) => Until::Found(longest),
        (false, None) => Until::Once,
    };
    let mut listing = Listing::new(
        list::known(context),
        typed.all,
        profiles.clone(),
        air.as_ref().map(|(_, adapter)| adapter.clone()),
    );
    let busy = screen.busy(what(&listing, net.is_some(), until));
    let listening = Listen {
        air: air.as_ref().map(|(wifi, adapter)| (&**wifi, adapter)),
        net,
        profiles: &profiles,
        until,
        now_s: &choose::boot_seconds,
        stop: context.stop.clone(),
    };
    let mut came = false;
    let mut comes = FindEvent::There;
    let around = listen(listening, |event| {
        let (event, one) = match event {
            Event::Settled => {
                comes = FindEvent::Came;
                if typed.watch {
                    screen.remark(Tone::Strong, NOW);
                }
                return;
            }
            Event::AirCame(point) => (comes, listing.of_air(point)),
            Event::NetCame(device) => (comes, Some(One::of_net(device))),
            Event::AirWent(point) => (FindEvent::Went, listing.of_air(point)),
            Event::NetWent(device) => (FindEvent::Went, Some(One::of_net(device))),
        };
        if let Some(one) = one {
            came |= one.is_device();
            if screen.json {
                screen.object(&FindLine {
                    format: FORMAT,
                    event,
                    device: listing.out(&one),
                });
            } else if typed.watch {
                say_event(screen, event, &listing, &one);
            }
        }
    })
    .await;
    drop(busy);
    // To stop is the way in which a watch ends.
    if *context.stop.borrow() && !typed.watch {
        return Err(Failure::Stopped);
    }
    if let Some(error) = &around.deaf {
        let warning = fault_of(error);
        if !screen.json {
            say_warning(screen, &warning);
        }
        listing.warn(warning);
    }
    for warning in warnings {
        listing.warn(warning);
    }
    listing.fill(around);
    let nothing = (!came && listing.is_empty()).then(|| listing.nothing(typed.wait.is_some()));
    if screen.json {
        let error = nothing.as_ref().map(Failure::fault);
        screen.object(&listing.to_json(error));
    } else if !typed.watch {
        listing.say(screen);
    }
    match nothing {
        None => Ok(Exit::Done),
        Some(nothing) if screen.json => Ok(nothing.exit()),
        Some(nothing) => Err(nothing),
    }
}

/// Who hears the air, and through what.
type Ear = (Arc<dyn Wifi>, AdapterName);

/// Who hears the air, who hears the local networks, and why one of them does not.
type Ears = (Option<Ear>, Option<Browse>, Vec<Fault>);

async fn ear(context: &Context, typed: &args::Find) -> Result<Ear, Failure> {
    let wifi = context.wifi().await?;
    let adapter = adapter::choose(&*wifi, typed.adapter.as_deref()).await?;
    Ok((wifi, adapter))
}

/// Those that can hear, and why the other one cannot; where neither can, that is the end.
fn both(air: Result<Ear, Failure>, net: Result<Browse, MdnsError>) -> Result<Ears, Failure> {
    match (air, net) {
        (Err(failure), Err(_)) => Err(failure),
        (Err(failure), Ok(net)) => Ok((None, Some(net), vec![failure.fault()])),
        (Ok(air), Err(error)) => Ok((Some(air), None, vec![fault_of_net(&error)])),
        (Ok(air), Ok(net)) => Ok((Some(air), Some(net), Vec::new())),
    }
}

fn fault_of(error: &WifiError) -> Fault {
    Fault {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help(),
    }
}

fn fault_of_net(error: &MdnsError) -> Fault {
    Fault {
        code: error.code().into(),
        message: format!("nobody is heard on a local network: {error}"),
        help: error.help().map(Into::into),
    }
}

fn say_warning(screen: Screen, fault: &Fault) {
    screen.fault("warning:", Tone::Careful, &fault.message);
    if let Some(help) = &fault.help {
        screen.fault("help:", Tone::Careful, help);
    }
}

fn what(listing: &Listing, net: bool, until: Until) -> String {
    let air = listing.adapter().map(|name| format!("`{name}`"));
    let net = net.then(|| "the local network".to_owned());
    let both: Vec<String> = air.into_iter().chain(net).collect();
    match until {
        Until::Passed(_) => "listening; Ctrl-C ends it".into(),
        Until::Once | Until::Found(_) => format!("listening to {}", both.join(" and ")),
    }
}

fn say_event(screen: Screen, event: FindEvent, listing: &Listing, one: &One) {
    let (word, tone) = match event {
        FindEvent::There => ("there", Tone::Plain),
        FindEvent::Came => ("came", Tone::Good),
        FindEvent::Went => ("went", Tone::Careful),
    };
    let word = tone.paint(&format!("{word:<COLUMN$}"));
    screen.hanging(&word, COLUMN, &one.line());
    let more = listing.about(one);
    if !more.is_empty() {
        screen.hanging(&" ".repeat(COLUMN), COLUMN, &more);
    }
}

/// Nothing is there.
fn nobody(message: String, help: &str) -> Failure {
    Failure::Trouble(Trouble::new("no-device", message, Some(help)).ending(Exit::NoDevice))
}
