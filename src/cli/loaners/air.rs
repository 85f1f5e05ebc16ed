//! The adapters of a run over a shelf.

use super::args::LoanersRun;
use crate::{
    change::Trouble,
    cli::{context::Context, failure::Failure, screen::Tone, wifi::adapter},
    wifi::{AdapterName, Wifi, WifiError, host::one_at_a_time},
};

/// The adapters that may be used: those that were named, or all that can be used.
pub(super) async fn adapters(
    context: &Context,
    wifi: &dyn Wifi,
    typed: &LoanersRun,
) -> Result<Vec<AdapterName>, Failure> {
    let mut chosen = Vec::new();
    for name in &typed.adapter {
        let one = adapter::choose(wifi, Some(name)).await?;
        if !chosen.contains(&one) {
            chosen.push(one);
        }
    }
    if chosen.is_empty() {
        chosen = adapter::usable_ones(wifi).await?;
    }
    if let Some(most) = typed.adapters {
        chosen.truncate(most.into());
    }
    if let Some(command) = one_at_a_time(&chosen) {
        chosen.truncate(1);
        context.screen.remark(
            Tone::Careful,
            &format!(
                "One adapter at a time: with strict `rp_filter` the second one's answers are \
                 dropped. To use several: {command}"
            ),
        );
    }
    Ok(chosen)
}

/// The same failure with what goes without for a whole shelf, where nobody joins by hand.
pub(super) fn of_shelf(failure: Failure) -> Failure {
    let Failure::Wifi(error) = &failure else {
        return failure;
    };
    let help = match error {
        WifiError::NoService { service, .. } => format!(
            "start it, or use a computer with {service} (`linkmend host` shows what is missing); a \
             receiver that has joined your own network needs none: give its row `at`"
        ),
        WifiError::NoAdapter { .. } => {
            "plug one in; `linkmend host` shows what is there. A receiver that \
             has joined your own network needs none: give its row `at`"
                .to_owned()
        }
        WifiError::Unmanaged { adapter, .. } => format!(
            "let the service manage it (`nmcli device set {adapter} managed yes`), or take another \
             with `--adapter`"
        ),
        _ => return failure,
    };
    let trouble = Trouble::new(error.code(), error.to_string(), Some(&help));
    Failure::Trouble(trouble.ending(error.exit()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_goes_without_is_what_a_run_over_a_shelf_takes() {
        let adapter = || AdapterName::new("wlan0");
        for error in [
            WifiError::NoService {
                service: "NetworkManager",
                why: "there is no system bus".into(),
            },
            WifiError::NoAdapter {
                service: "NetworkManager",
            },
            WifiError::Unmanaged {
                adapter: adapter(),
                service: "NetworkManager",
            },
            WifiError::SwitchedOff { adapter: adapter() },
        ] {
            let (code, exit, said) = (error.code(), error.exit(), error.to_string());
            let failure = of_shelf(Failure::Wifi(error));
            let fault = failure.fault();
            assert_eq!((fault.code.as_str(), failure.exit()), (code, exit));
            assert_eq!(fault.message, said);
            let help = fault.help.expect("what to do");
            for option in ["--by-hand", "--at"] {
                assert!(!help.contains(option), "{help}");
            }
        }
    }
}
