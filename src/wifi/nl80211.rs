//! What the kernel itself says of an adapter's radio, by its nl80211 messages: the frames with which
//! an access point lets somebody in or not, when a scan begins and ends, and the country whose rules
//! hold.
//!
//! It listens and asks; it changes nothing, and needs no permission. It is here because the
//! services above it tell a wrong passphrase and an access point that is full by one word. Numbers
//! are those of the kernel's `linux/nl80211.h` and `linux/genetlink.h`.

use std::{io, ops::Range};

use netlink_sys::{
    AsyncSocket, AsyncSocketExt, SocketAddr, TokioSocket, protocols::NETLINK_GENERIC,
};

use crate::terms::Mac;

/// Most bytes of one message that is read: many times what a frame or a family's description has.
const MOST_BYTES: usize = 1 << 16;

/// The fixed part of each message: netlink's own head, and the generic one.
const HEAD: usize = 16 + 4;

/// Something that an access point, or the kernel in its name, said to an adapter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Said {
    /// It answered the knock. Kind 3 is WPA3's, which has two rounds; status 0 is yes.
    Authentication {
        /// Which way of getting in.
        kind: u16,
        /// Which round, from 1.
        round: u16,
        /// IEEE 802.11 status code.
        status: u16,
    },
    /// It answered the wish to be let in; status 0 is yes.
    Association {
        /// IEEE 802.11 status code.
        status: u16,
    },
    /// It sent the adapter away.
    SentAway {
        /// IEEE 802.11 reason code.
        reason: u16,
    },
    /// It did not answer, however often it was asked.
    Silence,
    /// It was joined, and fell silent.
    Vanished,
}

/// What an adapter's scan does, whoever asked for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scanning {
    /// It begins.
    Begins,
    /// It has ended, or was broken off.
    Ends,
}

/// A place to listen to what is said to one adapter.
pub(super) struct Radio(Listener);

impl Radio {
    /// Listens from now on. An error: this kernel does not tell.
    pub(super) async fn listen(adapter: &str) -> io::Result<Self> {
        Ok(Self(Listener::of("mlme", adapter).await?))
    }

    /// The next that `bssid` says. To be dropped at any moment.
    pub(super) async fn next(&mut self, bssid: Mac) -> io::Result<Said> {
        self.0.next(|it, adapter| said(it, adapter, bssid)).await
    }
}

/// A place to listen to the scans of one adapter.
pub(super) struct Scans(Listener);

impl Scans {
    /// Listens from now on. An error: this kernel does not tell.
    pub(super) async fn listen(adapter: &str) -> io::Result<Self> {
        Ok(Self(Listener::of("scan", adapter).await?))
    }

    /// What they do next. To be dropped at any moment.
    pub(super) async fn next(&mut self) -> io::Result<Scanning> {
        self.0.next(scanning).await
    }
}

/// One group of messages about one adapter.
struct Listener {
    socket: TokioSocket,
    family: u16,
    adapter: u32,
}

impl Listener {
    async fn of(group: &str, adapter: &str) -> io::Result<Self> {
        let adapter = nix::net::if_::if_nametoindex(adapter)?;
        let (mut socket, family) = open().await?;
        let group = family.group(group).ok_or(io::ErrorKind::NotFound)?;
        socket.socket_mut().add_membership(group)?;
        Ok(Self {
            socket,
            family: family.id,
            adapter,
        })
    }

    /// The next that means something to `read`.
    async fn next<T>(&mut self, read: impl Fn(&Message<'_>, u32) -> Option<T>) -> io::Result<T> {
        loop {
            let message = receive(&mut self.socket).await?;
            let read = messages(&message)
                .filter(|it| it.kind == self.family)
                .find_map(|it| read(&it, self.adapter));
            if let Some(read) = read {
                return Ok(read);
            }
        }
    }
}

/// The country whose rules the radio keeps, in two letters; `00` is the whole world's.
pub(super) async fn country() -> io::Result<String> {
    const GET_REG: u8 = 31;
    const ALPHA2: u16 = 33;
    let (mut socket, family) = open().await?;
    ask(&mut socket, family.id, GET_REG, &[]).await?;
    let answer = receive(&mut socket).await?;
    messages(&answer)
        .filter(|it| it.kind == family.id)
        .find_map(|it| {
            let letters = attribute(it.attributes, ALPHA2)?.get(..2)?;
            std::str::from_utf8(letters).ok().map(str::to_owned)
        })
        .ok_or_else(|| io::ErrorKind::InvalidData.into())
}

/// What the kernel calls nl80211 since it started.
struct Family {
    id: u16,
    groups: Vec<(String, u32)>,
}

impl Family {
    fn group(&self, name: &str) -> Option<u32> {
        let found = self.groups.iter().find(|(it, _)| it == name);
        found.map(|(_, id)| *id)
    }
}

async fn open() -> io::Result<(TokioSocket, Family)> {
    const CONTROL: u16 = 16;
    const GET_FAMILY: u8 = 3;
    const NAME: u16 = 2;
    let mut socket = TokioSocket::new(NETLINK_GENERIC)?;
    socket.socket_mut().bind_auto()?;
    // Eight bytes with their end, so that there is nothing to pad.
    let mut name = Vec::new();
    put(&mut name, NAME, b"nl80211\0");
    ask(&mut socket, CONTROL, GET_FAMILY, &name).await?;
    let answer = receive(&mut socket).await?;
    let family = messages(&answer)
        .filter(|it| it.kind == CONTROL)
        .find_map(|it| family(it.attributes));
    Ok((socket, family.ok_or(io::ErrorKind::Unsupported)?))
}

fn family(attributes: &[u8]) -> Option<Family> {
    const ID: u16 = 1;
    const GROUPS: u16 = 7;
    const GROUP_NAME: u16 = 1;
    const GROUP_ID: u16 = 2;
    let groups = each_attribute(attribute(attributes, GROUPS)?).filter_map(|(_, group)| {
        let name = attribute(group, GROUP_NAME)?.strip_suffix(b"\0")?;
        let id = attribute(group, GROUP_ID)?.try_into().ok()?;
        let name = std::str::from_utf8(name).ok()?;
        Some((name.to_owned(), u32::from_ne_bytes(id)))
    });
    Some(Family {
        id: u16::from_ne_bytes(attribute(attributes, ID)?.try_into().ok()?),
        groups: groups.collect(),
    })
}

async fn ask(
    socket: &mut TokioSocket,
    kind: u16,
    command: u8,
    attributes: &[u8],
) -> io::Result<()> {
    const REQUEST: u16 = 1;
    let length = HEAD + attributes.len();
    let mut message = Vec::with_capacity(length);
    let length = u32::try_from(length).map_err(io::Error::other)?;
    message.extend(length.to_ne_bytes());
    message.extend(kind.to_ne_bytes());
    message.extend(REQUEST.to_ne_bytes());
    // A number of the message and of whom it is from: there is one question a socket.
    message.extend([0; 8]);
    // The command, its version, and nothing.
    message.extend([command, 1, 0, 0]);
    message.extend(attributes);
    let kernel = SocketAddr::new(0, 0);
    socket.send_to(&message, &kernel).await?;
    Ok(())
}

async fn receive(socket: &mut TokioSocket) -> io::Result<Vec<u8>> {
    let mut message = Vec::with_capacity(MOST_BYTES);
    socket.recv(&mut message).await?;
    Ok(message)
}

/// One message of several in a row.
struct Message<'a> {
    kind: u16,
    command: u8,
    attributes: &'a [u8],
}

fn messages(bytes: &[u8]) -> impl Iterator<Item = Message<'_>> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let length = u32::from_ne_bytes(rest.get(..4)?.try_into().ok()?);
        let length = usize::try_from(length).ok()?;
        let message = rest.get(..length)?;
        let found = Message {
            kind: u16::from_ne_bytes(message.get(4..6)?.try_into().ok()?),
            command: *message.get(16)?,
            attributes: message.get(HEAD..)?,
        };
        rest = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        Some(found)
    })
}

/// The attributes in a row, by their kinds.
fn each_attribute(bytes: &[u8]) -> impl Iterator<Item = (u16, &[u8])> {
    // What marks an attribute as one that holds others, or as one in the network's byte order.
    const MARKS: u16 = 0xc000;
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let length = usize::from(u16::from_ne_bytes(rest.get(..2)?.try_into().ok()?));
        let kind = u16::from_ne_bytes(rest.get(2..4)?.try_into().ok()?) & !MARKS;
        let value = rest.get(4..length)?;
        rest = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        Some((kind, value))
    })
}

fn attribute(bytes: &[u8], wanted: u16) -> Option<&[u8]> {
    each_attribute(bytes).find_map(|(kind, value)| (kind == wanted).then_some(value))
}

fn put(bytes: &mut Vec<u8>, kind: u16, value: &[u8]) {
    let length = u16::try_from(4 + value.len()).unwrap_or(u16::MAX);
    bytes.extend(length.to_ne_bytes());
    bytes.extend(kind.to_ne_bytes());
    bytes.extend(value);
}

/// The number of an adapter, as an attribute.
const INDEX: u16 = 3;

/// What a message says of this adapter's scans.
fn scanning(message: &Message<'_>, adapter: u32) -> Option<Scanning> {
    const TRIGGER: u8 = 33;
    const RESULTS: u8 = 34;
    const ABORTED: u8 = 35;
    if attribute(message.attributes, INDEX)? != adapter.to_ne_bytes() {
        return None;
    }
    match message.command {
        TRIGGER => Some(Scanning::Begins),
        RESULTS | ABORTED => Some(Scanning::Ends),
        _ => None,
    }
}

/// What a message says to this adapter in the name of this access point.
fn said(message: &Message<'_>, adapter: u32, bssid: Mac) -> Option<Said> {
    const AUTHENTICATE: u8 = 37;
    const ASSOCIATE: u8 = 38;
    const DEAUTHENTICATE: u8 = 39;
    const DISASSOCIATE: u8 = 40;
    const CONNECT: u8 = 46;
    const DISCONNECT: u8 = 48;
    const MAC: u16 = 6;
    const FRAME: u16 = 51;
    const REASON: u16 = 54;
    const TIMED_OUT: u16 = 65;
    const BY_AP: u16 = 71;
    const STATUS: u16 = 72;
    // Disassociated for inactivity: what the kernel says to one that it heard nothing of for several
    // beacons, and that did not answer a probe. Who leaves by its own will says another number.
    const INACTIVE: u16 = 4;
    let get = |kind| attribute(message.attributes, kind);
    let number = |kind| Some(u16::from_ne_bytes(get(kind)?.try_into().ok()?));
    if get(INDEX)? != adapter.to_ne_bytes() {
        return None;
    }
    let of_it = get(MAC).is_none_or(|mac| mac == bssid.0);
    let frame = get(FRAME).and_then(|frame| Frame::with(frame, Frame::SENDER, bssid));
    match message.command {
        AUTHENTICATE | ASSOCIATE | CONNECT if get(TIMED_OUT).is_some() => {
            of_it.then_some(Said::Silence)
        }
        AUTHENTICATE => {
            let frame = frame?;
            Some(Said::Authentication {
                kind: frame.word(0)?,
                round: frame.word(1)?,
                status: frame.word(2)?,
            })
        }
        // What it can do comes before its answer.
        ASSOCIATE => Some(Said::Association {
            status: frame?.word(1)?,
        }),
        DEAUTHENTICATE | DISASSOCIATE => {
            if let Some(frame) = frame {
                return Some(Said::SentAway {
                    reason: frame.word(0)?,
                });
            }
            let to_it = Frame::with(get(FRAME)?, Frame::RECEIVER, bssid)?;
            (to_it.word(0)? == INACTIVE).then_some(Said::Vanished)
        }
        // Adapters that do all of it by themselves show no frames.
        CONNECT if of_it => Some(Said::Association {
            status: number(STATUS)?,
        }),
        DISCONNECT if get(BY_AP).is_some() => Some(Said::SentAway {
            reason: number(REASON)?,
        }),
        _ => None,
    }
}

/// What follows the head of a management frame (IEEE 802.11-2020, 9.3.3.1, clause from memory).
struct Frame<'a>(&'a [u8]);

impl<'a> Frame<'a> {
    const RECEIVER: Range<usize> = 4..10;
    const SENDER: Range<usize> = 10..16;
    const HEAD: usize = 24;

    /// A frame with this access point in that place.
    fn with(frame: &'a [u8], place: Range<usize>, bssid: Mac) -> Option<Self> {
        (frame.get(place)? == bssid.0).then(|| frame.get(Self::HEAD..).map(Self))?
    }

    /// Two bytes of it, the lower one first.
    fn word(&self, index: usize) -> Option<u16> {
        let bytes = self.0.get(2 * index..2 * index + 2)?;
        Some(u16::from_le_bytes(bytes.try_into().ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const POINT: Mac = Mac([2, 0, 0, 0, 2, 0]);
    const OURS: [u8; 6] = [2, 0, 0, 0, 0, 0];
    const FAMILY: u16 = 29;

    /// A message as the kernel lays it out: netlink(7) and `linux/genetlink.h`.
    fn message(command: u8, attributes: &[(u16, Vec<u8>)]) -> Vec<u8> {
        let mut body = Vec::new();
        for (kind, value) in attributes {
            put(&mut body, *kind, value);
            body.resize(body.len().next_multiple_of(4), 0);
        }
        let mut message = Vec::new();
        message.extend(
            u32::try_from(HEAD + body.len())
                .expect("small")
                .to_ne_bytes(),
        );
        message.extend(FAMILY.to_ne_bytes());
        message.extend([0; 10]);
        message.extend([command, 1, 0, 0]);
        message.extend(body);
        message
    }

    fn frame(sender: [u8; 6], words: &[u16]) -> Vec<u8> {
        let mut frame = vec![0xb0, 0, 0x3a, 1];
        frame.extend(OURS);
        frame.extend(sender);
        frame.extend(POINT.0);
        frame.extend([0x10, 0]);
        frame.extend(words.iter().flat_map(|word| word.to_le_bytes()));
        frame
    }

    fn heard(bytes: &[u8]) -> Vec<Said> {
        messages(bytes)
            .filter_map(|it| said(&it, 7, POINT))
            .collect()
    }

    fn index(number: u32) -> (u16, Vec<u8>) {
        (3, number.to_ne_bytes().to_vec())
    }

    #[test]
    fn answers_of_the_access_point_are_read_out_of_its_frames() {
        let refused = message(37, &[index(7), (51, frame(POINT.0, &[3, 2, 1]))]);
        let full = message(38, &[index(7), (51, frame(POINT.0, &[0x431, 17, 0]))]);
        let away = message(39, &[index(7), (51, frame(POINT.0, &[15]))]);
        let all = [refused, full, away].concat();
        let wanted = [
            Said::Authentication {
                kind: 3,
                round: 2,
                status: 1,
            },
            Said::Association { status: 17 },
            Said::SentAway { reason: 15 },
        ];
        assert_eq!(heard(&all), wanted);
    }

    // As the kernel (6.1) says it of an access point whose beacons end.
    #[test]
    fn falling_silent_is_told_from_leaving_by_ones_own_will() {
        let to_it = |number: u16| {
            let mut frame = frame(OURS, &[number]);
            frame[4..10].copy_from_slice(&POINT.0);
            message(39, &[index(7), (51, frame)])
        };
        assert_eq!(heard(&to_it(4)), [Said::Vanished]);
        assert_eq!(heard(&to_it(3)), []);
        let of_another = message(39, &[index(7), (51, frame(OURS, &[4]))]);
        assert_eq!(heard(&of_another), []);
    }

    #[test]
    fn what_this_computer_sends_or_another_adapter_hears_is_not_its_word() {
        let own = message(39, &[index(7), (51, frame(OURS, &[3]))]);
        let other = message(39, &[index(8), (51, frame(POINT.0, &[15]))]);
        let left = message(48, &[index(7), (54, 3_u16.to_ne_bytes().to_vec())]);
        assert_eq!(heard(&[own, other, left].concat()), []);
    }

    #[test]
    fn silence_is_heard_of_this_access_point_alone() {
        let silent = |mac: [u8; 6]| message(37, &[index(7), (65, vec![]), (6, mac.to_vec())]);
        assert_eq!(heard(&silent(POINT.0)), [Said::Silence]);
        assert_eq!(heard(&silent([2, 0, 0, 0, 3, 0])), []);
    }

    #[test]
    fn scans_of_this_adapter_begin_and_end() {
        let of = |command, adapter| {
            let bytes = message(command, &[index(adapter)]);
            messages(&bytes).find_map(|it| scanning(&it, 7))
        };
        assert_eq!(of(33, 7), Some(Scanning::Begins));
        assert_eq!([34, 35].map(|it| of(it, 7)), [Some(Scanning::Ends); 2]);
        assert_eq!(of(33, 8), None, "another adapter's");
        assert_eq!(of(32, 7), None, "another command");
    }

    #[test]
    fn damaged_messages_say_nothing() {
        let whole = message(37, &[index(7), (51, frame(POINT.0, &[3, 2, 1]))]);
        for end in 0..whole.len() {
            assert_eq!(heard(&whole[..end]), [], "cut after {end} bytes");
        }
        let mut endless = whole.clone();
        endless[..4].fill(0);
        assert_eq!(heard(&endless), []);
    }
}
