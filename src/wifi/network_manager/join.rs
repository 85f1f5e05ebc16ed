//! One attempt to join one access point: to the moment when this computer's address is usable, or
//! to the reason why not.
//!
//! It runs as a task of its own, so that whoever asked may go away at any moment: what was begun is
//! then left again. It guards against `NetworkManager`'s last word coming late (it says `activated`
//! after the address has long been usable) and against another access point than the one meant.

use std::{
    net::{IpAddr, Ipv4Addr},
    sync::Arc,
    time::Duration,
};

use nix::{ifaddrs::getifaddrs, sys::socket::SockaddrIn};
use secrecy::ExposeSecret;
use tokio::{
    sync::{oneshot, watch},
    time::{self, Instant},
};
use zbus::OwnedObjectPath;

use super::{
    Inner, adapters, air,
    bus::ManagerProxy,
    gone,
    heard::Heard,
    permissions,
    picture::{Fall, Picture, Step, device_state, is_up},
    reasons::{self, Evidence},
    scan, wanted,
};
use crate::{
    terms::Mac,
    wifi::{
        AdapterState, Addressing, Join, Joined, Key, Link, WifiError,
        nl80211::{Radio, Said},
    },
};

/// What is asked for, for the errors.
const JOINING: &str = "joining";

/// How long `NetworkManager` waits for an association, less what a busy computer may lose. Its own
/// number is 25 s (`SUPPLICANT_TIMEOUT` in its source).
const ASSOCIATION: Duration = Duration::from_secs(24);

/// How long an address may take that the device gives. Its own address probe takes a DHCP server
/// 3 s (seen with dnsmasq); `NetworkManager` would wait for 45 s.
const LEASE: Duration = Duration::from_secs(20);

/// How long an access point may say nothing before it counts as gone. One that is there answers
/// within 1 s, and a slow adapter may look for it on all channels first (a choice of ours).
const SILENCE: Duration = Duration::from_secs(12);

/// How long the whole may take: above what each of its parts may.
const WHOLE: Duration = Duration::from_secs(50);

/// Between two looks at the adapter's addresses.
const LOOK: Duration = Duration::from_millis(2);

/// How long the lease's other words may come after its address.
const ROUTER: Duration = Duration::from_millis(300);

/// How long what nobody wants any more may take to let go of the adapter.
const LEAVING: Duration = Duration::from_secs(10);

/// Joins, or says why not. Dropped, it leaves what it began; until that is done, the turn of this
/// adapter is its own.
pub(super) async fn join(inner: &Arc<Inner>, wish: &Join) -> Result<Joined, WifiError> {
    let turn = inner.turn(&wish.adapter).await;
    let (mut sender, receiver) = oneshot::channel();
    let attempt = Attempt {
        inner: Arc::clone(inner),
        wish: wish.clone(),
    };
    tokio::spawn(async move {
        let _turn = turn;
        let Some(ended) = attempt.until_believed(&mut sender).await else {
            return;
        };
        let joined = ended.as_ref().ok().map(|(_, active)| active.clone());
        if sender.send(ended.map(|(joined, _)| joined)).is_err()
            && let Some(active) = joined
        {
            attempt.leave(&active).await;
        }
    });
    receiver.await.unwrap_or_else(|_| {
        Err(WifiError::Other {
            what: JOINING,
            why: "the program ends".into(),
        })
    })
}

/// Who waits for it; closed: nobody any more.
type Asker = oneshot::Sender<Result<Joined, WifiError>>;

/// What was joined and the path of its activation, or why it was not.
type Ended = Result<(Joined, OwnedObjectPath), WifiError>;

struct Attempt {
    inner: Arc<Inner>,
    wish: Join,
}

impl Attempt {
    /// Attempts it until what comes of it can be believed. None: nobody waits for it any more.
    async fn until_believed(&self, asker: &mut Asker) -> Option<Ended> {
        if !self.may_be_a_passphrase() {
            return Some(Err(self.wrong_passphrase()));
        }
        match self.once(asker).await? {
            // A handshake ends like that, too, where its frames are lost, or one end is slow.
            Err(WifiError::WrongPassphrase { .. }) => self.once(asker).await,
            ended => Some(ended),
        }
    }

    /// One attempt. None: nobody waits for it any more. Where it failed, what it began is left.
    async fn once(&self, asker: &mut Asker) -> Option<Ended> {
        // Without it, what `NetworkManager` says has to do.
        let radio = Radio::listen(self.wish.adapter.as_str()).await.ok();
        let active = match self.begin(asker).await {
            Ok(active) => active,
            Err(error) => return Some(Err(error)),
        };
        let ended = tokio::select! {
            ended = self.follow(&active, radio) => Some(ended),
            () = asker.closed() => None,
        };
        if let Some(Ok(joined)) = ended {
            return Some(Ok((joined, active)));
        }
        self.leave(&active).await;
        if let None | Some(Err(WifiError::WrongPassphrase { .. })) = ended {
            // What is heard of the adapter afterwards is not to be of before.
            let over = |picture: &Picture| picture.is_over(&active).then_some(());
            let _left = self.inner.until(LEAVING, over).await;
        }
        ended.map(|ended| ended.map(|joined| (joined, active)))
    }

    /// Those of WPA2 have 8 to 63 characters (IEEE 802.11-2020, annex J.4, from memory).
    fn may_be_a_passphrase(&self) -> bool {
        match &self.wish.key {
            Key::Wpa2(passphrase) => (8..=63).contains(&passphrase.expose_secret().len()),
            Key::Open | Key::Wpa3(_) => true,
        }
    }

    /// Asks for the activation; gives its path. What may fail without touching the adapter fails
    /// before.
    async fn begin(&self, asker: &mut Asker) -> Result<OwnedObjectPath, WifiError> {
        let wish = &self.wish;
        let mut found = self.look()?;
        if wish.point.name.is_hidden() {
            return Err(WifiError::Other {
                what: JOINING,
                why: "a network that keeps its name to itself is joined by its name alone".into(),
            });
        }
        if found.seen.is_none() {
            let names = std::slice::from_ref(&wish.point.name);
            tokio::select! {
                scanned = scan::scan(&self.inner, &wish.adapter, names) => scanned?,
                () = asker.closed() => return Err(self.out_of_range()),
            };
            found = self.look()?;
        }
        let Some(seen) = found.seen else {
            return Err(self.out_of_range());
        };
        let offers = seen.point.offers;
        let way_in = match &wish.key {
            Key::Open => offers.open,
            Key::Wpa2(_) => offers.psk,
            Key::Wpa3(_) => offers.sae,
        };
        if !way_in {
            return Err(WifiError::NoWayIn {
                name: wish.point.name.clone(),
                offers: offers.to_string(),
            });
        }
        let hides = found.hides || self.inner.was_called_for(&wish.point.name);
        let asked = ManagerProxy::new(&self.inner.connection)
            .await
            .map_err(|error| reasons::of_call(JOINING, &error))?
            .add_and_activate_connection2(
                &wanted::settings(wish, &seen.point, hides),
                &found.device,
                &seen.path,
                &wanted::options(),
            )
            .await;
        match asked {
            Ok((_, active, _)) => Ok(active),
            Err(error) if reasons::is_unplugged(&error) => Err(reasons::unplugged(&wish.adapter)),
            // It went away between the look and the call.
            Err(_) if self.look()?.seen.is_none() => Err(self.out_of_range()),
            Err(error) => {
                let error = reasons::of_call(JOINING, &error);
                let needed = [permissions::CONTROL, permissions::OWN];
                Err(self.inner.permission(error, &needed).await)
            }
        }
    }

    fn look(&self) -> Result<Found, WifiError> {
        let picture = self.inner.picture.borrow();
        self.inner.there(&picture)?;
        let device = adapters::usable(&picture, &self.wish.adapter)?;
        self.inner.remember_idle(&device);
        let (seen, hides) = air::seen(&device, &self.wish.point);
        Ok(Found {
            device: device.path.clone(),
            seen,
            hides,
        })
    }

    /// Follows it until the address is usable, or until it failed.
    async fn follow(
        &self,
        active: &OwnedObjectPath,
        mut radio: Option<Radio>,
    ) -> Result<Joined, WifiError> {
        let begun = Instant::now();
        let mut associated = None;
        let mut heard = Heard::new(radio.is_some());
        let mut picture = self.inner.picture.clone();
        loop {
            let stage = {
                let picture = picture.borrow_and_update();
                self.inner.there(&picture)?;
                self.stage(&picture, active, begun, &heard)
            };
            let look = match stage {
                Stage::Failed(error) => return Err(error),
                Stage::Address => {
                    let since = *associated.get_or_insert_with(Instant::now);
                    if self.has_address() {
                        break;
                    }
                    if since.elapsed() > LEASE {
                        return Err(WifiError::NoAddress {
                            name: self.wish.point.name.clone(),
                            bssid: self.wish.point.bssid,
                        });
                    }
                    LOOK
                }
                Stage::Before => {
                    if let Some(error) = heard.verdict(&self.wish) {
                        return Err(error);
                    }
                    let silent = heard.listening && !heard.answered;
                    let limit = if silent { SILENCE } else { WHOLE };
                    let left = limit.saturating_sub(begun.elapsed());
                    if left.is_zero() {
                        return Err(self.out_of_range());
                    }
                    left
                }
            };
            tokio::select! {
                changed = picture.changed() => if changed.is_err() {
                    return Err(gone());
                },
                said = next(&mut radio, self.wish.point.bssid) => if let Ok(said) = said {
                    heard.take(said, &self.wish.key);
                } else {
                    radio = None;
                    heard.listening = false;
                },
                () = time::sleep(look) => {}
            }
        }
        self.on_the_right_one(active).await?;
        Ok(Joined {
            adapter: self.wish.adapter.clone(),
            link: Some(self.link(active.clone(), radio)),
            gateway: self.gateway().await?,
        })
    }

    /// Where it stands.
    fn stage(
        &self,
        picture: &Picture,
        active: &OwnedObjectPath,
        begun: Instant,
        heard: &Heard,
    ) -> Stage {
        let Some(device) = picture.adapter(self.wish.adapter.as_str()) else {
            return Stage::Failed(reasons::unplugged(&self.wish.adapter));
        };
        let ours = device.active_path() == active.as_str();
        let evidence = |associated| Evidence {
            heard: heard.clone(),
            in_list: air::seen(&device, &self.wish.point).0.is_some(),
            associated,
            waited_out: begun.elapsed() >= ASSOCIATION,
        };
        // Each secured network is asked for its secrets once, and has them. Asked for again, and
        // waiting for a person to type them, it did not take those.
        let asks = device
            .steps()
            .iter()
            .filter(|step| step.state == device_state::NEED_AUTH)
            .count();
        if ours && asks > 1 && device.state() == device_state::NEED_AUTH {
            let no_secrets = Step {
                state: device_state::NEED_AUTH,
                reason: NO_SECRETS,
            };
            let error = reasons::of_step(no_secrets, &evidence(false), &self.wish);
            return Stage::Failed(error);
        }
        if ours && device.state() >= device_state::IP_CONFIG && is_up(device.state()) {
            return Stage::Address;
        }
        let over = picture.is_over(active);
        let state = adapters::state(picture, &device);
        if over && state != AdapterState::Ready {
            return Stage::Failed(adapters::why_not(&device, state));
        }
        let fall = picture.fall(active).unwrap_or(Fall {
            step: Step {
                state: device.state(),
                reason: device.reason(),
            },
            associated: false,
        });
        if over {
            let evidence = evidence(fall.associated);
            Stage::Failed(reasons::of_step(fall.step, &evidence, &self.wish))
        } else {
            Stage::Before
        }
    }

    /// Whether the adapter has the address that was asked for.
    fn has_address(&self) -> bool {
        let Ok(all) = getifaddrs() else { return false };
        all.filter(|it| it.interface_name == self.wish.adapter.as_str())
            .filter_map(|it| it.address.as_ref()?.as_sockaddr_in().map(SockaddrIn::ip))
            .any(|address: Ipv4Addr| match self.wish.addressing {
                Addressing::Static { own, .. } => address == own,
                Addressing::Dhcp => !address.is_link_local(),
            })
    }

    /// The router of the lease.
    async fn gateway(&self) -> Result<Option<IpAddr>, WifiError> {
        if matches!(self.wish.addressing, Addressing::Static { .. }) {
            return Ok(None);
        }
        let told = self.inner.until(ROUTER, |picture| {
            picture.adapter(self.wish.adapter.as_str())?.lease()
        });
        Ok(told.await?.and_then(|lease| lease.router))
    }

    /// Looks once more at what was joined: drivers differ.
    async fn on_the_right_one(&self, active: &OwnedObjectPath) -> Result<(), WifiError> {
        let on = self.inner.until(Duration::from_secs(1), |picture| {
            let device = picture.adapter(self.wish.adapter.as_str())?;
            (device.active_path() == active.as_str())
                .then(|| device.bssid())
                .flatten()
        });
        match on.await? {
            Some(got) if got != self.wish.point.bssid => Err(WifiError::JoinedAnother {
                wanted: self.wish.point.bssid,
                got,
            }),
            _ => Ok(()),
        }
    }

    /// Tells from now on whether the adapter is on it, until the activation is over or nobody
    /// listens. That it fell silent is told by the radio, at once: `NetworkManager` takes some seconds.
    fn link(&self, active: OwnedObjectPath, mut radio: Option<Radio>) -> watch::Receiver<Link> {
        let mut picture = self.inner.picture.clone();
        let adapter = self.wish.adapter.clone();
        let bssid = self.wish.point.bssid;
        let (sender, receiver) = watch::channel(Link::Up(bssid));
        tokio::spawn(async move {
            let mut is_silent = false;
            loop {
                let (now, over) = {
                    let picture = picture.borrow_and_update();
                    let device = picture.adapter(adapter.as_str());
                    let now = device.and_then(|device| {
                        let ours = device.active_path() == active.as_str();
                        let up = device.state() >= device_state::IP_CONFIG
                            && is_up(device.state())
                            && device.has_link();
                        device.bssid().filter(|_| ours && up)
                    });
                    (now, device.is_none() || picture.is_over(&active))
                };
                let now = match now {
                    _ if is_silent => Link::Silent,
                    Some(bssid) if !over => Link::Up(bssid),
                    _ => Link::Down,
                };
                sender.send_if_modified(|before| {
                    let changes = *before != now;
                    *before = now;
                    changes
                });
                if over {
                    break;
                }
                tokio::select! {
                    // What the radio hears says why the link is down, and is to be known first.
                    biased;
                    said = next(&mut radio, bssid) => match said {
                        Ok(Said::Vanished) => is_silent = true,
                        Ok(Said::Association { status: 0 }) => is_silent = false,
                        Ok(_) => {}
                        Err(_) => radio = None,
                    },
                    changed = picture.changed() => if changed.is_err() {
                        sender.send_replace(Link::Down);
                        break;
                    },
                    () = sender.closed() => break,
                }
            }
        });
        receiver
    }

    /// Ends the activation. What cannot be ended any more has ended.
    async fn leave(&self, active: &OwnedObjectPath) {
        self.inner.end(active).await;
    }

    fn out_of_range(&self) -> WifiError {
        WifiError::OutOfRange {
            name: self.wish.point.name.clone(),
            bssid: self.wish.point.bssid,
        }
    }

    fn wrong_passphrase(&self) -> WifiError {
        WifiError::WrongPassphrase {
            name: self.wish.point.name.clone(),
            bssid: self.wish.point.bssid,
        }
    }
}

/// What the radio hears next; for ever nothing where nobody listens.
async fn next(radio: &mut Option<Radio>, bssid: Mac) -> std::io::Result<Said> {
    match radio {
        Some(radio) => radio.next(bssid).await,
        None => std::future::pending().await,
    }
}

/// `NM_DEVICE_STATE_REASON_NO_SECRETS`.
const NO_SECRETS: u32 = 7;

/// The objects that an attempt is made with.
struct Found {
    device: OwnedObjectPath,
    seen: Option<air::Seen>,
    hides: bool,
}

/// Where an attempt stands.
enum Stage {
    /// It is not on the access point yet.
    Before,
    /// It is, and gets its address.
    Address,
    /// It has ended.
    Failed(WifiError),
}
