//! One connection to a simulated device: a request is read, the pieces of its answer are sent, and
//! it is reset when the device goes.
//!
//! An answer that is on its way is not overtaken by the restart that it announces, however busy the
//! computer is: only a connection on which nothing is being sent is reset from outside.

use std::{future::Future, time::Duration};

use serde::Serialize;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpListener, TcpStream},
    sync::watch,
    task::JoinSet,
    time::{sleep, timeout},
};

use crate::{
    http::{Answer, Parsed, Piece, Reply, Request},
    world::Handled,
};

/// How long a client may take to send a request.
const REQUEST_TIME: Duration = Duration::from_secs(10);
/// How long a client may take to close after the whole answer, so that no reset overtakes it.
const CLOSE_TIME: Duration = Duration::from_millis(500);
/// The longest that an answer stalls, so that a simulation does not fill with what nobody reads.
const STALL_TIME: Duration = Duration::from_mins(2);
/// How long to leave be a listener that cannot accept just now.
pub(crate) const ACCEPT_AGAIN: Duration = Duration::from_millis(20);

/// How a conversation ends.
#[derive(Debug, PartialEq, Eq)]
enum End {
    Close,
    Reset,
}

/// The word that the device has gone since.
type Gone = watch::Receiver<()>;

/// Takes in a connection: turned away at once where the device is not there, else served beside the
/// others. `listen` gives the word that the device goes, and is called before `is_refused` looks at the
/// state, so that a restart between the two is not missed.
pub(crate) fn take_in<A>(
    stream: TcpStream,
    tasks: &mut JoinSet<()>,
    listen: impl FnOnce() -> Gone,
    is_refused: impl FnOnce() -> bool,
    answer: A,
) where
    A: FnOnce(Parsed) -> Handled + Send + 'static,
{
    let gone = listen();
    if is_refused() {
        turn_away(&stream);
    } else {
        tasks.spawn(serve(stream, gone, answer));
    }
}

/// Turns away whoever has connected to a device that is not there.
pub(crate) fn turn_away(stream: &TcpStream) {
    let _ = stream.set_zero_linger();
}

/// Reads one request and sends its answer; a reset when the device goes before it is answered, or
/// while its answer stands still.
async fn serve(mut stream: TcpStream, mut gone: Gone, answer: impl FnOnce(Parsed) -> Handled) {
    if converse(&mut stream, &mut gone, answer).await == End::Reset {
        let _ = stream.set_zero_linger();
    }
}

async fn converse(
    stream: &mut TcpStream,
    gone: &mut Gone,
    answer: impl FnOnce(Parsed) -> Handled,
) -> End {
    let read = timeout(REQUEST_TIME, read_request(stream));
    let Some(read) = unless_gone(gone, read).await else {
        return End::Reset;
    };
    let parsed = match read {
        Ok(Some(parsed)) if parsed != Parsed::Part => parsed,
        _ => return End::Close,
    };
    match answer(parsed) {
        Handled::Gone => End::Reset,
        Handled::Answer(answer) => send(stream, &answer, gone).await,
    }
}

/// The end of something, or none when the device goes before.
async fn unless_gone<T>(gone: &mut Gone, until: impl Future<Output = T>) -> Option<T> {
    tokio::select! {
        biased;
        _ = gone.changed() => None,
        done = until => Some(done),
    }
}

/// The request, or none when the client closed without a word or broke off.
async fn read_request(stream: &mut TcpStream) -> Option<Parsed> {
    let mut bytes = Vec::new();
    loop {
        match stream.read_buf(&mut bytes).await {
            Ok(0) | Err(_) => return None,
            Ok(_) => match Request::parse(&bytes) {
                Parsed::Part => {}
                parsed => return Some(parsed),
            },
        }
    }
}

async fn send(stream: &mut TcpStream, answer: &Answer, gone: &mut Gone) -> End {
    for piece in &answer.pieces {
        let still_there = match piece {
            Piece::Bytes(bytes) => {
                if stream.write_all(bytes).await.is_err() {
                    return End::Close;
                }
                Some(())
            }
            Piece::Stall => {
                let closed = timeout(STALL_TIME, until_closed(stream));
                return match unless_gone(gone, closed).await {
                    Some(_) => End::Close,
                    None => End::Reset,
                };
            }
            Piece::Reset => return End::Reset,
            Piece::Wait(time) => unless_gone(gone, sleep(*time)).await,
            Piece::Again {
                bytes,
                every,
                times,
            } => match unless_gone(gone, send_again(stream, bytes, *every, *times)).await {
                Some(false) => return End::Close,
                Some(true) => Some(()),
                None => None,
            },
        };
        if still_there.is_none() {
            return End::Reset;
        }
    }
    // Closing with unread bytes would reset the connection and could take the answer with it.
    if stream.shutdown().await.is_ok() {
        let _ = timeout(CLOSE_TIME, until_closed(stream)).await;
    }
    End::Close
}

/// Sends the same bytes so many times; whether there was somebody to send them to.
async fn send_again(stream: &mut TcpStream, bytes: &[u8], every: Duration, times: u32) -> bool {
    for _ in 0..times {
        if stream.write_all(bytes).await.is_err() {
            return false;
        }
        sleep(every).await;
    }
    true
}

/// Reads and forgets until the client closes.
async fn until_closed(stream: &mut TcpStream) {
    let mut bytes = [0; 1024];
    while matches!(stream.read(&mut bytes).await, Ok(1..)) {}
}

/// Answers each GET with what is true of its path, as JSON, or with 404; for ever.
pub(crate) async fn tell<T, F>(listener: TcpListener, truth: F)
where
    T: Serialize,
    F: Fn(&str) -> Option<T> + Clone + Send + 'static,
{
    let mut tasks = JoinSet::new();
    loop {
        let accepted = listener.accept().await;
        while tasks.try_join_next().is_some() {}
        match accepted {
            Ok((stream, _)) => {
                let truth = truth.clone();
                // Nobody goes away here.
                let (stays, gone) = watch::channel(());
                let answer = move |parsed| Handled::Answer(told(&parsed, &truth).whole());
                tasks.spawn(async move {
                    serve(stream, gone, answer).await;
                    drop(stays);
                });
            }
            Err(_) => sleep(ACCEPT_AGAIN).await,
        }
    }
}

fn told<T: Serialize>(parsed: &Parsed, truth: impl Fn(&str) -> Option<T>) -> Reply {
    match parsed {
        Parsed::Whole(request) if request.method == "GET" => match truth(&request.path) {
            Some(truth) => {
                let json = serde_json::to_vec(&truth).unwrap_or_default();
                Reply::new(200, "application/json", json)
            }
            None => Reply::text(404, "nothing here"),
        },
        _ => Reply::text(400, "only GET"),
    }
}
