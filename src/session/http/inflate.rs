//! Bodies that come compressed without having been asked for: gzip, inflated within the bound.
//!
//! The HTTP library is built without decompression, so that no bomb can go off before the bound
//! is looked at.

use std::io::{self, Read};

use flate2::bufread::GzDecoder;

use crate::terms::Untrusted;

/// Why a body could not be decoded.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Fault {
    /// It inflates beyond the bound; nothing more than the bound was inflated.
    TooLarge,
    /// It ends before its own end mark.
    Truncated,
    /// Another encoding, or damaged; in words.
    Other(String),
}

/// Decodes a body by its `Content-Encoding` (RFC 9110, section 8.4); `x-gzip` is an older name of
/// gzip (section 8.4.1.3). An empty body needs no decoding, whatever its header says.
pub(super) fn decode(
    wire: Vec<u8>,
    encoding: Option<&str>,
    limit: usize,
) -> Result<Vec<u8>, Fault> {
    let encoding = encoding.map(|name| name.trim().to_ascii_lowercase());
    match encoding.as_deref() {
        _ if wire.is_empty() => Ok(wire),
        None | Some("" | "identity") => Ok(wire),
        Some("gzip" | "x-gzip") => gunzip(&wire, limit),
        Some(other) => Err(Fault::Other(format!(
            "`{}` is not gzip, the one compression that is understood",
            Untrusted::new(other)
        ))),
    }
}

fn gunzip(wire: &[u8], limit: usize) -> Result<Vec<u8>, Fault> {
    let damaged = || Fault::Other("it is said to be gzip and is not, or is damaged".into());
    // RFC 1952, section 2.3.1: the two bytes that every gzip member begins with.
    if !wire.starts_with(&[0x1f, 0x8b]) {
        return Err(damaged());
    }
    let mut out = Vec::new();
    // One byte more than is allowed tells a body that fits from one that does not.
    let most = u64::try_from(limit).unwrap_or(u64::MAX).saturating_add(1);
    GzDecoder::new(wire)
        .take(most)
        .read_to_end(&mut out)
        .map_err(|error| match error.kind() {
            io::ErrorKind::UnexpectedEof => Fault::Truncated,
            _ => damaged(),
        })?;
    if out.len() > limit {
        return Err(Fault::TooLarge);
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::testing::gzip;

    #[test]
    fn inflates_gzip_by_either_name() {
        for name in ["gzip", "x-gzip", " GZip "] {
            assert_eq!(
                decode(gzip(b"Smew"), Some(name), 4),
                Ok(b"Smew".to_vec()),
                "{name}"
            );
        }
        assert_eq!(
            decode(b"Smew".to_vec(), Some("identity"), 4),
            Ok(b"Smew".to_vec())
        );
        assert_eq!(decode(Vec::new(), Some("gzip"), 4), Ok(Vec::new()));
    }

    #[test]
    fn a_bomb_stops_at_the_bound() {
        let bomb = gzip(&vec![0; 8 * 1024 * 1024]);
        assert!(bomb.len() < 16 * 1024, "it is small on the wire");
        assert_eq!(decode(bomb, Some("gzip"), 1024), Err(Fault::TooLarge));
        assert_eq!(
            decode(gzip(&[0; 1025]), Some("gzip"), 1024),
            Err(Fault::TooLarge)
        );
        assert!(decode(gzip(&[0; 1024]), Some("gzip"), 1024).is_ok());
    }

    #[test]
    fn tells_a_cut_body_from_a_damaged_one() {
        let whole = gzip(b"Smew, Grebe, Teal");
        assert_eq!(
            decode(whole[..whole.len() - 3].to_vec(), Some("gzip"), 99),
            Err(Fault::Truncated)
        );
        let mut damaged = whole;
        let last = damaged.len() - 5;
        damaged[last] ^= 0xff;
        assert!(matches!(
            decode(damaged, Some("gzip"), 99),
            Err(Fault::Other(_))
        ));
        assert!(matches!(
            decode(b"<html>".to_vec(), Some("gzip"), 99),
            Err(Fault::Other(_))
        ));
    }

    #[test]
    fn names_an_encoding_that_it_does_not_understand() {
        for name in ["br", "deflate", "gzip, gzip", "\u{1b}[2J"] {
            let Err(Fault::Other(said)) = decode(b"x".to_vec(), Some(name), 9) else {
                panic!("`{name}` is not understood");
            };
            assert!(!said.contains('\u{1b}'), "{said:?}");
        }
    }
}
