//! The beginning of a run: what earlier ones left, who takes part, and the row that says that this
//! one is under way.

use std::{
    cell::{Cell, RefCell},
    collections::{BTreeMap, BTreeSet},
    rc::Rc,
};

use jiff::Timestamp;
use tokio::{sync::mpsc, task::JoinSet};

use super::{
    COMMAND, Order, World,
    air::{Air, ROUNDED_UP_S},
    earlier::{self, Asked, Earlier, KnownDevices},
    findings::{self, Seen},
    night::{Night, Shared},
    outs,
    told::Since,
};
use crate::{
    change::{Trouble, Unfinished},
    journal::{Archive, Begun, JournalError, NewRun, ResultRow, RunId, Unsettled, ledger},
    loaners::{
        pairs::{Pair, Pairs},
        schedule::{Away, Place, Rules, Schedule, Window},
    },
    terms::{Exit, SettingName},
};

/// Looks at what earlier runs left and puts on record that a run begins.
pub(super) async fn begin(order: Order, world: World) -> Result<Night, Trouble> {
    let journal = &world.journal;
    let archive = journal.archive().map_err(failed)?;
    let shelf = &order.shelf;
    let drawn = archive.drawn(&shelf.title).map_err(failed)?;
    let all = shelf.loaners.iter();
    let wanted: Vec<Asked> = all.map(|loaner| Asked::of(loaner, &drawn)).collect();
    let text = journal.fingerprint(shelf.profile.source.text.as_bytes());
    let all = shelf.loaners.iter().zip(&wanted);
    let rows: Vec<String> = all
        .map(|(loaner, wanted)| earlier::row(journal, loaner, wanted, &text))
        .collect();
    let file = journal.fingerprint(order.text.as_bytes());
    let labels = shelf.loaners.iter().map(|loaner| loaner.label.as_str());
    let by_label = labels.zip(rows.iter().cloned()).collect();
    // Before this run is the last one.
    let mut earlier = earlier::earlier(&archive, &order, &file, &by_label).map_err(failed)?;
    let (unsettled, unfinished) = unsettled(&archive)?;
    // Proved, and yet the journal could not close the change: it is settled first.
    let is_open = |change| unsettled.iter().any(|one| one.change.id.0 == change);
    earlier
        .proved
        .retain(|_, out| !out.change.is_some_and(is_open));
    let proved = shelf.loaners.iter().zip(&rows).filter_map(|(loaner, row)| {
        Some(ResultRow {
            row: row.clone(),
            out: earlier.proved.get(&loaner.label)?.clone(),
        })
    });
    // They are on record in this run too, so that the next one need not look further back.
    let run = on_record(&order, &world, file, proved.collect()).await?;
    let known = KnownDevices::of(&archive, &shelf.profile).map_err(failed)?;
    let pairs = pairs(&order, &wanted, &earlier, &known).map_err(failed)?;
    let air = Air::new(&order, &known, shelf.loaners.iter());
    drop(known);
    let mut seen = Seen::default();
    for (number, loaner) in shelf.loaners.iter().enumerate() {
        if let Some(proved) = earlier.proved.get(&loaner.label) {
            // A second row that leads to it is as suspect as in the run that proved it.
            let marks = findings::marks_of(&proved.identity, shelf.profile.identity.bssid_stable);
            seen.marks(number, marks);
        }
    }
    let outs = shelf
        .loaners
        .iter()
        .map(|loaner| match earlier.proved.get(&loaner.label) {
            Some(proved) => proved.clone(),
            None => outs::blank(loaner, &shelf.profile),
        })
        .collect();
    let (send, receive) = mpsc::unbounded_channel();
    Ok(Night {
        schedule: Schedule::new(rules(&order, &world), &places(&order, &earlier)),
        air,
        outs,
        earlier,
        receive,
        waiting: BTreeMap::new(),
        told: BTreeMap::new(),
        before: BTreeMap::new(),
        tries: vec![0; shelf.loaners.len()],
        rows,
        began: Timestamp::now(),
        records: JoinSet::new(),
        shared: Rc::new(Shared {
            archive,
            run,
            since: Since::now(),
            send,
            wanted,
            unsettled: RefCell::new(unsettled),
            unfinished,
            pairs: RefCell::new(pairs),
            settled: RefCell::default(),
            seen: RefCell::new(seen),
            back: RefCell::new(BTreeSet::new()),
            went: RefCell::new(BTreeSet::new()),
            broken: Cell::new(false),
            order,
            world,
        }),
    })
}

#[expect(
    clippy::needless_pass_by_value,
    reason = "it stands where an error is mapped"
)]
fn failed(error: JournalError) -> Trouble {
    ledger::trouble(&error)
}

/// Puts on record that a run begins, unless another is under way.
async fn on_record(
    order: &Order,
    world: &World,
    file: String,
    proved: Vec<ResultRow>,
) -> Result<RunId, Trouble> {
    let new = NewRun {
        title: order.shelf.title.clone(),
        family: order.shelf.profile.family.clone(),
        file,
        command: order.command,
        dry_run: order.dry_run,
    };
    match world.journal.begin_run(new, proved).await.map_err(failed)? {
        Begun::Run(run) => Ok(run),
        Begun::UnderWay(other) => Err(Trouble::new(
            "shelf-busy",
            format!(
                "run {} over `{}` is under way since {}, by process {}",
                other.id.0, order.shelf.title, other.began, other.pid
            ),
            Some("wait until it has ended, or stop it"),
        )
        .ending(Exit::Refused)),
    }
}

/// The changes of earlier runs that this one settles, and those of other commands, which it does
/// not.
fn unsettled(archive: &Archive) -> Result<(Vec<Unsettled>, Vec<Unfinished>), Trouble> {
    let (mut unsettled, mut unfinished) = (Vec::new(), Vec::new());
    for one in Unsettled::all(archive, None)? {
        // A practice receiver ends with its process, and so does what was unfinished of it.
        if one.record.simulated {
            continue;
        }
        if one.change.command == COMMAND {
            unsettled.push(one);
        } else {
            unfinished.push(Unfinished {
                change: one.change.id.0,
                device: one.record.snapshot.device,
            });
        }
    }
    Ok((unsettled, unfinished))
}

/// Who takes part, and where it is reached.
fn places(order: &Order, earlier: &Earlier) -> Vec<Place> {
    let place = |loaner: &crate::loaners::shelf::Loaner| {
        let takes_part = order.takes_part(&loaner.label);
        let is_proved = earlier.proved.contains_key(&loaner.label);
        match (&loaner.at, takes_part && !is_proved) {
            (_, false) => Place::Left,
            (Some(_), true) => Place::Here,
            (None, true) => Place::Air,
        }
    };
    order.shelf.loaners.iter().map(place).collect()
}

/// The pair that each loaner is to have, as far as the file says, and else as it is known to be. One
/// that has no part in this run has the pair that it is known to have.
fn pairs(
    order: &Order,
    wanted: &[Asked],
    earlier: &Earlier,
    known: &KnownDevices<'_>,
) -> Result<Pairs, JournalError> {
    let mut pairs = Pairs::default();
    for (number, loaner) in order.shelf.loaners.iter().enumerate() {
        let asked = &wanted[number].values;
        let is_to_be =
            order.takes_part(&loaner.label) || earlier.proved.contains_key(&loaner.label);
        let names_both = asked.contains_key(SettingName::BIND_KEY)
            && asked.contains_key(SettingName::MODEL_LOCK);
        let known = if is_to_be && names_both {
            None
        } else {
            known.pair(loaner)?
        };
        let pair = match known {
            Some(known) if !is_to_be => known,
            known => known
                .unwrap_or_else(|| Pair::unread(&order.shelf.profile))
                .with(|name| asked.get(name)),
        };
        pairs.set(number, pair);
    }
    Ok(pairs)
}

fn rules(order: &Order, world: &World) -> Rules {
    let network = order.shelf.profile.network.as_ref();
    let opens = network.map_or((0.0, 0.0), |one| (one.opens_s.from, one.opens_s.to));
    Rules {
        adapters: if world.wifi.is_some() {
            order.adapters.len()
        } else {
            0
        },
        at_once: order.at_once,
        powered: order.powered,
        stop_after: order.stop_after,
        window: Window {
            from_s: opens.0 / world.speed,
            to_s: opens.1 / world.speed,
            grace_s: GRACE_S / world.speed,
        },
        session_s: SESSION_S,
        away: Away {
            least_s: opens.0 / world.speed,
            look_s: LOOK_S / world.speed,
            unsure_s: ROUNDED_UP_S / world.speed,
        },
    }
}

/// How long after its window a loaner is given up for this round, in s: long enough for somebody to
/// walk along the shelf, and for some scans. No source.
const GRACE_S: f64 = 60.0;

/// How long a session is taken to last before one was seen, in s: a join of some seconds, and a few
/// pages. No source.
const SESSION_S: f64 = 20.0;

/// How long a look around takes, in s: a scan of both bands, and the end of one before it. No source.
const LOOK_S: f64 = 4.0;
