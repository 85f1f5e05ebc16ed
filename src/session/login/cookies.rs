//! The cookies of one device: kept as a browser keeps them (RFC 6265), within bounds, in memory alone.
//!
//! They are a way in, so nothing shows or logs them. More than a small device gives is not kept.

use cookie_store::CookieStore;
use url::Url;

/// Cookies of one origin.
#[derive(Default)]
pub(super) struct Jar {
    store: CookieStore,
}

impl Jar {
    /// Takes one `Set-Cookie` line of an answer. One that is none, is meant for elsewhere, or would
    /// be too many, is left aside.
    pub(super) fn take(&mut self, line: &str, from: &Url) {
        let full = self.store.iter_any().count() >= MOST_COOKIES;
        // RFC 6265bis section 5.6 drops a line with a control character too.
        if line.len() > MOST_OF_A_COOKIE || full || line.contains(|c: char| c.is_control()) {
            return;
        }
        // Its errors hold the cookie and are not shown.
        let _ = self.store.parse(line, from);
    }

    /// The value of the `Cookie` header for an address; none where no cookie is for it.
    pub(super) fn header(&self, to: &Url) -> Option<String> {
        let pairs = self.store.get_request_values(to);
        let pairs: Vec<String> = pairs
            .map(|(name, value)| format!("{name}={value}"))
            .collect();
        (!pairs.is_empty()).then(|| pairs.join("; "))
    }

    /// Forgets all.
    pub(super) fn clear(&mut self) {
        self.store = CookieStore::default();
    }
}

/// RFC 6265 section 6.1 lets every client have at least as many for one host.
const MOST_COOKIES: usize = 50;

/// Longest `Set-Cookie` line in bytes, attributes included: the same section's 4096 for the cookie.
const MOST_OF_A_COOKIE: usize = 4096;

#[cfg(test)]
mod tests {
    use super::*;

    fn url(path: &str) -> Url {
        let url = format!("http://127.0.0.1:8080{path}");
        url.parse().expect("an address")
    }

    fn jar(lines: &[&str]) -> Jar {
        let mut jar = Jar::default();
        for line in lines {
            jar.take(line, &url("/come-in"));
        }
        jar
    }

    #[test]
    fn a_cookie_is_sent_to_its_path_and_below() {
        // RFC 6265 sections 5.1.4 and 5.2.
        let jar = jar(&["pass=Xq7; Path=/; HttpOnly", "deck=1; Path=/deck"]);
        assert_eq!(jar.header(&url("/radio")).as_deref(), Some("pass=Xq7"));
        let both = jar.header(&url("/deck/aft")).expect("two cookies");
        let mut both: Vec<&str> = both.split("; ").collect();
        both.sort_unstable();
        assert_eq!(both, ["deck=1", "pass=Xq7"]);
    }

    #[test]
    fn a_newer_value_takes_the_place_of_an_older_and_an_end_takes_it_away() {
        let mut jar = jar(&["pass=one; Path=/", "pass=two; Path=/"]);
        assert_eq!(jar.header(&url("/")).as_deref(), Some("pass=two"));
        jar.take("pass=; Path=/; Max-Age=0", &url("/"));
        assert_eq!(jar.header(&url("/")), None);
    }

    #[test]
    fn a_cookie_for_elsewhere_is_not_kept() {
        let strange = jar(&["pass=Xq7; Domain=tern.invalid; Path=/"]);
        assert_eq!(strange.header(&url("/")), None);
        let own = jar(&["pass=Xq7; Path=/"]);
        let other: Url = "http://127.0.0.2/".parse().expect("an address");
        assert_eq!(own.header(&other), None);
    }

    #[test]
    fn no_more_is_kept_than_the_bounds_say() {
        let mut jar = Jar::default();
        jar.take(&format!("long={}", "x".repeat(MOST_OF_A_COOKIE)), &url("/"));
        assert_eq!(jar.header(&url("/")), None);
        for number in 0..2 * MOST_COOKIES {
            jar.take(&format!("c{number}=x; Path=/"), &url("/"));
        }
        let header = jar.header(&url("/")).expect("cookies");
        assert_eq!(header.split("; ").count(), MOST_COOKIES);
    }

    #[test]
    fn odd_lines_are_left_aside() {
        let jar = jar(&["", "=", "no value", "a\u{1b}=b", ";;;"]);
        assert_eq!(jar.header(&url("/")), None);
    }
}
