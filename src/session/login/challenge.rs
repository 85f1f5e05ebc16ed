//! What a device says with a 401: the challenges of its `WWW-Authenticate` lines, taken apart.
//!
//! RFC 9110 section 11.6.1: one line may hold several challenges, and the same comma stands between
//! challenges and between the parameters of one. What is no challenge ends the reading of its line;
//! what came before it counts.

/// One challenge.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Challenge {
    /// Its scheme, in lower case.
    pub(super) scheme: String,
    /// Names in lower case and values without quotes and escapes, in order.
    params: Vec<(String, String)>,
}

impl Challenge {
    /// The first value of a parameter, by its name in lower case.
    pub(super) fn get(&self, name: &str) -> Option<&str> {
        let mut params = self.params.iter();
        params
            .find(|(known, _)| known == name)
            .map(|(_, value)| value.as_str())
    }
}

/// The challenges of one line.
pub(super) fn challenges(line: &str) -> Vec<Challenge> {
    let mut found: Vec<Challenge> = Vec::new();
    let mut rest = Rest(line);
    loop {
        rest.skip(|c| c == ',' || is_space(c));
        let Some(word) = rest.token() else {
            return found;
        };
        if !rest.clone().equals() {
            found.push(Challenge {
                scheme: word.to_ascii_lowercase(),
                params: Vec::new(),
            });
            rest.skip(is_space);
            rest.token68();
            continue;
        }
        rest.equals();
        let (Some(value), Some(challenge)) = (rest.value(), found.last_mut()) else {
            return found;
        };
        challenge.params.push((word.to_ascii_lowercase(), value));
    }
}

/// The parameters of an `Authentication-Info` line (RFC 7616 section 3.5), which has no scheme.
pub(super) fn info(line: &str) -> Challenge {
    let mut parsed = challenges(&format!("info {line}"));
    if parsed.is_empty() {
        return Challenge {
            scheme: String::new(),
            params: Vec::new(),
        };
    }
    parsed.swap_remove(0)
}

/// What of a line is not read yet.
#[derive(Clone)]
struct Rest<'a>(&'a str);

impl<'a> Rest<'a> {
    fn skip(&mut self, which: impl Fn(char) -> bool) {
        self.0 = self.0.trim_start_matches(which);
    }

    /// RFC 9110 section 5.6.2.
    fn token(&mut self) -> Option<&'a str> {
        let end = self.0.find(|c| !is_token(c)).unwrap_or(self.0.len());
        let (token, rest) = self.0.split_at(end);
        self.0 = rest;
        (!token.is_empty()).then_some(token)
    }

    fn equals(&mut self) -> bool {
        self.skip(is_space);
        let Some(rest) = self.0.strip_prefix('=') else {
            return false;
        };
        self.0 = rest;
        self.skip(is_space);
        true
    }

    fn value(&mut self) -> Option<String> {
        let Some(quoted) = self.0.strip_prefix('"') else {
            return self.token().map(ToOwned::to_owned);
        };
        let mut value = String::new();
        let mut chars = quoted.char_indices();
        loop {
            match chars.next()? {
                (at, '"') => {
                    self.0 = &quoted[at + 1..];
                    return Some(value);
                }
                (_, '\\') => value.push(chars.next()?.1),
                (_, c) => value.push(c),
            }
        }
    }

    /// Passes over the bare data that some schemes have in the place of parameters.
    fn token68(&mut self) {
        let data = |c: char| c.is_ascii_alphanumeric() || "-._~+/".contains(c);
        let end = self.0.find(|c| !data(c)).unwrap_or(self.0.len());
        let after = self.0[end..].trim_start_matches('=');
        let ended = after.trim_start_matches(is_space);
        if end > 0 && (ended.is_empty() || ended.starts_with(',')) {
            self.0 = after;
        }
    }
}

fn is_space(c: char) -> bool {
    matches!(c, ' ' | '\t')
}

fn is_token(c: char) -> bool {
    c.is_ascii_alphanumeric() || "!#$%&'*+-.^_`|~".contains(c)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn shown(line: &str) -> Vec<String> {
        let show = |challenge: Challenge| {
            let params = challenge.params.iter();
            let params: Vec<String> = params.map(|(n, v)| format!("{n}={v}")).collect();
            format!("{} {}", challenge.scheme, params.join(";"))
        };
        challenges(line).into_iter().map(show).collect()
    }

    #[test]
    fn several_challenges_on_one_line_are_told_apart() {
        // RFC 9110 section 11.6.1 has this line.
        let line =
            r#"Basic realm="simple", Newauth realm="apps", type=1, title="Login to \"apps\"""#;
        assert_eq!(
            shown(line),
            [
                "basic realm=simple",
                r#"newauth realm=apps;type=1;title=Login to "apps""#
            ]
        );
        assert_eq!(
            shown("Negotiate, One a2V5==, DIGEST Realm = \"a,b\" ,nonce=x,,qop=\"auth,auth-int\""),
            [
                "negotiate ",
                "one ",
                "digest realm=a,b;nonce=x;qop=auth,auth-int"
            ]
        );
    }

    #[test]
    fn what_is_no_challenge_ends_the_line() {
        assert_eq!(
            shown(r#"Digest realm="a", nonce="unclosed"#),
            ["digest realm=a"]
        );
        assert_eq!(shown("realm=\"a\""), [""; 0]);
        assert_eq!(shown("Digest realm=ä, nonce=b"), ["digest "]);
        assert_eq!(shown(""), [""; 0]);
    }

    #[test]
    fn an_info_line_is_read_without_a_scheme() {
        let read = info(r#"nextnonce="ne\"xt", qop=auth"#);
        assert_eq!(read.get("nextnonce"), Some("ne\"xt"));
        assert_eq!(read.get("qop"), Some("auth"));
        assert_eq!(info("\u{1b}").get("nextnonce"), None);
    }

    proptest! {
        #[test]
        fn no_line_is_too_odd(line in "\\PC{0,60}") {
            let _ = (challenges(&line), info(&line));
        }

        #[test]
        fn no_line_of_the_grammar_s_own_letters_is_too_odd(line in "[a=,\" \\\\ä]{0,40}") {
            let _ = (challenges(&line), info(&line));
        }
    }
}
