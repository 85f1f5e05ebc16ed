//! How long it takes to be there at all.

use std::process::Command;

use crate::{
    process::{linkmend, median, run},
    table,
};

/// `linkmend --version` beside `curl --version`.
pub(crate) fn beside_curl(runs: usize) {
    let runs = runs * 2;
    table::title(
        "Start",
        &format!("`--version`, median of {runs} runs each, in turn."),
    );
    let [mut ours, mut curl] = [Vec::new(), Vec::new()];
    for _ in 0..runs {
        ours.push(run(linkmend().arg("--version")));
        curl.push(run(Command::new("curl").arg("--version")));
    }
    let wall = |runs: &[_]| median(runs.iter().map(|run: &crate::process::Run| run.wall));
    let peak = |runs: &[_]| median(runs.iter().map(|run: &crate::process::Run| run.peak_kib));
    table::head(&["", "wall", "peak memory"]);
    for (name, runs) in [("linkmend", &ours), ("curl", &curl)] {
        table::row(&[
            name.to_owned(),
            table::ms(wall(runs)),
            table::mib(peak(runs)),
        ]);
    }
    let share = table::times(wall(&ours), wall(&curl));
    table::targets(&[("within 3 × curl", format!("{share:.2} ×"), share <= 3.0)]);
}
