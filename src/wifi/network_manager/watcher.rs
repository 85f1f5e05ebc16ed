//! Keeps the [`Picture`] of `NetworkManager` up to date for as long as somebody looks at it.
//!
//! It listens first and reads then, so that nothing falls between the two.

use std::{collections::HashMap, num::NonZeroUsize};

use futures_util::StreamExt;
use tokio::{sync::watch, task::JoinHandle};
use zbus::{
    Connection, MatchRule, Message, MessageStream, OwnedObjectPath,
    fdo::{NameOwnerChanged, ObjectManagerProxy},
    message::Type,
};

use super::{
    bus::{NAME, ROOT},
    picture::{Picture, Step, Values},
};

/// Signals that may wait: more than come while all its objects are read (a choice of ours).
const QUEUE: NonZeroUsize = NonZeroUsize::MIN.saturating_add(8191);

/// The picture, and the task that keeps it. None: the service is not on the bus.
pub(super) async fn watch(
    connection: &Connection,
) -> zbus::Result<(watch::Receiver<Picture>, JoinHandle<()>)> {
    let said = MatchRule::builder()
        .msg_type(Type::Signal)
        .sender(NAME)
        .build()?;
    let mut said = MessageStream::for_match_rule(said, connection, Some(QUEUE)).await?;
    let owner = MatchRule::builder()
        .msg_type(Type::Signal)
        .sender("org.freedesktop.DBus")
        .interface("org.freedesktop.DBus")
        .member("NameOwnerChanged")
        .add_arg(NAME)
        .build()?;
    let mut owner = MessageStream::for_match_rule(owner, connection, None).await?;
    let manager = ObjectManagerProxy::new(connection, NAME, ROOT).await?;
    let mut picture = Picture::default();
    picture.reset(manager.get_managed_objects().await?);

    let (sender, receiver) = watch::channel(picture);
    let task = tokio::spawn(async move {
        loop {
            tokio::select! {
                biased;
                message = owner.next() => match message {
                    Some(Ok(message)) if comes(&message) => {
                        if let Ok(objects) = manager.get_managed_objects().await {
                            sender.send_modify(|picture| picture.reset(objects));
                        }
                    }
                    Some(Ok(_)) => sender.send_modify(Picture::forget),
                    Some(Err(_)) => {}
                    None => break,
                },
                message = said.next() => match message {
                    Some(Ok(message)) => {
                        // Two streams of one connection may overtake each other, so that a
                        // signal of before may be seen late; the newer one is behind it.
                        sender.send_if_modified(|picture| take(picture, &message).is_some());
                    }
                    Some(Err(_)) => {}
                    None => break,
                },
            }
        }
        sender.send_modify(Picture::forget);
    });
    Ok((receiver, task))
}

/// Whether somebody has the name now.
fn comes(message: &Message) -> bool {
    NameOwnerChanged::from_message(message.clone())
        .and_then(|changed| changed.args().ok().map(|args| args.new_owner().is_some()))
        .unwrap_or(false)
}

/// Takes one signal into the picture. None: it says nothing of interest.
fn take(picture: &mut Picture, message: &Message) -> Option<()> {
    let header = message.header();
    let body = message.body();
    match (header.interface()?.as_str(), header.member()?.as_str()) {
        ("org.freedesktop.DBus.Properties", "PropertiesChanged") => {
            let (interface, values, _): (String, Values, Vec<String>) = body.deserialize().ok()?;
            if !interface.starts_with(NAME) {
                return None;
            }
            let path = OwnedObjectPath::from(header.path()?.to_owned());
            picture.changed(&path, &interface, values);
        }
        ("org.freedesktop.DBus.ObjectManager", "InterfacesAdded") => {
            let (path, interfaces): (OwnedObjectPath, HashMap<String, Values>) =
                body.deserialize().ok()?;
            picture.added(path, interfaces);
        }
        ("org.freedesktop.DBus.ObjectManager", "InterfacesRemoved") => {
            let (path, interfaces): (OwnedObjectPath, Vec<String>) = body.deserialize().ok()?;
            picture.removed(&path, &interfaces);
        }
        ("org.freedesktop.NetworkManager.Device", "StateChanged") => {
            let (state, before, reason): (u32, u32, u32) = body.deserialize().ok()?;
            let path = OwnedObjectPath::from(header.path()?.to_owned());
            picture.stepped(path, before, Step { state, reason });
        }
        _ => return None,
    }
    Some(())
}
