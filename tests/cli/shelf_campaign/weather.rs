//! What a seed brings: which shelf, what goes wrong on it, and what comes between the runs over it.

use mock_device::{
    Chaos, Family, Fault,
    shelf::{Conditions, Keys},
};

use crate::kill::scattered;

/// How many receivers are on the shelf of a seed: all twenty-four of the school, but eight in three of
/// four of the first hundred seeds, which every test run goes through.
fn receivers(seed: u64) -> u64 {
    match seed {
        0..100 if !seed.is_multiple_of(4) => 8,
        _ => 24,
    }
}

/// What comes between a run and its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Cut {
    /// It is killed (SIGKILL) after so many lines.
    Lines(u64),
    /// It is killed at the so-many-th passing of a point of a change.
    Point(String, u64),
    /// It is asked to stop (Ctrl-C) after so many lines.
    Stop(u64),
    /// No file may grow beyond so many KiB: what its disk refuses from then on.
    Disk(u64),
}

/// All that a seed brings.
#[derive(Debug, Clone)]
pub(super) struct Weather {
    pub(super) seed: u64,
    pub(super) receivers: u64,
    pub(super) family: Family,
    pub(super) keys: Keys,
    pub(super) conditions: Conditions,
    pub(super) chaos: Chaos,
    /// None: they restart in no time, and only their uptime tells of it.
    pub(super) speed: Option<f64>,
    /// Whether the run is made inside the test, where it is told the BSSID behind each address, as over
    /// Wi-Fi: then `sample-script`, which shows no serial, can be written to, and one that is back with
    /// another BSSID is another one.
    pub(super) inside: bool,
    /// One after another; then comes a run that nothing cuts off.
    pub(super) cuts: Vec<Cut>,
}

/// Numbers of a seed, one after another.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, count: u64) -> u64 {
        self.0 = scattered(self.0);
        self.0 % count
    }

    fn between(&mut self, from: u64, to: u64) -> u64 {
        from + self.below(to - from + 1)
    }
}

impl Weather {
    pub(super) fn of(seed: u64) -> Self {
        let mut numbers = Numbers(seed ^ 0x5e1f);
        let family = match numbers.below(10) {
            0..=3 => Family::SampleForm,
            4..=7 => Family::SampleLogin,
            _ => Family::SampleScript,
        };
        let keys = match numbers.below(2) {
            0 => Keys::OfEach,
            _ => Keys::OfTheSchool,
        };
        let conditions = match numbers.below(4) {
            0 => "locked",
            1 => "locked:16,visited:4,healthy:4",
            2 => "locked:14,visited:4,healthy:3,stranger:2,absent:1",
            _ => "visited:12,healthy:6,locked:4,lock-returns:1,lost-restart:1",
        };
        let mut chaos = Chaos::from_seed(seed);
        // One that leaves in the middle of its change is waited for by the clock of a real one, which
        // takes a test half a minute: so it does in some seeds.
        if numbers.below(12) > 0 {
            let stays = |fault: &Fault| {
                !matches!(fault, Fault::Leave | Fault::Lookalike)
                    && (*fault != Fault::Neighbour || family != Family::SampleScript)
            };
            chaos.only = Fault::ALL.into_iter().filter(stays).collect();
        }
        let speed = match numbers.below(4) {
            0 => None,
            _ => Some(1000.0),
        };
        let cuts = match numbers.below(5) {
            0 => 0,
            1 | 2 => 1,
            3 => 2,
            _ => 3,
        };
        let receivers = receivers(seed);
        let inside = match family {
            Family::SampleScript => numbers.below(5) > 0,
            _ => numbers.below(6) == 0,
        };
        Self {
            seed,
            receivers,
            family,
            keys,
            conditions: conditions.parse().expect("shares"),
            chaos,
            speed,
            inside,
            cuts: (0..cuts)
                .map(|_| cut(&mut numbers, receivers, inside))
                .collect(),
        }
    }
}

fn cut(numbers: &mut Numbers, receivers: u64, inside: bool) -> Cut {
    // Within this process a run is dropped where it is, which leaves what a killed one leaves.
    let kinds = if inside { 4 } else { 10 };
    match numbers.below(kinds) {
        0 => Cut::Stop(numbers.between(1, 8 * receivers)),
        1..=3 => Cut::Lines(numbers.between(1, 9 * receivers)),
        4..=7 => {
            let points = linkmend::change::checkpoint::points();
            let count = u64::try_from(points.len()).expect("a few");
            let index = usize::try_from(numbers.below(count)).expect("a few");
            Cut::Point(points[index].clone(), numbers.between(1, receivers))
        }
        _ => Cut::Disk(numbers.between(8, 40 * receivers)),
    }
}
