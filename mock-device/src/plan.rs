//! Which faults are to happen in one simulation, and at which request each has happened.

use crate::{
    chaos::Draws,
    fault::{Fault, FaultAt, Faults},
};

/// The faults of one simulation.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    planned: Vec<(FaultAt, Option<u64>)>,
    draws: Option<Draws>,
}

impl Plan {
    /// Nothing has happened yet.
    pub(crate) fn new(faults: &Faults, draws: Option<Draws>) -> Self {
        Self {
            planned: faults.iter().map(|fault| (fault, None)).collect(),
            draws,
        }
    }

    /// Draws what goes wrong with the request that comes, its own one of this number, and waits with
    /// it for one that it can happen to.
    pub(crate) fn draw(&mut self, request: u64, own: u64) {
        let drawn = self.draws.as_mut().and_then(|draws| draws.draw(own));
        if let Some(fault) = drawn {
            self.planned.push((FaultAt { request, fault }, None));
        }
    }

    /// The first that is due at this request and can happen to it; from then on it has happened.
    pub(crate) fn due(&mut self, request: u64, can: impl Fn(Fault) -> bool) -> Option<Fault> {
        let (planned, happened) = self.planned.iter_mut().find(|(planned, happened)| {
            happened.is_none() && planned.request <= request && can(planned.fault)
        })?;
        *happened = Some(request);
        Some(planned.fault)
    }

    /// Whether this fault may happen still.
    pub(crate) fn may_bring(&self, fault: Fault) -> bool {
        let waits = |(planned, happened): &(FaultAt, Option<u64>)| {
            happened.is_none() && planned.fault == fault
        };
        self.draws.is_some() || self.planned.iter().any(waits)
    }

    /// Each fault, and the request at which it happened if it has.
    pub(crate) fn all(&self) -> impl Iterator<Item = (FaultAt, Option<u64>)> + '_ {
        self.planned.iter().copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chaos::Chaos;

    #[test]
    fn fault_waits_for_a_request_that_it_can_happen_to_and_happens_once() {
        let faults: Faults = ["cut@2", "not-kept@1"]
            .into_iter()
            .map(|text| text.parse().expect("a fault"))
            .collect();
        assert_eq!(faults.to_string(), "cut@2 not-kept@1");
        let mut plan = Plan::new(&faults, None);
        assert!(plan.may_bring(Fault::Cut) && !plan.may_bring(Fault::Stale));
        assert_eq!(plan.due(1, |fault| fault == Fault::Cut), None);
        assert_eq!(plan.due(4, |_| true), Some(Fault::Cut));
        assert!(!plan.may_bring(Fault::Cut));
        assert_eq!(plan.due(5, |_| true), Some(Fault::NotKept));
        assert_eq!(plan.due(6, |_| true), None);
        let happened: Vec<Option<u64>> = plan.all().map(|(_, at)| at).collect();
        assert_eq!(happened, [Some(4), Some(5)]);
    }

    #[test]
    fn what_is_drawn_is_told_and_waits_too() {
        let chaos = Chaos {
            per_mille: 1000,
            most: 1,
            only: Vec::new(),
        };
        let draws = Draws::new(&chaos, 1, vec![Fault::OldLock]);
        let mut plan = Plan::new(&Faults::default(), Some(draws));
        plan.draw(3, 1);
        assert_eq!(plan.due(3, |fault| fault != Fault::OldLock), None);
        plan.draw(4, 2);
        assert_eq!(plan.due(4, |_| true), Some(Fault::OldLock));
        let all: Vec<String> = plan.all().map(|(fault, _)| fault.to_string()).collect();
        assert_eq!(all, ["old-lock@3"]);
    }
}
