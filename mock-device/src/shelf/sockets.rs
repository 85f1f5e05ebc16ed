//! The sockets of a shelf, and which receiver a connection is for.
//!
//! A socket for each of ten thousand addresses would need as many open files. One socket that is
//! bound to no address and to the loopback adapter alone hears them all, and nobody else's packets.

use std::{
    io,
    net::{IpAddr, Ipv4Addr, SocketAddr},
    sync::Arc,
};

use tokio::{
    net::{TcpListener, TcpSocket, TcpStream},
    task::JoinSet,
    time::sleep,
};

use super::{Places, Shared};
use crate::{
    connection::{self, ACCEPT_AGAIN},
    http::Parsed,
    world::Handled,
};

/// Connections that wait to be accepted; the system lowers it to what it allows.
const BACKLOG: u32 = 4096;

/// Hosts in a block of 256 addresses: the first and the last are left out, as is usual in networks.
const HOSTS: usize = 254;

/// The open sockets of a shelf.
#[derive(Debug)]
pub(super) struct Sockets {
    /// One for all, or one each.
    listeners: Vec<TcpListener>,
    is_for_all: bool,
    addresses: Vec<SocketAddr>,
}

/// The loopback address of a receiver: 127.1.0.1 and on.
pub(super) fn address(index: usize) -> Ipv4Addr {
    let block = index / HOSTS;
    let byte = |number: usize| u8::try_from(number % 256).unwrap_or(0);
    Ipv4Addr::new(
        127,
        1 + byte(block / 256),
        byte(block),
        1 + byte(index % HOSTS),
    )
}

/// Whose loopback address it is, of a shelf of any size.
fn index_of(address: Ipv4Addr) -> Option<usize> {
    let [127, high, low, host] = address.octets().map(usize::from) else {
        return None;
    };
    let block = high.checked_sub(1)? * 256 + low;
    let host = host.checked_sub(1).filter(|host| *host < HOSTS)?;
    Some(block * HOSTS + host)
}

/// Opens the sockets of so many receivers.
pub(super) async fn open(places: Places, count: usize) -> io::Result<Sockets> {
    match places {
        Places::Addresses(port) => {
            let listener = hear_loopback(port)?;
            let port = listener.local_addr()?.port();
            let addresses = (0..count).map(|index| SocketAddr::from((address(index), port)));
            Ok(Sockets {
                listeners: vec![listener],
                is_for_all: true,
                addresses: addresses.collect(),
            })
        }
        Places::Ports => {
            let mut listeners = Vec::with_capacity(count);
            let mut addresses = Vec::with_capacity(count);
            for _ in 0..count {
                let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
                addresses.push(listener.local_addr()?);
                listeners.push(listener);
            }
            Ok(Sockets {
                listeners,
                is_for_all: false,
                addresses,
            })
        }
    }
}

/// A socket that hears every loopback address at a port, and nothing from outside.
#[cfg(target_os = "linux")]
fn hear_loopback(port: u16) -> io::Result<TcpListener> {
    let socket = TcpSocket::new_v4()?;
    // Before it is bound: from its first moment on it hears nobody else.
    socket.bind_device(Some(b"lo"))?;
    socket.bind(SocketAddr::from((Ipv4Addr::UNSPECIFIED, port)))?;
    socket.listen(BACKLOG)
}

/// Other systems have one loopback address.
#[cfg(not(target_os = "linux"))]
fn hear_loopback(_: u16) -> io::Result<TcpListener> {
    Err(io::Error::new(
        io::ErrorKind::Unsupported,
        "only Linux has a loopback address for each receiver; give each a port",
    ))
}

impl Sockets {
    /// Where each receiver answers.
    pub(super) fn addresses(&self) -> impl Iterator<Item = SocketAddr> + '_ {
        self.addresses.iter().copied()
    }

    /// Serves whoever connects, in tasks that end with the set.
    pub(super) fn serve(self, shared: &Arc<Shared>, tasks: &mut JoinSet<()>) {
        for (index, listener) in self.listeners.into_iter().enumerate() {
            let index = (!self.is_for_all).then_some(index);
            tasks.spawn(accept(listener, index, Arc::clone(shared)));
        }
    }
}

/// Accepts for one receiver, or for all of them by the address that was asked for.
async fn accept(listener: TcpListener, index: Option<usize>, shared: Arc<Shared>) {
    // The tasks of a shelf end with this set, which ends with the shelf.
    let mut tasks = JoinSet::new();
    loop {
        let accepted = listener.accept().await;
        while tasks.try_join_next().is_some() {}
        match accepted {
            Ok((stream, _)) => {
                let asked = index.or_else(|| asked_for(&stream));
                match asked.filter(|index| *index < shared.slots.len()) {
                    Some(index) => take_in(stream, index, &shared, &mut tasks),
                    // An address of nobody.
                    None => connection::turn_away(&stream),
                }
            }
            // A connection that broke before it was accepted, or too many open files.
            Err(_) => sleep(ACCEPT_AGAIN).await,
        }
    }
}

fn asked_for(stream: &TcpStream) -> Option<usize> {
    match stream.local_addr().ok()?.ip() {
        IpAddr::V4(address) => index_of(address),
        IpAddr::V6(_) => None,
    }
}

fn take_in(stream: TcpStream, index: usize, shared: &Arc<Shared>, tasks: &mut JoinSet<()>) {
    let slot = &shared.slots[index];
    let answering = Arc::clone(shared);
    connection::take_in(
        stream,
        tasks,
        || slot.subscribe(),
        || slot.world().turns_away(shared.now()),
        move |parsed| {
            let handled = answer(&answering, index, &parsed);
            answering.keep_time(index);
            handled
        },
    );
}

/// The answer to a request that was sent to the address of this receiver.
fn answer(shared: &Arc<Shared>, index: usize, parsed: &Parsed) -> Handled {
    let now = shared.now();
    let mut world = shared.slots[index].world();
    if let Parsed::Whole(request) = parsed
        && shared.slots.len() > 1
        && world.hands_over(now)
    {
        let other = (index + 1) % shared.slots.len();
        world.missed(request, &shared.lent[other].label, now);
        // Two that hand over to each other would wait for each other.
        drop(world);
        let neighbour = &shared.slots[other];
        let sent_to = &shared.lent[index].label;
        let handled = neighbour.world().handle_for(request, sent_to, now);
        shared.keep_time(other);
        return handled;
    }
    world.handle_parsed(parsed, now)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_receiver_has_an_address_that_leads_back_to_it() {
        for index in [0, 1, 253, 254, 255, 9_999, 70_000] {
            let address = address(index);
            assert!(address.is_loopback());
            assert_eq!(index_of(address), Some(index), "{address}");
        }
        assert_eq!(address(0), Ipv4Addr::new(127, 1, 0, 1));
        assert_eq!(address(254), Ipv4Addr::new(127, 1, 1, 1));
        for nobodys in [
            [127, 0, 0, 1],
            [127, 1, 0, 0],
            [127, 1, 0, 255],
            [10, 1, 0, 1],
        ] {
            assert_eq!(index_of(Ipv4Addr::from(nobodys)), None);
        }
    }
}
