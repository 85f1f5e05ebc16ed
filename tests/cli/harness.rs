//! A receiver, a data folder and the real program, with everything it says held together.

use std::{
    io::Write as _,
    net::SocketAddr,
    path::{Path, PathBuf},
    process::{Child, Command, Output, Stdio},
    sync::{
        LazyLock,
        atomic::{AtomicUsize, Ordering},
    },
    time::{Duration, Instant},
};

use mock_device::{DeviceTruth, Family, Options, Running, Scenario, Truth};
use serde_json::Value as Json;
use tempfile::{NamedTempFile, TempDir};

use crate::claims::{coded, keep, secrets};

/// How many times faster than the real thing the receivers of these tests restart: the longest
/// wait of a family (55 s) takes 1.1 s, long enough to be seen on a machine that is busy.
pub(crate) const SPEED: f64 = 50.0;

/// Bounds that keep a test short: a stalled answer ends after 1 s, and a device that does not go
/// away for its restart is given up after 2 s.
const QUICK: [&str; 4] = ["--limit", "answer-s=1", "--limit", "leave-s=2"];

/// One simulated receiver and a data folder of its own.
pub(crate) struct Bench {
    receiver: Running,
    data: TempDir,
    /// The receiver's login, where its family has one.
    login: Option<NamedTempFile>,
}

impl Bench {
    /// A receiver in a scenario.
    pub(crate) fn new(family: Family, scenario: Scenario) -> Self {
        Self::seeded(family, scenario, 1)
    }

    /// A receiver in a scenario with a name, marks and secrets of its own.
    pub(crate) fn seeded(family: Family, scenario: Scenario, seed: u64) -> Self {
        Self::of(Options {
            seed,
            ..Options::new(family, scenario)
        })
    }

    /// A receiver of the usual seed with another version of the firmware.
    pub(crate) fn with_firmware(family: Family, scenario: Scenario, firmware: &str) -> Self {
        Self::of(Options {
            firmware: Some(firmware.to_owned()),
            ..Options::new(family, scenario)
        })
    }

    /// A receiver by all its options but the speed, which is that of these tests.
    pub(crate) fn of(options: Options) -> Self {
        let options = Options {
            speed: SPEED,
            ..options
        };
        let receiver = RUNTIME
            .block_on(mock_device::start(options))
            .expect("a receiver");
        let login = receiver.login().map(|(user, word)| {
            // Such a file is its owner's alone from the beginning.
            let mut file = NamedTempFile::new().expect("a file");
            write!(file, "{user}\n{word}\n").expect("room for two lines");
            file
        });
        Self {
            receiver,
            data: tempfile::tempdir().expect("a folder"),
            login,
        }
    }

    /// Where the receiver is.
    pub(crate) fn at(&self) -> String {
        format!("http://{}", self.receiver.address())
    }

    /// Where the receiver is, as numbers.
    pub(crate) fn address(&self) -> SocketAddr {
        self.receiver.address()
    }

    /// What is true, beside the wire.
    pub(crate) fn truth(&self) -> Truth {
        self.receiver.truth()
    }

    /// Somebody takes the power away and gives it back.
    pub(crate) fn power_cycle(&self) {
        self.receiver.power_cycle();
    }

    /// The device that is now at the address.
    pub(crate) fn present(&self) -> DeviceTruth {
        let truth = self.truth();
        truth.devices[truth.present].clone()
    }

    /// One setting of the device that is now at the address.
    pub(crate) fn setting(&self, name: &str) -> Json {
        self.present().settings[name].clone()
    }

    /// The data folder.
    pub(crate) fn data(&self) -> &Path {
        self.data.path()
    }

    /// A command on this receiver: `--at`, `--data-dir` and short bounds are added. A family
    /// without a serial is told by its address alone, so it is trusted here; tests of just that
    /// say so with [`Bench::distrusting`].
    pub(crate) fn linkmend(&self, words: &[&str]) -> Call {
        self.distrusting(words).word("--trust-address")
    }

    /// The same without `--trust-address`.
    pub(crate) fn distrusting(&self, words: &[&str]) -> Call {
        self.through(&self.at(), words)
    }

    /// A command with this data folder on whatever is at an address.
    pub(crate) fn through(&self, at: &str, words: &[&str]) -> Call {
        let mut call = self.off_device(words).words(&["--at", at]).words(&QUICK);
        if let Some(file) = &self.login {
            call = call.words(&["--login-file", &file.path().display().to_string()]);
        }
        match self.truth().scenario {
            // The rest of an answer never comes, so there is no point in waiting for it.
            Scenario::Stalled => call.words(&["--limit", "answer-s=0.6"]),
            // Its size ends the answer, however long so much of it takes.
            Scenario::EndlessBody | Scenario::Bomb => call.words(&["--limit", "answer-s=30"]),
            _ => call,
        }
    }

    /// A command with this data folder that does not name a device.
    pub(crate) fn off_device(&self, words: &[&str]) -> Call {
        let data = self.data().display().to_string();
        let mut call = Call::new(words).words(&["--data-dir", &data]);
        call.secrets = self.truth().devices.iter().flat_map(secrets).collect();
        let word = self.receiver.login().map(|(_, word)| word);
        let coded = word.iter().flat_map(|word| coded(word.as_bytes()));
        call.secrets.extend(coded.collect::<Vec<_>>());
        call.secrets.extend(word);
        call
    }

    /// Everything that the journal knows, as `history --json` tells it.
    #[track_caller]
    pub(crate) fn history(&self) -> Json {
        let said = self.off_device(&["history", "--json"]).run().ends(0);
        said.json("history")
    }
}

/// Checks many cases at once, since nearly all of a case is waiting; not so many that the programs
/// wait for a processor longer than their short bounds allow.
pub(crate) fn side_by_side<T: Sync>(cases: &[T], check: impl Fn(&T) + Sync) {
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..cases.len().min(AT_ONCE) {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    check(case);
                }
            });
        }
    });
}

/// How many cases are under way at once.
const AT_ONCE: usize = 24;

/// Where no bus is.
pub(crate) const NO_BUS: &str = "unix:path=/nonexistent/bus";

/// One run of the program to be made.
#[must_use = "nothing runs before `run`"]
pub(crate) struct Call {
    command: Command,
    /// What must never be in what it says.
    secrets: Vec<String>,
}

impl Call {
    /// The program with these words, without a terminal and with a plain environment.
    pub(crate) fn new(words: &[&str]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_linkmend"));
        command
            .args(words)
            .env_clear()
            .env("COLUMNS", "80")
            .env("NO_COLOR", "1")
            .env("HOME", "/nonexistent")
            // No test of the program asks the services of this machine for anything.
            .env("DBUS_SYSTEM_BUS_ADDRESS", NO_BUS)
            .stdin(Stdio::null());
        Self {
            command,
            secrets: Vec::new(),
        }
    }

    /// One more word.
    pub(crate) fn word(mut self, word: &str) -> Self {
        self.command.arg(word);
        self
    }

    /// More words.
    pub(crate) fn words(mut self, words: &[&str]) -> Self {
        self.command.args(words);
        self
    }

    /// One variable of its environment.
    pub(crate) fn env(mut self, name: &str, value: &str) -> Self {
        self.command.env(name, value);
        self
    }

    /// It must tell none of these either.
    pub(crate) fn keeping(mut self, secrets: Vec<String>) -> Self {
        self.secrets.extend(secrets);
        self
    }

    /// The command itself, for tests that start and stop it by hand.
    pub(crate) fn into_command(self) -> Command {
        self.command
    }

    /// Runs it to its end. Whatever it was, it tells no secret of the receiver.
    #[track_caller]
    pub(crate) fn run(mut self) -> Said {
        let output = self.command.output().expect("the program starts");
        Said::of(output, &self.secrets)
    }

    /// Starts it, to be stopped at some moment.
    pub(crate) fn start(mut self) -> Started {
        let child = self
            .command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        Started {
            child,
            secrets: self.secrets,
        }
    }
}

/// A run that goes on by itself. What it says is less than a pipe holds, so it never waits for a
/// reader.
pub(crate) struct Started {
    child: Child,
    secrets: Vec<String>,
}

impl Started {
    /// Its process id.
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }

    /// Cuts it off (SIGKILL), and waits until it is gone.
    pub(crate) fn kill(mut self) {
        self.child.kill().expect("it is ours to kill");
        self.child.wait().expect("it is gone");
    }

    /// Asks it to stop, as a Ctrl-C does.
    pub(crate) fn interrupt(&self) {
        use nix::{
            sys::signal::{Signal, kill},
            unistd::Pid,
        };
        let pid = self.child.id().try_into().expect("a process id");
        kill(Pid::from_raw(pid), Signal::SIGINT).expect("it is ours to ask");
    }

    /// Whether it has ended by itself.
    pub(crate) fn has_ended(&mut self) -> bool {
        self.child.try_wait().expect("it can be asked").is_some()
    }

    /// The same, when it takes no longer than this; else it is cut off, and the test fails.
    #[track_caller]
    pub(crate) fn ended_within(mut self, longest: Duration) -> Said {
        let start = Instant::now();
        while !self.has_ended() {
            if start.elapsed() > longest {
                self.kill();
                panic!("it does not end in {longest:?}");
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        self.ended()
    }

    /// Waits for its end. Whatever it was, it tells no secret of the receiver.
    #[track_caller]
    pub(crate) fn ended(self) -> Said {
        let output = self.child.wait_with_output().expect("it ends");
        Said::of(output, &self.secrets)
    }
}

/// Waits until something holds, looked at often; panics when it takes longer than anything in
/// these tests can.
#[track_caller]
pub(crate) fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < Duration::from_mins(1), "{what}: never");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// What a run said.
#[derive(Debug)]
pub(crate) struct Said {
    /// The exit code.
    pub(crate) code: Option<i32>,
    /// All of stdout.
    pub(crate) stdout: String,
    /// All of stderr.
    pub(crate) stderr: String,
}

impl Said {
    #[track_caller]
    fn of(output: Output, secrets: &[String]) -> Self {
        let said = Self {
            code: output.status.code(),
            stdout: String::from_utf8(output.stdout).expect("UTF-8 on stdout"),
            stderr: String::from_utf8(output.stderr).expect("UTF-8 on stderr"),
        };
        keep(secrets, &said.stdout);
        keep(secrets, &said.stderr);
        said
    }

    /// Asserts the exit code, showing everything when it is another.
    #[track_caller]
    pub(crate) fn ends(self, code: i32) -> Self {
        assert_eq!(
            self.code,
            Some(code),
            "stdout:\n{}\nstderr:\n{}",
            self.stdout,
            self.stderr
        );
        self
    }

    /// Asserts that stdout or stderr holds some words, line breaks aside.
    #[track_caller]
    pub(crate) fn says(self, words: &str) -> Self {
        let all = format!("{}\n{}", self.stdout, self.stderr);
        let flat = all.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(words), "`{words}` is not in:\n{all}");
        self
    }

    /// Asserts that it says one clear thing about what went wrong and what to do, on stderr.
    #[track_caller]
    pub(crate) fn complains_once(self) -> Self {
        let count = |word: &str| self.stderr.lines().filter(|l| l.starts_with(word)).count();
        assert_eq!(count("error: "), 1, "{}", self.stderr);
        assert_eq!(count("help: "), 1, "{}", self.stderr);
        self
    }

    /// The one JSON object on stdout, valid by the schema of that name.
    #[track_caller]
    pub(crate) fn json(&self, schema: &str) -> Json {
        let object: Json = serde_json::from_str(&self.stdout)
            .unwrap_or_else(|error| panic!("{error}:\n{}\n{}", self.stdout, self.stderr));
        assert_eq!(self.stdout.lines().count(), 1, "{}", self.stdout);
        let name = if object.get("error").is_some() && object.get("changes").is_none() {
            "error"
        } else {
            schema
        };
        let path = schema_file(name);
        let text = std::fs::read_to_string(&path).expect("a committed schema");
        let schema = serde_json::from_str(&text).expect("a schema is JSON");
        let validator = jsonschema::validator_for(&schema).expect("a schema");
        let errors: Vec<String> = validator
            .iter_errors(&object)
            .map(|error| error.to_string())
            .collect();
        assert!(errors.is_empty(), "{name}: {errors:?}\n{object:#}");
        object
    }
}

/// Where a committed schema stands.
pub(crate) fn schema_file(name: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join("src/terms/schemas")
        .join(format!("{name}.schema.json"))
}

/// The receivers of all tests run on one runtime.
pub(crate) static RUNTIME: LazyLock<tokio::runtime::Runtime> = LazyLock::new(|| {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime")
});
