//! Simulated radio-control receivers, for practice and for tests.
//!
//! FAMILIES.md says what they do on the wire, and this crate is written from it: it reads no
//! profile and knows nothing of the program that it is made to try, so that a wrong profile shows.
//!
//! [`start`] opens one simulated receiver on a socket; what it is really set to is read beside
//! the wire, from [`Running::truth`]. [`shelf::start`] opens up to ten thousand of them.
//!
//! ```
//! # #[tokio::main(flavor = "current_thread")]
//! # async fn main() -> std::io::Result<()> {
//! use mock_device::{Family, Options, Scenario};
//!
//! let receiver = mock_device::start(Options::new(Family::SampleForm, Scenario::Locked)).await?;
//! println!("http://{}/", receiver.address());
//! assert_eq!(receiver.truth().devices[0].settings["model-lock"], 7);
//! receiver.stop().await;
//! # Ok(())
//! # }
//! ```

mod air;
mod announcement;
mod cast;
mod chaos;
mod connection;
mod device;
mod family;
mod fault;
mod hooks;
mod hostile;
mod http;
mod plan;
mod power;
mod scenario;
mod seed;
mod server;
mod settings;
pub mod shelf;
mod truth;
mod wire;
mod world;

pub use air::{Air, Why};
pub use announcement::Announcement;
pub use chaos::Chaos;
pub use family::{Family, UnknownWord};
pub use fault::{Fault, FaultAt, FaultSyntax, Faults};
pub use scenario::Scenario;
pub use server::{Options, Running, SPEEDS, start};
pub use truth::{DeviceTruth, FaultTruth, RequestTruth, StateTruth, Truth};
