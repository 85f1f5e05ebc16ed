//! A simulated receiver as a process of its own, or a whole shelf of them.
//!
//! It says on stdout where it is, in one line of JSON, and answers there until it is told to end.
//! It listens on loopback alone unless told otherwise, and says that it is a simulation. On demand
//! it says when its network opens and closes, and takes the part of the world around it from a
//! socket.

mod advertise;
mod control;
mod shelf;

use std::{
    fs::OpenOptions,
    io::{self, Write},
    net::SocketAddr,
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
    thread,
};

use advertise::Adapter;
use clap::{
    CommandFactory, Parser,
    builder::{PossibleValue, PossibleValuesParser, TypedValueParser},
    error::ErrorKind,
};
use control::{Control, Obeys};
use mock_device::shelf::{Condition, Shelf};
use mock_device::{Air, Family, Fault, FaultAt, Faults, Options, Running, SPEEDS, Scenario};
use serde_json::{Value as Json, json};
use shelf::ShelfArguments;
use tokio::{
    signal::unix::{Signal, SignalKind, signal},
    sync::{mpsc, oneshot},
};

const EXAMPLE: &str = "\
Example: a locked receiver whose restart takes a tenth of its time
  mock-device --family sample-form --scenario locked --speed 10 --log -

The first line on stdout is one JSON object: `at` is where the receiver answers, `truth` where any
GET is answered with what it is really set to.

With --tell-air a line follows for the present state of its own network and for each turn:
  {\"air\":\"open\",\"bssid\":\"02:00:00:00:00:01\"}
  {\"air\":\"closed\",\"why\":\"power\"}          or restart, transmitter, joined

With --control each line sent to the socket is a command, and one JSON object answers it:
  power off | power on
  transmitter off | transmitter on   one that the receiver counts as its own
  joined on | joined off             its stored local network is there, or not
  truth                              as the truth address tells it";

const SHELF: &str = "\
With --shelf the first line says where the truth is told (of all at /, of the third at /3), and a
line follows for each receiver: label, serial, bssid, at, condition, and the slot that it is to have.
  mock-device --family sample-form --shelf 24 --keys of-the-school --toml shelf.toml
  mock-device --family sample-form --shelf 1000 --no-waits --pause 2 --seed 7 --chaos-seed 7
The commands of --control are then `truth`, `truth 3`, and `power 3 off`, `on` or `cycle`.";

/// A simulated radio-control receiver, for practice and for tests.
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is an option that is given or not"
)]
#[derive(Parser)]
#[command(version, after_help = after_help())]
struct Arguments {
    /// The family of the receiver.
    #[arg(long, value_parser = families())]
    family: Family,
    /// What is wrong with it.
    #[arg(long, default_value = "locked", value_parser = scenarios())]
    scenario: Scenario,
    /// The version of its firmware; its usual one unless given.
    #[arg(long, value_name = "VERSION")]
    firmware: Option<String>,
    /// A fault at a request, such as `drop@3`, or the first later one that it can happen to; may
    /// be given again. The faults are listed below.
    #[arg(long = "fault", value_name = "WORD@N", conflicts_with = "faults_seed")]
    faults: Vec<FaultAt>,
    /// One to three faults that follow from this number.
    #[arg(long, value_name = "NUMBER")]
    faults_seed: Option<u64>,
    /// Where it answers; port 0 takes a free one.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    /// Where its true state is told.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:0")]
    truth: SocketAddr,
    /// Names, serials, keys and waits follow from this number.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Divides the waits of the family (0.01 to 100000).
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0, value_parser = speed)]
    speed: f64,
    /// It is powered up now: its uptime counts from now, and its network opens after its wait.
    #[arg(long)]
    from_cold: bool,
    /// Its BSSID is another after every start.
    #[arg(long)]
    bssid_changes: bool,
    /// Says on stdout, a line of JSON each, whether its network is open and when that changes.
    #[arg(long)]
    tell_air: bool,
    /// Its stored local network is there for it from the start.
    #[arg(long)]
    joined: bool,
    /// It announces itself over mDNS while it has joined a local network.
    #[arg(long)]
    advertise: bool,
    /// The network adapter for that; the one with the address of `--listen` unless given.
    #[arg(long, value_name = "ADAPTER", requires = "advertise")]
    advertise_on: Option<String>,
    /// Takes commands on this Unix socket, which nobody else may use.
    #[arg(long, value_name = "SOCKET")]
    control: Option<PathBuf>,
    /// Writes a line for each request and restart to this file, or to stderr for `-`.
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Allows addresses other than loopback, such as in a network namespace.
    #[arg(long)]
    listen_anywhere: bool,
    /// Ends when stdin does, so that none is left over when its parent is killed.
    #[arg(long)]
    until_stdin_closes: bool,
    #[command(flatten)]
    shelf: ShelfArguments,
}

#[tokio::main]
async fn main() -> ExitCode {
    let arguments = Arguments::parse();
    check_addresses(&arguments);
    check_firmware(&arguments);
    match run(arguments).await {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("error: {fault}");
            ExitCode::FAILURE
        }
    }
}

async fn run(arguments: Arguments) -> io::Result<()> {
    let mut ends = Ends::new(arguments.until_stdin_closes)?;
    if let Some(shelf) = shelf::put_up(&arguments).await? {
        return run_shelf(&arguments, Arc::new(shelf), ends).await;
    }
    let mut options = Options::new(arguments.family, arguments.scenario);
    options.firmware = arguments.firmware;
    options.faults = match arguments.faults_seed {
        Some(seed) => Faults::from_seed(seed),
        None => arguments.faults.into_iter().collect(),
    };
    options.seed = arguments.seed;
    options.speed = arguments.speed;
    options.from_cold = arguments.from_cold;
    options.joined = arguments.joined;
    options.bssid_changes = arguments.bssid_changes;
    options.listen = arguments.listen;
    options.truth = Some(arguments.truth);
    options.listen_anywhere = arguments.listen_anywhere;
    options.log = arguments.log.as_deref().map(open_log).transpose()?;

    let running = Arc::new(mock_device::start(options).await?);
    let control = arguments
        .control
        .as_deref()
        .map(Control::bind)
        .transpose()?;
    eprintln!(
        "This is a simulation: a {} receiver, scenario {}, waits divided by {}.",
        arguments.family, arguments.scenario, arguments.speed
    );
    let named = arguments.advertise_on.as_deref();
    let adapter = arguments
        .advertise
        .then(|| Adapter::find(named, &running))
        .transpose()?;
    let air = introduce(&running)?;

    tokio::select! {
        () = ends.any() => {}
        told = tell_air(air), if arguments.tell_air => return told,
        ended = announce(adapter.as_ref(), &running), if arguments.advertise => return ended,
        () = obey(control.as_ref(), &running), if control.is_some() => {}
    }
    Ok(())
}

/// The same for a whole shelf.
async fn run_shelf(arguments: &Arguments, shelf: Arc<Shelf>, mut ends: Ends) -> io::Result<()> {
    let control = arguments
        .control
        .as_deref()
        .map(Control::bind)
        .transpose()?;
    eprintln!(
        "This is a simulation: a shelf of {} {} receivers.",
        shelf.lent().len(),
        arguments.family
    );
    shelf::introduce(&shelf)?;
    tokio::select! {
        () = ends.any() => {}
        () = obey(control.as_ref(), &shelf), if control.is_some() => {}
    }
    Ok(())
}

/// What ends a simulation.
struct Ends {
    interrupt: Signal,
    terminate: Signal,
    /// Says when stdin has closed, where that is to end it.
    closed: Option<oneshot::Receiver<()>>,
}

impl Ends {
    /// Before the first line on stdout: who has read it may send a signal at once.
    fn new(until_stdin_closes: bool) -> io::Result<Self> {
        let closed = until_stdin_closes.then(|| {
            let (tell, closed) = oneshot::channel();
            // A thread of its own, since a read of stdin cannot be called off; it ends with the
            // process.
            thread::spawn(move || {
                let _ = io::copy(&mut io::stdin().lock(), &mut io::sink());
                let _ = tell.send(());
            });
            closed
        });
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            closed,
        })
    }

    /// Until any of them comes.
    async fn any(&mut self) {
        let closed = async {
            match &mut self.closed {
                // It is never dropped unsent.
                Some(closed) => drop(closed.await),
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.terminate.recv() => {}
            () = closed => {}
        }
    }
}

/// Announces it, if it is to be.
async fn announce(adapter: Option<&Adapter>, running: &Running) -> io::Result<()> {
    match adapter {
        Some(adapter) => adapter.announce(running, running.air()).await,
        None => Ok(()),
    }
}

/// Carries out what comes over the socket, if there is one, for ever.
async fn obey<T: Obeys>(control: Option<&Control>, running: &Arc<T>) {
    match control {
        Some(control) => control.serve(running).await,
        None => std::future::pending().await,
    }
}

/// One line a turn. It ends when nobody reads them any more.
async fn tell_air(mut air: mpsc::UnboundedReceiver<Air>) -> io::Result<()> {
    while let Some(air) = air.recv().await {
        say(&json!(air))?;
    }
    Ok(())
}

/// The one line that says where everything is; from then on the air is listened to.
fn introduce(running: &Running) -> io::Result<mpsc::UnboundedReceiver<Air>> {
    let truth = running.truth();
    let device = &truth.devices[truth.present];
    let line = json!({
        "format": 1,
        "at": format!("http://{}", running.address()),
        "truth": running.truth_address().map(|address| format!("http://{address}/")),
        "bssid": device.bssid,
        "speed": truth.speed,
    });
    say(&line)?;
    Ok(running.air())
}

fn say(line: &Json) -> io::Result<()> {
    let mut out = io::stdout().lock();
    writeln!(out, "{line}")?;
    out.flush()
}

fn open_log(path: &Path) -> io::Result<Box<dyn Write + Send>> {
    if path.as_os_str() == "-" {
        return Ok(Box::new(io::stderr()));
    }
    let file = OpenOptions::new().create(true).append(true).open(path);
    let file = file.map_err(|fault| {
        let text = format!("cannot write the log `{}`: {fault}", path.display());
        io::Error::new(fault.kind(), text)
    })?;
    Ok(Box::new(file))
}

/// What is no loopback address is wrong usage unless it was asked for.
fn check_addresses(arguments: &Arguments) {
    for (option, address) in [("--listen", arguments.listen), ("--truth", arguments.truth)] {
        if !address.ip().is_loopback() && !arguments.listen_anywhere {
            let text = format!(
                "`{option} {address}` is not a loopback address; \
                 `--listen-anywhere` allows it"
            );
            wrong_usage(&text);
        }
    }
}

/// Each family has versions of its own.
fn check_firmware(arguments: &Arguments) {
    let Some(wanted) = &arguments.firmware else {
        return;
    };
    let known = arguments.family.versions();
    if !known.contains(&wanted.as_str()) {
        wrong_usage(&format!(
            "`--firmware {wanted}` is none that {} has: {}",
            arguments.family,
            known.join(", ")
        ));
    }
}

fn wrong_usage(text: &str) -> ! {
    Arguments::command()
        .error(ErrorKind::ValueValidation, text)
        .exit()
}

/// The faults, one a line, and the example.
fn after_help() -> String {
    let faults = Fault::ALL.map(|fault| format!("  {:<15} {}\n", fault.word(), fault.about()));
    let conditions = Condition::all()
        .into_iter()
        .filter(|condition| !matches!(condition, Condition::Is(_)))
        .map(|condition| format!("  {:<15} {}\n", condition.word(), condition.about()));
    let conditions: String = conditions.collect();
    format!(
        "Faults:\n{}\nConditions of a shelf:\n{conditions}\n{EXAMPLE}\n\n{SHELF}",
        faults.concat()
    )
}

fn families() -> impl TypedValueParser<Value = Family> {
    let words = Family::ALL.map(|family| PossibleValue::new(family.word()).help(family.about()));
    PossibleValuesParser::new(words).try_map(|word| word.parse::<Family>())
}

fn scenarios() -> impl TypedValueParser<Value = Scenario> {
    let words =
        Scenario::ALL.map(|scenario| PossibleValue::new(scenario.word()).help(scenario.about()));
    PossibleValuesParser::new(words).try_map(|word| word.parse::<Scenario>())
}

fn speed(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|speed| SPEEDS.contains(speed))
        .ok_or_else(|| format!("not a number from {} to {}", SPEEDS.start(), SPEEDS.end()))
}
