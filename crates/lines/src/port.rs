//! Serial ports: opened by path, alone, with a clean start; and told when they are gone.

use std::time::Duration;

use serialport::ClearBuffer;
use tokio_serial::{SerialPort, SerialPortBuilderExt, SerialStream};
use zonda_config::PortPlan;
use zonda_protocol::serial::{DataBits, Parity, SerialSettings, StopBits};

/// Opening may hang in a driver; after this it is tried again.
const OPEN_WITHIN: Duration = Duration::from_secs(5);

/// Opens a port. Runs on a thread of its own, because drivers may take their time.
///
/// Exclusive, as far as the kernel can do that: a second program that asks politely is refused.
/// What waited in the kernel from before is thrown away: it has no time.
pub(crate) async fn open(plan: PortPlan) -> Result<SerialStream, String> {
    let path = plan.path.display().to_string();
    let opening = tokio::task::spawn_blocking(move || open_now(&plan));
    match tokio::time::timeout(OPEN_WITHIN, opening).await {
        Ok(Ok(Ok(port))) => Ok(port),
        Ok(Ok(Err(error))) => Err(format!("cannot open {path}: {}", reason(&error))),
        Ok(Err(_)) => Err(format!("cannot open {path}: the driver failed")),
        Err(_) => Err(format!("cannot open {path}: the driver did not answer within {} s", OPEN_WITHIN.as_secs())),
    }
}

fn open_now(plan: &PortPlan) -> Result<SerialStream, tokio_serial::Error> {
    let settings = plan.settings;
    let port = tokio_serial::new(plan.path.to_string_lossy(), settings.baud())
        .data_bits(data_bits(settings))
        .parity(parity(settings))
        .stop_bits(stop_bits(settings))
        .flow_control(tokio_serial::FlowControl::None)
        .open_native_async()?;
    port.clear(ClearBuffer::Input)?;
    Ok(port)
}

fn reason(error: &tokio_serial::Error) -> String {
    match error.kind {
        // The library says "no device" of a port that another program holds.
        tokio_serial::ErrorKind::NoDevice if error.description.contains("lock") => "another program has it".to_owned(),
        tokio_serial::ErrorKind::NoDevice => "it is not there".to_owned(),
        tokio_serial::ErrorKind::Io(std::io::ErrorKind::NotFound) => "it is not there".to_owned(),
        tokio_serial::ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => "this user may not; its group (often `dialout`) may".to_owned(),
        _ => error.to_string(),
    }
}

const fn data_bits(settings: SerialSettings) -> tokio_serial::DataBits {
    match settings.data_bits() {
        DataBits::Seven => tokio_serial::DataBits::Seven,
        DataBits::Eight => tokio_serial::DataBits::Eight,
    }
}

const fn parity(settings: SerialSettings) -> tokio_serial::Parity {
    match settings.parity() {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    }
}

const fn stop_bits(settings: SerialSettings) -> tokio_serial::StopBits {
    match settings.stop_bits() {
        StopBits::One => tokio_serial::StopBits::One,
        StopBits::Two => tokio_serial::StopBits::Two,
    }
}

/// Throws away what has come and was not read.
pub(crate) fn drain(port: &SerialStream) -> Result<(), String> {
    port.clear(ClearBuffer::Input).map_err(|error| format!("the port is gone: {error}"))
}
