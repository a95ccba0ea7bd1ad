//! Waiting with a deadline: no test sleeps and hopes.

use std::thread;
use std::time::{Duration, Instant};

use anyhow::{Result, bail};

/// Between two looks. Far below any deadline, far above the cost of a look.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// How long to wait for something that takes seconds, on a machine that is busy with other things.
pub const PATIENCE: Duration = Duration::from_mins(1);

/// Looks until there is something to return.
///
/// # Errors
/// Nothing came within `limit`; `what` says what was waited for.
pub fn until<T>(limit: Duration, what: &str, look: impl FnMut() -> Result<Option<T>>) -> Result<T> {
    until_every(LOOK_EVERY, limit, what, look)
}

/// As [`until`], with so much time between two looks that are not cheap.
///
/// # Errors
/// Nothing came within `limit`; `what` says what was waited for.
pub fn until_every<T>(
    pause: Duration,
    limit: Duration,
    what: &str,
    mut look: impl FnMut() -> Result<Option<T>>,
) -> Result<T> {
    let deadline = Instant::now() + limit;
    loop {
        if let Some(found) = look()? {
            return Ok(found);
        }
        if Instant::now() > deadline {
            bail!("waited {limit:?} in vain for {what}");
        }
        thread::sleep(pause);
    }
}
