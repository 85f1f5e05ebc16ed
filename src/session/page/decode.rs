//! Which encoding a page is in, and its text.
//!
//! By the WHATWG standard's sniffing: a byte order mark, the charset of the content type, a
//! `<meta>` in the first 1,024 bytes, else windows-1252 (the standard's suggestion for most
//! locales). A wrong guess would not only spoil texts: forms are sent in the page's encoding.

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use html5ever::TokenizerResult;
use html5ever::buffer_queue::BufferQueue;
use html5ever::driver::parse_document;
use html5ever::tendril::StrTendril;
use scraper::{Html, HtmlTreeSink};

use super::tree::options;

/// How far a `<meta>` is looked for, in bytes (HTML standard, 13.2.3.2).
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
    let head = body.get(..LOOKED_THROUGH).unwrap_or(body);
    // ASCII is all that matters here, and every byte is some character of windows-1252.
    let (text, _) = WINDOWS_1252.decode_without_bom_handling(head);
    let parser = parse_document(HtmlTreeSink::new(Html::new_document()), options());
    let input = BufferQueue::default();
    input.push_back(StrTendril::from_slice(&text));
    loop {
        match parser.tokenizer.feed(&input) {
            TokenizerResult::Done => return None,
            TokenizerResult::Script(_) => {}
            TokenizerResult::EncodingIndicator(label) => {
                if let Some(encoding) = Encoding::for_label(label.as_bytes()) {
                    return Some(as_declared(encoding));
                }
            }
        }
    }
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
        let late = [b" ".repeat(1024).as_slice(), b"<meta charset=utf-8>"].concat();
        assert_eq!(of(&late, None), "windows-1252");
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
