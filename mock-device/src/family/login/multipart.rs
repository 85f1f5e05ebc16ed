//! Bodies of multipart/form-data (RFC 7578), read by a library that is not ours.

use multer::{Multipart, bytes::Bytes};

use crate::{family::fields::Fields, http::Request};

/// What a body carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Parts {
    /// The parts that are no files.
    pub(super) fields: Fields,
    /// The files, by the name of their control.
    pub(super) files: Vec<(String, Vec<u8>)>,
}

/// Why a body was not read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// It is of another type, or has no boundary.
    OtherType,
    /// It is none, or a text in it is no UTF-8.
    Broken,
}

/// Reads a whole body.
pub(super) fn parse(request: &Request) -> Result<Parts, Fault> {
    let boundary = request
        .header("content-type")
        .and_then(|kind| multer::parse_boundary(kind).ok())
        .ok_or(Fault::OtherType)?;
    // All of it is here already, so that nothing is ever waited for.
    futures_util::FutureExt::now_or_never(read(request.body.clone(), boundary))
        .unwrap_or(Err(Fault::Broken))
}

async fn read(body: Vec<u8>, boundary: String) -> Result<Parts, Fault> {
    let stream = futures_util::stream::iter([Ok::<_, std::convert::Infallible>(Bytes::from(body))]);
    let mut body = Multipart::new(stream, boundary);
    let mut fields = Vec::new();
    let mut files = Vec::new();
    while let Some(part) = body.next_field().await.map_err(|_| Fault::Broken)? {
        let name = part.name().ok_or(Fault::Broken)?.to_owned();
        let is_file = part.file_name().is_some();
        let bytes = part.bytes().await.map_err(|_| Fault::Broken)?.to_vec();
        if is_file {
            files.push((name, bytes));
        } else {
            fields.push((name, String::from_utf8(bytes).map_err(|_| Fault::Broken)?));
        }
    }
    Ok(Parts {
        fields: Fields(fields),
        files,
    })
}
