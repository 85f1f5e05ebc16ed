//! Large pages, beside Python with lxml: read, and made into the bytes of a form.

use std::{fmt::Write as _, fs};

use crate::{
    device::Device,
    process::{Run, linkmend, median, run, workshop},
    python::Python,
    table,
};

/// Settings on the large page.
const SETTINGS: usize = 30;
/// Controls of the large form.
const CONTROLS: usize = 500;
/// Bytes of the large page, at least.
const PAGE_BYTES: usize = 200 * 1024;

/// Reading 30 settings from a page of 200 KiB.
pub(crate) fn reading(runs: usize) {
    table::title(
        "Read a large page",
        &format!(
            "{SETTINGS} settings from a page of {} KiB, from a server on this computer. `linkmend \
             read --json` with a profile in a file, and its record kept; Python with urllib and \
             lxml, {SETTINGS} XPath queries. Median of {runs} cold processes each, in turn.",
            PAGE_BYTES / 1024
        ),
    );
    let folder = workshop("page");
    let page = folder.join("large.html");
    fs::write(&page, large_page()).expect("written");
    let profile = folder.join("large.toml");
    fs::write(&profile, large_profile()).expect("written");
    let data = tempfile::tempdir_in(&folder).expect("a folder on disk");
    let server = Device::page(&page);
    let python = Python::with(&["lxml"]);
    let [mut ours, mut snake] = [Vec::new(), Vec::new()];
    for _ in 0..runs {
        let read = run(linkmend()
            .args(["read", "--json", "--trust-address", "--at", &server.at])
            .arg("--profile")
            .arg(&profile)
            .arg("--data-dir")
            .arg(data.path()));
        holds_all(&read);
        ours.push(read);
        if let Some(python) = &python {
            let read = run(python
                .script("read.py")
                .args([&server.at, &SETTINGS.to_string()]));
            holds_all(&read);
            snake.push(read);
        }
    }
    server.end();
    compare(&ours, &snake);
}

fn holds_all(run: &Run) {
    let said = String::from_utf8_lossy(&run.stdout);
    let last = format!("value of {}", SETTINGS - 1);
    assert!(said.contains(&last), "{said}");
}

/// Prints ours beside Python's.
fn compare(ours: &[Run], snake: &[Run]) {
    let wall = |runs: &[Run]| median(runs.iter().map(|run| run.wall));
    let peak = |runs: &[Run]| median(runs.iter().map(|run| run.peak_kib));
    table::head(&["", "wall", "peak memory"]);
    for (name, runs) in [("linkmend", ours), ("Python with lxml", snake)] {
        if !runs.is_empty() {
            table::row(&[
                name.to_owned(),
                table::ms(wall(runs)),
                table::mib(peak(runs)),
            ]);
        }
    }
    if !snake.is_empty() {
        let faster = table::times(wall(snake), wall(ours));
        table::targets(&[(
            "faster than Python with lxml (our own target)",
            format!("{faster:.1} ×"),
            faster > 1.0,
        )]);
    }
}

/// A page whose settings stand between many rows that nobody asks for.
fn large_page() -> String {
    let mut page = String::from(
        "<!DOCTYPE html><html><head><title>Tarn bench receiver</title></head><body>\
         <h1>Tarn bench receiver</h1>\n<form id=\"all\" action=\"/all\" method=\"post\"><table>\n",
    );
    let rows = PAGE_BYTES / SETTINGS;
    for number in 0..SETTINGS {
        let _ = writeln!(
            page,
            "<tr><th>Setting {number}</th><td><input type=\"text\" name=\"s{number}\" \
             value=\"value of {number}\"></td></tr>"
        );
        let enough = page.len() + rows - 100;
        while page.len() < enough {
            page.push_str(
                "<tr class=\"chart\"><td>Depth</td><td><b>3.2 m</b> &amp; falling</td>\
                 <td title=\"sounding\">reed, sand</td></tr>\n",
            );
        }
    }
    while page.len() < PAGE_BYTES {
        page.push_str("<tr><td>&nbsp;</td></tr>\n");
    }
    page.push_str("</table></form></body></html>");
    page
}

fn large_profile() -> String {
    let mut profile = String::from(
        "format = 1\nfamily = \"bench\"\ntitle = \"Tarn bench receiver\"\nrole = \"receiver\"\n\
         system = \"tarn\"\nidentity = { bssid = \"stable\" }\n\
         recognise = [{ request = \"page\", css = \"title\", text = \"Tarn bench receiver\" }]\n\
         [request.page]\nget = \"/\"\nas = \"html\"\nends = \"</html>\"\n[place]\n",
    );
    for number in 0..SETTINGS {
        let _ = writeln!(
            profile,
            "p{number} = {{ request = \"page\", control = \"s{number}\", form = \"#all\" }}"
        );
    }
    for number in 0..SETTINGS {
        let _ = write!(
            profile,
            "[setting.s{number}]\nlabel = \"Setting {number}\"\ntext = {{ to = 40 }}\n\
             at = {{ p{number} = {{ text = \"{{}}\" }} }}\n"
        );
    }
    profile
}

/// The bytes of a form of 500 controls.
pub(crate) fn filling(runs: usize) {
    table::title(
        "Form to bytes",
        &format!(
            "A page in a file, with a form of {CONTROLS} controls, to the body that it would be sent \
             as. linkmend's page reader in a program that does nothing else; Python with lxml and \
             its `form_values`. Both print the same {CONTROLS} pairs. Median of {runs} cold processes \
             each, in turn."
        ),
    );
    let file = workshop("page").join("form.html");
    fs::write(&file, form_of_many()).expect("written");
    let python = Python::with(&["lxml"]);
    let [mut ours, mut snake] = [Vec::new(), Vec::new()];
    for _ in 0..runs {
        ours.push(run(&mut Device::form_bytes(&file)));
        if let Some(python) = &python {
            snake.push(run(python.script("form.py").arg(&file)));
        }
    }
    for run in ours.iter().chain(&snake) {
        let body = String::from_utf8_lossy(&run.stdout);
        let pairs = body.trim().split('&').count();
        assert_eq!(
            (pairs, run.stdout.len()),
            (CONTROLS, ours[0].stdout.len()),
            "{body}"
        );
    }
    compare(&ours, &snake);
}

/// Text boxes, ticked boxes and choices in turn, all of which are sent.
fn form_of_many() -> String {
    let mut page = String::from(
        "<!DOCTYPE html><html><head><title>Tarn bench receiver</title></head><body>\n\
         <form action=\"/all\" method=\"post\">\n",
    );
    for number in 0..CONTROLS {
        let _ = match number % 3 {
            0 => writeln!(
                page,
                "<p><label>Reed {number} <input name=\"c{number}\" value=\"a b&amp;c {number}\"></label>"
            ),
            1 => writeln!(
                page,
                "<p><label>Sedge <input type=\"checkbox\" name=\"c{number}\" value=\"1\" checked></label>"
            ),
            _ => writeln!(
                page,
                "<p><select name=\"c{number}\"><option value=\"1\">one</option>\
                 <option value=\"2\" selected>two</option></select>"
            ),
        };
    }
    page.push_str("</form></body></html>");
    page
}
