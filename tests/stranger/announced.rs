//! Prints what announces itself on a local network, for the check beside it: a line of JSON for each
//! device as it comes, then one with all of them and with the family that answers at each.
//!
//! ```text
//! announced ADAPTER SECONDS          `-` for all adapters
//! ```

use std::{sync::Arc, time::Duration};

use linkmend::{
    find::{
        self,
        mdns::{Announced, browse},
    },
    profile::{Profile, built_in},
    session::Limits,
    wifi::AdapterName,
};
use serde_json::{Value, json};

#[tokio::main]
async fn main() {
    let mut words = std::env::args().skip(1);
    let adapter = words.next().expect("an adapter, or -");
    let adapter = (adapter != "-").then(|| AdapterName::new(adapter));
    let seconds = words.next().expect("so many seconds");
    let time = Duration::from_secs_f64(seconds.parse().expect("a number"));
    let profiles: Vec<Arc<Profile>> = built_in().into_iter().map(Arc::new).collect();
    let mut looking = match browse(adapter.as_ref(), &profiles, time) {
        Ok(looking) => looking,
        Err(error) => {
            println!(
                "{}",
                json!({"error": error.code(), "message": error.to_string()})
            );
            return;
        }
    };
    while let Some(device) = looking.next().await {
        println!("{}", json!({ "new": told(&device) }));
    }
    let mut all = Vec::new();
    for device in looking.close().await {
        let mut told = told(&device);
        told["answers"] = answers(&device, &profiles).await;
        all.push(told);
    }
    println!("{}", json!({ "all": all }));
}

fn told(device: &Announced) -> Value {
    let addresses = device.addresses.iter();
    let addresses: Vec<String> = addresses
        .map(|address| format!("{}%{}", address.ip, address.adapter))
        .collect();
    let families = device.families.iter();
    let families: Vec<&str> = families.map(|family| family.family.as_str()).collect();
    json!({
        "families": families,
        "name": device.name.to_string(),
        "serial": device.serial.as_ref().map(ToString::to_string),
        "bssid": device.bssid.map(|bssid| bssid.to_string()),
        "addresses": addresses,
        "port": device.port,
        "origin": device.origin().map(|origin| origin.to_string()),
    })
}

/// The family that shows itself where the device says it is; null: none does.
async fn answers(device: &Announced, profiles: &[Arc<Profile>]) -> Value {
    let limits = Limits {
        connect: Duration::from_millis(500),
        answer: Duration::from_secs(2),
        attempts: 1,
        ..Limits::default()
    };
    let Some(origin) = device.origin() else {
        return Value::Null;
    };
    match find::at(&origin, profiles, &limits).await {
        Ok(found) => json!(found[0].profile.family),
        Err(_) => Value::Null,
    }
}
