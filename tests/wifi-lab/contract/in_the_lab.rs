//! The contract of `Wifi` over the real `NetworkManager`, inside the lab's machine.
//!
//! Speaks lines of JSON with the harness: what it asks of the air goes out on stdout, the answer
//! comes in on stdin, one line each.
//!
//! ```text
//! out {"ask":"open","name":"TarnBoat 07","passphrase":"…"|null,"hidden":false,"gives-addresses":true,"channel":6}
//! in  {"bssid":"02:00:00:00:02:00"}
//! out {"ask":"close","bssid":"02:00:00:00:02:00"}          in  {}
//! out {"ask":"scans"}                                      in  {}
//! out {"ask":"guests","bssid":"02:00:00:00:02:00"}         in  {"guests":1}
//! out {"ask":"saved"}                                      in  {"saved":["…"]}
//! out {"ask":"is-home"}                                    in  {"home":true}
//! in, to any of these                                          {"broke":"why"}
//! out {"contract":"NAME","verdict":"holds"|"fails"|"broke","why":"…"|null}
//! out {"over":true}
//! ```
//!
//! Arguments: the adapter, then the contracts alone that are to be run; or `--names`, which prints
//! the names of all.

mod contracts;

use std::{
    io::{BufRead, Write, stdin, stdout},
    process::ExitCode,
};

use async_trait::async_trait;
use contracts::{AirControl, Fault, NAMES, Net};
use linkmend::{
    change::{clock::SystemClock, ports::Clock},
    terms::Mac,
    wifi::{AdapterName, NetworkManager},
};
use serde_json::{Value, json};

/// The lab's air, behind the harness.
struct Harness {
    adapter: AdapterName,
    clock: SystemClock,
}

impl Harness {
    /// One line out, one line in.
    fn ask(question: &Value) -> Result<Value, String> {
        say(question)?;
        let mut line = String::new();
        let read = stdin().lock().read_line(&mut line);
        if read.map_err(|error| error.to_string())? == 0 {
            return Err("the harness has gone".into());
        }
        let answer: Value = serde_json::from_str(&line).map_err(|error| error.to_string())?;
        match answer.get("broke") {
            Some(why) => Err(why.to_string()),
            None => Ok(answer),
        }
    }
}

fn say(line: &Value) -> Result<(), String> {
    let mut out = stdout().lock();
    writeln!(out, "{line}")
        .and_then(|()| out.flush())
        .map_err(|error| error.to_string())
}

fn lacks(what: &str) -> String {
    format!("the harness's answer has no `{what}`")
}

#[async_trait]
impl AirControl for Harness {
    fn adapter(&self) -> AdapterName {
        self.adapter.clone()
    }

    fn now_s(&self) -> f64 {
        self.clock.now().seconds
    }

    async fn open(&mut self, net: &Net) -> Result<Mac, String> {
        let answer = Self::ask(&json!({
            "ask": "open",
            "name": net.name,
            "passphrase": net.passphrase,
            "hidden": net.hidden,
            "gives-addresses": net.gives_addresses,
            "channel": net.channel,
        }))?;
        let bssid = answer["bssid"].as_str().ok_or_else(|| lacks("bssid"))?;
        bssid.parse().map_err(|_| lacks("bssid"))
    }

    async fn close(&mut self, bssid: Mac) -> Result<(), String> {
        Self::ask(&json!({"ask": "close", "bssid": bssid.to_string()})).map(drop)
    }

    async fn scans(&mut self) -> Result<(), String> {
        Self::ask(&json!({"ask": "scans"})).map(drop)
    }

    async fn guests(&mut self, bssid: Mac) -> Result<usize, String> {
        let answer = Self::ask(&json!({"ask": "guests", "bssid": bssid.to_string()}))?;
        let guests = answer["guests"].as_u64().ok_or_else(|| lacks("guests"))?;
        usize::try_from(guests).map_err(|_| lacks("guests"))
    }

    async fn saved(&mut self) -> Result<Vec<String>, String> {
        let answer = Self::ask(&json!({"ask": "saved"}))?;
        let saved = answer["saved"].as_array().ok_or_else(|| lacks("saved"))?;
        Ok(saved.iter().map(ToString::to_string).collect())
    }

    async fn is_home(&mut self) -> Result<bool, String> {
        let answer = Self::ask(&json!({"ask": "is-home"}))?;
        answer["home"].as_bool().ok_or_else(|| lacks("home"))
    }
}

#[tokio::main]
async fn main() -> ExitCode {
    let mut words = std::env::args().skip(1).peekable();
    if words.peek().is_some_and(|word| word == "--names") {
        let told = writeln!(stdout(), "{}", NAMES.join("\n"));
        return ExitCode::from(u8::from(told.is_err()));
    }
    let adapter = AdapterName::new(words.next().unwrap_or_else(|| "wlan0".into()));
    let wanted: Vec<String> = words.collect();
    let mut harness = Harness {
        adapter,
        clock: SystemClock::new(),
    };
    let mut all_hold = true;
    for name in NAMES {
        if !wanted.is_empty() && !wanted.iter().any(|wanted| wanted == name) {
            continue;
        }
        let outcome = match NetworkManager::connect().await {
            Ok(wifi) => contracts::run(name, &wifi, &mut harness).await,
            Err(error) => Err(error.into()),
        };
        let (verdict, why) = match outcome {
            Ok(()) => ("holds", None),
            Err(Fault::Fails(why)) => ("fails", Some(why)),
            Err(Fault::Broke(why)) => ("broke", Some(why)),
        };
        all_hold &= verdict == "holds";
        if say(&json!({"contract": name, "verdict": verdict, "why": why})).is_err() {
            return ExitCode::FAILURE;
        }
    }
    match say(&json!({"over": true})) {
        Ok(()) if all_hold => ExitCode::SUCCESS,
        _ => ExitCode::FAILURE,
    }
}
