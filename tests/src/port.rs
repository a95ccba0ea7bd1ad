//! Serial ports made of pseudo-terminals: plugged in under a name, pulled out, joined by a cable.
//!
//! A pseudo-terminal has no speed, no parity and no modem lines (asked for parity, some libraries
//! fail: use 8N1); what a hang-up looks like to the program that holds it is the same as with a
//! pulled adapter.

use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use anyhow::{Context, Result};
use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::{grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

/// How long a thread of ours waits for bytes before it looks whether it is wanted still.
const WAIT_MS: u16 = 20;

/// A port under a stable name; what the program writes into it comes out here, and back.
///
/// Dropping it pulls it out: whoever holds the port sees a hang-up, and the name is gone.
#[derive(Debug)]
pub struct Port {
    link: PathBuf,
    ours: File,
    /// Held open, so that a program that has not come yet, or has gone, is no hang-up for us.
    _theirs: File,
}

impl Port {
    /// Plugs a port in under this name.
    ///
    /// # Errors
    /// No pseudo-terminal can be had, or the name is taken.
    pub fn plug(link: &Path) -> Result<Self> {
        let flags = OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_CLOEXEC | OFlag::O_NONBLOCK;
        let master = posix_openpt(flags)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let device = ptsname_r(&master)?;
        let theirs = OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(OFlag::O_NOCTTY.bits())
            .open(&device)?;
        let mut settings = tcgetattr(&theirs)?;
        cfmakeraw(&mut settings);
        tcsetattr(&theirs, SetArg::TCSANOW, &settings)?;
        symlink(&device, link).with_context(|| format!("could not make {}", link.display()))?;
        Ok(Self {
            link: link.to_owned(),
            ours: File::from(OwnedFd::from(master)),
            _theirs: theirs,
        })
    }

    /// The name under which it is plugged in.
    pub fn path(&self) -> &Path {
        &self.link
    }

    /// Bytes that have come, none where nothing came for a moment.
    ///
    /// # Errors
    /// The port is broken.
    pub fn read(&self) -> Result<Vec<u8>> {
        let mut fds = [PollFd::new(self.ours.as_fd(), PollFlags::POLLIN)];
        poll(&mut fds, PollTimeout::from(WAIT_MS))?;
        let mut bytes = vec![0; 4096];
        match (&self.ours).read(&mut bytes) {
            Ok(count) => bytes.truncate(count),
            Err(error) if error.kind() == ErrorKind::WouldBlock => bytes.clear(),
            Err(error) => return Err(error.into()),
        }
        Ok(bytes)
    }

    /// The speed in baud that whoever holds the port has set. A pseudo-terminal keeps it and goes no
    /// slower.
    ///
    /// # Errors
    /// The port is broken.
    pub fn speed(&self) -> Result<u32> {
        Ok(rustix::termios::tcgetattr(&self.ours)?.output_speed())
    }

    /// Sends bytes to whoever holds the port.
    ///
    /// # Errors
    /// The port is broken, or full because nobody reads.
    pub fn write(&self, bytes: &[u8]) -> Result<()> {
        Ok((&self.ours).write_all(bytes)?)
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.link);
    }
}

/// A thread that works until it is dropped.
#[derive(Debug)]
pub struct Worker {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Worker {
    /// Starts `work`, which looks at the flag often and returns soon after it is set.
    pub fn start(work: impl FnOnce(&AtomicBool) + Send + 'static) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&stop);
        let thread = Some(std::thread::spawn(move || work(&flag)));
        Self { stop, thread }
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A cable between two ports: what goes in at one end comes out at the other, until it is dropped.
#[derive(Debug)]
pub struct Cable {
    _pump: Worker,
}

impl Cable {
    /// Joins two ports as a wire does: what is sent at one speed and received at another is
    /// garbled.
    pub fn join_at_speed(a: Port, b: Port) -> Self {
        let pump = Worker::start(move |stop| {
            while !stop.load(Ordering::Relaxed) {
                if pass_at_speed(&a, &b).is_err() || pass_at_speed(&b, &a).is_err() {
                    return;
                }
            }
        });
        Self { _pump: pump }
    }

    /// Joins two ports.
    pub fn join(a: Port, b: Port) -> Self {
        let pump = Worker::start(move |stop| {
            while !stop.load(Ordering::Relaxed) {
                if pass(&a, &b).is_err() || pass(&b, &a).is_err() {
                    return;
                }
            }
        });
        Self { _pump: pump }
    }
}

fn pass_at_speed(from: &Port, to: &Port) -> Result<()> {
    let mut bytes = from.read()?;
    if from.speed()? != to.speed()? {
        // Neither digits nor an end of a line survive it.
        for byte in &mut bytes {
            *byte = !*byte | 0x80;
        }
    }
    if bytes.is_empty() {
        return Ok(());
    }
    to.write(&bytes)
}

fn pass(from: &Port, to: &Port) -> Result<()> {
    let bytes = from.read()?;
    if bytes.is_empty() {
        return Ok(());
    }
    to.write(&bytes)
}
