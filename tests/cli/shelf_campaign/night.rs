//! A shelf, its file and its data folder, and runs of the program over it, cut off or not.

use std::{
    fmt,
    io::{BufRead, BufReader},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    sync::{
        Arc,
        mpsc::{Receiver, RecvTimeoutError, channel},
    },
    time::{Duration, Instant},
};

use linkmend::{
    journal::{Archive, DataFolder, Journal},
    loaners::{
        load_file,
        run::{Order, World, run},
    },
    profile,
    session::{Credentials, Limits},
    terms::output::loaners::{ShelfCommand, ShelfLine, ShelfOut},
};
use mock_device::shelf::{Places, Shelf, ShelfOptions, ShelfTruth, start};
use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use tempfile::{NamedTempFile, TempDir};
use tokio::{
    sync::{Notify, watch},
    time::timeout,
};

use super::weather::{Cut, Weather};
use crate::harness::{Call, RUNTIME};

/// The longest that one run may take, beyond which it counts as one that does not end. One that left
/// is waited for for half a minute, and there are a few tries.
const DEADLINE: Duration = Duration::from_mins(4);

/// Short bounds: a stalled answer ends after 2 s, and one that does not go away for its restart is
/// given up after 1 s.
const QUICK: [&str; 8] = [
    "--limit",
    "answer-s=2",
    "--limit",
    "leave-s=1",
    "--limit",
    "attempts=2",
    "--limit",
    "pause-s=0.01",
];

/// A shelf that is gone over.
pub(super) struct Night {
    pub(super) weather: Weather,
    shelf: Arc<Shelf>,
    folder: TempDir,
    login: Option<NamedTempFile>,
    /// What was there before anything ran.
    pub(super) first: ShelfTruth,
}

/// What came of a run.
pub(super) struct Ran {
    /// The truth when it began, and after it was over.
    pub(super) start: ShelfTruth,
    pub(super) end: ShelfTruth,
    /// What it told as it went.
    pub(super) lines: Vec<ShelfLine>,
    pub(super) told: Told,
}

/// How a run ended.
pub(super) enum Told {
    /// It was killed.
    Killed,
    /// It began and came to its end; with its exit code, where it is a program.
    Sum(Box<ShelfOut>, Option<i32>),
    /// It did not begin, by its own words.
    Error(String, i32),
}

impl Night {
    pub(super) fn new(weather: Weather) -> Self {
        let mut options = ShelfOptions::new(weather.family, count(weather.receivers));
        options.conditions = weather.conditions.clone();
        options.seed = weather.seed;
        options.speed = weather.speed;
        options.pause = Duration::from_millis(4);
        options.places = Places::Addresses(0);
        options.keys = weather.keys;
        options.chaos = Some(weather.chaos.clone());
        let shelf = RUNTIME.block_on(start(options)).expect("a shelf");
        let shelf = Arc::new(shelf);
        let folder = tempfile::tempdir().expect("a folder");
        let night = Self {
            first: shelf.truth(),
            login: weather.family.login().map(|(user, word)| {
                use std::io::Write as _;
                let mut file = NamedTempFile::new().expect("a file");
                write!(file, "{user}\n{word}\n").expect("room for two lines");
                file
            }),
            weather,
            shelf,
            folder,
        };
        std::fs::write(night.path("profile.toml"), night.profile()).expect("written");
        let family = format!("family = \"{}\"", night.weather.family);
        let rows = night.shelf.toml();
        assert!(rows.contains(&family), "{rows}");
        let rows = rows.replace(&family, "family = \"./profile.toml\"");
        std::fs::write(night.path("tarn.toml"), rows).expect("written");
        night
    }

    /// The family's profile, with waits of a second at most: by them it is reckoned how long one that
    /// does not come back is waited for.
    fn profile(&self) -> String {
        let family = self.weather.family;
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("profiles/{family}.toml"));
        let text = std::fs::read_to_string(path).expect("a profile");
        let begin = text.find("within-s = {").expect("it restarts");
        let end = begin + text[begin..].find('}').expect("it ends") + 1;
        format!(
            "{}within-s = {{ from = 0, to = 1 }}{}",
            &text[..begin],
            &text[end..]
        )
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn data(&self) -> PathBuf {
        self.path("data")
    }

    fn command(&self, cut: Option<&Cut>) -> Command {
        let word = |path: PathBuf| path.display().to_string();
        let mut call = Call::new(&["loaners", "reset", &word(self.path("tarn.toml"))])
            .words(&["--yes", "--json", "--data-dir", &word(self.data())])
            .words(&QUICK);
        if let Some(file) = &self.login {
            call = call.words(&["--login-file", &file.path().display().to_string()]);
        }
        if let Some(Cut::Point(point, passing)) = cut {
            let file = word(self.path("checkpoints"));
            // Those of an earlier run do not count.
            let _ = std::fs::remove_file(&file);
            call = call
                .env("LINKMEND_CHECKPOINT", &format!("{point}:{passing}"))
                .env("LINKMEND_CHECKPOINT_FILE", &file);
        }
        let command = call.into_command();
        match cut {
            Some(Cut::Disk(kib)) => limited(&command, *kib),
            _ => command,
        }
    }

    /// Runs over the shelf once.
    pub(super) fn run(&self, cut: Option<&Cut>) -> Result<Ran, String> {
        if self.weather.inside {
            self.run_inside(cut)
        } else {
            self.run_program(cut)
        }
    }

    /// The same as the program does, without the program.
    fn run_inside(&self, cut: Option<&Cut>) -> Result<Ran, String> {
        let start = self.calm();
        let mut lines = Vec::new();
        let inside = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .expect("a runtime");
        let told = inside.block_on(async {
            let (world, stop) = self.world();
            let (shelf, text) = load_file(&self.path("tarn.toml")).expect("a shelf's file");
            let order = Order::new(Arc::new(shelf), text, ShelfCommand::Reset);
            let dropped = Notify::new();
            let mut watcher = |line: &ShelfLine| {
                lines.push(line.clone());
                let count = u64::try_from(lines.len()).expect("few");
                match cut {
                    Some(Cut::Lines(most)) if count == *most => dropped.notify_one(),
                    Some(Cut::Stop(most)) if count == *most => {
                        stop.send_replace(true);
                    }
                    _ => {}
                }
            };
            let ended = timeout(DEADLINE, async {
                tokio::select! {
                    biased;
                    () = dropped.notified() => None,
                    ended = run(order, world, &mut watcher) => Some(ended),
                }
            });
            match ended.await {
                Err(_) => Err(format!("it does not end in {DEADLINE:?}")),
                Ok(None) => Ok(Told::Killed),
                Ok(Some(Ok(out))) => Ok(Told::Sum(Box::new(out), None)),
                Ok(Some(Err(trouble))) => Err(format!("it did not begin: {}", trouble.message)),
            }
        });
        drop(inside);
        let end = self.calm();
        Ok(Ran {
            start,
            end,
            lines,
            told: told?,
        })
    }

    fn world(&self) -> (World, watch::Sender<bool>) {
        let folder = DataFolder::at(&self.data());
        let begun = Instant::now();
        let journal = loop {
            match Journal::open(&folder) {
                Ok(journal) => break journal,
                // The one before lets go of it when its last write is done.
                Err(error) => assert!(begun.elapsed() < Duration::from_secs(10), "{error}"),
            }
            std::thread::sleep(Duration::from_millis(10));
        };
        let (stop, stopped) = watch::channel(false);
        let mut world = World::new(journal, stopped);
        world.limits = Limits {
            answer: Duration::from_secs(2),
            leave: Duration::from_secs(1),
            attempts: 2,
            pause: Duration::from_millis(10),
            ..Limits::default()
        };
        if let Some((user, word)) = self.weather.family.login() {
            let profile = profile::named(self.weather.family.word()).expect("it comes with it");
            let login = Credentials::new(&profile.login, user, word);
            world.login = Some(login.expect("they can be sent"));
        }
        let shelf = Arc::clone(&self.shelf);
        world.bssid = Arc::new(move |loaner| {
            let at = loaner.at.as_ref().map(ToString::to_string);
            let index = shelf.lent().iter().position(|one| Some(one.at()) == at);
            let shelf = Arc::clone(&shelf);
            Arc::new(move || index.and_then(|index| shelf.bssid(index)))
        });
        (world, stop)
    }

    /// Runs the program over the shelf.
    fn run_program(&self, cut: Option<&Cut>) -> Result<Ran, String> {
        let start = self.calm();
        let mut command = self.command(cut);
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let said = read(child.stdout.take().expect("piped"));
        let complains = read(child.stderr.take().expect("piped"));
        let heard = self.hear(cut, &mut child, &said);
        if heard.is_err() {
            child.kill().expect("it is ours");
        }
        let code = child.wait().expect("it ends").code();
        let texts = heard?;
        let complaints: Vec<String> = complains.iter().collect();
        let end = self.calm();
        let fault = |error: &dyn fmt::Display, text: &str| {
            format!("{error}: {text}\nwith {code:?}\n{}", complaints.join("\n"))
        };
        let Some(code) = code else {
            let mut lines = Vec::new();
            for (number, text) in texts.iter().enumerate() {
                match serde_json::from_str(text) {
                    Ok(line) => lines.push(line),
                    // It may have been killed in the middle of a line, or after the sum.
                    Err(_) if number + 1 == texts.len() => {}
                    Err(error) => return Err(fault(&error, text)),
                }
            }
            return Ok(Ran {
                start,
                end,
                lines,
                told: Told::Killed,
            });
        };
        let Some((last, before)) = texts.split_last() else {
            return Err(fault(&"it says nothing", ""));
        };
        let lines = before
            .iter()
            .map(|text| serde_json::from_str(text).map_err(|error| fault(&error, text)))
            .collect::<Result<Vec<ShelfLine>, String>>()?;
        let told = match serde_json::from_str::<ShelfOut>(last) {
            Ok(sum) => Told::Sum(Box::new(sum), Some(code)),
            Err(error) => {
                let object: serde_json::Value =
                    serde_json::from_str(last).map_err(|error| fault(&error, last))?;
                match object["error"]["code"].as_str() {
                    Some(word) if lines.is_empty() => Told::Error(word.to_owned(), code),
                    _ => return Err(fault(&error, last)),
                }
            }
        };
        Ok(Ran {
            start,
            end,
            lines,
            told,
        })
    }

    /// All that it says until it ends or is killed.
    fn hear(
        &self,
        cut: Option<&Cut>,
        child: &mut Child,
        said: &Receiver<String>,
    ) -> Result<Vec<String>, String> {
        let begun = Instant::now();
        let mut texts = Vec::new();
        let mut is_cut = false;
        loop {
            let count = u64::try_from(texts.len()).expect("few");
            let due = !is_cut
                && match cut {
                    Some(Cut::Lines(most) | Cut::Stop(most)) => count >= *most,
                    Some(Cut::Point(point, passing)) => {
                        let file = self.path("checkpoints");
                        let passed = std::fs::read_to_string(file).unwrap_or_default();
                        let passed = passed.lines().filter(|line| line == point).count();
                        u64::try_from(passed).expect("few") >= *passing
                    }
                    Some(Cut::Disk(_)) | None => false,
                };
            if due {
                is_cut = true;
                if matches!(cut, Some(Cut::Stop(_))) {
                    let pid = child.id().try_into().expect("a process id");
                    kill(Pid::from_raw(pid), Signal::SIGINT).expect("it is ours to ask");
                } else {
                    child.kill().expect("it is ours to kill");
                }
            }
            match said.recv_timeout(Duration::from_millis(20)) {
                Ok(text) => texts.push(text),
                Err(RecvTimeoutError::Disconnected) => return Ok(texts),
                Err(RecvTimeoutError::Timeout) if begun.elapsed() > DEADLINE => {
                    return Err(format!(
                        "it does not end in {DEADLINE:?}: {}",
                        texts.join("\n")
                    ));
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    /// The truth once nothing is on its way any more from a program that is gone.
    fn calm(&self) -> ShelfTruth {
        let count = |truth: &ShelfTruth| -> Vec<Option<u64>> {
            let last = |one: &mock_device::shelf::ReceiverTruth| {
                one.truth.requests.last().map(|request| request.number)
            };
            truth.receivers.iter().map(last).collect()
        };
        let mut before = self.shelf.truth();
        loop {
            std::thread::sleep(Duration::from_millis(30));
            let now = self.shelf.truth();
            if count(&before) == count(&now) {
                return now;
            }
            before = now;
        }
    }

    /// Takes the power of all and gives it back; the truth once those that come back are there.
    pub(super) fn powered_anew(&self) -> ShelfTruth {
        let _inside = RUNTIME.enter();
        for index in 0..count(self.weather.receivers) {
            self.shelf.power_cycle(index);
        }
        // The longest wait of a family, 70 s, at the speed of these shelves.
        std::thread::sleep(Duration::from_millis(90));
        self.calm()
    }

    pub(super) fn archive(&self) -> Result<Archive, String> {
        Archive::open(&DataFolder::at(&self.data())).map_err(|error| error.to_string())
    }

    /// Whether the journal's file is whole, by its own check; one that was never made is.
    pub(super) fn journal_is_whole(&self) -> Result<(), String> {
        let file = self.data().join("journal.sqlite3");
        if !file.exists() {
            return Ok(());
        }
        let check = rusqlite::Connection::open(file).and_then(|journal| {
            journal.query_row("PRAGMA integrity_check", [], |row| row.get::<_, String>(0))
        });
        match check {
            Ok(word) if word == "ok" => Ok(()),
            other => Err(format!("the journal is not whole: {other:?}")),
        }
    }
}

fn count(number: u64) -> usize {
    usize::try_from(number).expect("a few")
}

/// The same command, with no file larger than so many KiB. The signal is left out, so that the program
/// hears of it as of any other fault of a disk.
fn limited(command: &Command, kib: u64) -> Command {
    let script = format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" \"$@\"");
    let mut limited = Command::new("/bin/bash");
    limited
        .args(["-c", &script])
        .arg(command.get_program())
        .args(command.get_args())
        .env_clear();
    for (name, value) in command.get_envs() {
        if let Some(value) = value {
            limited.env(name, value);
        }
    }
    limited
}

/// The lines of a pipe, read as they come, so that whoever writes never waits.
fn read(pipe: impl std::io::Read + Send + 'static) -> Receiver<String> {
    let (send, receive) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(pipe).lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    receive
}
