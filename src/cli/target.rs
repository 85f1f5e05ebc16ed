//! From what was typed to a session with one device.

use std::{collections::BTreeSet, path::Path, sync::Arc};

use super::{
    args,
    context::Context,
    failure::Failure,
    login::LoginFrom,
    screen::Tone,
    wifi::{self, OpenNetwork, OverHands, OverWifi},
};
use crate::{
    change::Trouble,
    find,
    journal::Journal,
    profile,
    profile::Profile,
    session::{BssidNow, Footing, Limit, Limits, Origin, Session, SessionError, no_bssid},
    terms::{Exit, Mac},
};

/// A device that can be talked to.
pub(crate) struct Target {
    /// The session with it.
    pub session: Arc<Session>,
    /// Its family.
    pub profile: Arc<Profile>,
    /// The bounds.
    pub limits: Limits,
    /// How many times faster than the real thing it is: 1, unless it is simulated.
    pub speed: f64,
    /// Whether it is a practice receiver.
    pub simulated: bool,
    /// How it was joined; none: it was reachable already.
    pub wifi: Option<OverWifi>,
    /// Who joined it by hand; none: nobody.
    pub hands: Option<OverHands>,
    /// Keeps a practice receiver running.
    #[cfg(feature = "practice")]
    #[expect(dead_code, reason = "it serves as long as it is held")]
    practice: Option<Arc<mock_device::Running>>,
}

impl Target {
    /// A device that is no practice receiver.
    pub(crate) fn real(session: Arc<Session>, profile: Arc<Profile>, limits: Limits) -> Self {
        Self {
            session,
            profile,
            limits,
            speed: 1.0,
            simulated: false,
            wifi: None,
            hands: None,
            #[cfg(feature = "practice")]
            practice: None,
        }
    }

    /// One whose network a person joined.
    pub(crate) fn by_hand(
        session: Arc<Session>,
        profile: Arc<Profile>,
        limits: Limits,
        hands: OverHands,
    ) -> Self {
        Self {
            hands: Some(hands),
            ..Self::real(session, profile, limits)
        }
    }

    /// One that was joined.
    pub(crate) fn over_wifi(
        session: Arc<Session>,
        profile: Arc<Profile>,
        limits: Limits,
        wifi: OverWifi,
    ) -> Self {
        Self {
            wifi: Some(wifi),
            ..Self::real(session, profile, limits)
        }
    }
}

/// Finds the device and tells its family.
pub(crate) async fn open(
    context: &Context,
    journal: &Journal,
    target: &args::Target,
) -> Result<Target, Failure> {
    let profiles = candidates(target.profile.as_deref())?;
    open_new(context, journal, target, profiles, &BTreeSet::new()).await
}

/// The same of one of these families; over Wi-Fi none that is known by these hardware addresses.
pub(crate) async fn open_new(
    context: &Context,
    journal: &Journal,
    target: &args::Target,
    profiles: Vec<Arc<Profile>>,
    known: &BTreeSet<Mac>,
) -> Result<Target, Failure> {
    let limits = limits(&target.limit)?;
    let login = LoginFrom::typed(target.login_file.as_deref()).await?;
    match (&target.at, &target.practice) {
        (Some(at), _) => {
            let there = At {
                origin: origin(at)?,
                login: &login,
                bssid: no_bssid(),
                footing: None,
                open: None,
            };
            let (session, profile) = at_origin(context, there, &profiles, &limits).await?;
            Ok(Target::real(session, profile, limits))
        }
        (None, Some(condition)) => practice(context, condition, &profiles, limits, login).await,
        (None, None) => {
            let among = wifi::Among {
                profiles: &profiles,
                known,
            };
            let opened = wifi::open(context, journal, target, among, limits, login);
            Box::pin(opened).await
        }
    }
}

/// An address that was typed.
pub(crate) fn origin(typed: &str) -> Result<Origin, Failure> {
    Origin::parse(typed).map_err(|error| Failure::usage(error.to_string(), error.help()))
}

/// Where a device is, and how one gets in.
pub(crate) struct At<'a> {
    /// `http://`, an address, a port, and perhaps the adapter.
    pub origin: Origin,
    /// Where its login comes from, if it asks for one.
    pub login: &'a LoginFrom,
    /// The network through which it is reached.
    pub bssid: BssidNow,
    /// What the session stands on, where the way to the device can be lost.
    pub footing: Option<Arc<dyn Footing>>,
    /// Its network, where it is an open one.
    pub open: Option<Arc<OpenNetwork>>,
}

/// A session with whatever answers at an address and fits one of the profiles.
pub(crate) async fn at_origin(
    context: &Context,
    there: At<'_>,
    profiles: &[Arc<Profile>],
    limits: &Limits,
) -> Result<(Arc<Session>, Arc<Profile>), Failure> {
    let screen = context.screen;
    let At {
        origin,
        login,
        bssid,
        footing,
        open,
    } = there;
    let busy = screen.busy(format!("asking {origin}"));
    let mut fitting = find::at(&origin, profiles, limits).await?;
    drop(busy);
    if fitting.len() > 1 {
        let names: Vec<&str> = fitting
            .iter()
            .map(|found| found.profile.family.as_str())
            .collect();
        return Err(Failure::Trouble(
            Trouble::new(
                "several-profiles-fit",
                format!("several profiles fit this device: {}", names.join(", ")),
                Some("say which with --profile NAME"),
            )
            .ending(Exit::Refused),
        ));
    }
    let Some(find::Found { profile, fetched }) = fitting.pop() else {
        return Err(Failure::usage(
            "there is no profile to try",
            "give --profile NAME",
        ));
    };
    let outside = || {
        let session = Session::new(
            origin.clone(),
            Arc::clone(&profile),
            limits.clone(),
            Arc::clone(&bssid),
        )?;
        let session = session.knowing(fetched.clone());
        Ok::<_, Failure>(match &footing {
            Some(footing) => session.standing(Arc::clone(footing)),
            None => session,
        })
    };
    if let (Some(open), false) = (&open, profile.login == profile::Login::None) {
        open.agree(context, "the login of this device").await?;
    }
    for _ in 0..LOGINS {
        let Some(credentials) = login.credentials(&profile, screen).await? else {
            return Ok((Arc::new(outside()?), profile));
        };
        let session = outside()?.letting_in(credentials);
        // What a file gives is tried once; what a person types may be mistyped, and what was
        // refused is told before it is asked for again. Whatever else is wrong is told by the
        // reading that the command begins with.
        if login.is_typed() {
            let busy = screen.busy("logging in");
            let tried = session.read().await;
            drop(busy);
            if let Err(error @ SessionError::LoginRefused { .. }) = tried {
                screen.asking().remark(Tone::Careful, &error.to_string());
                continue;
            }
        }
        return Ok((Arc::new(session), profile));
    }
    Err(Failure::Trouble(
        Trouble::new(
            "login-refused",
            format!("the login was refused {LOGINS} times"),
            Some(
                "ask its owner for the user's name and the password; some devices lock \
                 themselves after a few wrong ones: power it off and on before you try again",
            ),
        )
        .ending(Exit::Refused),
    ))
}

/// How often a person may type a login.
const LOGINS: usize = 3;

/// The bounds with what `--limit` changes.
pub(crate) fn limits(given: &[String]) -> Result<Limits, Failure> {
    let set = given
        .iter()
        .map(|text| text.parse::<Limit>())
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| {
            Failure::usage(
                error.to_string(),
                "give --limit NAME=VALUE, such as answer-s=20",
            )
        })?;
    Ok(Limits::default().with(&set))
}

/// The profiles that may fit: the one that was named, or all that are built in.
pub(crate) fn candidates(named: Option<&str>) -> Result<Vec<Arc<Profile>>, Failure> {
    match named {
        Some(name) => Ok(vec![Arc::new(named_profile(name)?)]),
        None => Ok(profile::built_in().into_iter().map(Arc::new).collect()),
    }
}

/// A profile by the name of a built-in family, or from a file.
pub(crate) fn named_profile(name: &str) -> Result<Profile, Failure> {
    let is_file = name.contains(['/', '.']) || Path::new(name).is_file();
    if is_file {
        return profile::load_file(Path::new(name)).map_err(Failure::profile);
    }
    profile::named(name).ok_or_else(|| {
        let known: Vec<String> = profile::built_in().into_iter().map(|p| p.family).collect();
        Failure::usage(
            format!(
                "there is no profile `{}`",
                crate::terms::Untrusted::new(name)
            ),
            format!(
                "built in are {}; a file is given by its path",
                known.join(", ")
            ),
        )
    })
}

#[cfg(feature = "practice")]
async fn practice(
    context: &Context,
    condition: &str,
    profiles: &[Arc<Profile>],
    limits: Limits,
    login: LoginFrom,
) -> Result<Target, Failure> {
    use mock_device::{Family, Options, Scenario};

    let scenario: Scenario = condition.parse().map_err(|_| {
        let known: Vec<String> = Scenario::ALL.iter().map(ToString::to_string).collect();
        Failure::usage(
            format!(
                "there is no practice receiver `{}`",
                crate::terms::Untrusted::new(condition)
            ),
            format!("there are {}", known.join(", ")),
        )
    })?;
    let simulated: Vec<(Family, &Arc<Profile>)> = profiles
        .iter()
        .filter_map(|profile| Some((profile.family.parse::<Family>().ok()?, profile)))
        .collect();
    let suits = simulated.iter().find(|(family, _)| scenario.suits(*family));
    let Some((family, _)) = suits.copied() else {
        let known: Vec<String> = Family::ALL
            .into_iter()
            .filter(|family| scenario.suits(*family))
            .map(|family| family.to_string())
            .collect();
        return Err(Failure::usage(
            format!("this family has no practice receiver that is `{scenario}`"),
            format!("there is one of {}", known.join(", ")),
        ));
    };
    let mut options = Options::new(family, scenario);
    options.speed = PRACTICE_SPEED;
    let running = mock_device::start(options).await.map_err(|error| {
        Failure::Trouble(Trouble::new(
            "practice-failed",
            format!("the practice receiver could not start: {error}"),
            None,
        ))
    })?;
    context.screen.remark(
        Tone::Careful,
        &format!(
            "PRACTICE: this receiver is simulated in this program and {PRACTICE_SPEED} times \
             faster than the real thing. Nothing real is read or changed."
        ),
    );
    let at = format!("http://{}", running.address());
    let login = match (login, running.login()) {
        (LoginFrom::Person, Some((user, word))) => LoginFrom::Known(user.into(), word.into()),
        (given, _) => given,
    };
    let running = Arc::new(running);
    let joined = Arc::clone(&running);
    let bssid: BssidNow = Arc::new(move || Some(joined.bssid()));
    let there = At {
        origin: origin(&at)?,
        login: &login,
        bssid,
        footing: None,
        open: None,
    };
    let (session, profile) = at_origin(context, there, profiles, &limits).await?;
    Ok(Target {
        session,
        profile,
        limits,
        speed: PRACTICE_SPEED,
        simulated: true,
        wifi: None,
        hands: None,
        practice: Some(running),
    })
}

#[cfg(not(feature = "practice"))]
#[expect(
    clippy::unused_async,
    reason = "the same shape as with practice receivers"
)]
async fn practice(
    _context: &Context,
    _condition: &str,
    _profiles: &[Arc<Profile>],
    _limits: Limits,
    _login: LoginFrom,
) -> Result<Target, Failure> {
    Err(Failure::usage(
        "this build has no practice receivers",
        "build it with the feature `practice`",
    ))
}

/// How many times faster than the real thing a practice receiver restarts.
#[cfg(feature = "practice")]
pub(super) const PRACTICE_SPEED: f64 = 20.0;
