//! With which address to be in a device's network, and with which one next where that came to
//! nothing.

use crate::{profile::Network, wifi::Addressing};

/// Why being in a network with one address came to nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Vain {
    /// Nobody answers there.
    Nobody,
    /// The network gives no address.
    NoAddress,
}

/// The addresses that are tried, one after another. The first is the quickest: the one that the
/// profile names. Some access points hear nobody who did not ask for one, so that is the second. Who
/// gives none was only late with its answer, and is asked once more.
#[derive(Debug, Clone)]
pub struct Addressings {
    quick: Addressing,
    tried: u32,
}

impl Addressings {
    /// Those of a family's network; where its profile names none, what the device gives alone.
    pub fn of(network: &Network) -> Self {
        let quick = match network.host {
            Some(host) => Addressing::Static {
                own: host.address,
                prefix: host.prefix,
            },
            None => Addressing::Dhcp,
        };
        Self { quick, tried: 0 }
    }

    /// The one to be tried.
    pub fn now(&self) -> Addressing {
        match self.tried {
            1 => Addressing::Dhcp,
            _ => self.quick,
        }
    }

    /// Goes on to the next one. False: that was the last.
    pub fn go_on(&mut self, vain: Vain) -> bool {
        let goes_on = self.quick != Addressing::Dhcp
            && matches!((self.tried, vain), (0, Vain::Nobody) | (1, Vain::NoAddress));
        self.tried += u32::from(goes_on);
        goes_on
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile;

    /// What is tried where each comes to nothing in this way.
    fn tried(names_one: bool, vain: &[Vain]) -> Vec<bool> {
        let profile = profile::named("sample-form").expect("built in");
        let mut network = profile.network.expect("it has one");
        if !names_one {
            network.host = None;
        }
        let mut all = Addressings::of(&network);
        let mut is_given = vec![all.now() == Addressing::Dhcp];
        for vain in vain {
            if all.go_on(*vain) {
                is_given.push(all.now() == Addressing::Dhcp);
            }
        }
        is_given
    }

    #[test]
    fn named_address_comes_first_then_one_that_is_given_and_the_named_one_again_where_none_is() {
        use Vain::{NoAddress, Nobody};
        assert_eq!(tried(true, &[Nobody]), [false, true]);
        assert_eq!(tried(true, &[Nobody, Nobody]), [false, true], "it gave one");
        assert_eq!(tried(true, &[Nobody, NoAddress]), [false, true, false]);
        assert_eq!(
            tried(true, &[Nobody, NoAddress, Nobody]),
            [false, true, false]
        );
        assert_eq!(
            tried(true, &[NoAddress]),
            [false],
            "nobody was asked for it"
        );
        assert_eq!(tried(false, &[Nobody, NoAddress]), [true]);
    }
}
