//! What is true of a simulation, told beside the simulated wire.
//!
//! Tests compare what a program claims with this. Telling it never changes a device. It holds
//! secrets in the clear; they are invented.

use serde::Serialize;
use serde_json::{Map, Value as Json};

use crate::{Air, Family, Scenario};

/// States that are remembered of a device, oldest.
pub(crate) const STATES: usize = 1000;

/// Requests that are remembered, newest.
pub(crate) const REQUESTS: usize = 10_000;

/// The true state of a simulation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Always 1.
    pub format: u32,
    /// What is simulated.
    pub family: Family,
    /// What is wrong with it.
    pub scenario: Scenario,
    /// By how much the waits are shortened.
    pub speed: f64,
    /// Which device answers at the address.
    pub present: usize,
    /// Whether that one has power.
    pub powered: bool,
    /// Whether a transmitter that it counts as its own is on.
    pub transmitter: bool,
    /// Whether its stored local network is there for it to join.
    pub joined: bool,
    /// Whether its own network is open.
    pub air: Air,
    /// The devices; the second waits for its turn in the scenarios that swap.
    pub devices: Vec<DeviceTruth>,
    /// The faults that were wished for, and which of them have happened.
    pub faults: Vec<FaultTruth>,
    /// What was asked, oldest first; the newest 10 000.
    pub requests: Vec<RequestTruth>,
}

/// The true state of one device.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeviceTruth {
    /// What it shows as its serial, where the family shows one.
    pub serial: Option<String>,
    /// Colon-separated lower-case hexadecimal.
    pub bssid: String,
    /// Settings by our names, written as linkmend prints them.
    pub settings: Map<String, Json>,
    /// What it keeps beside them.
    pub unmapped: Map<String, Json>,
    /// Whether it is in bind mode.
    pub meets: bool,
    /// Restarts and power-ups since the simulation started.
    pub boots: u64,
    /// Saves that were taken.
    pub saves: u64,
    /// Saves and restart requests that were refused.
    pub refused: u64,
    /// Whether it answers at the address now.
    pub up: bool,
    /// Everything that it was set to, one after another; the oldest 1000.
    pub states: Vec<StateTruth>,
}

/// What a device was set to from some moment on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StateTruth {
    /// The number of the last request by then; 0 when the simulation started.
    pub request: u64,
    /// Settings by our names, written as linkmend prints them.
    pub settings: Map<String, Json>,
    /// What it kept beside them.
    pub unmapped: Map<String, Json>,
}

/// One fault that was wished for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FaultTruth {
    /// Such as `drop@3`.
    pub fault: String,
    /// The number of the request that it happened to; none if it has not happened.
    pub happened: Option<u64>,
}

/// One request that a device got.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RequestTruth {
    /// From 1.
    pub number: u64,
    /// Empty where it was no request.
    pub method: String,
    /// Without the query; empty where it was no request.
    pub path: String,
    /// Whether it asks for a save, a restart or the like, carried out or not. A login does not.
    pub acts: bool,
    /// Whether it changed a setting, or made the device restart or go into bind mode.
    pub carried_out: bool,
    /// The fault that happened to it.
    pub fault: Option<String>,
    /// Which device got it; a lookalike is the last of the devices.
    pub device: usize,
    /// The status of the answer; none where no byte of one was sent.
    pub answer: Option<u16>,
    /// What came of it, in words.
    pub note: String,
    /// On a shelf: the label of the receiver to whose address it was sent, where this one got it in
    /// its place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sent_to: Option<String>,
    /// On a shelf: the label of the receiver to which it went in place of this one, which never saw
    /// it; that one did not either where it was not there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub got_by: Option<String>,
}
