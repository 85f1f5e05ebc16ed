//! The devices of the benches, each in a process of its own: this program once more, in a role.
//!
//! A role says its address on its first line, then a line for each request and each turn with the
//! time, and ends when its stdin does, so that none is left over.

use std::{
    io::{self, BufRead, BufReader, Read, Write},
    net::{SocketAddr, TcpListener},
    path::Path,
    process::{Child, ChildStdin, ChildStdout, Command, ExitCode, Stdio},
    thread,
    time::{Duration, SystemTime, UNIX_EPOCH},
};

use linkmend::session::page::{Page, PageLimits};
use mock_device::{
    Family, Options, Scenario,
    shelf::{Shelf, ShelfOptions},
};

/// The word that asks this program to play a role.
const ROLE: &str = "--as";

/// How long after its answer the receiver of the benches restarts: as soon as can be without
/// overtaking the answer.
pub(crate) const PAUSE: Duration = Duration::from_millis(2);

/// What this program is, when it is not the bench itself.
pub(crate) enum Role {
    /// A locked `sample-form` receiver whose waits are divided by this.
    Receiver(f64),
    /// A server of one page, from a file.
    Page(String),
    /// A shelf of so many locked `sample-form` receivers without waits, whose shelf file and list
    /// are written by this name.
    Shelf(usize, String),
    /// No device: prints what the first form of a page, from a file, would be sent as.
    Form(String),
}

impl Role {
    /// The role that these words ask for, if they do.
    pub(crate) fn of(words: &[String]) -> Option<Self> {
        match words {
            [role, name, value] if role == ROLE => match name.as_str() {
                "receiver" => value.parse().ok().map(Role::Receiver),
                "page" => Some(Role::Page(value.clone())),
                "form" => Some(Role::Form(value.clone())),
                _ => None,
            },
            [role, name, count, file] if role == ROLE && name == "shelf" => {
                let count = count.parse().ok()?;
                Some(Role::Shelf(count, file.clone()))
            }
            _ => None,
        }
    }

    /// Plays it; a device until stdin closes.
    pub(crate) fn play(self) -> ExitCode {
        match self {
            Role::Receiver(speed) => receiver(speed),
            Role::Page(file) => page(&file),
            Role::Form(file) => form(&file),
            Role::Shelf(count, file) => shelf(count, &file),
        }
        ExitCode::SUCCESS
    }

    /// What a shelf says at its end when so many receivers have no lock any more.
    pub(crate) fn unlocked(count: usize) -> String {
        format!("{count} unlocked")
    }
}

fn receiver(speed: f64) {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime");
    let mut options = Options::new(Family::SampleForm, Scenario::Locked);
    options.speed = speed;
    options.pause = PAUSE;
    options.log = Some(Box::new(Stamped));
    let running = runtime
        .block_on(mock_device::start(options))
        .expect("a receiver");
    introduce(running.address());
    until_stdin_closes();
    runtime.block_on(running.stop());
}

fn shelf(count: usize, file: &str) {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime");
    let mut options = ShelfOptions::new(Family::SampleForm, count);
    options.speed = None;
    options.pause = PAUSE;
    let shelf = mock_device::shelf::start(options);
    let shelf = runtime.block_on(shelf).expect("a shelf");
    let list = Path::new(file);
    std::fs::write(list.with_extension("toml"), shelf.toml()).expect("written");
    std::fs::write(list.with_extension("csv"), shelf.csv()).expect("written");
    introduce(shelf.lent()[0].address);
    until_stdin_closes();
    let unlocked = (0..count).filter(|index| is_unlocked(&shelf, *index));
    println!("{}\n@{}", Role::unlocked(unlocked.count()), now_us());
    runtime.block_on(shelf.stop());
}

fn is_unlocked(shelf: &Shelf, index: usize) -> bool {
    let truth = shelf.truth_of(index).expect("it is one of them");
    truth.devices[0].settings["model-lock"] == "off"
}

/// A server that answers everything with one page, as a device with room for one connection does.
fn page(file: &str) {
    let page = std::fs::read(file).expect("the page");
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    introduce(listener.local_addr().expect("its address"));
    thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let mut stream = stream;
            let mut request = BufReader::new(stream.try_clone().expect("both ends"));
            let mut line = String::new();
            while request.read_line(&mut line).is_ok_and(|read| read > 2) {
                line.clear();
            }
            let head = format!(
                "HTTP/1.1 200 OK\r\nContent-Type: text/html; charset=utf-8\r\n\
                 Content-Length: {}\r\nConnection: close\r\n\r\n",
                page.len()
            );
            let _ = stream.write_all(head.as_bytes());
            let _ = stream.write_all(&page);
        }
    });
    until_stdin_closes();
}

fn form(file: &str) {
    let bytes = std::fs::read(file).expect("the page");
    let url = "http://127.0.0.1/".parse().expect("an address");
    let limits = PageLimits::default();
    let page = Page::parse(
        &bytes,
        Some("text/html; charset=utf-8"),
        &url,
        &[],
        &[],
        &limits,
    );
    let page = page.expect("a page within bounds");
    let sent = page.forms[0].submit(None).expect("a form");
    io::stdout()
        .write_all(&sent.body)
        .expect("somebody reads it");
}

fn introduce(address: SocketAddr) {
    println!("http://{address}");
    io::stdout().flush().expect("somebody reads it");
}

fn until_stdin_closes() {
    let _ = io::copy(&mut io::stdin().lock(), &mut io::sink());
}

/// Writes each line of the log with the time in front, in µs.
struct Stamped;

impl Write for Stamped {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // A line comes in pieces; the time goes before the first, which begins with a number.
        let text = String::from_utf8_lossy(bytes);
        let mut out = io::stdout().lock();
        write!(out, "{text}")?;
        if text.ends_with('\n') {
            writeln!(out, "@{}", now_us())?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stdout().flush()
    }
}

/// Wall time in µs since 1970.
pub(crate) fn now_us() -> u128 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.expect("a clock after 1970").as_micros()
}

/// A running device.
pub(crate) struct Device {
    child: Child,
    stdin: Option<ChildStdin>,
    stdout: BufReader<ChildStdout>,
    /// Its address, without a slash at the end.
    pub at: String,
}

/// One line of a device's log.
#[derive(Debug)]
pub(crate) struct Line {
    /// When, in µs since 1970.
    pub at_us: u128,
    /// What.
    pub text: String,
}

impl Device {
    /// What prints the bytes of a form.
    pub(crate) fn form_bytes(file: &Path) -> Command {
        let mut command = Command::new(std::env::current_exe().expect("this program"));
        command.args([ROLE, "form"]).arg(file);
        command
    }

    /// A locked receiver whose waits are divided by this.
    pub(crate) fn receiver(speed: f64) -> Self {
        Self::start(&["receiver", &speed.to_string()])
    }

    /// A server of one page.
    pub(crate) fn page(file: &Path) -> Self {
        Self::start(&["page", &file.display().to_string()])
    }

    /// A shelf of so many receivers.
    pub(crate) fn shelf(count: usize, file: &Path) -> Self {
        Self::start(&["shelf", &count.to_string(), &file.display().to_string()])
    }

    fn start(role: &[&str]) -> Self {
        let me = std::env::current_exe().expect("this program");
        let mut child = Command::new(me)
            .arg(ROLE)
            .args(role)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("it starts");
        let stdin = child.stdin.take();
        let mut stdout = BufReader::new(child.stdout.take().expect("its words"));
        let mut at = String::new();
        stdout.read_line(&mut at).expect("its address");
        Self {
            child,
            stdin,
            stdout,
            at: at.trim().to_owned(),
        }
    }

    /// Ends it, and hands out what happened.
    pub(crate) fn end(mut self) -> Vec<Line> {
        drop(self.stdin.take());
        let mut log = String::new();
        self.stdout.read_to_string(&mut log).expect("its log");
        self.child.wait().expect("it is gone");
        let mut lines = Vec::new();
        let mut text = "";
        for line in log.lines() {
            match line.strip_prefix('@') {
                None => text = line,
                Some(at) => lines.push(Line {
                    at_us: at.parse().expect("a time"),
                    text: text.to_owned(),
                }),
            }
        }
        lines
    }
}
