//! Which of several networks of one name. How loud one is decides nothing: a person powers a
//! receiver or unplugs it, and sees which network came or went.

use std::time::Duration;

use crate::{
    change::{Trouble, clock::SystemClock, ports::Clock},
    cli::{
        context::Context,
        failure::Failure,
        guide::Guide,
        screen::{Screen, Tone},
        seconds,
    },
    find::{
        air::{self, Candidate, Sightings},
        wait,
    },
    profile::Profile,
    terms::Exit,
    wifi::{AccessPoint, AdapterName, Wifi},
};

/// How a candidate is shown: `TarnBoat 3  02:00:5e:00:00:01  ▂▄▆_ 62 %  channel 6`.
pub(crate) fn line(point: &AccessPoint) -> String {
    let channel = point
        .channel()
        .map_or_else(String::new, |channel| format!(", channel {channel}"));
    format!(
        "{}  {}  {} {} %{channel}, {}",
        point.name,
        point.bssid,
        bars(point.signal),
        point.signal.min(100),
        point.offers
    )
}

/// How loud it is, as a picture of four bars.
pub(crate) fn bars(signal: u8) -> &'static str {
    match signal {
        0..20 => "▂___",
        20..45 => "▂▄__",
        45..70 => "▂▄▆_",
        _ => "▂▄▆█",
    }
}

/// Several fit, and nobody said which.
pub(super) fn several(candidates: &[Candidate]) -> Failure {
    let all: Vec<String> = candidates
        .iter()
        .map(|one| format!("{} ({})", one.point.name, one.point.bssid))
        .collect();
    Failure::Trouble(
        Trouble::new(
            "several-devices",
            format!("several receivers may be meant: {}", all.join(", ")),
            Some("power one alone, or say which with --device SERIAL, BSSID or NAME"),
        )
        .ending(Exit::Refused),
    )
}

/// The air through one adapter, for the questions.
pub(super) struct Listening<'a> {
    /// What every command needs.
    pub context: &'a Context,
    /// Who hears.
    pub wifi: &'a dyn Wifi,
    /// Through which adapter.
    pub adapter: &'a AdapterName,
    /// The families that count.
    pub profiles: &'a [std::sync::Arc<Profile>],
}

impl Listening<'_> {
    /// Asks which one, as often as the person wants to look again.
    pub(super) async fn ask(&self, mut candidates: Vec<Candidate>) -> Result<Candidate, Failure> {
        let guide = Guide::new(self.context);
        loop {
            let mut items: Vec<String> = candidates.iter().map(|one| line(&one.point)).collect();
            items.push("Show me: I power the one that I mean now.".into());
            items.push("Show me: I switch the one that I mean off now.".into());
            let title = match candidates.len() {
                0 => "None is there now.",
                1 => "Is it this one?",
                _ => "Several receivers are there. Which one?",
            };
            let chosen = guide.choose(title, &items, HELP).await?;
            if chosen < candidates.len() {
                return Ok(candidates.swap_remove(chosen));
            }
            let comes = chosen == candidates.len();
            let found = self.watch(comes).await?;
            candidates = if comes {
                found
            } else {
                say_gone(self.context.screen, &found);
                // It is needed, so it is powered again, and that shows it once more.
                self.watch(true).await?
            };
        }
    }

    /// What comes, or goes, from now on; empty when nothing did in time.
    async fn watch(&self, comes: bool) -> Result<Vec<Candidate>, Failure> {
        let screen = self.context.screen;
        let mut sightings = Sightings::new();
        let busy = screen.busy("listening to what is there");
        for _ in 0..air::SCANS_TO_BE_GONE {
            self.scan(&mut sightings).await?;
        }
        drop(busy);
        sightings.mark();
        let what = if comes {
            "Power it now. Its network shows here when it opens."
        } else {
            "Switch it off now. Its network shows here when it is gone."
        };
        screen.asking().remark(Tone::Strong, what);
        let longest = if comes { self.window_s() } else { GONE_S };
        let clock = SystemClock::new();
        let start = clock.now();
        let busy = screen.busy("");
        loop {
            let passed = clock.now().since(&start).unwrap_or(f64::INFINITY);
            busy.say(&format!(
                "listening; up to {} more",
                seconds::exact(longest - passed)
            ));
            self.scan(&mut sightings).await?;
            let points = if comes {
                sightings.came()
            } else {
                sightings.went()
            };
            let found = air::candidates(&points, self.profiles);
            if !found.is_empty() || passed > longest {
                return Ok(found);
            }
        }
    }

    async fn scan(&self, sightings: &mut Sightings) -> Result<(), Failure> {
        let begun = boot_seconds();
        let hidden = air::whole_names(self.profiles);
        let scan = async { Ok(self.wifi.scan(self.adapter, &hidden).await?) };
        let list = self.context.or_stopped(scan).await?;
        sightings.hear(&list, Some(begun));
        // Some services refuse a scan right after another.
        tokio::time::sleep(Duration::from_millis(300)).await;
        Ok(())
    }

    /// Until the last of the families opens its network, and a little.
    fn window_s(&self) -> f64 {
        let latest = wait::window(self.profiles).map_or(0.0, |window| window.to);
        latest * 1.5 + 30.0
    }
}

/// How long a network that was switched off may still be listed, in s. No source: two scans, and
/// the way to the boat.
const GONE_S: f64 = 90.0;

/// Now, in s since this computer started.
pub(crate) fn boot_seconds() -> f64 {
    SystemClock::new().now().seconds
}

fn say_gone(screen: Screen, gone: &[Candidate]) {
    let screen = screen.asking();
    if gone.is_empty() {
        screen.remark(Tone::Careful, "None of them went.");
    }
    for one in gone {
        screen.remark(Tone::Good, &format!("Gone: {}", line(&one.point)));
    }
}

const HELP: &str = "Receivers of one family open networks of one name, and how loud one is does not \
     say which it is. The hardware address (BSSID) tells them apart. If yours is not marked with it, \
     let linkmend show you: power it, or switch it off, and see which network comes or goes.";
