//! A shelf over its real sockets: each receiver by itself, who answers for whom, and what is told of
//! it beside the wire.

use std::{
    collections::{BTreeMap, BTreeSet},
    io::{Read, Write},
    net::{SocketAddr, TcpStream},
    time::Duration,
};

use mock_device::{
    Chaos, Family, Fault, RequestTruth, Scenario,
    shelf::{self, Condition, Conditions, Keys, Lent, Places, Shelf, ShelfOptions},
};
use serde_json::json;
use tokio::task::spawn_blocking;

/// A shelf without waits, whose restarts follow so soon that a test waits for nothing else.
fn options(count: usize) -> ShelfOptions {
    let mut options = ShelfOptions::new(Family::SampleForm, count);
    options.speed = None;
    options.pause = Duration::from_millis(1);
    options
}

/// The whole answer, or none where the connection was reset before a byte came.
async fn send(address: SocketAddr, request: String) -> Option<String> {
    let sent = spawn_blocking(move || {
        let mut stream = TcpStream::connect(address).ok()?;
        stream.write_all(request.as_bytes()).ok()?;
        let mut answer = Vec::new();
        // A reset after some bytes leaves those.
        let _ = stream.read_to_end(&mut answer);
        (!answer.is_empty()).then(|| String::from_utf8_lossy(&answer).into_owned())
    });
    sent.await.expect("it does not panic")
}

async fn page(address: SocketAddr) -> Option<String> {
    send(address, "GET / HTTP/1.1\r\nHost: x\r\n\r\n".to_owned()).await
}

/// Sends the form with the lock off, made from this page.
async fn unlock(address: SocketAddr, page: &str) -> Option<String> {
    let (_, form) = page.split_once("id=\"air\"").expect("the form");
    let (_, once) = form.split_once("name=\"once\" value=\"").expect("a token");
    let body = format!("once={}&follows=any&act=keep", &once[..16]);
    let head = "Content-Type: application/x-www-form-urlencoded";
    let length = body.len();
    let request = format!(
        "POST /keep-air HTTP/1.1\r\nHost: x\r\n{head}\r\nContent-Length: {length}\r\n\r\n{body}"
    );
    send(address, request).await
}

/// Reads until it is there.
async fn page_at_last(address: SocketAddr) -> String {
    loop {
        if let Some(page) = page(address).await {
            return page;
        }
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

/// Waits until this one has been started again.
async fn started_again(shelf: &Shelf, index: usize) {
    let is_back = || {
        let device = &shelf.truth_of(index).expect("there is one").devices[0];
        device.boots == 1 && device.up
    };
    while !is_back() {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

fn serial(row: &Lent) -> &str {
    row.serial.as_deref().expect("the family shows one")
}

fn lock(shelf: &Shelf, index: usize) -> serde_json::Value {
    let truth = shelf.truth_of(index).expect("there is one");
    truth.devices[0].settings["model-lock"].clone()
}

#[tokio::test(flavor = "multi_thread")]
async fn each_receiver_answers_at_its_own_address_and_is_changed_alone() {
    for places in [Places::Addresses(0), Places::Ports] {
        let mut options = options(5);
        options.places = places;
        let shelf = shelf::start(options).await.expect("it starts");
        let addresses: BTreeSet<SocketAddr> = shelf.lent().iter().map(|row| row.address).collect();
        assert_eq!(addresses.len(), 5);
        assert!(addresses.iter().all(|address| address.ip().is_loopback()));
        for (index, row) in shelf.lent().iter().enumerate() {
            let page = page(row.address).await.expect("it answers");
            assert!(
                page.contains(serial(row)) && page.contains(&row.label),
                "{page}"
            );
            let others = shelf.lent().iter().filter(|other| *other != row);
            assert!(
                others
                    .into_iter()
                    .all(|other| !page.contains(serial(other)))
            );
            assert_eq!(lock(&shelf, index), 7);
        }
        let third = shelf.lent()[2].address;
        let before = page_at_last(third).await;
        assert!(
            unlock(third, &before)
                .await
                .expect("an answer")
                .contains("Kept.")
        );
        started_again(&shelf, 2).await;
        let locks: Vec<_> = (0..5).map(|index| lock(&shelf, index)).collect();
        assert_eq!(json!(locks), json!([7, 7, "off", 7, 7]), "{places:?}");
        shelf.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_thousand_answer_each_for_itself() {
    let mut options = options(shelf::MOST);
    options.family = Family::SampleLogin;
    let shelf = shelf::start(options).await.expect("it starts");
    let rows = shelf.lent();
    assert_eq!(rows.len(), 10_000);
    let serials: BTreeSet<&str> = rows.iter().map(serial).collect();
    assert_eq!(serials.len(), 10_000);
    let some = [0, 253, 254, 5_000, 9_999];
    for index in some {
        let page = page(rows[index].address).await.expect("it answers");
        assert!(page.contains("Tarn mast receiver"), "{page}");
    }
    let asked = |index: &usize| shelf.truth_of(*index).expect("it is there").requests.len();
    let all: Vec<usize> = (0..rows.len()).filter(|index| asked(index) > 0).collect();
    assert_eq!(all, some);
}

#[tokio::test(flavor = "multi_thread")]
async fn one_seed_makes_one_shelf_and_no_two_keys_are_alike() {
    let make = async |seed| {
        let mut options = options(40);
        options.seed = seed;
        options.conditions = "locked:3,unbound:1".parse().expect("shares");
        shelf::start(options).await.expect("it starts")
    };
    let [one, same, other] = [make(3).await, make(3).await, make(4).await];
    let marks = |shelf: &Shelf| -> Vec<_> {
        let rows = shelf.lent().iter();
        rows.map(|row| (serial(row).to_owned(), row.bssid, row.condition))
            .collect()
    };
    assert_eq!(marks(&one), marks(&same));
    assert_ne!(marks(&one), marks(&other));
    let keys: BTreeSet<String> = (0..40)
        .map(|index| one.truth_of(index).expect("it is there").devices.remove(0))
        .filter(|device| !device.settings["bind-key"].is_null())
        .map(|device| device.settings["bind-key"].to_string())
        .collect();
    assert_eq!(keys.len(), 30, "a quarter is unbound");
}

#[tokio::test(flavor = "multi_thread")]
async fn address_of_nobody_and_one_without_power_are_turned_away() {
    let mut options = options(2);
    options.conditions = Conditions::all(Condition::Absent);
    let shelf = shelf::start(options).await.expect("it starts");
    let first = shelf.lent()[0].address;
    assert_eq!(page(first).await, None);
    let third = SocketAddr::from(([127, 1, 0, 3], first.port()));
    assert_eq!(page(third).await, None);
    assert!(shelf.power(0, true) && !shelf.power(2, true));
    assert!(page_at_last(first).await.contains(serial(&shelf.lent()[0])));
    assert!(shelf.power(0, false));
    assert_eq!(page(first).await, None);
}

#[tokio::test(flavor = "multi_thread")]
async fn stranger_has_marks_of_no_list() {
    let mut options = options(3);
    options.conditions = Conditions::all(Condition::Stranger);
    let shelf = shelf::start(options).await.expect("it starts");
    for (index, row) in shelf.lent().iter().enumerate() {
        let truth = shelf.truth_of(index).expect("it is there");
        let listed = shelf.lent().iter();
        assert_ne!(shelf.bssid(index), Some(row.bssid));
        let shown = truth.devices[0].serial.clone();
        assert!(listed.map(|row| &row.serial).all(|serial| *serial != shown));
        let page = page(row.address).await.expect("it answers");
        assert!(page.contains(&format!("No. {}<", shown.expect("it shows one"))));
    }
}

/// Requests that happened otherwise than they were sent.
fn astray(shelf: &Shelf) -> Vec<(usize, RequestTruth)> {
    let receivers = shelf.truth().receivers.into_iter().enumerate();
    let requests = receivers.flat_map(|(index, receiver)| {
        let requests = receiver.truth.requests.into_iter();
        requests.map(move |request| (index, request))
    });
    requests
        .filter(|(_, request)| request.sent_to.is_some())
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn neighbour_shows_its_own_serial_and_refuses_what_goes_astray() {
    let mut found = [0, 0];
    // Enough seeds for a reading and a save that go astray.
    for seed in 0..40 {
        let mut options = options(2);
        options.seed = seed;
        options.chaos = Some(Chaos {
            per_mille: 300,
            most: 6,
            only: vec![Fault::Neighbour, Fault::Drop],
        });
        let shelf = shelf::start(options).await.expect("it starts");
        let [first, second] = [&shelf.lent()[0], &shelf.lent()[1]];
        for _ in 0..4 {
            let Some(page) = page(first.address).await else {
                continue;
            };
            if page.contains(serial(first)) {
                unlock(first.address, &page).await;
            }
        }
        for (index, request) in astray(&shelf) {
            assert_eq!(
                (index, request.sent_to.as_deref()),
                (1, Some(&*first.label))
            );
            assert!(!request.carried_out, "{request:?}");
            found[usize::from(request.acts)] += 1;
        }
        let missed = shelf.truth_of(0).expect("it is there").requests;
        let missed = missed.iter().filter(|request| request.got_by.is_some());
        assert!(missed.into_iter().all(|request| {
            request.got_by.as_deref() == Some(&*second.label) && !request.carried_out
        }));
        assert_eq!(lock(&shelf, 1), 7, "nobody wrote to it");
        shelf.stop().await;
    }
    assert!(
        found[0] > 0 && found[1] > 0,
        "readings and saves: {found:?}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn chaos_follows_from_the_seed_and_from_the_requests_alone() {
    let run = async |seed, backwards: bool| {
        let mut options = options(4);
        options.family = Family::SampleScript;
        options.seed = seed;
        options.chaos = Some(Chaos {
            per_mille: 400,
            most: 3,
            only: vec![Fault::Neighbour, Fault::Drop, Fault::Cut, Fault::Trouble],
        });
        let shelf = shelf::start(options).await.expect("it starts");
        for _ in 0..6 {
            let mut rows: Vec<&Lent> = shelf.lent().iter().collect();
            if backwards {
                rows.reverse();
            }
            for row in rows {
                send(row.address, "GET /as-it-is HTTP/1.1\r\n\r\n".to_owned()).await;
            }
        }
        let receivers = shelf.truth().receivers.into_iter();
        let faults: BTreeMap<String, Vec<String>> = receivers
            .map(|receiver| {
                let faults = receiver.truth.faults.into_iter().map(|fault| fault.fault);
                (receiver.row.label, faults.collect())
            })
            .collect();
        shelf.stop().await;
        faults
    };
    let first = run(5, false).await;
    assert_eq!(first, run(5, true).await);
    assert_ne!(first, run(6, false).await);
    assert!(first.values().flatten().count() > 1, "{first:?}");
    assert!(
        first
            .values()
            .flatten()
            .all(|fault| !fault.starts_with("neighbour"))
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn files_name_each_receiver_as_its_sticker_does() {
    let mut options = options(30);
    options.keys = Keys::OfTheSchool;
    let shelf = shelf::start(options).await.expect("it starts");
    let toml = shelf.toml();
    assert!(toml.starts_with("format = 1\n") && toml.contains("family = \"sample-form\"\n"));
    assert_eq!(toml.matches("[[loaner]]").count(), 30);
    let csv = shelf.csv();
    let mut lines = csv.split("\r\n");
    assert_eq!(lines.next(), Some("label,serial,bssid,at,model-lock"));
    for (index, row) in shelf.lent().iter().enumerate() {
        let at = format!("http://{}", row.address);
        let bssid = row.bssid_text();
        let line = format!("{},{},{bssid},{at},{}", row.label, serial(row), index + 1);
        assert_eq!(lines.next(), Some(&*line));
        let entry = format!(
            "label = \"{}\"\nserial = \"{}\"\nat = \"{at}\"\nsettings = {{ model-lock = {} }}\n",
            row.label,
            serial(row),
            index + 1
        );
        assert!(toml.contains(&entry), "{entry} is not in {toml}");
    }
    assert_eq!((lines.next(), lines.next()), (Some(""), None));

    let mut options = self::options(2);
    options.family = Family::SampleScript;
    let shelf = shelf::start(options).await.expect("it starts");
    let toml = shelf.toml();
    assert!(toml.contains(&format!("bssid = \"{}\"", shelf.lent()[1].bssid_text())));
    assert!(!toml.contains("serial") && !toml.contains("settings"));
}

#[tokio::test(flavor = "multi_thread")]
async fn practice_shelf_has_twenty_four_birds_of_which_three_misbehave() {
    let shelf = shelf::practice(1, 10_000.0).await.expect("it starts");
    let rows = shelf.lent();
    let labels: BTreeSet<&str> = rows.iter().map(|row| row.label.as_str()).collect();
    assert_eq!(labels.len(), 24);
    let bad = [
        Condition::Is(Scenario::LockReturns),
        Condition::Absent,
        Condition::Stranger,
    ];
    let place = |wanted| rows.iter().position(|row| row.condition == wanted);
    let [returns, absent, stranger] = bad.map(|wanted| place(wanted).expect("there is one"));
    let count = rows.iter().filter(|row| bad.contains(&row.condition));
    assert_eq!(count.count(), 3);
    let wanted: BTreeSet<Option<u8>> = rows.iter().map(|row| row.slot).collect();
    assert_eq!(wanted.len(), 24, "no two are to have one slot");
    let truth = shelf.truth();
    let key = |index: usize| &truth.receivers[index].truth.devices[0].settings["bind-key"];
    assert!(
        (1..24).all(|index| key(index) == key(0)),
        "the school's own key"
    );

    let at = rows[returns].address;
    let before = page_at_last(at).await;
    assert!(
        unlock(at, &before)
            .await
            .expect("an answer")
            .contains("Kept.")
    );
    started_again(&shelf, returns).await;
    assert_eq!(lock(&shelf, returns), 7);
    assert_eq!(page(rows[absent].address).await, None);
    let shown = page(rows[stranger].address).await.expect("it answers");
    assert!(!shown.contains(&format!("No. {}<", serial(&rows[stranger]))));
}

#[tokio::test]
async fn shelf_that_cannot_be_is_refused_with_the_reason() {
    let refused = async |change: fn(&mut ShelfOptions), words: &str| {
        let mut options = options(3);
        change(&mut options);
        let fault = shelf::start(options).await.expect_err("it is refused");
        assert_eq!(fault.kind(), std::io::ErrorKind::InvalidInput);
        assert!(fault.to_string().contains(words), "{fault}");
    };
    refused(|options| options.count = 0, "1 to 10000").await;
    refused(|options| options.count = 10_001, "10001").await;
    refused(|options| options.speed = Some(0.0), "speed").await;
    refused(
        |options| {
            options.count = 41;
            options.keys = Keys::OfTheSchool;
        },
        "40 slots",
    )
    .await;
    refused(
        |options| options.conditions = "refused-login".parse().expect("a condition"),
        "`refused-login`",
    )
    .await;
    refused(
        |options| options.truth = Some(SocketAddr::from(([192, 0, 2, 1], 80))),
        "loopback",
    )
    .await;
}
