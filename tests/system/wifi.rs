//! The host's Wi-Fi as a program that is told what to do by lines of JSON, one answer a line. It is
//! for the checks beside it, which watch from outside what becomes of it.
//!
//! ```text
//! {"do":"adapters"}
//! {"do":"host"}
//! {"do":"scan","adapter":"wlan0","hidden":["TarnBoat"]}
//! {"do":"air","adapter":"wlan0"}                  what is in range, and watch it from now on
//! {"do":"air-changes","adapter":"wlan0"}          wait for its next change
//! {"do":"whereabouts","adapter":"wlan0"}
//! {"do":"join","adapter":"wlan0","bssid":"02:00:00:00:02:00","name":"TarnBoat","wpa2":"word",
//!  "own":"192.168.77.20/24","drop_ms":100}        without `own` by DHCP; `drop_ms`: given up then
//! {"do":"link","adapter":"wlan0"}                 how the link is
//! {"do":"link-changes","adapter":"wlan0"}
//! {"do":"go-home","home":{}}                      what `whereabouts` answered
//! ```

#[cfg(not(target_os = "linux"))]
fn main() {}

#[cfg(target_os = "linux")]
#[tokio::main]
async fn main() {
    linux::main().await;
}

#[cfg(target_os = "linux")]
mod linux {
    use std::{
        collections::HashMap,
        io::{BufRead, Write},
        time::{Duration, Instant},
    };

    use linkmend::{
        terms::Mac,
        wifi::{
            AccessPoint, AdapterName, Addressing, Home, Join, Joined, Key, Link, NetworkManager,
            NetworkName, Wifi, WifiError, host,
        },
    };
    use secrecy::SecretString;
    use serde_json::{Value, json};
    use tokio::{sync::watch, time};

    /// Longest wait for a change.
    const PATIENCE: Duration = Duration::from_mins(1);

    pub(super) async fn main() {
        let mut lines = std::io::stdin().lock().lines();
        let mut driver = match NetworkManager::connect().await {
            Ok(wifi) => Driver {
                wifi,
                airs: HashMap::new(),
                joined: HashMap::new(),
            },
            Err(error) => {
                say(&failed(&error));
                std::process::exit(1);
            }
        };
        say(&json!({"version": driver.wifi.version()}));
        while let Some(Ok(line)) = tokio::task::block_in_place(|| lines.next()) {
            let words: Value = serde_json::from_str(&line).expect("a line is JSON");
            let begun = Instant::now();
            let mut answer = match driver.carry_out(&words).await {
                Ok(answer) => json!({"ok": answer}),
                Err(error) => failed(&error),
            };
            answer["ms"] = json!(begun.elapsed().as_millis());
            say(&answer);
        }
    }

    fn say(answer: &Value) {
        let mut stdout = std::io::stdout().lock();
        writeln!(stdout, "{answer}").expect("stdout is open");
        stdout.flush().expect("stdout is open");
    }

    fn failed(error: &WifiError) -> Value {
        json!({"error": error.code(), "text": error.to_string(), "help": error.help()})
    }

    struct Driver {
        wifi: NetworkManager,
        airs: HashMap<String, watch::Receiver<Vec<AccessPoint>>>,
        joined: HashMap<String, Joined>,
    }

    impl Driver {
        async fn carry_out(&mut self, words: &Value) -> Result<Value, WifiError> {
            let text = |name: &str| words[name].as_str().unwrap_or_default().to_owned();
            let name = text("adapter");
            let adapter = AdapterName::new(name.clone());
            match text("do").as_str() {
                "adapters" => {
                    let all = self.wifi.adapters().await?;
                    let all = all.into_iter().map(|it| {
                        json!({
                            "name": it.name,
                            "mac": it.mac.map(|mac| mac.to_string()),
                            "state": format!("{:?}", it.state),
                            "connected": it.connected,
                        })
                    });
                    Ok(all.collect())
                }
                "scan" => {
                    let hidden: Vec<NetworkName> = words["hidden"]
                        .as_array()
                        .into_iter()
                        .flatten()
                        .filter_map(|name| name.as_str().map(NetworkName::from))
                        .collect();
                    Ok(points(&self.wifi.scan(&adapter, &hidden).await?))
                }
                "air" => {
                    let air = self.wifi.air(&adapter).await?;
                    let now = points(&air.borrow());
                    self.airs.insert(name, air);
                    Ok(now)
                }
                "air-changes" => {
                    let air = self.airs.get_mut(&name).expect("`air` before");
                    match time::timeout(PATIENCE, air.changed()).await {
                        Ok(Ok(())) => Ok(points(&air.borrow_and_update())),
                        Ok(Err(_)) => Ok(json!("ended")),
                        Err(_) => Ok(json!("no change")),
                    }
                }
                "host" => Ok(json!(host::examine().await)),
                "whereabouts" => Ok(json!(self.wifi.whereabouts(&adapter).await?)),
                "join" => {
                    let wish = self.wish(words, adapter).await?;
                    let join = self.wifi.join(&wish);
                    let joined = match words["drop_ms"].as_u64() {
                        Some(ms) => match time::timeout(Duration::from_millis(ms), join).await {
                            Ok(joined) => joined?,
                            Err(_) => return Ok(json!("dropped")),
                        },
                        None => join.await?,
                    };
                    let gateway = joined.gateway;
                    self.joined.insert(name, joined);
                    Ok(json!({"gateway": gateway}))
                }
                "link" => {
                    let link = self.joined[&name].link.as_ref().expect("it can tell");
                    Ok(shown(*link.borrow()))
                }
                "link-changes" => {
                    let joined = self.joined.get_mut(&name).expect("`join` before");
                    let link = joined.link.as_mut().expect("it can tell");
                    match time::timeout(PATIENCE, link.changed()).await {
                        Ok(Ok(())) => Ok(shown(*link.borrow_and_update())),
                        Ok(Err(_)) => Ok(json!("ended")),
                        Err(_) => Ok(json!("no change")),
                    }
                }
                "go-home" => {
                    let home: Home = serde_json::from_value(words["home"].clone()).expect("a home");
                    self.wifi.go_home(&home).await?;
                    Ok(json!(null))
                }
                other => panic!("there is no `{other}`"),
            }
        }

        async fn wish(&self, words: &Value, adapter: AdapterName) -> Result<Join, WifiError> {
            let bssid: Mac = words["bssid"]
                .as_str()
                .and_then(|text| text.parse().ok())
                .expect("a BSSID");
            let mut name = words["name"].as_str().map(NetworkName::from);
            let air = self.wifi.air(&adapter).await?;
            let known = air.borrow().iter().find(|it| it.bssid == bssid).cloned();
            let mut point = known.unwrap_or_else(|| AccessPoint {
                name: NetworkName::default(),
                bssid,
                signal: 0,
                frequency_mhz: words["frequency"]
                    .as_u64()
                    .and_then(|it| u32::try_from(it).ok())
                    .unwrap_or(2412),
                offers: linkmend::wifi::Offers::default(),
                heard_s: None,
            });
            if let Some(name) = name.take() {
                point.name = name;
            }
            let secret = |name: &str| words[name].as_str().map(SecretString::from);
            let key = match (secret("wpa2"), secret("wpa3")) {
                (Some(word), _) => Key::Wpa2(word),
                (_, Some(word)) => Key::Wpa3(word),
                _ => Key::Open,
            };
            let own = words["own"].as_str().and_then(|text| text.split_once('/'));
            let addressing = own.map_or(Addressing::Dhcp, |(own, prefix)| Addressing::Static {
                own: own.parse().expect("an address"),
                prefix: prefix.parse().expect("bits"),
            });
            Ok(Join {
                adapter,
                point,
                key,
                addressing,
            })
        }
    }

    fn points(all: &[AccessPoint]) -> Value {
        all.iter()
            .map(|it| {
                json!({
                    "name": it.name.to_string(),
                    "bssid": it.bssid.to_string(),
                    "signal": it.signal,
                    "channel": it.channel(),
                    "offers": it.offers.to_string(),
                    "heard_s": it.heard_s,
                })
            })
            .collect()
    }

    fn shown(link: Link) -> Value {
        match link {
            Link::Up(bssid) => json!(bssid.to_string()),
            Link::Down => json!("down"),
            Link::Silent => json!("silent"),
        }
    }
}
