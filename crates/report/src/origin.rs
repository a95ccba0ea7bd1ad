//! Where the numbers of an export come from, in words: program, run, stretch, seal, and whether a rig
//! played the devices.

use zonda_model::{Quality, Stamp};
use zonda_store::{ChannelRow, Field, Readable, StoreError};

use crate::export::Request;

/// A line for each fact.
pub(crate) async fn lines(
    record: &Readable,
    request: &Request,
    channels: &[ChannelRow],
    stretches: &[(Stamp, Stamp)],
) -> Result<Vec<String>, StoreError> {
    let mut lines = Vec::new();
    if is_simulated(record, channels, stretches).await? {
        lines.push(SIMULATED.to_owned());
    }
    if let Some(session) = record.sessions(1).await?.first() {
        lines.push(format!("recorded by zonda {}", session.version));
    }
    if let Some(run) = &request.run {
        lines.push(format!("run: {}", run.name()));
        for field in Field::ALL {
            lines.extend(
                run.word(field)
                    .map(|word| format!("{}: {word}", field.word())),
            );
        }
    }
    let (from, to) = request.range;
    lines.push(format!("from {from} up to, not including, {to}"));
    if let Some(seal) = record.seal().await? {
        lines.push(format!(
            "seal: link {}, {}, up to {}",
            seal.link,
            seal.hex(),
            seal.at
        ));
    }
    Ok(lines)
}

/// Said of every file with readings of devices that a rig played.
pub(crate) const SIMULATED: &str =
    "SIMULATED: a rig played the devices; nothing here is a measurement of anything real";

/// True where any of these samples bears the mark.
pub(crate) async fn is_simulated(
    record: &Readable,
    channels: &[ChannelRow],
    stretches: &[(Stamp, Stamp)],
) -> Result<bool, StoreError> {
    let ids: Vec<_> = channels.iter().map(|row| row.id).collect();
    for stretch in stretches {
        if record.has_flag(*stretch, &ids, Quality::SIMULATED).await? {
            return Ok(true);
        }
    }
    Ok(false)
}
