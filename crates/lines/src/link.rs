//! A port or connection that comes and goes: opened beside the ticks, tried again ever less often,
//! and let go on a thread of its own, because closing may take half a minute in a driver.

use tokio::task::JoinHandle;
use tokio::time::Instant;
use zonda_model::Cause;

use crate::backoff::Backoff;

/// Why something is not open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct NotOpened {
    /// What the ticks meanwhile are missed by.
    pub(crate) cause: Cause,
    /// One sentence for a person.
    pub(crate) why: String,
}

impl From<String> for NotOpened {
    /// It is not there.
    fn from(why: String) -> Self {
        Self {
            cause: Cause::Unplugged,
            why,
        }
    }
}

/// A port or connection, or the way to it.
#[derive(Debug)]
pub(crate) struct Link<O: Send + 'static> {
    state: State<O>,
    backoff: Backoff,
}

#[derive(Debug)]
enum State<O> {
    Open(O),
    Opening(JoinHandle<Result<O, NotOpened>>),
    Resting(Instant),
}

impl<O: Send + 'static> Link<O> {
    /// Not open yet; tries at once.
    pub(crate) fn closed() -> Self {
        Self {
            state: State::Resting(Instant::now()),
            backoff: Backoff::of_links(),
        }
    }

    pub(crate) const fn is_open(&self) -> bool {
        matches!(self.state, State::Open(_))
    }

    pub(crate) const fn open_mut(&mut self) -> Option<&mut O> {
        match &mut self.state {
            State::Open(open) => Some(open),
            _ => None,
        }
    }

    /// Lets the port or connection go, first of all because a port that is held comes back under
    /// another name, and tries to open it again before long.
    pub(crate) fn lose(&mut self) {
        let rest = State::Resting(Instant::now() + self.backoff.next());
        let_go(std::mem::replace(&mut self.state, rest));
    }

    /// Something that was worth opening for came through: the next loss is a new one.
    pub(crate) fn proved(&mut self) {
        self.backoff.reset();
    }

    /// Waits until an opening ends, well or not. Never while open. Safe to drop while it waits.
    pub(crate) async fn progress<F>(&mut self, open: impl Fn() -> F) -> Result<(), NotOpened>
    where
        F: Future<Output = Result<O, NotOpened>> + Send + 'static,
    {
        loop {
            match &mut self.state {
                State::Open(_) => std::future::pending::<()>().await,
                State::Resting(until) => {
                    tokio::time::sleep_until(*until).await;
                    self.state = State::Opening(tokio::spawn(open()));
                }
                State::Opening(task) => {
                    let outcome = task.await;
                    let outcome = outcome.unwrap_or_else(|_| {
                        Err("opening failed inside the program".to_owned().into())
                    });
                    return match outcome {
                        Ok(opened) => {
                            self.state = State::Open(opened);
                            Ok(())
                        }
                        Err(error) => {
                            self.lose();
                            Err(error)
                        }
                    };
                }
            }
        }
    }
}

impl<O: Send + 'static> Drop for Link<O> {
    fn drop(&mut self) {
        let_go(std::mem::replace(
            &mut self.state,
            State::Resting(Instant::now()),
        ));
    }
}

/// Drops what may take its time on a thread of its own; here, if there is none to be had.
fn let_go<O: Send + 'static>(state: State<O>) {
    match state {
        State::Open(open) => {
            let _ = std::thread::Builder::new()
                .name("let-go".to_owned())
                .spawn(move || drop(open));
        }
        State::Opening(task) => task.abort(),
        State::Resting(_) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;
    use std::time::Duration;

    /// Closes as a driver with undrained output does.
    struct SlowToClose(mpsc::Receiver<()>);

    impl Drop for SlowToClose {
        fn drop(&mut self) {
            let _ = self.0.recv_timeout(Duration::from_secs(10));
        }
    }

    #[tokio::test]
    async fn a_port_that_is_slow_to_close_holds_up_nothing() {
        let (release, held) = mpsc::channel();
        let held = std::sync::Mutex::new(Some(held));
        let mut link = Link::closed();
        let opened = link.progress(|| {
            let held = held.lock().unwrap().take().unwrap();
            async move { Ok(SlowToClose(held)) }
        });
        opened.await.unwrap();
        assert!(link.is_open());
        let begun = Instant::now();
        link.lose();
        assert!(!link.is_open() && begun.elapsed() < Duration::from_secs(1));
        drop(release);
    }

    #[tokio::test(start_paused = true)]
    async fn what_cannot_be_opened_is_tried_ever_less_often() {
        let mut link: Link<()> = Link::closed();
        let begun = Instant::now();
        let mut tries = 0;
        while begun.elapsed() < Duration::from_hours(1) {
            let error = link
                .progress(|| async { Err("it is not there".to_owned().into()) })
                .await;
            assert_eq!(error, Err("it is not there".to_owned().into()));
            tries += 1;
        }
        // 0.25, 0.5, … 16 s, then every 22 to 30 s.
        assert!((115..180).contains(&tries), "{tries}");
    }
}
