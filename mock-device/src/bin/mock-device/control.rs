//! The socket by which the world around a simulated receiver is turned: its power, its transmitter,
//! its local network.
//!
//! It is the owner's alone from its first moment, and lines are bounded: a stranger on the machine
//! neither switches nor fills anything.

use std::{
    fs, io,
    os::unix::{
        fs::{FileTypeExt, PermissionsExt},
        net::UnixStream as Blocking,
    },
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use mock_device::{Running, shelf::Shelf};
use serde_json::{Value as Json, json};
use tokio::{
    io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader},
    net::{UnixListener, UnixStream},
    task::JoinSet,
    time::sleep,
};

/// Longest command, its line feed included.
const LINE: u64 = 64;
/// How long to leave be a socket that cannot accept just now.
const ACCEPT_AGAIN: Duration = Duration::from_millis(20);

/// A socket that takes commands, until it is dropped.
pub(crate) struct Control {
    listener: UnixListener,
    path: PathBuf,
}

impl Control {
    /// Binds it. What a simulation that was killed has left there is replaced.
    ///
    /// Errors: another one listens there, or something else has the name.
    pub(crate) fn bind(path: &Path) -> io::Result<Self> {
        let named = |fault: io::Error| {
            let text = format!("cannot take commands at `{}`: {fault}", path.display());
            io::Error::new(fault.kind(), text)
        };
        if let Ok(found) = fs::symlink_metadata(path)
            && (!found.file_type().is_socket() || Blocking::connect(path).is_ok())
        {
            return Err(named(io::ErrorKind::AddrInUse.into()));
        }
        // Under a name that nobody waits for until its mode is right.
        let mut early = path.to_owned().into_os_string();
        early.push(format!(".{}", std::process::id()));
        let early = PathBuf::from(early);
        let listener = UnixListener::bind(&early).map_err(named)?;
        let placed = fs::set_permissions(&early, fs::Permissions::from_mode(0o600))
            .and_then(|()| fs::rename(&early, path));
        if let Err(fault) = placed {
            // The first fault is the one to be told.
            let _ = fs::remove_file(&early);
            return Err(named(fault));
        }
        Ok(Self {
            listener,
            path: path.to_owned(),
        })
    }

    /// Serves whoever connects, for ever.
    pub(crate) async fn serve<T: Obeys>(&self, running: &Arc<T>) {
        let mut tasks = JoinSet::new();
        loop {
            let accepted = self.listener.accept().await;
            while tasks.try_join_next().is_some() {}
            match accepted {
                Ok((stream, _)) => {
                    tasks.spawn(converse(stream, Arc::clone(running)));
                }
                Err(_) => sleep(ACCEPT_AGAIN).await,
            }
        }
    }
}

impl Drop for Control {
    fn drop(&mut self) {
        // It may have been removed by hand.
        let _ = fs::remove_file(&self.path);
    }
}

/// Answers each line, until the other side closes or sends one that is too long.
async fn converse<T: Obeys>(mut stream: UnixStream, running: Arc<T>) {
    let (from, mut to) = stream.split();
    let mut from = BufReader::new(from);
    loop {
        let mut line = Vec::new();
        let read = (&mut from).take(LINE).read_until(b'\n', &mut line).await;
        if !matches!(read, Ok(1..)) {
            return;
        }
        let is_whole = line.ends_with(b"\n");
        let answer = if is_whole {
            let line = String::from_utf8_lossy(&line);
            running.obey(&line.split_whitespace().collect::<Vec<_>>())
        } else {
            error(&format!("a command is a line of less than {LINE} bytes"))
        };
        let sent = to.write_all(format!("{answer}\n").as_bytes()).await;
        if sent.is_err() || !is_whole {
            return;
        }
    }
}

/// What is simulated, and takes commands.
pub(crate) trait Obeys: Send + Sync + 'static {
    /// Carries out one command, and answers it.
    fn obey(&self, words: &[&str]) -> Json;
}

impl Obeys for Running {
    fn obey(&self, words: &[&str]) -> Json {
        let (what, on) = match words {
            ["truth"] => return json!(self.truth()),
            [what, "on"] => (*what, true),
            [what, "off"] => (*what, false),
            _ => ("", false),
        };
        match what {
            "power" => self.power(on),
            "transmitter" => self.transmitter(on),
            "joined" => self.joined(on),
            _ => {
                return error(&format!(
                    "`{}` is none of `power`, `transmitter`, `joined` with `on` or `off`, nor `truth`",
                    words.join(" ").escape_debug()
                ));
            }
        }
        json!({"ok": true})
    }
}

/// The receivers are counted from 1.
impl Obeys for Shelf {
    fn obey(&self, words: &[&str]) -> Json {
        let index = words
            .get(1)
            .and_then(|number| number.parse::<usize>().ok())
            .and_then(|number| number.checked_sub(1))
            .filter(|index| *index < self.lent().len());
        match (words, index) {
            (["truth"], _) => json!(self.truth()),
            (["truth", _], Some(index)) => json!(self.truth_of(index)),
            (["power", _, "on"], Some(index)) => done(self.power(index, true)),
            (["power", _, "off"], Some(index)) => done(self.power(index, false)),
            (["power", _, "cycle"], Some(index)) => done(self.power_cycle(index)),
            _ => error(&format!(
                "`{}` is none of `truth`, `truth N`, `power N` with `on`, `off` or `cycle`; N is from 1 \
                 to {}",
                words.join(" ").escape_debug(),
                self.lent().len()
            )),
        }
    }
}

fn done(there_is_one: bool) -> Json {
    json!({ "ok": there_is_one })
}

fn error(text: &str) -> Json {
    json!({ "error": text })
}
