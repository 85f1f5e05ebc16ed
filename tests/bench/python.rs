//! Python with the packages that a rival needs, in a virtual environment below the target folder.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use crate::process::workshop;

/// An interpreter that has the packages.
pub(crate) struct Python {
    interpreter: PathBuf,
}

impl Python {
    /// Makes the environment where it is missing. Where that fails, says so and gives none: the
    /// other rivals are measured all the same.
    pub(crate) fn with(packages: &[&str]) -> Option<Self> {
        let folder = workshop("python");
        let interpreter = folder.join("bin/python");
        let imports: Vec<String> = packages.iter().map(|name| import(name)).collect();
        let have = |interpreter: &Path| {
            let mut asked = Command::new(interpreter);
            asked.args(["-c", &imports.join(";")]);
            asked.output().is_ok_and(|output| output.status.success())
        };
        if !have(&interpreter) {
            let made = Command::new("python3")
                .args(["-m", "venv"])
                .arg(&folder)
                .output();
            let mut pip = Command::new(&interpreter);
            pip.args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
            ]);
            let installed = made.and_then(|_| pip.args(packages).output());
            if let Ok(output) = &installed
                && !output.status.success()
            {
                eprintln!("{}", String::from_utf8_lossy(&output.stderr));
            }
        }
        if !have(&interpreter) {
            eprintln!("Python with {} cannot be had here", packages.join(", "));
            return None;
        }
        Some(Self { interpreter })
    }

    /// One of the scripts beside this file.
    pub(crate) fn script(&self, name: &str) -> Command {
        let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/python");
        let mut command = Command::new(&self.interpreter);
        command.arg(scripts.join(name));
        command
    }
}

/// What a package is called in a program.
fn import(package: &str) -> String {
    match package {
        "beautifulsoup4" => "import bs4".to_owned(),
        other => format!("import {other}"),
    }
}
