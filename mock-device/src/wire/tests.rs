//! Each bent answer, piece by piece.

use super::*;

const PAGE: &str = "<html><body><p id=\"said\">Kept</p></body></html>";

fn page() -> Reply {
    Reply::new(200, "text/html", PAGE)
}

fn document() -> Reply {
    Reply::new(200, "application/json", gzip(b"{\"a\":1}")).with("Content-Encoding", "gzip")
}

fn sent(hooks: Hooks, kind: Kind, reply: Reply) -> Answer {
    answer(&hooks, &Outcome::new(kind, reply, ""), "/keep")
}

fn reading(wire: Wire, reply: Reply) -> Answer {
    let hooks = Hooks {
        reading: wire,
        ..Hooks::default()
    };
    sent(hooks, Kind::Reading, reply)
}

/// What the head says, and the bytes behind it.
fn parts(answer: &Answer) -> (String, Vec<u8>) {
    let bytes = bytes_of(answer);
    let end = |mark: &[u8]| {
        bytes
            .windows(mark.len())
            .position(|w| w == mark)
            .map(|at| at + mark.len())
    };
    let end = end(b"\r\n\r\n").or(end(b"\n\n")).expect("a head");
    let head = String::from_utf8(bytes[..end].to_vec()).expect("text");
    (head, bytes[end..].to_vec())
}

fn inflated(bytes: &[u8]) -> u64 {
    let mut decoder = GzDecoder::new(bytes);
    std::io::copy(&mut decoder, &mut std::io::sink()).expect("gzip to its end, checked")
}

#[test]
fn only_the_kind_of_answer_that_is_meant_is_bent() {
    let (head, body) = parts(&sent(
        Hooks {
            reading: Wire::Bomb,
            save: Wire::Redirected { to_itself: true },
            ..Hooks::default()
        },
        Kind::Other,
        page(),
    ));
    assert!(head.starts_with("HTTP/1.1 200 OK\r\n"));
    assert_eq!(body, PAGE.as_bytes());
}

#[test]
fn bomb_is_small_on_the_wire_and_inflates_to_hundreds_of_mebibytes() {
    let (head, body) = parts(&reading(Wire::Bomb, page()));
    assert!(head.contains("Content-Encoding: gzip"));
    assert!(head.contains(&format!("Content-Length: {}\r\n", body.len())));
    assert!(body.len() < 1 << 20, "{}", body.len());
    assert_eq!(inflated(&body), 300 << 20);
}

#[test]
fn endless_body_has_no_length_and_lacks_its_end() {
    for reply in [page(), document()] {
        let answer = reading(Wire::Endless, reply);
        let (head, body) = parts(&answer);
        assert!(!head.contains("Content-Length") && !head.contains("Content-Encoding"));
        assert!(!body.ends_with(b"</html>") && !body.ends_with(b"}"));
        assert!(matches!(answer.pieces[2], Piece::Again { .. }));
        assert_eq!(answer.pieces[3], Piece::Stall);
    }
}

#[test]
fn deep_nesting_stands_in_pages_and_in_documents_and_fits_a_bounded_body() {
    let (_, body) = parts(&reading(Wire::Deep, page()));
    let body = String::from_utf8(body).expect("text");
    assert_eq!(body.matches("<div>").count(), DEPTH);
    assert!(body.ends_with("</div><p id=\"said\">Kept</p></body></html>"));
    assert!(body.len() < 1 << 20);
    let (_, body) = parts(&reading(Wire::Deep, document()));
    let mut text = String::new();
    GzDecoder::new(body.as_slice())
        .read_to_string(&mut text)
        .expect("gzip");
    assert!(text.starts_with("{\"a\":1,\"deep\":[[[") && text.ends_with("]]]}"));
}

#[test]
fn lengths_are_wrong_as_the_scenario_says() {
    let told = |wire| -> Vec<usize> {
        let (head, body) = parts(&reading(wire, page()));
        assert_eq!(body, PAGE.as_bytes());
        head.lines()
            .filter_map(|line| line.strip_prefix("Content-Length: "))
            .map(|length| length.parse().expect("a number"))
            .collect()
    };
    let length = PAGE.len();
    assert_eq!(told(Wire::LengthTooLong), [length + 100]);
    assert_eq!(told(Wire::LengthTooShort), [length / 2]);
    assert_eq!(told(Wire::LengthTwice), [length, length + 7]);
}

#[test]
fn redirects_lead_to_where_the_scenario_says() {
    let (head, _) = parts(&reading(Wire::Elsewhere, page()));
    assert!(head.starts_with("HTTP/1.1 302 ") && head.contains("Location: http://192.0.2.1/\r\n"));
    for (to_itself, path) in [(true, "/keep"), (false, "/kept")] {
        let hooks = Hooks {
            save: Wire::Redirected { to_itself },
            ..Hooks::default()
        };
        let (head, _) = parts(&sent(hooks, Kind::Saved, page()));
        assert!(
            head.starts_with("HTTP/1.1 307 ") && head.contains(&format!("Location: {path}\r\n"))
        );
    }
}

#[test]
fn every_answer_wears_the_dress() {
    let dressed = |dress| {
        let hooks = Hooks {
            dress,
            ..Hooks::default()
        };
        parts(&sent(hooks, Kind::Other, page())).0
    };
    assert_eq!(
        dressed(Dress::Odd),
        "HTTP/1.1 200\ncOnTeNt-tYpE :\ttext/html \nCoNtEnT-LeNgTh :\t47 \n\
         cAcHe-cOnTrOl :\tno-store \nCoNnEcTiOn :\tclose \nX-Reed: a,\n\tb\n\n"
    );
    assert_eq!(dressed(Dress::Many).matches("X-Reed: ").count(), MANY);
    assert!(dressed(Dress::Plain).contains("Connection: close"));
    assert!(!dressed(Dress::ClosesUnannounced).contains("Connection"));
}

#[test]
fn hostile_texts_stand_where_somebody_would_show_them() {
    let hooks = Hooks {
        hostile: true,
        ..Hooks::default()
    };
    let (_, body) = parts(&sent(hooks, Kind::Refused, page()));
    let body = String::from_utf8(body).expect("text");
    assert!(body.contains("KeptSmew\u{1b}[2J") && !body.contains("</title>"));
    let (_, body) = parts(&sent(hooks, Kind::Reading, Reply::text(200, "a: b\n")));
    let body = String::from_utf8(body).expect("text");
    assert!(body.starts_with("a: b\nSmew\u{1b}[2J"), "{body}");
    let (_, body) = parts(&sent(hooks, Kind::Reading, document()));
    let document: serde_json::Value =
        serde_json::from_reader(GzDecoder::new(body.as_slice())).expect("JSON");
    assert_eq!(document[hostile::long_text()], hostile::long_text());
}

#[test]
fn faults_leave_of_an_answer_what_their_words_say() {
    let answer = page().whole();
    let all = bytes_of(&answer);
    let left = |fault| faulty(answer.clone(), None, fault);
    assert_eq!(left(Fault::LoseAnswer).pieces, [Piece::Reset]);
    for (fault, last) in [
        (Fault::Cut, None),
        (Fault::Stall, Some(&Piece::Stall)),
        (Fault::RestartMidway, Some(&Piece::Reset)),
    ] {
        let left = left(fault);
        assert_eq!(bytes_of(&left), all[..all.len() / 2], "{fault}");
        assert_eq!(left.pieces.get(1), last, "{fault}");
    }
    assert_eq!(
        bytes_of(&left(Fault::Twice)),
        [all.clone(), all.clone()].concat()
    );
    let slow = left(Fault::Slow);
    assert_eq!(bytes_of(&slow), all);
    assert_eq!(
        slow.pieces
            .iter()
            .filter(|piece| matches!(piece, Piece::Wait(_)))
            .count(),
        5
    );
    let earlier = Reply::text(200, "before").whole();
    assert_eq!(
        faulty(answer.clone(), Some(earlier.clone()), Fault::Stale),
        earlier
    );
    assert_eq!(left(Fault::NotKept), answer);
}
