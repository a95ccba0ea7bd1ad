//! Sharp waits. The runtime's own timers tick in whole milliseconds; the silence between two frames
//! at 19 200 baud is 2.0 ms, and half of that again would be a tenth of the cycle.

use std::io;
use std::os::fd::{AsFd, AsRawFd, RawFd};
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::sys::time::TimeSpec;
use nix::sys::timerfd::{ClockId, Expiration, TimerFd, TimerFlags, TimerSetTimeFlags};
use tokio::io::unix::AsyncFd;

/// A timer of the kernel, good to some ten microseconds. It counts through suspend.
///
/// Where the kernel gives none (no file descriptors left), the runtime's timers stand in.
#[derive(Debug)]
pub(crate) struct Timer(Option<AsyncFd<Descriptor>>);

#[derive(Debug)]
struct Descriptor(TimerFd);

impl AsRawFd for Descriptor {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_fd().as_raw_fd()
    }
}

impl Timer {
    /// Must be called on the runtime.
    pub(crate) fn new() -> Self {
        let flags = TimerFlags::TFD_NONBLOCK | TimerFlags::TFD_CLOEXEC;
        let descriptor = TimerFd::new(ClockId::CLOCK_BOOTTIME, flags).map(Descriptor);
        #[expect(
            deprecated,
            reason = "its successor is unsafe to call; this descriptor is owned and never changes"
        )]
        let timer = descriptor.ok().and_then(|it| AsyncFd::new(it).ok());
        Self(timer)
    }

    /// Waits so long. Safe to drop while it waits.
    pub(crate) async fn sleep(&mut self, span: Duration) {
        if span.is_zero() {
            return;
        }
        let is_slept = match &self.0 {
            Some(timer) => sleep(timer, span).await.is_ok(),
            None => false,
        };
        if !is_slept {
            tokio::time::sleep(span).await;
        }
    }

    /// Waits until then.
    pub(crate) async fn sleep_until(&mut self, at: Instant) {
        self.sleep(at.saturating_duration_since(Instant::now()))
            .await;
    }
}

async fn sleep(timer: &AsyncFd<Descriptor>, span: Duration) -> io::Result<()> {
    // Setting it anew also forgets an expiry that nobody waited for.
    let expiration = Expiration::OneShot(TimeSpec::from_duration(span));
    timer
        .get_ref()
        .0
        .set(expiration, TimerSetTimeFlags::empty())?;
    loop {
        let mut ready = timer.readable().await?;
        match timer.get_ref().0.wait() {
            Ok(()) => return Ok(()),
            Err(Errno::EAGAIN) => ready.clear_ready(),
            Err(error) => return Err(error.into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn waits_are_never_short_and_mostly_sharp() {
        let mut timer = Timer::new();
        let mut late = Vec::new();
        for _ in 0..50 {
            let begun = Instant::now();
            timer.sleep(Duration::from_millis(2)).await;
            let over = begun.elapsed().checked_sub(Duration::from_millis(2));
            late.push(over.expect("never short"));
        }
        late.sort_unstable();
        // The runtime's own timers are 1 ms late in the middle; a shared machine is not held to more.
        assert!(late[25] < Duration::from_micros(900), "{late:?}");
    }

    #[tokio::test]
    async fn a_wait_that_was_dropped_does_not_end_the_next_one() {
        let mut timer = Timer::new();
        tokio::select! {
            biased;
            () = std::future::ready(()) => {}
            () = timer.sleep(Duration::from_micros(1)) => {}
        }
        std::thread::sleep(Duration::from_millis(1));
        let begun = Instant::now();
        timer.sleep(Duration::from_millis(5)).await;
        assert!(begun.elapsed() >= Duration::from_millis(5));
    }
}
