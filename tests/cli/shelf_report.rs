//! `linkmend loaners report`: the last run or another one, as a page or as a table, and never over what
//! is no report.

use std::{fs, os::unix::fs::PermissionsExt};

use crate::{
    harness::Call,
    shelf::{Loaners, pages},
};

#[test]
fn report_is_of_the_last_run_or_of_the_one_that_is_named() {
    let shelf = Loaners::new(2, "locked");
    shelf.command("check", &[]).run().ends(4);
    shelf.reset(&[]).run().ends(0);
    let report = |name: &str, more: &[&str]| {
        let word = shelf.word(name);
        let said = shelf
            .off_shelf(&["loaners", "report", &word])
            .words(more)
            .run()
            .ends(0);
        (said, fs::read_to_string(shelf.path(name)).expect("written"))
    };
    let (said, page) = report("tarn.html", &[]);
    assert!(said.stdout.contains("run 2"), "{}", said.stdout);
    assert!(page.contains("Reset: The Tarn Sailing School") && page.contains("<svg"));
    let (_, list) = report("tarn.csv", &["--run", "1"]);
    assert!(list.starts_with("\u{feff}label,result,"), "{list}");
    assert_eq!(list.matches("\"differs\"").count(), 2, "{list}");
    // The page that the run itself left says the same.
    let kept = pages(&shelf.data());
    assert_eq!(kept.len(), 2);
    assert_eq!(fs::read_to_string(&kept[1]).expect("there"), page);
    for path in kept.iter().chain([&shelf.path("tarn.html")]) {
        let mode = fs::metadata(path).expect("there").permissions().mode();
        assert_eq!(mode & 0o077, 0, "{}", path.display());
    }
    // An older report gives way to a newer one, and keeps the rights that somebody gave it.
    let open = fs::Permissions::from_mode(0o644);
    fs::set_permissions(shelf.path("tarn.html"), open).expect("ours");
    let (_, page) = report("tarn.html", &["--run", "1"]);
    assert!(page.contains("Check: The Tarn Sailing School"));
    let mode = fs::metadata(shelf.path("tarn.html"))
        .expect("there")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o644);
}

#[test]
fn nothing_but_a_report_is_written_over() {
    let shelf = Loaners::new(1, "locked");
    shelf.command("check", &[]).run().ends(4);
    let rows = "label,serial\r\nHeron,TD-0042\r\n";
    shelf.write("rows.csv", rows);
    shelf.write("club.html", "<title>Tarn Sailing School</title>");
    fs::write(shelf.path("binary.csv"), [0xff, 0xfe]).expect("written");
    for name in ["rows.csv", "club.html", "binary.csv"] {
        let before = fs::read(shelf.path(name)).expect("there");
        shelf
            .off_shelf(&["loaners", "report", &shelf.word(name)])
            .run()
            .ends(6)
            .says("is there already, and is no report")
            .complains_once();
        assert_eq!(fs::read(shelf.path(name)).expect("there"), before);
    }
}

#[test]
fn report_that_cannot_be_made_is_one_clear_message() {
    let shelf = Loaners::new(1, "locked");
    let report = |name: &str, more: &[&str]| {
        let word = shelf.word(name);
        shelf
            .off_shelf(&["loaners", "report", &word])
            .words(more)
            .run()
    };
    report("tarn.html", &[])
        .ends(1)
        .says("no run over a shelf has come to its end")
        .complains_once();
    shelf.command("check", &[]).run().ends(4);
    report("tarn.html", &["--run", "7"])
        .ends(2)
        .says("no report of a run 7")
        .complains_once();
    for name in ["tarn.pdf", "tarn", "tarn.html.gz"] {
        report(name, &[])
            .ends(2)
            .says("ends neither in .html nor in .csv")
            .complains_once();
    }
    report("none/tarn.html", &[])
        .ends(1)
        .says("could not be written")
        .complains_once();
    report("tarn.html", &["--practiced"]).ends(1);
    let left: Vec<_> = ["tarn.html", "tarn.pdf", "tarn"]
        .map(|name| shelf.path(name).exists())
        .into();
    assert_eq!(left, [false; 3]);
    let nobody = Call::new(&["loaners", "report"]).run().ends(2);
    assert!(nobody.stderr.contains("<FILE>"), "{}", nobody.stderr);
}
