//! From what a device answers to what goes over the wire, bent as the scenario wants it.
//!
//! Bodies are opened, changed and closed again, gzip included, so that every family can have every
//! fault; what is large is made once and cheaply.

use std::{
    io::{Read as _, Write as _},
    sync::LazyLock,
    time::Duration,
};

use flate2::{Compress, Compression, Crc, FlushCompress, read::GzDecoder, write::GzEncoder};

use crate::{
    family::{Kind, Outcome},
    fault::Fault,
    hooks::{Dress, Hooks, RestartHook, Wire},
    hostile,
    http::{Answer, Piece, Reply},
};

/// Another origin: an address for documentation (RFC 5737), at which nobody answers.
const ELSEWHERE: &str = "http://192.0.2.1/";
/// How deep the nesting goes; with the closing marks it stays under the size of a body that
/// clients read.
const DEPTH: usize = 40_000;
/// How many headers more.
const MANY: usize = 300;
/// One piece of what never ends, how long it takes, and how many come before nothing more does:
/// 8 MiB at some 3 MiB a second.
const ENDLESS: (usize, Duration, u32) = (64 << 10, Duration::from_millis(20), 128);
/// In how many pieces a slow answer comes, and how long each takes.
const SLOW: (usize, Duration) = (5, Duration::from_millis(100));
/// What a bomb inflates to: this often 1 MiB.
const MEBIBYTES: u32 = 300;

/// The answer on the wire to a request for a path.
pub(crate) fn answer(hooks: &Hooks, outcome: &Outcome, path: &str) -> Answer {
    if outcome.restarts && hooks.restart == RestartHook::BeforeAnswer {
        return Answer::reset();
    }
    let mut reply = outcome.reply.clone();
    if hooks.hostile {
        reply = hostile(reply, outcome.kind);
    }
    let wire = match outcome.kind {
        Kind::Reading => hooks.reading,
        Kind::Saved => hooks.save,
        Kind::Met | Kind::Broken | Kind::Refused | Kind::Other => Wire::Whole,
    };
    match wire {
        Wire::Whole => dressed(reply, hooks.dress),
        Wire::Cut => reply.half(),
        Wire::Stalled => reply.half().then(Piece::Stall),
        Wire::Silent => Answer::silent(),
        Wire::Endless => endless(reply),
        Wire::Bomb => bomb(reply).whole(),
        Wire::Deep => deep(reply).whole(),
        Wire::Elsewhere => Reply::text(302, "").with("Location", ELSEWHERE).whole(),
        Wire::Redirected { to_itself } => {
            let path = if to_itself { path } else { "/kept" };
            Reply::text(307, "").with("Location", path).whole()
        }
        Wire::LengthTooLong => {
            let told = reply.body.len() + 100;
            reply.set("Content-Length", Some(told.to_string()));
            reply.whole()
        }
        Wire::LengthTooShort => {
            let told = reply.body.len() / 2;
            reply.set("Content-Length", Some(told.to_string()));
            reply.whole()
        }
        Wire::LengthTwice => {
            let other = (reply.body.len() + 7).to_string();
            reply.with("Content-Length", &other).whole()
        }
    }
}

/// The answer as a fault leaves it; `earlier` is what the same request was answered before.
pub(crate) fn faulty(answer: Answer, earlier: Option<Answer>, fault: Fault) -> Answer {
    match fault {
        Fault::LoseAnswer => Answer::reset(),
        Fault::Cut => half(&answer),
        Fault::Stall => half(&answer).then(Piece::Stall),
        Fault::RestartMidway => half(&answer).then(Piece::Reset),
        Fault::Slow => slow(&answer),
        Fault::Twice => Answer {
            pieces: [answer.pieces.clone(), answer.pieces].concat(),
            ..answer
        },
        Fault::Stale => earlier.unwrap_or(answer),
        _ => answer,
    }
}

/// The first half of its bytes, wherever that ends.
fn half(answer: &Answer) -> Answer {
    let mut bytes = bytes_of(answer);
    bytes.truncate(bytes.len() / 2);
    Answer {
        status: answer.status,
        pieces: vec![Piece::Bytes(bytes)],
    }
}

fn slow(answer: &Answer) -> Answer {
    let bytes = bytes_of(answer);
    let (count, pause) = SLOW;
    let pieces = bytes
        .chunks(bytes.len().div_ceil(count).max(1))
        .flat_map(|part| [Piece::Wait(pause), Piece::Bytes(part.to_vec())]);
    Answer {
        status: answer.status,
        pieces: pieces.collect(),
    }
}

fn bytes_of(answer: &Answer) -> Vec<u8> {
    let bytes = answer.pieces.iter().map(|piece| match piece {
        Piece::Bytes(bytes) => bytes.as_slice(),
        Piece::Stall | Piece::Reset | Piece::Wait(_) | Piece::Again { .. } => &[],
    });
    bytes.collect::<Vec<_>>().concat()
}

/// The answer with its headers as the scenario has them.
fn dressed(mut reply: Reply, dress: Dress) -> Answer {
    match dress {
        Dress::Plain => {}
        Dress::Odd => {
            return Answer {
                status: Some(reply.status),
                pieces: vec![Piece::Bytes(odd_head(&reply)), Piece::Bytes(reply.body)],
            };
        }
        Dress::Many => {
            for number in 0..MANY {
                reply = reply.with("X-Reed", &number.to_string());
            }
        }
        Dress::ClosesUnannounced => reply.set("Connection", None),
    }
    reply.whole()
}

/// Bare line feeds, no reason, odd case, a space before each colon and a folded line: what RFC 9112
/// sections 2.2, 4, 5.1 and 5.2 speak of.
fn odd_head(reply: &Reply) -> Vec<u8> {
    let lines = reply
        .headers
        .iter()
        .enumerate()
        .map(|(index, (name, value))| {
            let name: String = name
                .chars()
                .enumerate()
                .map(|(place, c)| {
                    if (place + index) % 2 == 0 {
                        c.to_ascii_lowercase()
                    } else {
                        c.to_ascii_uppercase()
                    }
                })
                .collect();
            format!("{name} :\t{value} \n")
        });
    let lines: String = lines.collect();
    format!("HTTP/1.1 {}\n{lines}X-Reed: a,\n\tb\n\n", reply.status).into_bytes()
}

fn endless(mut reply: Reply) -> Answer {
    open(&mut reply);
    reply.set("Content-Length", None);
    let (length, every, times) = ENDLESS;
    // Without what would close it: nobody who reads may think that it is whole.
    let end = reply.body.len() - (reply.body.len() / 10).max(1);
    let answer = Answer {
        status: Some(reply.status),
        pieces: vec![
            Piece::Bytes(reply.head()),
            Piece::Bytes(reply.body[..end].to_vec()),
        ],
    };
    answer
        .then(Piece::Again {
            bytes: b"reed bed\n".repeat(length / 9),
            every,
            times,
        })
        .then(Piece::Stall)
}

fn bomb(mut reply: Reply) -> Reply {
    reply.set("Content-Encoding", Some("gzip".to_owned()));
    reply.set_body(BOMB.clone());
    reply
}

/// A gzip member (RFC 1952) of spaces. One block of them is compressed, flushed so that it needs
/// nothing that was before it (RFC 1951), and sent again and again.
static BOMB: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let spaces = vec![b' '; 1 << 20];
    let mut block = Vec::with_capacity(1 << 16);
    // The vector is larger than what a mebibyte of one byte is compressed to.
    let _ = Compress::new(Compression::best(), false).compress_vec(
        &spaces,
        &mut block,
        FlushCompress::Full,
    );
    let mut one = Crc::new();
    one.update(&spaces);
    let mut all = Crc::new();
    let mut bytes = vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];
    for _ in 0..MEBIBYTES {
        bytes.extend(&block);
        all.combine(&one);
    }
    // The last block, empty and with fixed codes.
    bytes.extend([3, 0]);
    bytes.extend(all.sum().to_le_bytes());
    bytes.extend((MEBIBYTES << 20).to_le_bytes());
    bytes
});

fn deep(reply: Reply) -> Reply {
    with_more(
        reply,
        &("<div>".repeat(DEPTH) + &"</div>".repeat(DEPTH)),
        &format!("\"deep\":{}{}", "[".repeat(DEPTH), "]".repeat(DEPTH)),
        "",
    )
}

/// The answer with a text that is made to do harm, where somebody would show it.
fn hostile(mut reply: Reply, kind: Kind) -> Reply {
    let text = hostile::long_text();
    match kind {
        Kind::Reading => {
            let html = format!("<p>{}</p>", text.replace('<', "&lt;"));
            let member = serde_json::to_string(&text).unwrap_or_default();
            let line = format!("{}: {}\n", hostile::NAME, text.replace('\n', " "));
            with_more(reply, &html, &format!("{member}:{member}"), &line)
        }
        Kind::Saved | Kind::Met | Kind::Broken | Kind::Refused => {
            let body = String::from_utf8_lossy(&reply.body).into_owned();
            let body = match body.split_once("</p>") {
                Some((said, rest)) => format!("{said}{}</p>{rest}", text.replace('<', "&lt;")),
                None if body.is_empty() => body,
                None => body + &text,
            };
            reply.set_body(body.into_bytes());
            reply
        }
        Kind::Other => reply,
    }
}

/// The answer with more in its body: markup at the beginning of a page, a member at the end of a
/// document, or a line at the end of lines.
fn with_more(mut reply: Reply, html: &str, member: &str, line: &str) -> Reply {
    let zipped = open(&mut reply);
    let body = String::from_utf8_lossy(&reply.body).into_owned();
    let body = if let Some((before, after)) = body.split_once("<body>") {
        format!("{before}<body>{html}{after}")
    } else if let Some(document) = body.strip_suffix('}') {
        format!("{document},{member}}}")
    } else {
        body + line
    };
    reply.set_body(body.into_bytes());
    if zipped {
        let zipped = gzip(&reply.body);
        reply.set("Content-Encoding", Some("gzip".to_owned()));
        reply.set_body(zipped);
    }
    reply
}

/// Inflates a body that goes over the wire as gzip; whether it was one.
fn open(reply: &mut Reply) -> bool {
    if !reply
        .headers
        .iter()
        .any(|(name, _)| *name == "Content-Encoding")
    {
        return false;
    }
    let mut plain = Vec::new();
    // It was compressed here, so that it can be read.
    let _ = GzDecoder::new(reply.body.as_slice()).read_to_end(&mut plain);
    reply.set("Content-Encoding", None);
    reply.set_body(plain);
    true
}

/// Bytes as one gzip member.
pub(crate) fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    // Writing into memory does not fail; were it to, the client would get a body it refuses.
    let _ = encoder.write_all(bytes);
    encoder.finish().unwrap_or_default()
}

#[cfg(test)]
mod tests;
