//! Which of this computer's adapters.

use crate::{
    cli::failure::Failure,
    wifi::{Adapter, AdapterName, AdapterState, Wifi, WifiError},
};

/// The adapter that was named, or else one that can be used: rather one that is connected to
/// nothing, so that the computer keeps its network.
pub(crate) async fn choose(wifi: &dyn Wifi, named: Option<&str>) -> Result<AdapterName, Failure> {
    Ok(chosen(wifi.name(), wifi.adapters().await?, named)?)
}

/// All that can be used, those that are connected to nothing first. Where there is none, the reason
/// of the first is told.
pub(crate) async fn usable_ones(wifi: &dyn Wifi) -> Result<Vec<AdapterName>, Failure> {
    let first = choose(wifi, None).await?;
    let mut all = wifi.adapters().await?;
    all.retain(|one| one.state == AdapterState::Ready && one.name != first);
    all.sort_by_key(|one| one.connected.is_some());
    let others = all.into_iter().map(|one| one.name);
    Ok(std::iter::once(first).chain(others).collect())
}

fn chosen(
    service: &'static str,
    adapters: Vec<Adapter>,
    named: Option<&str>,
) -> Result<AdapterName, WifiError> {
    if adapters.is_empty() {
        return Err(WifiError::NoAdapter { service });
    }
    if let Some(named) = named {
        let Some(adapter) = adapters.iter().find(|one| one.name.as_str() == named) else {
            return Err(WifiError::OtherAdapters {
                wanted: AdapterName::new(named),
                there: adapters.into_iter().map(|one| one.name).collect(),
            });
        };
        return usable(service, adapter);
    }
    let ready = |one: &&Adapter| one.state == AdapterState::Ready;
    let free = adapters
        .iter()
        .filter(ready)
        .find(|one| one.connected.is_none());
    let any = free.or_else(|| adapters.iter().find(ready));
    match any.or_else(|| adapters.first()) {
        Some(adapter) => usable(service, adapter),
        None => Err(WifiError::NoAdapter { service }),
    }
}

fn usable(service: &'static str, adapter: &Adapter) -> Result<AdapterName, WifiError> {
    let name = adapter.name.clone();
    match adapter.state {
        AdapterState::Ready => Ok(name),
        AdapterState::SwitchedOff => Err(WifiError::SwitchedOff { adapter: name }),
        AdapterState::Blocked => Err(WifiError::Blocked { adapter: name }),
        AdapterState::Unmanaged => Err(WifiError::Unmanaged {
            adapter: name,
            service,
        }),
        AdapterState::Unavailable => Err(WifiError::Unavailable {
            adapter: name,
            why: format!("{service} says that it is not available"),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adapter(name: &str, state: AdapterState, connected: Option<&str>) -> Adapter {
        Adapter {
            name: AdapterName::new(name),
            mac: None,
            state,
            connected: connected.map(Into::into),
        }
    }

    fn code(adapters: Vec<Adapter>, named: Option<&str>) -> Result<String, &'static str> {
        chosen("made-up air", adapters, named)
            .map(|name| name.to_string())
            .map_err(|error| error.code())
    }

    #[test]
    fn free_one_comes_first_and_one_that_is_named_is_the_one() {
        use AdapterState::{Ready, Unmanaged};
        let two = || {
            vec![
                adapter("wlan0", Ready, Some("Boathouse")),
                adapter("wlan1", Ready, None),
            ]
        };
        assert_eq!(code(two(), None).as_deref(), Ok("wlan1"));
        assert_eq!(code(two(), Some("wlan0")).as_deref(), Ok("wlan0"));
        assert_eq!(code(two(), Some("wlan7")), Err("unknown-adapter"));
        let busy = vec![
            adapter("wlan0", Unmanaged, None),
            adapter("wlan1", Ready, Some("Boathouse")),
        ];
        assert_eq!(code(busy, None).as_deref(), Ok("wlan1"));
    }

    #[test]
    fn where_none_can_be_used_the_reason_of_the_first_is_told() {
        let one = |state| code(vec![adapter("wlan0", state, None)], None);
        assert_eq!(code(Vec::new(), None), Err("no-adapter"));
        assert_eq!(one(AdapterState::SwitchedOff), Err("wifi-off"));
        assert_eq!(one(AdapterState::Blocked), Err("adapter-blocked"));
        assert_eq!(one(AdapterState::Unmanaged), Err("adapter-unmanaged"));
        assert_eq!(one(AdapterState::Unavailable), Err("adapter-unavailable"));
    }
}
