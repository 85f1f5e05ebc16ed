//! Visits without an adapter: of loaners that answer at the address of their row.

use std::time::Duration;

use tokio::time::{Instant, sleep};

use super::{
    enter,
    night::Message,
    one::{Ended, Link, Visit},
    way::{LoanerReach, Now},
};
use crate::{
    change::{Trouble, over_session},
    find::{self, FindError},
    session::{HttpError, Session, http::Unanswered},
    terms::output::loaners::{LoanerResult, ShelfStep},
};

/// A try of it.
pub(super) async fn visit(visit: Visit) {
    visit.told.step(ShelfStep::Joining, None);
    let link = open(&visit).await;
    let (out, tried) = visit.serve(link).await;
    // Where nobody listens any more the run is over.
    let ended = Message::Ended(visit.loaner, Box::new(out), tried);
    let _ = visit.shared.send.send(ended);
}

async fn open(visit: &Visit) -> Result<Link, Ended> {
    let shared = &visit.shared;
    let row = visit.row();
    let Some(origin) = row.at.clone() else {
        let trouble = Trouble::new("no-address", "the row has no address", None);
        return Err(Ended::failed(trouble));
    };
    let profile = &shared.order.shelf.profile;
    let limits = &shared.world.limits;
    let profiles = [profile.clone()];
    let back = returns(visit);
    let asked = loop {
        let asked = shared.or_stopped(find::at(&origin, &profiles, limits));
        match asked.await? {
            Err(error) if is_nobody(&error) && back.is_some_and(|at| Instant::now() < at) => {
                visit.told.step(ShelfStep::Restarting, None);
                shared.or_stopped(sleep(LOOK_AGAIN)).await?;
            }
            asked => break asked,
        }
    };
    let found = asked.map_err(|error| {
        let mut ended = Ended::failed(enter::find_trouble(&error));
        if is_nobody(&error) {
            ended.result = LoanerResult::Missing;
        }
        ended
    })?;
    let session = Session::new(
        origin,
        profile.clone(),
        limits.clone(),
        (shared.world.bssid)(row),
    );
    let session = session.map_err(|error| Ended::failed(over_session::trouble(&error)))?;
    let fetched = found.into_iter().next().map(|found| found.fetched);
    let session = session.knowing(fetched.unwrap_or_default());
    let now = Now::new(enter::let_in(shared, session));
    Ok(Link {
        reach: LoanerReach::Here(now.clone(), shared.world.clock.clone()),
        now,
        open: None,
        harvest: None,
    })
}

/// Until when one is waited for that was cut off, since it may be restarting; none: it was not.
fn returns(visit: &Visit) -> Option<Instant> {
    visit.shared.cut_off(visit.loaner)?;
    let network = visit.shared.order.shelf.profile.network.as_ref()?;
    Some(Instant::now() + Duration::from_secs_f64(network.opens_s.to / visit.shared.world.speed))
}

/// How long to wait before a loaner that restarts is looked for again. No source: a small part of
/// what restarts take.
const LOOK_AGAIN: Duration = Duration::from_millis(500);

/// Whether nothing is there: a connection that is reset or closed before its first answer comes of the
/// same as one that is refused, and is told apart from it by chance alone.
fn is_nobody(error: &FindError) -> bool {
    match error {
        FindError::NobodyThere { .. } => true,
        FindError::Http(HttpError::NoAnswer { how, .. }) => {
            matches!(how, Unanswered::Reset | Unanswered::Closed)
        }
        _ => false,
    }
}
