//! A small server on a loopback socket that answers with raw bytes, for the tests of this module.

use std::{
    io::Write,
    sync::{Arc, Mutex},
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpListener, TcpStream},
    task::JoinHandle,
};

use super::Origin;

/// What happens to the connection after the bytes.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Then {
    /// It is closed in order.
    Close,
    /// It is reset.
    Reset,
    /// It stays open, and nothing more comes.
    Stall,
}

/// One request as it came.
#[derive(Debug, Clone)]
pub(crate) struct Seen {
    /// Request line and headers, as they came.
    pub(crate) head: String,
    /// The body, as long as its length says.
    pub(crate) body: Vec<u8>,
}

impl Seen {
    /// `GET /radio`.
    pub(crate) fn line(&self) -> String {
        let line = self.head.lines().next().unwrap_or_default();
        line.trim_end_matches(" HTTP/1.1").to_owned()
    }

    pub(crate) fn body(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

/// The server; it ends with the value.
pub(crate) struct Tiny {
    pub(crate) origin: Origin,
    seen: Arc<Mutex<Vec<Seen>>>,
    task: JoinHandle<()>,
}

impl Tiny {
    /// Answers each request with what the closure makes of it and of its number, from 0.
    pub(crate) async fn start<F>(answer: F) -> Self
    where
        F: Fn(&Seen, usize) -> (Vec<u8>, Then) + Send + Sync + 'static,
    {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("an address");
        let seen = Arc::new(Mutex::new(Vec::new()));
        let (kept, answer) = (Arc::clone(&seen), Arc::new(answer));
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(serve(stream, Arc::clone(&kept), Arc::clone(&answer)));
            }
        });
        Self {
            origin: Origin::parse(&format!("http://{address}")).expect("an origin"),
            seen,
            task,
        }
    }

    /// Ends the server; when this returns nobody listens at its origin any more.
    pub(crate) async fn stop(mut self) -> Origin {
        self.task.abort();
        let ended = (&mut self.task).await;
        assert!(
            ended.is_err_and(|error| error.is_cancelled()),
            "it was running"
        );
        self.origin.clone()
    }

    /// All requests so far.
    pub(crate) fn seen(&self) -> Vec<Seen> {
        self.seen
            .lock()
            .expect("no panic while it was held")
            .clone()
    }

    /// The request lines so far.
    pub(crate) fn lines(&self) -> Vec<String> {
        self.seen().iter().map(Seen::line).collect()
    }
}

impl Drop for Tiny {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn serve<F>(mut stream: TcpStream, seen: Arc<Mutex<Vec<Seen>>>, answer: Arc<F>)
where
    F: Fn(&Seen, usize) -> (Vec<u8>, Then),
{
    let Some(request) = receive(&mut stream).await else {
        return;
    };
    let (bytes, then) = {
        let mut seen = seen.lock().expect("no panic while it was held");
        seen.push(request.clone());
        answer(&request, seen.len() - 1)
    };
    // A client that has had enough closes first, which is no fault of the test.
    let _ = stream.write_all(&bytes).await;
    match then {
        Then::Close => {
            let _ = stream.shutdown().await;
        }
        Then::Reset => stream.set_zero_linger().expect("a TCP socket"),
        Then::Stall => std::future::pending().await,
    }
}

async fn receive(stream: &mut TcpStream) -> Option<Seen> {
    let mut bytes = Vec::new();
    let end = loop {
        if let Some(at) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            break at + 4;
        }
        if stream.read_buf(&mut bytes).await.ok()? == 0 {
            return None;
        }
    };
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let length = head
        .lines()
        .find_map(|line| line.strip_prefix("Content-Length: "))
        .map_or(0, |length| length.parse().expect("a length"));
    while bytes.len() < end + length {
        if stream.read_buf(&mut bytes).await.ok()? == 0 {
            return None;
        }
    }
    Some(Seen {
        head,
        body: bytes[end..end + length].to_vec(),
    })
}

/// A sound answer.
pub(crate) fn answer(status: &str, headers: &str, body: impl AsRef<[u8]>) -> (Vec<u8>, Then) {
    let body = body.as_ref();
    let mut bytes = format!(
        "HTTP/1.1 {status}\r\n{headers}Content-Length: {}\r\n\r\n",
        body.len()
    )
    .into_bytes();
    bytes.extend_from_slice(body);
    (bytes, Then::Close)
}

pub(crate) fn gzip(body: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(body).expect("memory");
    encoder.finish().expect("memory")
}

/// Collects what this thread logs, whatever the level.
pub(crate) struct Log {
    bytes: Bytes,
    _guard: tracing::subscriber::DefaultGuard,
}

#[derive(Clone, Default)]
struct Bytes(Arc<Mutex<Vec<u8>>>);

impl Log {
    pub(crate) fn begin() -> Self {
        // As long as nobody listens, a place that logs for the first time may be taken for one that
        // nobody listens to, even if this begins in that moment; so somebody always does.
        let _ = tracing::subscriber::set_global_default(tracing_subscriber::registry());
        let bytes = Bytes::default();
        let writer = bytes.clone();
        let subscriber = tracing_subscriber::fmt()
            .with_max_level(tracing::Level::TRACE)
            .with_ansi(false)
            .with_writer(move || writer.clone())
            .finish();
        let log = Self {
            bytes,
            _guard: tracing::subscriber::set_default(subscriber),
        };
        tracing::callsite::rebuild_interest_cache();
        log
    }

    pub(crate) fn end(self) -> String {
        let bytes = self.bytes.0.lock().expect("no panic while it was held");
        String::from_utf8(bytes.clone()).expect("UTF-8")
    }
}

impl Write for Bytes {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let mut kept = self.0.lock().expect("no panic while it was held");
        kept.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}
