//! The main job beside curl and Python, and how soon it is over after the device's return.

use std::{
    path::Path,
    process::Command,
    thread,
    time::{Duration, Instant},
};

use crate::{
    bare,
    device::{Device, Line, PAUSE, now_us},
    process::{Run, linkmend, median, run, workshop},
    python::Python,
    table,
};

/// A restart that takes no time: the wait of 40 to 55 s is half a millisecond.
const NO_TIME: f64 = 100_000.0;
/// The middle of the family's wait, in s.
const USUAL_WAIT_S: f64 = 47.5;
/// The restart of the second table, in s.
const RESTART_S: f64 = 2.0;

/// What a request of linkmend was, from the device's log.
type Asked = Vec<(String, String)>;

/// Figures of one rival.
#[derive(Default)]
struct Figures {
    walls: Vec<Duration>,
    peaks: Vec<u64>,
}

impl Figures {
    fn add(&mut self, runs: &[Run]) {
        self.walls.push(runs.iter().map(|run| run.wall).sum());
        self.peaks
            .push(runs.iter().map(|run| run.peak_kib).max().unwrap_or(0));
    }

    fn wall(&self) -> Duration {
        median(self.walls.iter().copied())
    }

    fn peak(&self) -> u64 {
        median(self.peaks.iter().copied())
    }

    fn row(&self, name: &str) {
        table::row(&[
            name.to_owned(),
            table::ms(self.wall()),
            table::mib(self.peak()),
        ]);
    }
}

/// The first table.
pub(crate) fn beside_others(runs: usize) {
    table::title(
        "Unlock, beside curl and Python",
        &format!(
            "One locked `sample-form` receiver, anew for each run, which restarts {} ms after its \
             answer and is gone for half a millisecond. Median of {runs} rounds; within a round one \
             run of each. `linkmend unlock --yes` with a journal that exists; the same requests by \
             curl, one process each, their times added up; the same change by Python with requests \
             and BeautifulSoup, without journal and proof. Memory: `ru_maxrss` of the process (of \
             curl the largest).",
            PAUSE.as_millis()
        ),
    );
    let on_disk = tempfile::tempdir_in(workshop("unlock")).expect("a folder on disk");
    let in_memory = tempfile::tempdir_in("/dev/shm").expect("a folder in memory");
    // The journal is to be there.
    let (_, log) = unlock(on_disk.path());
    unlock(in_memory.path());
    let asked = requests(&log);
    let python = Python::with(&["requests", "beautifulsoup4"]);

    let [mut ours, mut unsynced, mut curl, mut snake] = [(); 4].map(|()| Figures::default());
    let mut device = Vec::new();
    for _ in 0..runs {
        let (run, log) = unlock(on_disk.path());
        assert_eq!(requests(&log), asked, "every run asks for the same");
        ours.add(&[run]);
        let (run, log) = unlock(in_memory.path());
        unsynced.add(&[run]);
        device.push(bare_exchanges(&asked) + away(&log));
        curl.add(&by_curl(&asked));
        if let Some(python) = &python {
            snake.add(&[by_python(python)]);
        }
    }
    let device = median(device);
    let fsync = ours.wall().saturating_sub(unsynced.wall());
    let own = ours.wall().saturating_sub(device).saturating_sub(fsync);

    table::head(&["", "wall", "peak memory"]);
    ours.row("linkmend");
    curl.row(&format!("curl, {} processes", asked.len()));
    if python.is_some() {
        snake.row("Python");
    }
    println!();
    println!(
        "linkmend's own time is {}: its wall time less the device's {} (the same requests by bare \
         sockets, and the time it was away) and less {} for fsync (the same runs with the data \
         folder on disk and in /dev/shm).",
        table::ms(own),
        table::ms(device),
        table::ms(fsync)
    );
    let list: Vec<String> = asked.iter().map(|(m, p)| format!("{m} {p}")).collect();
    println!("Requests: {}.", list.join(", "));

    let share = table::times(ours.wall(), curl.wall());
    let mut targets = vec![
        (
            "own time not above curl's wall time",
            format!("{} to {}", table::ms(own), table::ms(curl.wall())),
            own <= curl.wall(),
        ),
        (
            "wall time at most 1.5 × curl's",
            format!("{share:.2} ×"),
            share <= 1.5,
        ),
        (
            "under 20 MiB",
            table::mib(ours.peak()),
            ours.peak() < 20 * 1024,
        ),
        (
            "at most 4 requests: read, save, read again is the fewest, plus one",
            asked.len().to_string(),
            asked.len() <= 4,
        ),
    ];
    if python.is_some() {
        let faster = table::times(snake.wall(), ours.wall());
        targets.push((
            "at least 4 times faster than Python",
            format!("{faster:.1} ×"),
            faster >= 4.0,
        ));
    }
    table::targets(&targets);
}

/// The second table.
pub(crate) fn after_the_return(runs: usize) {
    let runs = runs.div_ceil(3);
    table::title(
        &format!("After a restart of {RESTART_S} s"),
        &format!(
            "From the moment at which the receiver answers again (its own log, to within 1 ms) \
             until the process of `linkmend unlock` has ended, with the proof read and on record. \
             Median and longest of {runs} runs."
        ),
    );
    let folder = tempfile::tempdir_in(workshop("return")).expect("a folder on disk");
    // One seed draws one wait: the first run tells by how much it is to be divided.
    let usual = USUAL_WAIT_S / RESTART_S;
    let (_, log) = unlock_at(usual, folder.path());
    let speed = usual * away(&log).as_secs_f64() / RESTART_S;
    let mut gaps = Vec::new();
    let mut waits = Vec::new();
    for _ in 0..runs {
        let receiver = Device::receiver(speed);
        run(linkmend()
            .args(["unlock", "--yes", "--at", &receiver.at, "--data-dir"])
            .arg(folder.path()));
        let ended = now_us();
        let log = receiver.end();
        let back = stamp(&log, "is back");
        let gap = u64::try_from(ended.saturating_sub(back)).expect("a short time");
        gaps.push(Duration::from_micros(gap));
        waits.push(away(&log));
    }
    let longest = gaps.iter().copied().max().unwrap_or_default();
    table::head(&["", "median", "longest"]);
    let most_away = waits.iter().copied().max().unwrap_or_default();
    table::row(&[
        "the receiver was away".to_owned(),
        table::ms(median(waits)),
        table::ms(most_away),
    ]);
    table::row(&[
        "from its return to the end".to_owned(),
        table::ms(median(gaps.clone())),
        table::ms(longest),
    ]);
    table::targets(&[(
        "within 50 ms of the device's return",
        format!(
            "{}, at most {}",
            table::ms(median(gaps)),
            table::ms(longest)
        ),
        longest <= Duration::from_millis(50),
    )]);
}

/// One run of the job against a receiver of its own.
fn unlock(data: &Path) -> (Run, Vec<Line>) {
    unlock_at(NO_TIME, data)
}

fn unlock_at(speed: f64, data: &Path) -> (Run, Vec<Line>) {
    let receiver = Device::receiver(speed);
    let run = run(linkmend()
        .args(["unlock", "--yes", "--at", &receiver.at, "--data-dir"])
        .arg(data));
    let said = String::from_utf8_lossy(&run.stdout);
    assert!(said.contains("done, and proved"), "{said}");
    (run, receiver.end())
}

/// What was asked of a receiver, by its log: `1.234 request 3 to device 0: POST /keep-air answer`.
fn requests(log: &[Line]) -> Asked {
    let of = |line: &Line| {
        let (_, what) = line.text.split_once(" request ")?;
        let (_, what) = what.split_once(": ")?;
        let mut words = what.split(' ');
        Some((words.next()?.to_owned(), words.next()?.to_owned()))
    };
    log.iter().filter_map(of).collect()
}

/// From the answer to the save until the receiver is back.
fn away(log: &[Line]) -> Duration {
    let away = stamp(log, "is back").saturating_sub(stamp(log, ": POST "));
    Duration::from_micros(u64::try_from(away).expect("a short time"))
}

fn stamp(log: &[Line], words: &str) -> u128 {
    let line = log.iter().find(|line| line.text.contains(words));
    line.unwrap_or_else(|| panic!("`{words}` is not in {log:?}"))
        .at_us
}

/// What the device takes to answer the same requests, whoever asks.
fn bare_exchanges(asked: &Asked) -> Duration {
    let receiver = Device::receiver(NO_TIME);
    let mut sum = Duration::ZERO;
    let mut page = String::new();
    for (method, path) in asked {
        let body = body(method, &page);
        let (answer, took) = bare::exchange(&receiver.at, method, path, &body);
        sum += took;
        after(method, answer, &mut page);
    }
    receiver.end();
    sum
}

/// The same requests by curl, one process each.
fn by_curl(asked: &Asked) -> Vec<Run> {
    let receiver = Device::receiver(NO_TIME);
    let mut page = String::new();
    let mut runs = Vec::new();
    for (method, path) in asked {
        let mut curl = Command::new("curl");
        curl.args(["--silent", "--show-error", "--fail"]);
        let body = body(method, &page);
        if !body.is_empty() {
            curl.args(["--data-raw", &body]);
        }
        let run = run(curl.arg(format!("{}{path}", receiver.at)));
        let answer = String::from_utf8_lossy(&run.stdout).into_owned();
        after(method, answer, &mut page);
        runs.push(run);
    }
    let log = receiver.end();
    assert!(
        log.iter().any(|line| line.text.contains("is back")),
        "curl's save was taken: {log:?}"
    );
    runs
}

fn by_python(python: &Python) -> Run {
    let receiver = Device::receiver(NO_TIME);
    let run = run(python.script("unlock.py").arg(&receiver.at));
    let log = receiver.end();
    assert!(
        log.iter().any(|line| line.text.contains(": POST ")),
        "Python saved: {log:?}"
    );
    run
}

fn body(method: &str, page: &str) -> String {
    if method == "POST" {
        bare::unlocking(page)
    } else {
        String::new()
    }
}

/// Keeps the page of a reading; after a save lets the restart pass, which is nobody's time.
fn after(method: &str, answer: String, page: &mut String) {
    if method == "POST" {
        assert!(answer.contains("Kept"), "{answer}");
        let start = Instant::now();
        while start.elapsed() < PAUSE * 3 {
            thread::sleep(PAUSE);
        }
    } else {
        *page = answer;
    }
}
