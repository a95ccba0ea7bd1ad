//! A pseudo-terminal that stands for a serial port: the rig holds the master, a stable link shows
//! the other side to whoever opens it as a port.
//!
//! Dropping it is what pulling out an adapter is: readers get a hang-up and the link is gone.

use std::io::{self, Read, Write};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::errno::Errno;
use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use tokio::io::unix::AsyncFd;
use tokio::time::sleep;

/// How often an abandoned port looks whether someone has opened it.
const VACANT_LOOK: Duration = Duration::from_millis(5);

/// The rig's side of a port.
#[derive(Debug)]
pub(crate) struct Pty {
    /// `None` only while it is being registered anew.
    master: Option<AsyncFd<PtyMaster>>,
    _link: Link,
}

impl Pty {
    /// A new port behind `link`. A link that a killed rig left behind is replaced; anything else
    /// of that name is an error.
    pub(crate) fn open(link: &Path) -> io::Result<Self> {
        let flags = OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC;
        let master = posix_openpt(flags)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        // Raw from the start, or what is sent before the far side sets its own would be echoed.
        let mut settings = tcgetattr(&master)?;
        cfmakeraw(&mut settings);
        tcsetattr(&master, SetArg::TCSANOW, &settings)?;
        let port = PathBuf::from(ptsname_r(&master)?);
        Ok(Self {
            master: Some(register(master)?),
            _link: Link::new(link, port)?,
        })
    }

    /// Bytes from the far side; waits while nobody has the port open. Safe to cancel.
    pub(crate) async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let master = self.master.as_ref().ok_or_else(gone)?;
            let mut guard = master.readable().await?;
            let is_closed = guard.ready().is_read_closed();
            match guard.try_io(|master| master.get_ref().read(buffer)) {
                Ok(Ok(count)) => return Ok(count),
                // The far side closed the port; it is there for the next one.
                Ok(Err(error)) if error.raw_os_error() == Some(Errno::EIO as i32) => {
                    sleep(VACANT_LOOK).await;
                    self.register_anew()?;
                }
                Ok(Err(error)) => return Err(error),
                // The hang-up is over, and the runtime never forgets one.
                Err(_) if is_closed => self.register_anew()?,
                Err(_) => {}
            }
        }
    }

    fn register_anew(&mut self) -> io::Result<()> {
        let master = self.master.take().ok_or_else(gone)?.into_inner();
        self.master = Some(register(master)?);
        Ok(())
    }

    /// Puts bytes on the wire. What nobody takes is lost, as it is on a wire: with the port closed
    /// all of it, with the far side's buffer full what no longer fits.
    pub(crate) fn write(&self, bytes: &[u8]) {
        if let Some(master) = &self.master
            && let Err(error) = master.get_ref().write(bytes)
            && error.raw_os_error() != Some(Errno::EIO as i32)
        {
            tracing::debug!(%error, count = bytes.len(), "bytes lost on a simulated line");
        }
    }
}

#[expect(
    deprecated,
    reason = "the newer constructor is unsafe for descriptors that may change; a master owns its one descriptor to the end"
)]
fn register(master: PtyMaster) -> io::Result<AsyncFd<PtyMaster>> {
    AsyncFd::new(master)
}

fn gone() -> io::Error {
    io::Error::new(
        io::ErrorKind::NotConnected,
        "the simulated port could not be registered again",
    )
}

/// The symbolic link, removed when dropped if it is still ours.
#[derive(Debug)]
struct Link {
    path: PathBuf,
    port: PathBuf,
}

impl Link {
    fn new(path: &Path, port: PathBuf) -> io::Result<Self> {
        if path
            .symlink_metadata()
            .is_ok_and(|there| there.is_symlink())
        {
            std::fs::remove_file(path)?;
        }
        symlink(&port, path)?;
        Ok(Self {
            path: path.to_owned(),
            port,
        })
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        if std::fs::read_link(&self.path).is_ok_and(|port| port == self.port) {
            // Nothing can be done about a link that will not go; the next rig replaces it.
            let _ = std::fs::remove_file(&self.path);
        }
    }
}
