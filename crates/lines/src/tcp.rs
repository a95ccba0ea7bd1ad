//! Modbus TCP: one connection for all units behind an address.

use std::time::{Duration, Instant};

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout_at;
use zonda_config::TcpPlan;
use zonda_model::Cause;
use zonda_protocol::modbus::tcp::{Reader, encode};
use zonda_protocol::modbus::{Reply, Request};

use crate::polled::{Answer, AskError, Wire};

const CONNECT_WITHIN: Duration = Duration::from_secs(3);
/// A peer that takes nothing for so long is gone, whatever the kernel still hopes.
const UNACKNOWLEDGED_MAX: Duration = Duration::from_secs(10);
/// A connection on which nothing at all came for so long, though it was asked, is tried anew.
const SILENT_MAX: Duration = Duration::from_secs(15);

/// A Modbus TCP line.
#[derive(Debug)]
pub(crate) struct Tcp {
    plan: TcpPlan,
    transaction: u16,
}

/// An open connection with what came and was not yet used.
#[derive(Debug)]
pub(crate) struct Connection {
    stream: TcpStream,
    reader: Reader,
    last_byte: Instant,
}

impl Tcp {
    pub(crate) fn new(plan: &TcpPlan) -> Self {
        Self { plan: plan.clone(), transaction: fastrand::u16(..) }
    }
}

/// Opens a connection that finds out by itself when its peer is gone.
pub(crate) async fn connect(host: String, port: u16) -> Result<TcpStream, String> {
    let cannot = |error: &dyn std::fmt::Display| format!("cannot connect to {host}:{port}: {error}");
    let connecting = TcpStream::connect((host.as_str(), port));
    let stream = match tokio::time::timeout(CONNECT_WITHIN, connecting).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(cannot(&error)),
        Err(_) => return Err(cannot(&format!("no answer within {} s", CONNECT_WITHIN.as_secs()))),
    };
    let socket = SockRef::from(&stream);
    let keepalive = TcpKeepalive::new().with_time(Duration::from_secs(10)).with_interval(Duration::from_secs(5)).with_retries(3);
    let set = socket
        .set_tcp_nodelay(true)
        .and_then(|()| socket.set_tcp_keepalive(&keepalive))
        .and_then(|()| socket.set_tcp_user_timeout(Some(UNACKNOWLEDGED_MAX)));
    set.map_err(|error| cannot(&error))?;
    Ok(stream)
}

impl Wire for Tcp {
    type Open = Connection;

    fn open(&self) -> impl Future<Output = Result<Connection, String>> + Send + 'static {
        let (host, port) = (self.plan.host.clone(), self.plan.port);
        async move {
            let stream = connect(host, port).await?;
            Ok(Connection { stream, reader: Reader::default(), last_byte: Instant::now() })
        }
    }

    async fn ask(&mut self, connection: &mut Connection, request: Request, patience: Duration) -> Result<Answer, AskError> {
        self.transaction = self.transaction.wrapping_add(1);
        let frame = encode(request, self.transaction);
        let deadline = Instant::now() + patience;
        match timeout_at(deadline.into(), connection.talk(&frame, request, self.transaction)).await {
            Ok(outcome) => outcome,
            Err(_) if connection.last_byte.elapsed() > SILENT_MAX => {
                Err(AskError::Gone(format!("the connection brought nothing for {} s", connection.last_byte.elapsed().as_secs())))
            }
            Err(_) => Err(AskError::Unanswered { cause: Cause::Timeout, detail: format!("no answer within {} ms", patience.as_millis()) }),
        }
    }

    fn opened(&mut self) {}

    fn cycle_least(&self) -> Duration {
        Duration::ZERO
    }
}

impl Connection {
    /// Asks, and passes over answers with older numbers, until ours is there.
    async fn talk(&mut self, frame: &[u8], request: Request, transaction: u16) -> Result<Answer, AskError> {
        let gone = |error: std::io::Error| AskError::Gone(format!("the connection is gone: {error}"));
        self.stream.write_all(frame).await.map_err(gone)?;
        let mut bytes = [0; 1024];
        let mut passed_over = false;
        loop {
            match self.next_reply(request, transaction, &mut passed_over)? {
                Some(reply) => return Ok(Answer { reply, resynced: passed_over }),
                None => match self.stream.read(&mut bytes).await.map_err(gone)? {
                    0 => return Err(AskError::Gone("the other side closed the connection".to_owned())),
                    count => {
                        self.last_byte = Instant::now();
                        self.reader.take(&bytes[..count]);
                    }
                },
            }
        }
    }

    fn next_reply(&mut self, request: Request, transaction: u16, passed_over: &mut bool) -> Result<Option<Reply>, AskError> {
        let broken = |error: zonda_protocol::modbus::tcp::Broken| AskError::Broken(format!("the connection is out of step: {error}"));
        while let Some(frame) = self.reader.next_frame().map_err(broken)? {
            if frame.transaction == transaction {
                return frame.reply(request).map(Some).map_err(broken);
            }
            *passed_over = true;
        }
        Ok(None)
    }
}
