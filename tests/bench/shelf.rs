//! A whole shelf reset, beside Python with asyncio: how many receivers a second, how much memory, and
//! what one receiver costs on shelves of 100, 1,000 and 10,000.

use std::path::Path;

use crate::{
    device::{Device, PAUSE, Role},
    process::{Run, linkmend, median, run, workshop},
    python::Python,
    table,
};

/// Receivers on the shelves, the one of the targets in the middle.
const SIZES: [usize; 3] = [100, 1_000, 10_000];
/// The shelf on which the targets stand and the rival is tuned.
const USUAL: usize = 1_000;
/// How many receivers the rival works on at a time; it gets the one that suits it best.
const AT_ONCE: [usize; 4] = [8, 32, 128, 512];
/// What a cost that does not grow with the shelf may still waver by; common practice, no source.
const FLAT: f64 = 1.5;

/// What the runs on a shelf of one size took.
#[derive(Default)]
struct Figures(Vec<Run>);

impl Figures {
    /// Receivers a second, of the median run.
    fn rate(&self, size: usize) -> f64 {
        let wall = median(self.0.iter().map(|run| run.wall));
        // Exact: a size is far below 2^52.
        let size = u32::try_from(size).map_or(f64::NAN, f64::from);
        size / wall.as_secs_f64()
    }

    /// KiB.
    fn peak(&self) -> u64 {
        median(self.0.iter().map(|run| run.peak_kib))
    }

    fn row(&self, size: usize, name: &str) {
        let rate = self.rate(size);
        table::row(&[
            size.to_string(),
            name.to_owned(),
            format!("{rate:.0}"),
            format!("{:.2} ms", 1e3 / rate),
            table::mib(self.peak()),
        ]);
    }
}

/// The table.
pub(crate) fn beside_python(runs: usize) {
    let rounds = runs.div_ceil(10);
    let python = Python::with(&["aiohttp", "beautifulsoup4", "lxml"]);
    let ours_exists = has_command();
    let at_once = python.as_ref().map(tuned);
    table::title(
        "Reset a whole shelf",
        &format!(
            "Locked `sample-form` receivers in one process, each at a loopback address of its own, \
             which restart {} ms after their answer and are there again at once; anew for each run. \
             `linkmend loaners reset FILE --yes --json` with a new journal on disk, every change \
             proved after its restart; Python with asyncio, aiohttp and BeautifulSoup with lxml \
             reads, saves, waits and reads again, {} at a time (the best of {AT_ONCE:?} here), \
             without journal and proof. Rounds for the median: {rounds}, \
             and {} for {} receivers; within a round one run of each.",
            PAUSE.as_millis(),
            at_once.map_or_else(|| "not here,".to_owned(), |count| count.to_string()),
            rounds_of(SIZES[2], rounds),
            SIZES[2],
        ),
    );
    if !ours_exists {
        println!("This linkmend has no command `loaners reset`: the rival is measured alone.\n");
    }
    table::head(&["receivers", "", "a second", "each", "peak memory"]);
    let mut all = Vec::new();
    for size in SIZES {
        let [mut ours, mut snake] = [Figures::default(), Figures::default()];
        for _ in 0..rounds_of(size, rounds) {
            if ours_exists {
                ours.0.push(by_linkmend(size));
            }
            if let (Some(python), Some(at_once)) = (&python, at_once) {
                snake.0.push(by_python(python, size, at_once));
            }
        }
        for (figures, name) in [(&ours, "linkmend"), (&snake, "Python")] {
            if !figures.0.is_empty() {
                figures.row(size, name);
            }
        }
        all.push((size, ours, snake));
    }
    if ours_exists {
        table::targets(&targets(&all, python.is_some()));
    }
}

/// The large shelf takes long, and wavers little for that.
fn rounds_of(size: usize, rounds: usize) -> usize {
    if size > USUAL {
        rounds.div_ceil(3)
    } else {
        rounds
    }
}

fn targets(
    all: &[(usize, Figures, Figures)],
    with_rival: bool,
) -> Vec<(&'static str, String, bool)> {
    let usual = all.iter().find(|(size, ..)| *size == USUAL);
    let (size, ours, snake) = usual.expect("it is one of the sizes");
    let costs: Vec<f64> = all
        .iter()
        .map(|(size, ours, _)| 1.0 / ours.rate(*size))
        .collect();
    let dearest = costs.iter().copied().fold(0.0, f64::max);
    let cheapest = costs.iter().copied().fold(f64::INFINITY, f64::min);
    let mut targets = vec![
        (
            "under 64 MiB for 1,000",
            table::mib(ours.peak()),
            ours.peak() < 64 * 1024,
        ),
        (
            "cost of each flat from 100 to 10,000: dearest at most 1.5 × cheapest",
            format!("{:.2} ×", dearest / cheapest),
            dearest <= cheapest * FLAT,
        ),
    ];
    if with_rival {
        let faster = ours.rate(*size) / snake.rate(*size);
        targets.insert(
            0,
            (
                "ahead of Python for 1,000",
                format!("{faster:.2} ×"),
                faster > 1.0,
            ),
        );
    }
    targets
}

/// Whether this program has the command yet.
fn has_command() -> bool {
    let asked = linkmend().args(["loaners", "reset", "--help"]).output();
    asked.is_ok_and(|output| output.status.success())
}

/// How many at a time suit the rival best on the usual shelf.
fn tuned(python: &Python) -> usize {
    let walls = AT_ONCE.map(|at_once| (by_python(python, USUAL, at_once).wall, at_once));
    let best = walls.iter().min().expect("there are some");
    best.1
}

fn by_linkmend(size: usize) -> Run {
    let folder = tempfile::tempdir_in(workshop("shelf")).expect("a folder on disk");
    on_a_shelf(size, folder.path(), |list| {
        // Nobody reads what it says on stderr while it runs, and a full pipe would stop it.
        run(linkmend()
            .args(["loaners", "reset"])
            .arg(list.with_extension("toml"))
            .args(["--yes", "--json", "--quiet", "--data-dir"])
            .arg(folder.path()))
    })
}

fn by_python(python: &Python, size: usize, at_once: usize) -> Run {
    let folder = tempfile::tempdir_in(workshop("shelf")).expect("a folder on disk");
    on_a_shelf(size, folder.path(), |list| {
        run(python
            .script("shelf.py")
            .arg(list.with_extension("csv"))
            .arg(at_once.to_string()))
    })
}

/// One run over a new shelf, whose receivers are all unlocked then: a figure of a run that left
/// some out is none.
fn on_a_shelf(size: usize, folder: &Path, by: impl FnOnce(&Path) -> Run) -> Run {
    let list = folder.join("shelf");
    let shelf = Device::shelf(size, &list);
    let run = by(&list);
    let last = shelf.end();
    let said = last.first().map(|line| line.text.as_str());
    assert_eq!(said, Some(&*Role::unlocked(size)), "all of them");
    run
}
