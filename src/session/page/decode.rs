//! Which encoding a page is in, and its text.
//!
//! By the WHATWG standard's sniffing: a byte order mark, the charset of the content type, a
//! `<meta>` in the first 1,024 bytes or in the page's head, else windows-1252 (the standard's suggestion for most
//! locales). Browsers guess from the bytes then; here nothing is guessed. A wrong guess would not only spoil texts: forms are sent in the page's encoding.

use ego_tree::NodeRef;
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use html5ever::TokenizerResult;
use html5ever::buffer_queue::BufferQueue;
use html5ever::driver::parse_document;
use html5ever::tendril::StrTendril;
use scraper::{Html, HtmlTreeSink, Node};

use super::tree::{options, pieces};

/// How far a `<meta>` is looked for in any case, in bytes (HTML standard, 13.2.3.2).
const LOOKED_THROUGH: usize = 1024;

/// The encoding of a page and its text; what is malformed becomes U+FFFD.
pub(super) fn decode(body: &[u8], content_type: Option<&str>) -> (&'static Encoding, String) {
    if let Some((encoding, mark)) = Encoding::for_bom(body) {
        let (text, _) = encoding.decode_without_bom_handling(body.get(mark..).unwrap_or_default());
        return (encoding, text.into_owned());
    }
    let encoding = content_type
        .and_then(charset)
        .or_else(|| declared_in_page(body))
        .unwrap_or(WINDOWS_1252);
    let (text, _) = encoding.decode_without_bom_handling(body);
    (encoding, text.into_owned())
}

/// The charset parameter of a content type, if it names an encoding.
fn charset(content_type: &str) -> Option<&'static Encoding> {
    content_type.split(';').skip(1).find_map(|parameter| {
        let (name, value) = parameter.split_once('=')?;
        let value = value.trim().trim_matches('"');
        name.trim()
            .eq_ignore_ascii_case("charset")
            .then(|| Encoding::for_label(value.as_bytes()))?
    })
}

/// What the first `<meta>` with a known charset says. The page's own parser finds it, as browsers
/// do it, so that one in a comment or a script counts for nothing.
fn declared_in_page(body: &[u8]) -> Option<&'static Encoding> {
    // ASCII is all that matters here, and every byte is some character of windows-1252.
    let (text, _) = WINDOWS_1252.decode_without_bom_handling(body);
    let parser = parse_document(HtmlTreeSink::new(Html::new_document()), options());
    let input = BufferQueue::default();
    let mut read = 0;
    for piece in pieces(&text) {
        // Beyond those bytes Chromium goes on as long as it is in the head, since long styles and
        // scripts often stand before the `<meta>`.
        if read >= LOOKED_THROUGH && !is_in_head(&parser.tokenizer.sink.sink.0.borrow()) {
            return None;
        }
        read += piece.chars().count();
        input.push_back(StrTendril::from_slice(piece));
        loop {
            match parser.tokenizer.feed(&input) {
                TokenizerResult::Done => break,
                TokenizerResult::Script(_) => {}
                TokenizerResult::EncodingIndicator(label) => {
                    if let Some(encoding) = Encoding::for_label(label.as_bytes()) {
                        return Some(as_declared(encoding));
                    }
                }
            }
        }
    }
    None
}

/// Whether nothing but the head was parsed so far. A template ends it too: it can nest, and how deep
/// is not bounded here.
fn is_in_head(html: &Html) -> bool {
    // So many comments before it stand on no page that means well.
    let mut first = html.tree.root().children().take(LOOKED_THROUGH);
    let Some(top) = first.find(|one| named(*one, "html")) else {
        return html.tree.root().children().nth(LOOKED_THROUGH).is_none();
    };
    let last = top.last_child();
    let head = last.filter(|last| named(*last, "head"));
    head.is_some_and(|head| {
        head.last_child()
            .is_none_or(|last| !named(last, "template"))
    })
}

fn named(node: NodeRef<'_, Node>, name: &str) -> bool {
    node.value()
        .as_element()
        .is_some_and(|element| element.name() == name)
}

/// A page whose `<meta>` can be read as ASCII is not in UTF-16, whatever it says.
fn as_declared(encoding: &'static Encoding) -> &'static Encoding {
    if encoding == UTF_16BE || encoding == UTF_16LE {
        UTF_8
    } else if encoding == encoding_rs::X_USER_DEFINED {
        WINDOWS_1252
    } else {
        encoding
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(body: &[u8], content_type: Option<&str>) -> &'static str {
        decode(body, content_type).0.name()
    }

    #[test]
    fn mark_outweighs_the_header_and_the_header_outweighs_the_page() {
        // Order from the HTML standard, 13.2.3.2 "Determining the character encoding".
        let page = b"\xef\xbb\xbf<meta charset=koi8-r>";
        assert_eq!(of(page, Some("text/html; charset=iso-8859-2")), "UTF-8");
        assert_eq!(
            of(&page[3..], Some("text/html; Charset=\"iso-8859-2\"")),
            "ISO-8859-2"
        );
        assert_eq!(
            of(&page[3..], Some("text/html; charset=nonsense")),
            "KOI8-R"
        );
        assert_eq!(of(&page[3..], None), "KOI8-R");
        assert_eq!(decode(b"\xff\xfeA\0", None), (UTF_16LE, "A".to_owned()));
    }

    #[test]
    fn says_windows_1252_when_nothing_is_declared() {
        assert_eq!(
            decode(b"S\xe4ger \x80", None),
            (WINDOWS_1252, "Säger €".to_owned())
        );
        let late = b"<p>".repeat(500);
        let late = [late.as_slice(), b"<meta charset=utf-8>"].concat();
        assert_eq!(of(&late, None), "windows-1252");
        let template = [
            b"<template>".as_slice(),
            &b"<b>".repeat(500),
            b"<meta charset=utf-8>",
        ];
        assert_eq!(of(&template.concat(), None), "windows-1252");
    }

    #[test]
    fn a_long_head_is_looked_through_to_its_end() {
        let style = [b"<style>".as_slice(), &b"p{} ".repeat(4_000), b"</style>"].concat();
        let head = [style.as_slice(), b"<meta charset=koi8-r><p>"].concat();
        assert_eq!(of(&head, None), "KOI8-R");
        let spaces = [b" ".repeat(5_000).as_slice(), b"<meta charset=koi8-r>"].concat();
        assert_eq!(of(&spaces, None), "KOI8-R");
    }

    #[test]
    fn reads_both_ways_of_declaring_and_skips_what_is_none() {
        let old = b"<META HTTP-EQUIV=Content-Type CONTENT='text/html; charset=ISO-8859-1'>";
        assert_eq!(of(old, None), "windows-1252");
        assert_eq!(
            of(b"<!-- <meta charset=koi8-r> --><meta charset=utf-8>", None),
            "UTF-8"
        );
        assert_eq!(
            of(b"<meta charset=odd><meta charset=koi8-r>", None),
            "KOI8-R"
        );
        assert_eq!(of(b"<meta charset=utf-16>", None), "UTF-8");
        assert_eq!(of(b"<meta charset=x-user-defined>", None), "windows-1252");
    }
}
