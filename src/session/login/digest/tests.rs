//! The worked examples of the standards, and how a device is answered that wants less or more.

use super::*;
use crate::profile::Login;

fn challenge(line: &str) -> Challenge {
    strongest(&challenge::challenges(line)).expect("one that can be answered")
}

fn credentials(user: &str, word: &str) -> Credentials {
    Credentials::new(&Login::Digest, user, word).expect("they can be sent")
}

fn part<'a>(answer: &'a str, name: &str) -> &'a str {
    let parts = answer.trim_start_matches("Digest ").split(", ");
    let mut values = parts.filter_map(|part| part.strip_prefix(name)?.strip_prefix('='));
    values
        .next()
        .unwrap_or_else(|| panic!("no {name} in {answer}"))
}

const MUFASA: &str = r#"Digest realm="http-auth@example.org", qop="auth, auth-int", algorithm=MD5,
 nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS""#;

#[test]
fn the_worked_examples_of_rfc_7616_come_out() {
    // RFC 7616 section 3.9.1, its values from memory; computed again with Python's hashlib.
    let signed = Signed {
        method: "GET",
        target: "/dir/index.html",
        body: b"",
        count: 1,
        cnonce: "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ",
    };
    let mufasa = credentials("Mufasa", "Circle of Life");
    let line = MUFASA.replace('\n', "");
    for (line, response) in [
        (line.clone(), "8ca523f5e9506fed4657c9700eebdbec"),
        (
            line.replace("=MD5", "=SHA-256"),
            "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1",
        ),
    ] {
        let answer = challenge(&line).answer(&mufasa, &signed);
        assert_eq!(part(&answer, "response"), format!("\"{response}\""));
        assert_eq!(part(&answer, "username"), "\"Mufasa\"");
        assert_eq!(part(&answer, "qop"), "auth");
        assert_eq!(part(&answer, "nc"), "00000001");
        assert_eq!(
            part(&answer, "opaque"),
            "\"FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS\""
        );
    }
}

#[test]
fn a_name_is_hashed_where_the_device_wants_that() {
    // RFC 7616 section 3.9.2, from memory. The printed RFC cuts SHA-512 off where it says
    // SHA-512-256; these are the values of FIPS 180-4's SHA-512/256, as an erratum has the name and
    // as Python's hashlib has both.
    let line = r#"Digest realm="api@example.org", qop="auth", algorithm=SHA-512-256, nonce="5TsQWLVdgBdmrQ0XsxbDODV+57QdFR34I9HAbC/RVvkK", opaque="HRPCssKJSGjCrkzDg8OhwpzCiGPChXYjwrI2QmXDnsOS", charset=UTF-8, userhash=true"#;
    let signed = Signed {
        method: "GET",
        target: "/doe.json",
        body: b"",
        count: 1,
        cnonce: "NTg6RKcb9boFIAS3KrFK9BGeh+niz/sm",
    };
    let answer = challenge(line).answer(&credentials("Jäsøn Doe", "Secret, or not?"), &signed);
    assert_eq!(
        part(&answer, "username"),
        "\"793263caabb707a56211940d90411ea4a575adeccb7e360aeb624ed06ece9b0b\""
    );
    assert_eq!(
        part(&answer, "response"),
        "\"7a4e1192babbba02e91182d2895bfdbf7adafc6e48d4e517ca301974843d840c\""
    );
    assert_eq!(part(&answer, "userhash"), "true");
    // RFC 7616 section 4: otherwise in UTF-8 by RFC 8187, where the device says that it takes it.
    let plain = line.replace("userhash=true", "userhash=false");
    let answer = challenge(&plain).answer(&credentials("Jäsøn Doe", "x"), &signed);
    assert_eq!(part(&answer, "username*"), "UTF-8''J%C3%A4s%C3%B8n%20Doe");
    let answer = challenge(&plain.replace("charset=UTF-8,", ""))
        .answer(&credentials("Jäsøn Doe", "x"), &signed);
    assert_eq!(part(&answer, "username"), "\"Jäsøn Doe\"");
}

#[test]
fn older_devices_are_answered_in_their_way() {
    // RFC 2617 section 3.5 with `auth`, and the same without a quality of protection as RFC 2069
    // has it (its example is corrected by an erratum); from memory, computed again with hashlib.
    let line = r#"Digest realm="testrealm@host.com", qop="auth,auth-int", nonce="dcd98b7102dd2f0e8b11d0f600bfb0c093", opaque="5ccc069c403ebaf9f0171e9517f40e41""#;
    let signed = Signed {
        method: "GET",
        target: "/dir/index.html",
        body: b"",
        count: 1,
        cnonce: "0a4f113b",
    };
    let answer = challenge(line).answer(&credentials("Mufasa", "Circle Of Life"), &signed);
    assert_eq!(
        part(&answer, "response"),
        "\"6629fae49393a05397450978507c4ef1\""
    );
    assert!(!answer.contains("algorithm"), "the device named none");
    let old = line.replace("qop=\"auth,auth-int\", ", "");
    let answer = challenge(&old).answer(&credentials("Mufasa", "CircleOfLife"), &signed);
    assert_eq!(
        part(&answer, "response"),
        "\"1949323746fe6a43ef61f9606e7febea\""
    );
    for absent in ["qop=", "nc=", "cnonce="] {
        assert!(!answer.contains(absent), "{absent} in {answer}");
    }
}

#[test]
fn answers_are_those_of_curl() {
    // What curl 7.88.1 sent (`curl --digest -u skipper:heron-on-one-leg`) for each challenge, with
    // its own number, recorded from a socket.
    let skipper = credentials("skipper", "heron-on-one-leg");
    for (line, cnonce, response) in [
        (
            r#"realm="deck", nonce="n7", qop="auth", algorithm=MD5-sess"#,
            "N2QzZDliNDZmYmExNzY0YjU2NGRiYjE3MGQxYjdlYzQ=",
            "d08487b93e7bd502ff5c04d55c365f58",
        ),
        (
            r#"realm="deck", nonce="n7", qop="auth", algorithm=SHA-256-sess, opaque="o""#,
            "ZTFmOTVhNzFhMTAxMmFhNmUzZGYyNTNmMTA4MDYwNDI=",
            "925e79dae1911c24219b909963beb2b5fc87fd5cd86582a18382444bd4bb9bee",
        ),
        (
            r#"realm="a \"b\" c", nonce="n7", qop="auth""#,
            "Mjg4ODQzOWYzOTU2NWMxMmUzY2ZjOGQ4YTBlZmFjMjQ=",
            "d5b220ea9adcb355763ba76d31763204",
        ),
        (
            r#"realm="deck", nonce="n7", qop="auth-int", algorithm=SHA-256"#,
            "ZDgxMjU3YTYxMGE3YjdlNmVjMGVlYzNiMDdjNmU4OWI=",
            "f8d9f49ef2100ccf2de11e083bd6fae7243ef35ef8053cbede810fc08b78d01a",
        ),
        (
            r#"realm="deck", nonce="n7", algorithm=SHA-256"#,
            "",
            "3cc5f4778b725c0aadb8c025dc5b08d986be0dd6ccf76d928ea741f456b02239",
        ),
        (
            r#"realm="deck", nonce="n7", qop="auth", algorithm=SHA-256, userhash=true"#,
            "YmJlM2VmMjM3OTUyYzMwOGRkMDQwNjYzNjc1NGQ2ZTA=",
            "e10dcf83f2930f110aa8159eed31f901799e35e6c11bd7771abcefb8bfb9af64",
        ),
    ] {
        let signed = Signed {
            method: "GET",
            target: "/deck/radio?way=1",
            body: b"",
            count: 1,
            cnonce,
        };
        let answer = challenge(&format!("Digest {line}")).answer(&skipper, &signed);
        assert_eq!(
            part(&answer, "response"),
            format!("\"{response}\""),
            "{line}"
        );
    }
}

#[test]
fn what_cannot_be_answered_is_left_aside_and_the_strongest_taken() {
    let offered = |line: &str| strongest(&challenge::challenges(line)).map(|best| best.nonce);
    let all = r#"Basic realm="a", Digest realm="a", nonce="1", Digest realm="a", nonce="2", algorithm=SHA-256, Digest realm="a", nonce="3", algorithm=SHA-256-sess, Digest realm="a", nonce="4", algorithm=SHA-512-256, qop="auth-conf", Digest realm="a", nonce="5", algorithm=X-9"#;
    assert_eq!(offered(all).as_deref(), Some("2"));
    for none in [
        r#"Basic realm="a""#,
        r#"Digest realm="a""#,
        r#"Digest nonce="1""#,
        r#"Digest realm="a", nonce="1", algorithm=token"#,
        r#"Digest realm="a", nonce="1", qop="auth-conf""#,
    ] {
        assert_eq!(offered(none), None, "{none}");
    }
}
