//! What this computer can do with Wi-Fi, and what is missing, before anybody stands in a field.
//!
//! It asks and reads, and changes nothing. What it found is kept apart from what that means, so
//! that the meaning is tested without a computer of each kind. Whoever shows it shows it; here is
//! only what there is to show.

use serde::Serialize;

use super::AdapterName;

/// How much something matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// It is as it should be.
    Ok,
    /// It works, and less well than it could.
    Warn,
    /// Without it, linkmend cannot join a receiver's network by itself.
    Missing,
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Stable, in kebab-case.
    pub code: &'static str,
    /// How much it matters.
    pub level: Level,
    /// Which adapter it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adapter: Option<AdapterName>,
    /// What was found: one sentence's fragment, escaped.
    pub text: String,
    /// What to do about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub help: Option<String>,
}

impl Finding {
    fn new(code: &'static str, level: Level, text: impl Into<String>) -> Self {
        Self {
            code,
            level,
            adapter: None,
            text: text.into(),
            help: None,
        }
    }

    fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
}

/// Looks at everything; takes well below a second where the services answer.
pub async fn examine() -> Vec<Finding> {
    #[cfg(target_os = "linux")]
    return linux::judge(&linux::look().await);
    #[cfg(not(target_os = "linux"))]
    vec![by_hand_only()]
}

/// Where several adapters cannot be used at once: the command that would allow it. None: they can.
///
/// With strict source validation (RFC 3704, `rp_filter` 1) the kernel drops what a second device
/// answers from the address that the first has, too.
pub fn one_at_a_time(adapters: &[AdapterName]) -> Option<String> {
    #[cfg(target_os = "linux")]
    return linux::loosening(adapters, linux::source_validation);
    #[cfg(not(target_os = "linux"))]
    {
        let _ = adapters;
        None
    }
}

/// What holds on systems that have no service for it.
#[cfg(any(test, not(target_os = "linux")))]
fn by_hand_only() -> Finding {
    Finding::new(
        "by-hand-only",
        Level::Warn,
        "on this system linkmend joins no network by itself",
    )
    .help("with `--by-hand` it names the network, and you join it in the system's settings")
}

#[cfg(target_os = "linux")]
mod linux;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finding_is_told_to_scripts_by_its_code_and_without_what_it_has_not() {
        let told = serde_json::to_value(by_hand_only()).expect("a finding is JSON");
        assert_eq!(told["code"], "by-hand-only");
        assert_eq!(told["level"], "warn");
        assert!(told.get("adapter").is_none(), "{told}");
    }
}
