//! Modbus TCP: one connection for all units behind an address.

use std::time::{Duration, Instant};

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout_at;
use zonda_config::TcpPlan;
use zonda_model::Cause;
use zonda_protocol::modbus::identification::{Question, Told};
use zonda_protocol::modbus::tcp::{Broken, Frame, Reader, encode};
use zonda_protocol::modbus::{Answer, Reply, Request, UnitId};

use crate::link::NotOpened;
use crate::polled::{AskError, Exchange, Wire};

/// The kernel's own patience is two minutes.
const CONNECT_WITHIN: Duration = Duration::from_secs(3);
/// A peer that acknowledges nothing for so long is gone, whatever the kernel still hopes.
const UNACKNOWLEDGED_MAX: Duration = Duration::from_secs(10);
/// A connection on which nothing at all came for so long, though it was asked, is tried anew.
const SILENT_MAX: Duration = Duration::from_secs(15);
const CLOSED: &str = "the other side closed the connection";

/// A Modbus TCP line.
#[derive(Debug)]
pub(crate) struct Tcp {
    plan: TcpPlan,
    transaction: u16,
    /// Answers with older numbers that were passed over.
    stale: u64,
}

/// An open connection with what came and was not yet used.
#[derive(Debug)]
pub(crate) struct Connection {
    stream: TcpStream,
    reader: Reader,
    /// When the first question was asked since something last came.
    unheard_since: Option<Instant>,
}

impl Tcp {
    pub(crate) fn new(plan: &TcpPlan) -> Self {
        Self {
            plan: plan.clone(),
            transaction: fastrand::u16(..),
            stale: 0,
        }
    }
}

/// Opens a connection that finds out by itself when its peer is gone.
pub(crate) async fn connect(host: String, port: u16) -> Result<TcpStream, String> {
    let cannot =
        |error: &dyn std::fmt::Display| format!("cannot connect to {host}:{port}: {error}");
    let connecting = TcpStream::connect((host.as_str(), port));
    let stream = match tokio::time::timeout(CONNECT_WITHIN, connecting).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(cannot(&error)),
        Err(_) => {
            let seconds = CONNECT_WITHIN.as_secs();
            return Err(cannot(&format!("no answer within {seconds} s")));
        }
    };
    let socket = SockRef::from(&stream);
    let keepalive = TcpKeepalive::new()
        .with_time(Duration::from_secs(10))
        .with_interval(Duration::from_secs(5))
        .with_retries(3);
    socket
        .set_tcp_nodelay(true)
        .and_then(|()| socket.set_tcp_keepalive(&keepalive))
        .and_then(|()| socket.set_tcp_user_timeout(Some(UNACKNOWLEDGED_MAX)))
        .map_err(|error| cannot(&error))?;
    Ok(stream)
}

impl Wire for Tcp {
    type Open = Connection;

    fn open(&self) -> impl Future<Output = Result<Connection, NotOpened>> + Send + 'static {
        let (host, port) = (self.plan.host.clone(), self.plan.port);
        async move {
            Ok(Connection {
                stream: connect(host, port).await?,
                reader: Reader::default(),
                unheard_since: None,
            })
        }
    }

    fn opened(&mut self) {}

    fn ready_at(&self, _: UnitId, now: Instant) -> Instant {
        now
    }

    fn longest(&self, _: Request, patience: Duration) -> Duration {
        patience
    }

    async fn ask(
        &mut self,
        connection: &mut Connection,
        request: Request,
        patience: Duration,
    ) -> Exchange {
        self.transaction = self.transaction.wrapping_add(1);
        let frame = encode(request, self.transaction);
        let sent_at = Instant::now();
        connection.unheard_since.get_or_insert(sent_at);
        let deadline = sent_at + patience;
        let read = |frame: &Frame| {
            let reply: Reply = frame.reply(request).map_err(broken)?;
            // The number proves that the answer is the right one: nothing is ever out of step.
            let resynced = false;
            Ok(Answer { reply, resynced })
        };
        let asking = connection.talk(&frame, self.transaction, &mut self.stale, read);
        let result = match timeout_at(deadline.into(), asking).await {
            Ok(result) => result,
            Err(_) => Err(connection.unanswered(patience)),
        };
        Exchange {
            sent_at,
            done_at: Instant::now(),
            result,
        }
    }

    async fn identify(
        &mut self,
        connection: &mut Connection,
        question: Question,
        patience: Duration,
    ) -> Result<Told, AskError> {
        self.transaction = self.transaction.wrapping_add(1);
        let transaction = self.transaction;
        let frame = question.tcp(transaction);
        connection.unheard_since.get_or_insert(Instant::now());
        let other = || broken(Broken::OtherAnswer(transaction));
        let read = |frame: &Frame| frame.told(question).ok_or_else(other);
        let asking = connection.talk(&frame, transaction, &mut self.stale, read);
        match tokio::time::timeout(patience, asking).await {
            Ok(result) => result,
            Err(_) => Err(connection.unanswered(patience)),
        }
    }

    async fn idle(&mut self, connection: &mut Connection) -> String {
        loop {
            if let Err(AskError::Gone(why) | AskError::Broken(why)) = connection.fill().await {
                return why;
            }
            // Nothing is asked, so whatever is whole is old.
            loop {
                match connection.reader.next_frame() {
                    Ok(Some(_)) => self.stale += 1,
                    Ok(None) => break,
                    Err(broken) => return out_of_step(broken),
                }
            }
        }
    }

    fn resyncs(&self) -> u64 {
        self.stale
    }

    fn cycle_least(&self) -> Duration {
        Duration::ZERO
    }
}

impl Connection {
    /// Asks, and passes over answers with older numbers, until ours is there.
    async fn talk<T>(
        &mut self,
        frame: &[u8],
        transaction: u16,
        stale: &mut u64,
        read: impl Fn(&Frame) -> Result<T, AskError>,
    ) -> Result<T, AskError> {
        // Twelve bytes fit into any send buffer that is not stuck; a part of them would be the end
        // of the stream's order.
        match self.stream.write(frame).await {
            Ok(count) if count == frame.len() => {}
            Ok(_) => return Err(AskError::Gone("the connection takes no bytes".to_owned())),
            Err(error) => return Err(AskError::Gone(format!("the connection is gone: {error}"))),
        }
        loop {
            while let Some(frame) = self.reader.next_frame().map_err(broken)? {
                if frame.transaction == transaction {
                    return read(&frame);
                }
                *stale += 1;
            }
            self.fill().await?;
        }
    }

    /// Reads what comes next. Safe to drop while it waits.
    async fn fill(&mut self) -> Result<(), AskError> {
        let mut bytes = [0; 1024];
        match self.stream.read(&mut bytes).await {
            Ok(0) => Err(AskError::Gone(CLOSED.to_owned())),
            Ok(count) => {
                self.unheard_since = None;
                self.reader.take(&bytes[..count]);
                Ok(())
            }
            Err(error) => Err(AskError::Gone(format!("the connection is gone: {error}"))),
        }
    }

    /// One silent unit is no reason to take the connection from the others; a connection on which
    /// nothing comes at all is.
    fn unanswered(&self, patience: Duration) -> AskError {
        match self.unheard_since.map(|since| since.elapsed()) {
            Some(silent) if silent > SILENT_MAX => AskError::Gone(format!(
                "the connection brought nothing for {} s",
                silent.as_secs()
            )),
            _ => AskError::Unanswered {
                cause: Cause::Timeout,
                detail: format!("no answer within {} ms", patience.as_millis()),
            },
        }
    }
}

fn broken(error: Broken) -> AskError {
    AskError::Broken(out_of_step(error))
}

fn out_of_step(error: Broken) -> String {
    format!("the connection is out of step: {error}")
}
