//! Announces a simulated receiver over mDNS on one adapter, while it has joined a local network and
//! at no other time.

use std::{io, net::IpAddr};

use if_addrs::get_if_addrs;
use mdns_sd::{IfKind, ServiceDaemon, ServiceInfo};
use mock_device::{Air, Running, Why};
use tokio::sync::mpsc;

/// Where it is announced.
pub(crate) struct Adapter {
    name: String,
    /// The one address that answers; none: all of the adapter.
    only: Option<IpAddr>,
}

impl Adapter {
    /// The adapter of this name, or the one that has the address at which the receiver answers.
    ///
    /// Errors: there is none.
    pub(crate) fn find(named: Option<&str>, running: &Running) -> io::Result<Self> {
        let address = running.address().ip();
        let only = (!address.is_unspecified()).then_some(address);
        let all = get_if_addrs()?;
        let found = all.iter().find(|adapter| match named {
            Some(name) => adapter.name == name,
            None => only.is_some_and(|ip| ip == adapter.ip()),
        });
        if let Some(adapter) = found {
            return Ok(Self {
                name: adapter.name.clone(),
                only,
            });
        }
        let text = match named {
            Some(name) => format!("there is no adapter `{name}` with an address"),
            None => format!("no adapter has the address `{address}`; `--advertise-on` names one"),
        };
        Err(io::Error::new(io::ErrorKind::NotFound, text))
    }

    /// Announces the receiver whenever it has joined a local network, and takes that back whenever it
    /// has not, for ever.
    pub(crate) async fn announce(
        &self,
        running: &Running,
        mut air: mpsc::UnboundedReceiver<Air>,
    ) -> io::Result<()> {
        let mut present: Option<Sent> = None;
        while let Some(air) = air.recv().await {
            if let Some(sent) = present.take() {
                sent.take_back().await;
            }
            if air == Air::Closed(Why::Joined) {
                present = Some(self.send(running).map_err(io::Error::other)?);
            }
        }
        Ok(())
    }

    fn send(&self, running: &Running) -> mdns_sd::Result<Sent> {
        let daemon = ServiceDaemon::new()?;
        daemon.disable_interface(IfKind::All)?;
        daemon.enable_interface(IfKind::Name(self.name.clone()))?;
        let announcement = running.announcement();
        let service = format!("{}.local.", announcement.service);
        // One name for each simulation of this computer.
        let host = format!("tarn-{}.local.", std::process::id());
        let port = running.address().port();
        let txt = &announcement.txt[..];
        let addresses: Vec<IpAddr> = self.only.into_iter().collect();
        let mut info = ServiceInfo::new(
            &service,
            &announcement.name,
            &host,
            &addresses[..],
            port,
            txt,
        )?;
        if self.only.is_none() {
            info = info.enable_addr_auto();
        }
        daemon.register(info)?;
        Ok(Sent(daemon))
    }
}

/// What was announced, until it is taken back.
struct Sent(ServiceDaemon);

impl Sent {
    async fn take_back(self) {
        // A daemon that has ended by itself announces nothing any more.
        if let Ok(ended) = self.0.shutdown() {
            let _ = ended.recv_async().await;
        }
    }
}

impl Drop for Sent {
    fn drop(&mut self) {
        // The second time there is nobody to tell.
        let _ = self.0.shutdown();
    }
}
