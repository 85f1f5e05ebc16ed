//! The same requests by bare sockets: what the device itself takes for them, whoever asks.

use std::{
    io::{Read, Write},
    net::{Shutdown, TcpStream},
    time::{Duration, Instant},
};

/// Sends one request and gives the answer, with the time from before the connection until the
/// device has closed it.
pub(crate) fn exchange(at: &str, method: &str, path: &str, body: &str) -> (String, Duration) {
    let host = at.trim_start_matches("http://");
    let kind = if body.is_empty() {
        String::new()
    } else {
        format!(
            "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
            body.len()
        )
    };
    let request = format!(
        "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{kind}\r\n{body}"
    );
    let start = Instant::now();
    let mut stream = TcpStream::connect(host).expect("it is there");
    stream.write_all(request.as_bytes()).expect("sent");
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).expect("answered");
    let took = start.elapsed();
    let _ = stream.shutdown(Shutdown::Both);
    (String::from_utf8_lossy(&answer).into_owned(), took)
}

/// The body that a browser would send for the form `#air` of the page, with the lock off. Written
/// for the page of FAMILIES.md alone: the rivals that are measured find it out for themselves.
pub(crate) fn unlocking(page: &str) -> String {
    let form = page.split("id=\"air\"").nth(1).expect("the form");
    let form = form.split("</form>").next().expect("its end");
    let value = |name: &str| {
        let control = form.split(&format!("name=\"{name}\"")).nth(1);
        let control = control.unwrap_or_else(|| panic!("no `{name}` in {form}"));
        let control = control.split('>').next().unwrap_or_default();
        let value = control.split("value=\"").nth(1).unwrap_or_default();
        value.split('"').next().unwrap_or_default().to_owned()
    };
    let chosen = |name: &str| {
        let select = form.split(&format!("name=\"{name}\"")).nth(1).expect("it");
        let option = select.split(" selected").next().unwrap_or_default();
        let option = option.rsplit("value=\"").next().unwrap_or_default();
        option.split('"').next().unwrap_or_default().to_owned()
    };
    let encode = |text: String| text.replace(':', "%3A").replace(' ', "+");
    format!(
        "once={}&called={}&follows=any&held_to={}&kinship={}&wave={}&zone={}&strength={}&act=keep",
        value("once"),
        encode(value("called")),
        value("held_to"),
        encode(value("kinship")),
        chosen("wave"),
        chosen("zone"),
        chosen("strength")
    )
}
