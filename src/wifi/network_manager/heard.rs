//! What an access point said during one attempt to join it, and what that comes to.
//!
//! `NetworkManager` calls a wrong passphrase, a full access point and one that has just lost its
//! power by the same reason; and waits 25 s for it. What the radio hears tells them apart, and
//! sooner. Codes are those of IEEE 802.11-2020, tables 9-49 and 9-50 (from memory).

use crate::wifi::{Join, Key, WifiError, nl80211::Said};

/// Refusals after which it counts as refusing: the first may be about what it remembers of us from
/// before (a choice of ours).
const REFUSALS: u32 = 2;

/// Times of silence after which it counts as gone. Each is several frames that nobody answered (a
/// choice of ours).
const SILENCES: u32 = 3;

/// All that it said.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is one thing that it may have said"
)]
pub(super) struct Heard {
    /// Whether anybody listened.
    pub(super) listening: bool,
    /// Whether it said anything at all.
    pub(super) answered: bool,
    associated: bool,
    wrong_key: bool,
    refusals: u32,
    refusal: Option<String>,
    silences: u32,
}

impl Heard {
    /// Nothing yet.
    pub(super) fn new(listening: bool) -> Self {
        Self {
            listening,
            ..Self::default()
        }
    }

    /// Takes what it said to one who comes with this key.
    pub(super) fn take(&mut self, said: Said, key: &Key) {
        const WPA3: u16 = 3;
        self.answered |= !matches!(said, Said::Silence | Said::Vanished);
        match said {
            Said::Silence => self.silences += 1,
            // The proof of the passphrase failed. The standard says 15; hostapd 2.10 says 1.
            Said::Authentication {
                kind: WPA3,
                round: 2,
                status: 1 | 15,
            } => self.wrong_key = true,
            // It was let in before that; or go on: with a word against floods, with another group of
            // its curve, by another way of reckoning.
            Said::Vanished
            | Said::Authentication {
                status: 0 | 76 | 77 | 126 | 127,
                ..
            } => {}
            Said::Association { status: 0 } => self.associated = true,
            Said::Authentication { status, .. } | Said::Association { status } => {
                self.refuse(status_in_words(status));
            }
            // The handshake that shows the passphrase ran out, or did not check. WPA3 has shown it
            // before that.
            Said::SentAway {
                reason: 2 | 14 | 15,
            } if self.associated && matches!(key, Key::Wpa2(_)) => {
                self.wrong_key = true;
            }
            Said::SentAway { reason } => {
                self.refuse(format!("it sends this computer away (reason {reason})"));
            }
        }
    }

    fn refuse(&mut self, why: String) {
        self.refusals += 1;
        self.refusal = Some(why);
    }

    /// What it comes to already, while the attempt goes on.
    pub(super) fn verdict(&self, wish: &Join) -> Option<WifiError> {
        let enough = self.wrong_key || self.refusals >= REFUSALS || self.silences >= SILENCES;
        enough.then(|| self.in_the_end(wish)).flatten()
    }

    /// What it comes to where the attempt has failed. None: it does not tell.
    pub(super) fn in_the_end(&self, wish: &Join) -> Option<WifiError> {
        let name = wish.point.name.clone();
        let bssid = wish.point.bssid;
        if self.wrong_key {
            Some(WifiError::WrongPassphrase { name, bssid })
        } else if let Some(why) = self.refusal.clone() {
            Some(WifiError::NotLetIn { name, bssid, why })
        } else if self.listening && (!self.answered || self.silences >= SILENCES) {
            Some(WifiError::OutOfRange { name, bssid })
        } else {
            None
        }
    }
}

fn status_in_words(status: u16) -> String {
    match status {
        17 => "it takes no more clients".into(),
        30 => "it asks to come again later".into(),
        1 => "it refuses, and gives no reason".into(),
        _ => format!("it refuses (status {status})"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wifi::network_manager::sample::{wish, wpa2, wpa3};

    fn code(key: Key, all: &[Said]) -> (Option<&'static str>, Option<&'static str>) {
        let mut heard = Heard::new(true);
        for said in all {
            heard.take(*said, &key);
        }
        let wish = wish(key);
        let code = |error: Option<WifiError>| error.map(|error| error.code());
        (code(heard.verdict(&wish)), code(heard.in_the_end(&wish)))
    }

    const fn authentication(kind: u16, round: u16, status: u16) -> Said {
        Said::Authentication {
            kind,
            round,
            status,
        }
    }

    const KNOCK: Said = authentication(0, 2, 0);
    const IN: Said = Said::Association { status: 0 };

    // What hostapd 2.10 and the kernel said in an emulated 802.11 network.
    #[test]
    fn wrong_passphrase_is_known_by_how_the_handshake_ends() {
        let wrong = (Some("wrong-passphrase"), Some("wrong-passphrase"));
        let away = Said::SentAway { reason: 15 };
        assert_eq!(code(wpa2(), &[KNOCK, IN, away]), wrong);
        let first = authentication(3, 1, 126);
        assert_eq!(code(wpa3(), &[first, authentication(3, 2, 1)]), wrong);
        assert_eq!(code(wpa3(), &[first, authentication(3, 2, 15)]), wrong);
    }

    #[test]
    fn being_sent_away_is_no_wrong_passphrase_where_none_is_shown_or_it_was_shown_before() {
        let away = Said::SentAway { reason: 15 };
        let said = [KNOCK, IN, away];
        assert_eq!(code(Key::Open, &said), (None, Some("not-let-in")));
        let said = [authentication(3, 1, 126), authentication(3, 2, 0), IN, away];
        assert_eq!(code(wpa3(), &said), (None, Some("not-let-in")));
    }

    #[test]
    fn access_point_without_a_place_refuses_twice_before_it_is_believed() {
        let full = authentication(0, 2, 17);
        assert_eq!(code(wpa2(), &[full]), (None, Some("not-let-in")));
        let refused = (Some("not-let-in"), Some("not-let-in"));
        assert_eq!(code(wpa2(), &[full, full]), refused);
        let full = Said::Association { status: 17 };
        assert_eq!(code(wpa2(), &[KNOCK, full, KNOCK, full]), refused);
    }

    #[test]
    fn one_that_never_answers_is_out_of_range() {
        assert_eq!(code(wpa2(), &[]), (None, Some("out-of-range")));
        let gone = (Some("out-of-range"), Some("out-of-range"));
        assert_eq!(code(wpa2(), &[Said::Silence; 3]), gone);
        assert_eq!(code(wpa2(), &[KNOCK, IN]), (None, None));
    }

    #[test]
    fn nothing_follows_from_silence_where_nobody_listened() {
        assert_eq!(Heard::default().in_the_end(&wish(wpa2())), None);
    }
}
