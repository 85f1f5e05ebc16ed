//! Secrets stay: not in a log, whatever the level, not in what `ps` shows, not in a core dump.

use std::fs;

use mock_device::{Family, Scenario};

use crate::{
    claims::{keep, secrets},
    harness::{Bench, side_by_side, until},
};

/// What people set when they want to see everything.
const EVERYTHING: [&str; 2] = [
    "trace",
    "linkmend=trace,hyper=trace,hyper_util=trace,reqwest=trace,rusqlite=trace,mio=trace,tokio=trace",
];

/// What a header is logged as, whatever the case.
const HEADERS: [&str; 4] = ["cookie", "authorization", "www-authenticate", "nonce"];

#[test]
fn whatever_rust_log_says_no_secret_and_no_header_is_in_a_log() {
    let cases: Vec<(Family, &str)> = Family::ALL
        .into_iter()
        .flat_map(|family| EVERYTHING.map(|level| (family, level)))
        .collect();
    side_by_side(&cases, |(family, level)| {
        let bench = Bench::new(*family, Scenario::Locked);
        for words in [
            &["read", "--verbose"][..],
            &["unlock", "--yes"],
            &["restore", "1", "--yes", "--verbose"],
        ] {
            let said = bench.linkmend(words).env("RUST_LOG", level).run().ends(0);
            let log = said.stderr.to_lowercase();
            assert!(
                log.contains("linkmend::session::http"),
                "{family} {level}:\n{log}"
            );
            for header in HEADERS {
                assert!(
                    !log.contains(header),
                    "{family} {level}: {header} in\n{log}"
                );
            }
            for line in said.stderr.lines().filter(|line| line.contains("TRACE")) {
                assert!(line.contains(" linkmend::"), "{line}");
            }
        }
    });
}

#[test]
fn verbose_tells_times_that_a_person_can_read() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let said = bench.linkmend(&["read", "--verbose"]).run().ends(0);
    let line = said
        .stderr
        .lines()
        .find(|line| line.contains("GET /"))
        .unwrap_or_else(|| panic!("no request in\n{}", said.stderr));
    let (seconds, _) = line.trim_start().split_once(" s ").expect("seconds");
    let (whole, thousandths) = seconds.split_once('.').expect("a point");
    assert!(whole.parse::<u32>().is_ok(), "{line}");
    assert_eq!(thousandths.len(), 3, "{line}");
    assert!(line.contains("status=200"), "{line}");
    assert!(line.chars().count() <= 100, "{line}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_running_unlock_shows_no_secret_to_ps_and_would_dump_no_core() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let running = bench.linkmend(&["unlock", "--yes"]).start();
    until("it has read and saved", || bench.present().saves == 1);
    let proc = format!("/proc/{}", running.id());
    let secrets = secrets(&bench.present());
    for name in ["cmdline", "environ", "comm"] {
        // Not readable is as good, and so it is for anybody but root.
        if let Ok(bytes) = fs::read(format!("{proc}/{name}")) {
            assert!(name == "environ" || !bytes.is_empty());
            keep(&secrets, &String::from_utf8_lossy(&bytes));
        }
    }
    let limits = fs::read_to_string(format!("{proc}/limits")).expect("anybody may read it");
    let core = limits
        .lines()
        .find(|line| line.starts_with("Max core file size"));
    let core: Vec<&str> = core.expect("a line").split_whitespace().collect();
    assert_eq!(core[4..6], ["0", "0"], "soft and hard");
    let _ = running.ended().ends(0);
}
