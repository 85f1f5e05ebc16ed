//! Something between the program and its receiver: hands each request on to one device or another,
//! or answers itself. So a test can put a lookalike in the place of a receiver at an exact moment,
//! lose a request, or be a web page that is no receiver.

use std::{
    io::{Read, Write},
    net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream},
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
    thread,
    time::Duration,
};

/// What becomes of one request.
pub(crate) enum Route {
    /// The device at this address gets it.
    To(SocketAddr),
    /// It is answered with a status line's rest, a media type and a body, and reaches nobody.
    Say(&'static str, &'static str, String),
}

/// An address of its own on loopback.
pub(crate) struct Relay {
    address: SocketAddr,
    seen: Arc<AtomicUsize>,
}

impl Relay {
    /// Starts one; it is asked for each request, with its first line and how many came before.
    /// It serves until the test binary ends.
    pub(crate) fn start(mut route: impl FnMut(&str, usize) -> Route + Send + 'static) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
        let address = listener.local_addr().expect("its address");
        let seen = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&seen);
        thread::spawn(move || {
            for client in listener.incoming() {
                let Ok(client) = client else { return };
                let Some(head) = head_of(&client) else {
                    continue;
                };
                let text = String::from_utf8_lossy(&head).into_owned();
                let line = text.lines().next().unwrap_or_default();
                let route = route(line, count.fetch_add(1, Ordering::SeqCst));
                thread::spawn(move || serve(client, &head, route));
            }
        });
        Self { address, seen }
    }

    /// A page on the web that belongs to no receiver.
    pub(crate) fn page(body: &'static str) -> Self {
        Self::start(move |_, _| Route::Say("200 OK", "text/html", body.to_owned()))
    }

    /// Where it is.
    pub(crate) fn at(&self) -> String {
        format!("http://{}", self.address)
    }

    /// How many requests came.
    pub(crate) fn seen(&self) -> usize {
        self.seen.load(Ordering::SeqCst)
    }
}

/// The head of a request and whatever came with it.
fn head_of(mut client: &TcpStream) -> Option<Vec<u8>> {
    client.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
    let mut head = Vec::new();
    let mut piece = [0; 4096];
    while !head.windows(4).any(|end| end == b"\r\n\r\n") {
        let count = client.read(&mut piece).ok()?;
        if count == 0 {
            return None;
        }
        head.extend_from_slice(&piece[..count]);
    }
    client.set_read_timeout(None).ok()?;
    Some(head)
}

fn serve(mut client: TcpStream, head: &[u8], route: Route) {
    match route {
        Route::Say(status, kind, body) => {
            let answer = format!(
                "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\nConnection: \
                 close\r\n\r\n{body}",
                body.len()
            );
            // The body of the request is taken before the answer closes the connection, so that
            // no reset overtakes it.
            if client.write_all(answer.as_bytes()).is_ok() {
                let _ = client.shutdown(Shutdown::Write);
                let _ = std::io::copy(&mut client, &mut std::io::sink());
            }
        }
        Route::To(address) => {
            // A device that is gone resets, and so does this, by dropping what was not read.
            let Ok(mut device) = TcpStream::connect(address) else {
                return;
            };
            let (Ok(mut up), Ok(mut from)) = (client.try_clone(), device.try_clone()) else {
                return;
            };
            if device.write_all(head).is_err() {
                return;
            }
            let sending = thread::spawn(move || {
                let _ = std::io::copy(&mut up, &mut device);
                let _ = device.shutdown(Shutdown::Write);
            });
            let _ = std::io::copy(&mut from, &mut client);
            let _ = client.shutdown(Shutdown::Both);
            let _ = from.shutdown(Shutdown::Both);
            let _ = sending.join();
        }
    }
}
