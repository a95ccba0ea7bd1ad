//! The Modbus TCP module: an outside library's server behind a wire that can be made to fail.
//!
//! tokio-modbus decodes and encodes; between it and each client's connection a wire carries frames
//! in which bytes go wrong, stray in or vanish. Frame lengths by *MODBUS Messaging on TCP/IP
//! Implementation Guide V1.0b*, section 3.1.3.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, ReadHalf, WriteHalf, duplex, split};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::watch;
use tokio::time::{Instant, sleep};
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::Server;
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use zonda_model::Name;

use super::{Manner, garble, stray};
use crate::fault::{Fault, Faults};
use crate::live::Live;
use crate::noise::Dice;
use crate::wiring::ModuleWiring;

/// Most registers of one request (*MODBUS Application Protocol V1.1b3*, section 6.4).
const COUNT_MAX: u16 = 125;
/// A frame's header up to its length field.
const HEADER: usize = 6;
/// Longest frame.
const FRAME_MAX: usize = 260;

/// The module and its line.
#[derive(Clone, Debug)]
pub(crate) struct TcpModule {
    pub(crate) line: Name,
    pub(crate) module: ModuleWiring,
    pub(crate) bench: Live,
    pub(crate) faults: watch::Receiver<Faults>,
    pub(crate) seed: u64,
}

impl TcpModule {
    /// Serves until the token is cancelled; while the line refuses, the address is kept and closed.
    pub(crate) async fn run(
        self,
        listener: TcpListener,
        tasks: TaskTracker,
        stop: CancellationToken,
    ) {
        let served = stop
            .run_until_cancelled(self.serve(listener, &tasks, &stop))
            .await;
        if let Some(Err(error)) = served {
            tracing::error!(line = %self.line, %error, "the simulated TCP module stopped");
        }
    }

    async fn serve(
        &self,
        mut listener: TcpListener,
        tasks: &TaskTracker,
        stop: &CancellationToken,
    ) -> io::Result<()> {
        let address = listener.local_addr()?;
        let mut faults = self.faults.clone();
        loop {
            let server = Server::new(listener);
            let connect = |stream, _| self.connect(stream, tasks, stop);
            let is_alive = tokio::select! {
                ended = server.serve(&connect, |_| {}) => ended.map(|()| true)?,
                refused = faults.wait_for(|faults| self.refuses(faults)) => refused.is_ok(),
            };
            if !is_alive {
                return Ok(());
            }
            // The library ends its side of every connection with the server, and with it the wire.
            drop(server);
            // Bound and not listening: nobody else takes the port, and the kernel refuses for us.
            let kept = bind(address)?;
            if faults
                .wait_for(|faults| !self.refuses(faults))
                .await
                .is_err()
            {
                return Ok(());
            }
            listener = kept.listen(64)?;
        }
    }

    fn refuses(&self, faults: &Faults) -> bool {
        faults.stands(&Fault::Refuse(self.line.clone()))
    }

    /// A wire between this client and a server of its own.
    fn connect(
        &self,
        stream: TcpStream,
        tasks: &TaskTracker,
        stop: &CancellationToken,
    ) -> impl Future<Output = io::Result<Option<(Self, DuplexStream)>>> + use<> {
        // Room for a few frames; a full wire makes its writer wait, as TCP does.
        let (near, far) = duplex(4 * FRAME_MAX);
        let (from_client, to_client) = stream.into_split();
        let (from_server, to_server) = split(near);
        let (module, stop) = (self.clone(), stop.clone());
        tasks.spawn(async move {
            let wire = async {
                tokio::select! {
                    ended = module.carry_requests(from_client, to_server) => ended,
                    ended = module.carry_answers(from_server, to_client) => ended,
                }
            };
            if let Some(Err(error)) = stop.run_until_cancelled(wire).await {
                tracing::debug!(line = %module.line, %error, "a simulated TCP connection ended");
            }
        });
        std::future::ready(Ok(Some((self.clone(), far))))
    }

    fn swallows(&self) -> bool {
        self.faults
            .borrow()
            .stands(&Fault::Blackhole(self.line.clone()))
    }

    async fn carry_requests(
        &self,
        mut client: OwnedReadHalf,
        mut server: WriteHalf<DuplexStream>,
    ) -> io::Result<()> {
        let mut buffer = [0; FRAME_MAX];
        loop {
            let count = client.read(&mut buffer).await?;
            if count == 0 {
                return Ok(());
            }
            if !self.swallows() {
                server.write_all(&buffer[..count]).await?;
            }
        }
    }

    async fn carry_answers(
        &self,
        mut server: ReadHalf<DuplexStream>,
        mut client: OwnedWriteHalf,
    ) -> io::Result<()> {
        let mut dice = Dice::new(self.seed ^ 0x7c9);
        loop {
            let mut frame = read_frame(&mut server).await?;
            let (manner, mut bytes) = {
                let faults = self.faults.borrow();
                (
                    Manner::of(self.module.name.as_str(), &faults),
                    stray(self.line.as_str(), &faults),
                )
            };
            if dice.happens(manner.garbled) {
                garble(&mut frame, &mut dice);
            }
            bytes.extend(frame);
            if !self.swallows() {
                client.write_all(&bytes).await?;
            }
        }
    }

    /// What the module answers; `None` is silence.
    async fn answer(
        self,
        request: SlaveRequest<'static>,
    ) -> Result<Option<Response>, ExceptionCode> {
        let manner = Manner::of(self.module.name.as_str(), &self.faults.borrow());
        if manner.is_silent {
            return Ok(None);
        }
        sleep(manner.late).await;
        if let Some(code) = manner.exception {
            return Err(ExceptionCode::new(code));
        }
        // On TCP a module that is no gateway is addressed as 255 or 0 (section 4.4.2 of the guide).
        if ![self.module.unit, 0, 255].contains(&request.slave) {
            return Err(ExceptionCode::GatewayTargetDevice);
        }
        match request.request {
            Request::ReadInputRegisters(first, count) => self.read(first, count).map(Some),
            _ => Err(ExceptionCode::IllegalFunction),
        }
    }

    fn read(&self, first: u16, count: u16) -> Result<Response, ExceptionCode> {
        if !(1..=COUNT_MAX).contains(&count) {
            return Err(ExceptionCode::IllegalDataValue);
        }
        let wanted = usize::from(first)..usize::from(first) + usize::from(count);
        let read = self.bench.look(Instant::now(), |bench| {
            let registers = bench.registers(self.module.name.as_str())?;
            registers.get(wanted).map(<[u16]>::to_vec)
        });
        read.map(Response::ReadInputRegisters)
            .ok_or(ExceptionCode::IllegalDataAddress)
    }
}

impl Service for TcpModule {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = Pin<Box<dyn Future<Output = Result<Option<Response>, ExceptionCode>> + Send>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        Box::pin(self.clone().answer(request))
    }
}

async fn read_frame(server: &mut ReadHalf<DuplexStream>) -> io::Result<Vec<u8>> {
    let mut frame = vec![0; HEADER];
    server.read_exact(&mut frame).await?;
    let rest = u16::from_be_bytes([frame[4], frame[5]]);
    frame.resize(HEADER + usize::from(rest), 0);
    server.read_exact(&mut frame[HEADER..]).await?;
    Ok(frame)
}

/// A socket bound to this address, also while old connections of it are still fading.
pub(crate) fn bind(address: SocketAddr) -> io::Result<TcpSocket> {
    let socket = if address.is_ipv4() {
        TcpSocket::new_v4()?
    } else {
        TcpSocket::new_v6()?
    };
    socket.set_reuseaddr(true)?;
    socket.bind(address)?;
    Ok(socket)
}
