//! One serial port with a device on it: moves bytes and time between the two, and unplugs the port
//! while that fault stands.

use std::io;
use std::path::PathBuf;
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until};
use tokio_util::sync::CancellationToken;
use zonda_model::Name;

use super::bus::BusCounts;
use super::pty::Pty;
use crate::fault::{Fault, Faults};

/// How long to wait before a port that could not be made is tried again.
const RETRY: Duration = Duration::from_secs(1);

/// What is on the far side of a port: bytes and instants in, bytes out.
pub(crate) trait Device: Send + 'static {
    /// These bytes came from the master.
    fn hear(&mut self, now: Instant, bytes: &[u8], faults: &Faults);
    /// When [`Device::step`] is due next.
    fn next(&self) -> Option<Instant>;
    /// Does what is due and returns the bytes that have reached the master by now.
    fn step(&mut self, now: Instant, faults: &Faults) -> Vec<u8>;
    /// The port was pulled out: what is under way is lost.
    fn reset(&mut self);
    /// What went over the line, where the device counts it.
    fn counts(&self) -> BusCounts {
        BusCounts::default()
    }
}

/// A port and its device.
#[derive(Debug)]
pub(crate) struct Port<D> {
    name: Name,
    link: PathBuf,
    pty: Option<Pty>,
    device: D,
    faults: watch::Receiver<Faults>,
    counts: watch::Sender<BusCounts>,
}

impl<D: Device> Port<D> {
    /// Makes the port; the link is there when this returns.
    pub(crate) fn open(
        name: &Name,
        link: PathBuf,
        device: D,
        faults: watch::Receiver<Faults>,
    ) -> io::Result<Self> {
        Ok(Self {
            name: name.clone(),
            pty: Some(Pty::open(&link)?),
            link,
            device,
            faults,
            counts: watch::Sender::default(),
        })
    }

    /// Counts as they are now and change.
    pub(crate) fn watch_counts(&self) -> watch::Receiver<BusCounts> {
        self.counts.subscribe()
    }

    /// Plays the device until the token is cancelled; then port and link are gone.
    pub(crate) async fn run(mut self, stop: CancellationToken) {
        stop.run_until_cancelled(async {
            // An error here says that the rig is gone.
            while self.faults.has_changed().is_ok() {
                let faults = self.faults.borrow_and_update().clone();
                if faults.stands(&Fault::Unplug(self.name.clone())) {
                    self.pty = None;
                    self.device.reset();
                    let _ = self.faults.changed().await;
                } else if let Err(error) = self.exchange(&faults).await {
                    tracing::warn!(line = %self.name, %error, "the simulated port failed; making it anew");
                    self.pty = None;
                    sleep(RETRY).await;
                }
            }
        })
        .await;
    }

    /// Until the faults change.
    async fn exchange(&mut self, faults: &Faults) -> io::Result<()> {
        let pty = match &mut self.pty {
            Some(pty) => pty,
            none => none.insert(Pty::open(&self.link)?),
        };
        let mut buffer = [0; 512];
        loop {
            let next = self.device.next();
            let due = sleep_until(next.unwrap_or_else(Instant::now));
            let heard = tokio::select! {
                _ = self.faults.changed() => return Ok(()),
                count = pty.read(&mut buffer) => count?,
                () = due, if next.is_some() => 0,
            };
            let now = Instant::now();
            let bytes = self.device.step(now, faults);
            if !bytes.is_empty() {
                pty.write(&bytes);
            }
            if heard > 0 {
                self.device.hear(now, &buffer[..heard], faults);
            }
            let counts = self.device.counts();
            self.counts
                .send_if_modified(|known| std::mem::replace(known, counts) != counts);
        }
    }
}
