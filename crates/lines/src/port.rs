//! Serial ports: opened by path, alone, with a clean start.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serialport::{ClearBuffer, SerialPort, TTYPort};
use tokio::sync::oneshot;
use tokio_serial::SerialStream;
use zonda_config::PortPlan;
use zonda_model::Cause;
use zonda_protocol::serial::{DataBits, Parity, SerialSettings, StopBits};

use crate::discover::check_by_id;
use crate::link::NotOpened;

/// A driver that takes longer to open is reported; the opening goes on.
const OPEN_WITHIN: Duration = Duration::from_secs(5);

/// Opens a port, again and again if need be, never twice at a time.
#[derive(Clone, Debug)]
pub(crate) struct Opener {
    plan: PortPlan,
    /// An opening is under way. It may hang in a driver for ever; a second one would hang as well.
    is_busy: Arc<AtomicBool>,
}

impl Opener {
    pub(crate) fn new(plan: PortPlan) -> Self {
        Self {
            plan,
            is_busy: Arc::default(),
        }
    }

    /// Opens the port; an error is a sentence for a person.
    ///
    /// The path is looked up anew each time, so a link that leads elsewhere now is followed. The
    /// port is exclusive as far as the kernel can do that: a second program that asks politely is
    /// refused. What waited in the kernel from before is thrown away: it has no time.
    pub(crate) async fn open(self) -> Result<SerialStream, NotOpened> {
        let path = self.plan.path.display().to_string();
        let cannot = |reason: &str| NotOpened::from(format!("cannot open {path}: {reason}"));
        let slow = cannot("the driver does not answer");
        if self.is_busy.swap(true, Ordering::AcqRel) {
            return Err(slow);
        }
        match tokio::time::timeout(OPEN_WITHIN, self.open_on_a_thread()).await {
            Ok(Ok(Ok(port))) => {
                SerialStream::try_from(port).map_err(|error| cannot(&error.to_string()))
            }
            Ok(Ok(Err(NotReady::Port(error)))) => Err(cannot(&reason(&error))),
            Ok(Ok(Err(NotReady::Mismatch(why)))) => Err(NotOpened {
                cause: Cause::Mismatch,
                why,
            }),
            Ok(Err(_)) => Err(cannot("no thread to open it on")),
            Err(_) => Err(slow),
        }
    }

    /// On a thread that nobody waits for at the end, because a driver may never come back.
    fn open_on_a_thread(self) -> oneshot::Receiver<Result<TTYPort, NotReady>> {
        let (tell, told) = oneshot::channel();
        let is_busy = Arc::clone(&self.is_busy);
        let opening = std::thread::Builder::new()
            .name("open".to_owned())
            .spawn(move || {
                let outcome = open_now(&self.plan);
                self.is_busy.store(false, Ordering::Release);
                // If nobody waits any more, the port is closed again right here.
                let _ = tell.send(outcome);
            });
        if opening.is_err() {
            is_busy.store(false, Ordering::Release);
        }
        told
    }
}

/// Why a port is not opened.
enum NotReady {
    /// Another adapter is there under its name.
    Mismatch(String),
    /// It cannot be opened.
    Port(serialport::Error),
}

impl From<serialport::Error> for NotReady {
    fn from(error: serialport::Error) -> Self {
        Self::Port(error)
    }
}

/// Looks at the adapter before anything is opened: opening alone moves its control lines.
fn open_now(plan: &PortPlan) -> Result<TTYPort, NotReady> {
    check_by_id(Path::new("/"), &plan.path).map_err(NotReady::Mismatch)?;
    let settings = plan.settings;
    let port = serialport::new(plan.path.to_string_lossy(), settings.baud())
        .data_bits(data_bits(settings))
        .parity(parity(settings))
        .stop_bits(stop_bits(settings))
        .flow_control(serialport::FlowControl::None)
        .open_native()?;
    port.clear(ClearBuffer::Input)?;
    Ok(port)
}

fn reason(error: &serialport::Error) -> String {
    use std::io::ErrorKind as Io;
    match error.kind {
        // The library says "no device" of a port that another program holds.
        serialport::ErrorKind::NoDevice if is_taken(&error.description) => {
            "another program has it".to_owned()
        }
        serialport::ErrorKind::NoDevice | serialport::ErrorKind::Io(Io::NotFound) => {
            "it is not there; is the adapter plugged in?".to_owned()
        }
        serialport::ErrorKind::Io(Io::PermissionDenied) => {
            "this user may not; add it to the group of the port, often `dialout`".to_owned()
        }
        _ => error.to_string(),
    }
}

/// It is locked, or the kernel keeps it for whoever asked for it alone.
fn is_taken(description: &str) -> bool {
    ["lock", "busy"]
        .iter()
        .any(|word| description.contains(word))
}

/// Sets an open port anew; what has come at the settings before is thrown away.
pub(crate) fn set(port: &mut SerialStream, settings: SerialSettings) -> Result<(), String> {
    let set = |port: &mut SerialStream| {
        port.set_baud_rate(settings.baud())?;
        port.set_data_bits(data_bits(settings))?;
        port.set_parity(parity(settings))?;
        port.set_stop_bits(stop_bits(settings))?;
        port.clear(ClearBuffer::Input)
    };
    set(port).map_err(|error| format!("the port cannot be set to {settings}: {error}"))
}

const fn data_bits(settings: SerialSettings) -> serialport::DataBits {
    match settings.data_bits() {
        DataBits::Seven => serialport::DataBits::Seven,
        DataBits::Eight => serialport::DataBits::Eight,
    }
}

const fn parity(settings: SerialSettings) -> serialport::Parity {
    match settings.parity() {
        Parity::None => serialport::Parity::None,
        Parity::Even => serialport::Parity::Even,
        Parity::Odd => serialport::Parity::Odd,
    }
}

const fn stop_bits(settings: SerialSettings) -> serialport::StopBits {
    match settings.stop_bits() {
        StopBits::One => serialport::StopBits::One,
        StopBits::Two => serialport::StopBits::Two,
    }
}
