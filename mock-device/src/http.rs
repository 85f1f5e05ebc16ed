//! HTTP/1.1 (RFC 9112) by hand: requests from raw bytes, answers as raw bytes.
//!
//! An HTTP library would refuse to send what broken devices send. Here an [`Answer`] is a list of
//! pieces for the wire, so that a scenario can send any bytes, stop half-way, or reset.

use std::time::Duration;

/// Most bytes of a request, head and body together.
pub(crate) const REQUEST_BOUND: usize = 1 << 20;

/// A request as it came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Request {
    pub(crate) method: String,
    /// The path without its query.
    pub(crate) path: String,
    /// Names in lower case.
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Vec<u8>,
}

/// How far the bytes that have come are a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Parsed {
    /// More bytes are needed.
    Part,
    /// A whole request.
    Whole(Request),
    /// No request; the status to answer with and the reason.
    Bad(u16, &'static str),
}

impl Request {
    /// Reads a request from the bytes that have come so far.
    pub(crate) fn parse(bytes: &[u8]) -> Parsed {
        let Some(head_end) = find(bytes, b"\r\n\r\n") else {
            return if bytes.len() > REQUEST_BOUND {
                Parsed::Bad(413, "the head is too long")
            } else {
                Parsed::Part
            };
        };
        let Ok(head) = std::str::from_utf8(&bytes[..head_end]) else {
            return Parsed::Bad(400, "the head is no text");
        };
        let mut lines = head.split("\r\n");
        let mut words = lines.next().unwrap_or_default().split(' ');
        let (Some(method), Some(target), Some("HTTP/1.1" | "HTTP/1.0"), None) =
            (words.next(), words.next(), words.next(), words.next())
        else {
            return Parsed::Bad(400, "the request line is none");
        };
        let mut headers = Vec::new();
        for line in lines {
            let Some((name, value)) = line.split_once(':') else {
                return Parsed::Bad(400, "a header has no colon");
            };
            headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
        }
        let mut request = Request {
            method: method.to_owned(),
            path: target.split('?').next().unwrap_or_default().to_owned(),
            headers,
            body: Vec::new(),
        };
        if request.header("transfer-encoding").is_some() {
            return Parsed::Bad(411, "the body has no Content-Length");
        }
        let lengths: Vec<&str> = request.all("content-length").collect();
        let length = match lengths[..] {
            [] => 0,
            [length] => match length.parse::<usize>() {
                Ok(length) => length,
                Err(_) => return Parsed::Bad(400, "the Content-Length is no number"),
            },
            _ => return Parsed::Bad(400, "there are two Content-Lengths"),
        };
        let start = head_end + 4;
        if start.saturating_add(length) > REQUEST_BOUND {
            return Parsed::Bad(413, "the request is too long");
        }
        let Some(body) = bytes.get(start..start + length) else {
            return Parsed::Part;
        };
        request.body = body.to_vec();
        Parsed::Whole(request)
    }

    /// The first header of a name given in lower case.
    pub(crate) fn header(&self, name: &'static str) -> Option<&str> {
        self.all(name).next()
    }

    /// Whether its body is said to be of a type, parameters such as a charset aside.
    pub(crate) fn is_of_type(&self, wanted: &str) -> bool {
        self.header("content-type")
            .and_then(|value| value.split(';').next())
            .is_some_and(|kind| kind.trim().eq_ignore_ascii_case(wanted))
    }

    /// What its cookies are (RFC 6265 section 4.2.1), as names and values.
    pub(crate) fn cookies(&self) -> impl Iterator<Item = (&str, &str)> {
        self.all("cookie")
            .flat_map(|cookies| cookies.split(';'))
            .filter_map(|cookie| cookie.trim().split_once('='))
    }

    fn all(&self, name: &'static str) -> impl Iterator<Item = &str> {
        self.headers
            .iter()
            .filter(move |(known, _)| known == name)
            .map(|(_, value)| value.as_str())
    }
}

/// An answer before it becomes bytes. All of it can be bent: the lengths are headers like others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Reply {
    pub(crate) version: &'static str,
    pub(crate) line_end: &'static str,
    pub(crate) status: u16,
    pub(crate) headers: Vec<(&'static str, String)>,
    /// The body as it goes over the wire, compressed or chunked if the headers say so.
    pub(crate) body: Vec<u8>,
}

impl Reply {
    /// A well-formed answer that closes the connection.
    pub(crate) fn new(status: u16, content_type: &str, body: impl Into<Vec<u8>>) -> Self {
        let body = body.into();
        Self {
            version: "HTTP/1.1",
            line_end: "\r\n",
            status,
            headers: vec![
                ("Content-Type", content_type.to_owned()),
                ("Content-Length", body.len().to_string()),
                ("Cache-Control", "no-store".to_owned()),
                ("Connection", "close".to_owned()),
            ],
            body,
        }
    }

    /// A line of text.
    pub(crate) fn text(status: u16, text: impl Into<String>) -> Self {
        Self::new(status, "text/plain", text.into())
    }

    /// Adds a header.
    pub(crate) fn with(mut self, name: &'static str, value: &str) -> Self {
        self.headers.push((name, value.to_owned()));
        self
    }

    /// Sets a header to one value, or takes it away.
    pub(crate) fn set(&mut self, name: &'static str, value: Option<String>) {
        self.headers.retain(|(known, _)| *known != name);
        if let Some(value) = value {
            self.headers.push((name, value));
        }
    }

    /// Puts another body in, with its length.
    pub(crate) fn set_body(&mut self, body: Vec<u8>) {
        self.set("Content-Length", Some(body.len().to_string()));
        self.body = body;
    }

    /// Another answer of the same type that says one thing.
    pub(crate) fn instead(&self, status: u16, text: &str) -> Self {
        let kind = self
            .headers
            .iter()
            .find(|(name, _)| *name == "Content-Type");
        match kind {
            Some((_, kind)) if kind.starts_with("text/html") => {
                let page =
                    format!("<!DOCTYPE html>\n<html><body><p id=\"said\">{text}</p></body></html>");
                Self::new(status, kind, page)
            }
            _ => Self::text(status, text),
        }
    }

    /// Everything before the body.
    pub(crate) fn head(&self) -> Vec<u8> {
        let end = self.line_end;
        let mut head = format!(
            "{} {} {}{end}",
            self.version,
            self.status,
            reason(self.status)
        );
        for (name, value) in &self.headers {
            head.extend([name, ": ", value, end]);
        }
        head.push_str(end);
        head.into_bytes()
    }

    /// Head and body.
    pub(crate) fn whole(&self) -> Answer {
        Answer {
            status: Some(self.status),
            pieces: vec![Piece::Bytes(self.head()), Piece::Bytes(self.body.clone())],
        }
    }

    /// The head with the length of the whole, and half of the body.
    pub(crate) fn half(&self) -> Answer {
        let half = self.body[..self.body.len() / 2].to_vec();
        Answer {
            status: Some(self.status),
            pieces: vec![Piece::Bytes(self.head()), Piece::Bytes(half)],
        }
    }
}

/// What goes over the wire, in order. After the last piece the connection is closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Answer {
    /// The status that is sent; none when no byte is.
    pub(crate) status: Option<u16>,
    pub(crate) pieces: Vec<Piece>,
}

/// One step on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Piece {
    /// These bytes.
    Bytes(Vec<u8>),
    /// Nothing, until the other side closes.
    Stall,
    /// Nothing for so long.
    Wait(Duration),
    /// These bytes again and again, with a pause after each time.
    Again {
        /// What is sent each time.
        bytes: Vec<u8>,
        /// The pause.
        every: Duration,
        /// How often.
        times: u32,
    },
    /// The connection is reset; what follows is not sent.
    Reset,
}

impl Answer {
    /// No byte, and the connection is reset.
    pub(crate) fn reset() -> Self {
        Self {
            status: None,
            pieces: vec![Piece::Reset],
        }
    }

    /// No byte, and the connection stays open.
    pub(crate) fn silent() -> Self {
        Self {
            status: None,
            pieces: vec![Piece::Stall],
        }
    }

    /// Adds a piece.
    pub(crate) fn then(mut self, piece: Piece) -> Self {
        self.pieces.push(piece);
        self
    }
}

/// RFC 9110 section 15; for what is missing here the phrase may be empty (RFC 9112 section 4).
fn reason(status: u16) -> &'static str {
    match status {
        200 => "OK",
        202 => "Accepted",
        302 => "Found",
        303 => "See Other",
        307 => "Temporary Redirect",
        400 => "Bad Request",
        403 => "Forbidden",
        404 => "Not Found",
        411 => "Length Required",
        413 => "Content Too Large",
        415 => "Unsupported Media Type",
        422 => "Unprocessable Content",
        500 => "Internal Server Error",
        507 => "Insufficient Storage",
        _ => "",
    }
}

fn find(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes
        .windows(wanted.len())
        .position(|window| window == wanted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_a_request_once_all_of_it_has_come() {
        let bytes = b"POST /keep?x=1 HTTP/1.1\r\nHOST: here\r\ncontent-LENGTH:  3\r\n\r\na=b";
        for cut in 0..bytes.len() {
            assert_eq!(Request::parse(&bytes[..cut]), Parsed::Part, "{cut}");
        }
        let Parsed::Whole(request) = Request::parse(bytes) else {
            panic!("it is whole")
        };
        assert_eq!(
            (request.method.as_str(), request.path.as_str()),
            ("POST", "/keep")
        );
        assert_eq!(request.header("host"), Some("here"));
        assert_eq!(request.body, b"a=b");
    }

    #[test]
    fn refuses_what_is_no_request_with_the_fitting_status() {
        let status = |text: &str| match Request::parse(text.as_bytes()) {
            Parsed::Bad(status, _) => status,
            other => panic!("{text:?} gave {other:?}"),
        };
        assert_eq!(status("HELLO\r\n\r\n"), 400);
        assert_eq!(status("GET / HTTP/3\r\n\r\n"), 400);
        assert_eq!(status("GET / HTTP/1.1\r\nno colon\r\n\r\n"), 400);
        assert_eq!(status("POST / HTTP/1.1\r\nContent-Length: x\r\n\r\n"), 400);
        assert_eq!(
            status("POST / HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 1\r\n\r\na"),
            400
        );
        assert_eq!(
            status("POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n"),
            411
        );
        assert_eq!(
            status("POST / HTTP/1.1\r\nContent-Length: 1048577\r\n\r\n"),
            413
        );
        assert_eq!(status(&"x".repeat(REQUEST_BOUND + 1)), 413);
    }

    #[test]
    fn content_type_is_compared_without_parameters_and_case() {
        let bytes = b"POST / HTTP/1.1\r\nContent-Type: Application/JSON; charset=utf-8\r\n\r\n";
        let Parsed::Whole(request) = Request::parse(bytes) else {
            panic!("it is whole")
        };
        assert!(request.is_of_type("application/json"));
        assert!(!request.is_of_type("text/plain"));
    }

    #[test]
    fn reply_can_be_bent_on_the_wire() {
        let mut reply = Reply::text(200, "abcd");
        reply.version = "HTTP/1.0";
        reply.line_end = "\n";
        reply.headers = vec![
            ("Content-Length", "4".to_owned()),
            ("Content-Length", "9".to_owned()),
        ];
        assert_eq!(
            reply.half().pieces,
            [
                Piece::Bytes(b"HTTP/1.0 200 OK\nContent-Length: 4\nContent-Length: 9\n\n".to_vec()),
                Piece::Bytes(b"ab".to_vec()),
            ]
        );
    }
}
