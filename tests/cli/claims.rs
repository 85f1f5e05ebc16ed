//! Whether what the program claims is true: its words against the true state, and its output
//! against the secrets of the device.

use mock_device::{DeviceTruth, Truth};
use serde_json::{Map, Value as Json};

/// Settings with one of them changed.
pub(crate) fn but(settings: &Map<String, Json>, name: &str, value: Json) -> Map<String, Json> {
    let mut settings = settings.clone();
    settings.insert(name.to_owned(), value);
    settings
}

/// Asserts that what the JSON of a change claims is true of the devices.
#[track_caller]
pub(crate) fn are_true(object: &Json, before: &Truth, after: &Truth) {
    let Some(serial) = object.pointer("/device/identity/serial") else {
        // Nobody was read, so nobody is written.
        assert!(object["error"]["code"].is_string(), "{object}");
        for index in 0..before.devices.len() {
            is_untouched(before, after, index);
        }
        return;
    };
    // A family without a serial: the one that was there when it began.
    let claimed = match serial.as_str() {
        Some(serial) => before
            .devices
            .iter()
            .position(|device| device.serial.as_deref() == Some(serial))
            .expect("a device of that serial"),
        None => 0,
    };
    for index in (0..before.devices.len()).filter(|index| *index != claimed) {
        is_untouched(before, after, index);
    }
    let (was, is) = (&before.devices[claimed], &after.devices[claimed]);
    let outcome = object["outcome"].as_str().expect("an outcome");
    let changes = object["changes"].as_array().expect("changes");
    let mut expected = was.settings.clone();
    for change in changes {
        let name = change["setting"].as_str().expect("a name");
        let real = &is.settings[name];
        if change["before"]["state"] == "known" {
            assert_eq!(change["before"]["value"], was.settings[name], "{name}");
        }
        // Of a secret there is no value, only whether there is one; tests that change secrets
        // compare the whole state besides.
        let holds = match change["after"]["state"].as_str() {
            Some("secret") => !real.is_null(),
            Some("absent") => real.is_null(),
            _ => change["after"]["value"] == *real,
        };
        match change["proof"].as_str().expect("a proof") {
            "after-restart" => assert!(holds && is.boots > was.boots, "{object}\n{is:?}"),
            "read-back" => assert!(holds, "{object}\n{is:?}"),
            _ => assert_ne!(outcome, "done", "{object}"),
        }
        if change["why"] == "not written" {
            assert_eq!(is.saves, was.saves, "{object}");
        }
        expected.insert(name.to_owned(), is.settings[name].clone());
    }
    match outcome {
        "done" => {
            assert!(is.boots > was.boots && is.saves > was.saves, "{is:?}");
            assert_eq!(is.settings, expected, "nothing else moved");
            assert_eq!(is.unmapped, was.unmapped);
        }
        "put-back" => {
            assert_eq!(is.settings, was.settings);
            assert_eq!(is.unmapped, was.unmapped);
        }
        "unproved" => assert!(is.saves > was.saves, "{is:?}"),
        _ => is_untouched(before, after, claimed),
    }
}

/// Asserts that a device was never written to, nor asked to restart.
#[track_caller]
pub(crate) fn is_untouched(before: &Truth, after: &Truth, index: usize) {
    let (was, is) = (&before.devices[index], &after.devices[index]);
    assert_eq!(is.settings, was.settings);
    assert_eq!(is.unmapped, was.unmapped);
    assert_eq!(
        (is.saves, is.boots, is.refused),
        (was.saves, was.boots, was.refused)
    );
    let known = before.requests.last().map_or(0, |request| request.number);
    let acting = after
        .requests
        .iter()
        .filter(|request| request.number > known && request.device == index)
        .find(|request| request.acts);
    assert_eq!(acting, None);
}

/// The secrets of a device in every way in which a family, a log or a person writes them.
pub(crate) fn secrets(device: &DeviceTruth) -> Vec<String> {
    let mut secrets = Vec::new();
    if let Some(key) = device.settings["bind-key"].as_str() {
        let bytes = hex::decode(key).expect("hexadecimal");
        for separator in ["", ":", " ", "-"] {
            let pairs: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
            secrets.push(pairs.join(separator));
            secrets.push(pairs.join(separator).to_uppercase());
        }
        secrets.extend(coded(&bytes));
        for separator in ["%3a", "%3A"] {
            let pairs: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
            secrets.push(pairs.join(separator));
        }
        for separator in [",", ", "] {
            let numbers: Vec<String> = bytes.iter().map(ToString::to_string).collect();
            secrets.push(numbers.join(separator));
        }
    }
    for name in ["local-passphrase", "local-network"] {
        if let Some(text) = device.settings[name].as_str() {
            secrets.push(text.to_owned());
            secrets.push(form_urlencoded::byte_serialize(text.as_bytes()).collect());
            secrets.push(text.replace('&', "&amp;").replace('<', "&lt;"));
            secrets.extend(coded(text.as_bytes()));
        }
    }
    secrets
}

/// Bytes as programs write what is not to be read at a glance: RFC 4648, sections 4, 5 and 8, and
/// RFC 3986, section 2.1, for every byte.
pub(crate) fn coded(bytes: &[u8]) -> Vec<String> {
    use base64::prelude::{BASE64_STANDARD_NO_PAD, BASE64_URL_SAFE_NO_PAD, Engine};
    let percent: Vec<String> = bytes.iter().map(|byte| format!("%{byte:02X}")).collect();
    vec![
        BASE64_STANDARD_NO_PAD.encode(bytes),
        BASE64_URL_SAFE_NO_PAD.encode(bytes),
        hex::encode(bytes),
        percent.concat(),
    ]
}

/// Asserts that none of these is in a text.
#[track_caller]
pub(crate) fn keep(secrets: &[String], text: &str) {
    for secret in secrets {
        assert!(!text.contains(secret.as_str()), "`{secret}` is in:\n{text}");
    }
}
