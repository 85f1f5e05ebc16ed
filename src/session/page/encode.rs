//! Names and values as the bytes of a request: the one place where urlencoded, multipart and plain
//! bodies are written, for the forms of pages and for bodies that a profile makes.
//!
//! By the HTML standard, 4.10.22.5 to 4.10.22.8, the URL standard's urlencoded serialiser and
//! RFC 7578. It guards against a value that ends its own part: a boundary is never one that the
//! body holds.

use std::borrow::Cow;

use encoding_rs::{EncoderResult, Encoding};

use super::collect::with_line_feeds;

/// One name and what is sent for it, before it is encoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The name.
    pub name: String,
    /// What is sent for it.
    pub value: EntryValue,
}

/// What is sent for a name.
#[derive(Clone, PartialEq, Eq)]
pub enum EntryValue {
    /// A text.
    Text(String),
    /// No file was chosen: a file without a name and without contents. Where names and values are
    /// all that is sent, it is an empty text.
    NoFile,
}

/// How a body is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Enctype {
    /// `application/x-www-form-urlencoded`.
    Urlencoded,
    /// `multipart/form-data` (RFC 7578).
    Multipart,
    /// `text/plain`: nothing is escaped, so that it cannot be read back for sure.
    Plain,
}

/// What stands between the parts of a multipart body.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Boundary {
    /// Another one each time.
    #[default]
    Random,
    /// This one, of letters and digits and at most 60 of them, so that two runs make the same
    /// bytes. Where the body holds it, a number is put behind it.
    Fixed(String),
}

/// A body and what it is.
#[derive(Clone, PartialEq, Eq)]
pub(in crate::session) struct Encoded {
    pub(in crate::session) content_type: String,
    pub(in crate::session) bytes: Vec<u8>,
}

impl Entry {
    /// A name with a text.
    pub fn text(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            value: EntryValue::Text(value.into()),
        }
    }
}

impl EntryValue {
    /// What is sent where only texts are.
    pub fn as_text(&self) -> &str {
        match self {
            EntryValue::Text(text) => text,
            EntryValue::NoFile => "",
        }
    }
}

/// Values may be secrets: shown is only what kind of value it is.
impl std::fmt::Debug for EntryValue {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            EntryValue::Text(_) => "Text(…)",
            EntryValue::NoFile => "NoFile",
        })
    }
}

/// Writes entries as a body. What the charset cannot hold becomes `&#N;`, as browsers do it.
pub(in crate::session) fn body(
    entries: &[Entry],
    enctype: Enctype,
    charset: &'static Encoding,
    boundary: &Boundary,
) -> Encoded {
    match enctype {
        Enctype::Urlencoded => Encoded {
            content_type: "application/x-www-form-urlencoded".to_owned(),
            bytes: urlencoded(entries, charset).into_bytes(),
        },
        Enctype::Multipart => multipart(entries, charset, boundary),
        Enctype::Plain => Encoded {
            content_type: "text/plain".to_owned(),
            bytes: plain(entries, charset),
        },
    }
}

/// The urlencoded serialiser.
pub(super) fn urlencoded(entries: &[Entry], charset: &'static Encoding) -> String {
    let mut serializer = form_urlencoded::Serializer::new(String::new());
    let encode: &dyn Fn(&str) -> Cow<'_, [u8]> = &|text| encoded(charset, text);
    serializer.encoding_override(Some(encode));
    for entry in entries {
        serializer.append_pair(&with_crlf(&entry.name), &with_crlf(entry.value.as_text()));
    }
    serializer.finish()
}

/// Text in a charset, as the forms and addresses of a page hold it.
pub(super) fn encoded<'a>(charset: &'static Encoding, text: &'a str) -> Cow<'a, [u8]> {
    charset.encode(text).0
}

/// Text in the query of an address, where `&#N;` would be read as something of its own (URL standard,
/// "percent-encode after encoding").
pub(super) fn encoded_in_query(charset: &'static Encoding, text: &str) -> Vec<u8> {
    let mut encoder = charset.new_encoder();
    let mut bytes = Vec::new();
    let mut rest = text;
    loop {
        let room = encoder.max_buffer_length_from_utf8_without_replacement(rest.len());
        bytes.reserve(room.unwrap_or_default());
        let (result, read) =
            encoder.encode_from_utf8_to_vec_without_replacement(rest, &mut bytes, true);
        rest = rest.get(read..).unwrap_or_default();
        match result {
            EncoderResult::InputEmpty => return bytes,
            EncoderResult::OutputFull => {}
            EncoderResult::Unmappable(c) => {
                bytes.extend_from_slice(format!("%26%23{}%3B", u32::from(c)).as_bytes());
            }
        }
    }
}

fn plain(entries: &[Entry], charset: &'static Encoding) -> Vec<u8> {
    let mut text = String::new();
    for entry in entries {
        text.push_str(&with_crlf(&entry.name));
        text.push('=');
        text.push_str(&with_crlf(entry.value.as_text()));
        text.push_str("\r\n");
    }
    encoded(charset, &text).into_owned()
}

fn multipart(entries: &[Entry], charset: &'static Encoding, boundary: &Boundary) -> Encoded {
    let parts: Vec<Vec<u8>> = entries.iter().map(|entry| part(entry, charset)).collect();
    let boundary = boundary.outside_of(&parts);
    let mut bytes = Vec::new();
    for part in &parts {
        bytes.extend_from_slice(format!("--{boundary}\r\n").as_bytes());
        bytes.extend_from_slice(part);
    }
    bytes.extend_from_slice(format!("--{boundary}--\r\n").as_bytes());
    Encoded {
        content_type: format!("multipart/form-data; boundary={boundary}"),
        bytes,
    }
}

/// One part without its boundary, up to the line break that the next boundary begins with.
fn part(entry: &Entry, charset: &'static Encoding) -> Vec<u8> {
    let mut bytes = b"Content-Disposition: form-data; name=\"".to_vec();
    for byte in encoded(charset, &with_crlf(&entry.name)).iter() {
        match byte {
            b'\n' => bytes.extend_from_slice(b"%0A"),
            b'\r' => bytes.extend_from_slice(b"%0D"),
            b'"' => bytes.extend_from_slice(b"%22"),
            other => bytes.push(*other),
        }
    }
    bytes.push(b'"');
    match &entry.value {
        EntryValue::Text(text) => {
            bytes.extend_from_slice(b"\r\n\r\n");
            bytes.extend_from_slice(&encoded(charset, &with_crlf(text)));
        }
        EntryValue::NoFile => bytes.extend_from_slice(
            b"; filename=\"\"\r\nContent-Type: application/octet-stream\r\n\r\n",
        ),
    }
    bytes.extend_from_slice(b"\r\n");
    bytes
}

impl Boundary {
    fn outside_of(&self, parts: &[Vec<u8>]) -> String {
        let held = |boundary: &String| {
            let boundary = boundary.as_bytes();
            let mut windows = parts.iter().flat_map(|part| part.windows(boundary.len()));
            windows.any(|window| window == boundary)
        };
        if *self == Boundary::Random
            && let Some(random) = random()
            && !held(&random)
        {
            return random;
        }
        // What is never within the body need not be random: this also serves where there is no
        // randomness, and where somebody guessed it.
        let wished = match self {
            Boundary::Random => PREFIX,
            Boundary::Fixed(wished) => wished,
        };
        let numbered = (1_u64..).map(|number| format!("{wished}{number}"));
        std::iter::once(wished.to_owned())
            .chain(numbered)
            .find(|boundary| !held(boundary))
            .unwrap_or_default()
    }
}

fn random() -> Option<String> {
    let mut bytes = [0; 8];
    getrandom::fill(&mut bytes).ok()?;
    Some(format!("{PREFIX}{}", hex::encode(bytes)))
}

fn with_crlf(text: &str) -> String {
    with_line_feeds(text).replace('\n', "\r\n")
}

/// As many hyphens before it and as many characters in all as Chromium's boundaries have, since that
/// is what small devices were tried with.
const PREFIX: &str = "----LinkmendFormBounds";

#[cfg(test)]
mod tests {
    use encoding_rs::{UTF_8, WINDOWS_1252};

    use super::*;

    fn fixed() -> Boundary {
        Boundary::Fixed("reeds".to_owned())
    }

    fn text(encoded: Encoded) -> (String, String) {
        let body = String::from_utf8(encoded.bytes).expect("UTF-8");
        (encoded.content_type, body)
    }

    #[test]
    fn names_of_parts_are_escaped_and_values_are_not() {
        // HTML standard, 4.10.22.7: line breaks as CR LF, and in names those and quotes escaped.
        let entries = [
            Entry::text("a\nb\"c", "x\ry\nz\r\nw \"%0A\""),
            Entry {
                name: "map".to_owned(),
                value: EntryValue::NoFile,
            },
        ];
        let (kind, body) = text(body(&entries, Enctype::Multipart, UTF_8, &fixed()));
        assert_eq!(kind, "multipart/form-data; boundary=reeds");
        assert_eq!(
            body,
            "--reeds\r\nContent-Disposition: form-data; name=\"a%0D%0Ab%22c\"\r\n\r\n\
             x\r\ny\r\nz\r\nw \"%0A\"\r\n\
             --reeds\r\nContent-Disposition: form-data; name=\"map\"; filename=\"\"\r\n\
             Content-Type: application/octet-stream\r\n\r\n\r\n--reeds--\r\n"
        );
    }

    #[test]
    fn a_form_without_entries_is_its_closing_boundary() {
        let (_, empty) = text(body(&[], Enctype::Multipart, UTF_8, &fixed()));
        assert_eq!(empty, "--reeds--\r\n");
        let (kind, empty) = text(body(&[], Enctype::Plain, UTF_8, &fixed()));
        assert_eq!((kind.as_str(), empty.as_str()), ("text/plain", ""));
    }

    #[test]
    fn a_boundary_that_the_body_holds_is_not_taken() {
        let entries = [Entry::text("a", "--reeds"), Entry::text("reeds1", PREFIX)];
        let (kind, sent) = text(body(&entries, Enctype::Multipart, UTF_8, &fixed()));
        assert_eq!(kind, "multipart/form-data; boundary=reeds2");
        assert_eq!(sent.matches("--reeds2").count(), 3);
        let parts = [PREFIX.as_bytes().to_vec()];
        let guessed = Boundary::Fixed(PREFIX.to_owned()).outside_of(&parts);
        assert_eq!(guessed, format!("{PREFIX}1"));
    }

    #[test]
    fn random_boundaries_differ_and_have_the_browser_s_length() {
        let [one, other] = [(); 2].map(|()| Boundary::Random.outside_of(&[]));
        assert_ne!(one, other);
        assert_eq!(one.len(), "----WebKitFormBoundary0123456789abcdef".len());
        assert!(one.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-'));
    }

    #[test]
    fn what_a_charset_cannot_hold_is_written_as_a_reference() {
        let entries = [Entry::text("é", "ü\u{65e5}")];
        let plain = body(&entries, Enctype::Plain, WINDOWS_1252, &fixed());
        assert_eq!(plain.bytes, b"\xe9=\xfc&#26085;\r\n");
        let parts = body(&entries, Enctype::Multipart, WINDOWS_1252, &fixed());
        let holds = |wanted: &[u8]| parts.bytes.windows(wanted.len()).any(|one| one == wanted);
        assert!(holds(b"name=\"\xe9\"\r\n\r\n\xfc&#26085;\r\n"));
    }

    #[test]
    fn shows_no_value_when_it_is_printed() {
        let shown = format!("{:?}", Entry::text("word", "rushes"));
        assert!(
            shown.contains("word") && !shown.contains("rushes"),
            "{shown}"
        );
    }
}
