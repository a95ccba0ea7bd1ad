//! A Modbus device of our own that keeps a ledger of what it answered, for suites that must pull
//! its cable, hush it or kill the station, and then know what should be in the record.
//!
//! It is written from the standard (Modbus Application Protocol Specification V1.1b3, Modbus over
//! Serial Line V1.02) and shares nothing with the program. That the protocol is spoken as others
//! understand it is proved elsewhere, against outside peers.

use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use anyhow::Result;
use crc::{CRC_16_MODBUS, Crc};
use serde::Deserialize;

use crate::port::{Port, Worker};
use crate::wait::{PATIENCE, until};

/// How long a read waits before the thread looks whether it is wanted still.
const WAIT: Duration = Duration::from_millis(20);

const READ_HOLDING: u8 = 3;
const READ_INPUT: u8 = 4;
const ILLEGAL_FUNCTION: u8 = 1;
const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);

/// One answer that a device gave.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Served {
    /// When, in seconds since the Unix epoch by the wall clock.
    pub at: f64,
    /// Which unit answered.
    pub unit: u8,
    /// The words in the answer.
    pub registers: Vec<u16>,
}

/// The word in register `index` at a unit's `read`-th read: it names both, and odd registers are
/// negative. The same function as in `peers/modbus_device.py`.
fn register(read: u16, index: u16) -> u16 {
    let magnitude = (read % 600) * 16 + index % 16 + 100;
    if index % 2 == 1 {
        magnitude.wrapping_neg()
    } else {
        magnitude
    }
}

#[derive(Debug, Default)]
struct State {
    ledger: Vec<Served>,
    reads: u16,
    is_silent: bool,
}

/// What the device remembers and how it behaves, shared with its threads.
#[derive(Clone, Debug, Default)]
pub struct Device(Arc<Mutex<State>>);

impl Device {
    /// Everything answered so far.
    pub fn ledger(&self) -> Vec<Served> {
        self.state().ledger.clone()
    }

    /// How many answers it gave.
    pub fn count(&self) -> usize {
        self.state().ledger.len()
    }

    /// Waits until it has given so many more.
    ///
    /// # Errors
    /// Nobody asks.
    pub fn await_answers(&self, more: usize) -> Result<()> {
        let goal = self.count() + more;
        until(PATIENCE, "answers of the device", || {
            Ok((self.count() >= goal).then_some(()))
        })
    }

    /// Makes it ignore requests, or answer again.
    pub fn set_silent(&self, is_silent: bool) {
        self.state().is_silent = is_silent;
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0
            .lock()
            .expect("no thread panics with the ledger in hand")
    }

    /// The answer to a request (function and data), or `None` for silence.
    fn answer(&self, unit: u8, request: &[u8]) -> Option<Vec<u8>> {
        let mut state = self.state();
        if state.is_silent {
            return None;
        }
        let &[function @ (READ_HOLDING | READ_INPUT), a, b, c, d] = request else {
            let function = request.first()?;
            return Some(vec![function | 0x80, ILLEGAL_FUNCTION]);
        };
        let (address, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
        let read = state.reads;
        state.reads = state.reads.wrapping_add(1);
        let registers: Vec<u16> = (address..address.saturating_add(count))
            .map(|index| register(read, index))
            .collect();
        let bytes = u8::try_from(2 * registers.len()).ok()?;
        let mut answer = vec![function, bytes];
        answer.extend(registers.iter().flat_map(|word| word.to_be_bytes()));
        state.ledger.push(Served {
            at: now(),
            unit,
            registers,
        });
        Some(answer)
    }
}

fn now() -> f64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .expect("the clock is past 1970")
        .as_secs_f64()
}

/// A device that listens on the loopback until it is dropped.
#[derive(Debug)]
pub struct TcpDevice {
    /// Its memory.
    pub device: Device,
    /// Where it listens.
    pub address: SocketAddr,
    _worker: Worker,
}

impl TcpDevice {
    /// Starts to listen on a free port.
    ///
    /// # Errors
    /// No port can be had.
    pub fn start() -> Result<Self> {
        let listener = TcpListener::bind("127.0.0.1:0")?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        let device = Device::default();
        let shared = device.clone();
        let worker = Worker::start(move |stop| accept(&listener, &shared, stop));
        Ok(Self {
            device,
            address,
            _worker: worker,
        })
    }
}

fn accept(listener: &TcpListener, device: &Device, stop: &AtomicBool) {
    thread::scope(|scope| {
        while !stop.load(Ordering::Relaxed) {
            match listener.accept() {
                Ok((stream, _)) => {
                    scope.spawn(|| serve(stream, device, stop));
                }
                Err(_) => thread::sleep(WAIT),
            }
        }
    });
}

/// Answers the requests of one connection until its other end closes it.
fn serve(mut stream: TcpStream, device: &Device, stop: &AtomicBool) {
    if stream.set_read_timeout(Some(WAIT)).is_err() {
        return;
    }
    let (mut pending, mut bytes) = (Vec::new(), [0; 512]);
    while !stop.load(Ordering::Relaxed) {
        match stream.read(&mut bytes) {
            Ok(0) => return,
            Ok(count) => pending.extend_from_slice(&bytes[..count]),
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
            Err(_) => return,
        }
        while let Some((frame, rest)) = take_tcp_frame(&pending) {
            let answer = answer_tcp(device, &frame);
            pending = rest;
            if answer.is_some_and(|answer| stream.write_all(&answer).is_err()) {
                return;
            }
        }
    }
}

/// Splits the first whole frame off: transaction, protocol, length, unit, request.
fn take_tcp_frame(pending: &[u8]) -> Option<(Vec<u8>, Vec<u8>)> {
    let length = usize::from(u16::from_be_bytes([*pending.get(4)?, *pending.get(5)?]));
    let end = 6 + length;
    (pending.len() >= end).then(|| (pending[..end].to_vec(), pending[end..].to_vec()))
}

fn answer_tcp(device: &Device, frame: &[u8]) -> Option<Vec<u8>> {
    let &[
        transaction_high,
        transaction_low,
        _,
        _,
        _,
        _,
        unit,
        ref request @ ..,
    ] = frame
    else {
        return None;
    };
    let answer = device.answer(unit, request)?;
    let [high, low] = u16::try_from(answer.len() + 1).ok()?.to_be_bytes();
    let mut frame = vec![transaction_high, transaction_low, 0, 0, high, low, unit];
    frame.extend(answer);
    Some(frame)
}

/// A device on a serial port, until it is dropped: that pulls its cable.
#[derive(Debug)]
pub struct RtuDevice {
    _worker: Worker,
}

impl RtuDevice {
    /// Connects a device to a port.
    pub fn connect(device: &Device, port: Port) -> Self {
        let device = device.clone();
        let worker = Worker::start(move |stop| {
            let mut pending = Vec::new();
            while !stop.load(Ordering::Relaxed) {
                let Ok(bytes) = port.read() else { return };
                pending.extend(bytes);
                if let Some(answer) = answer_rtu(&device, &mut pending)
                    && port.write(&answer).is_err()
                {
                    return;
                }
            }
        });
        Self { _worker: worker }
    }
}

/// Length of a request to read registers: unit, function, address, count, checksum.
const RTU_REQUEST: usize = 8;

/// Finds a request by its checksum, wherever it begins, and answers it.
fn answer_rtu(device: &Device, pending: &mut Vec<u8>) -> Option<Vec<u8>> {
    let is_whole = |frame: &[u8]| CRC.checksum(&frame[..6]).to_le_bytes() == frame[6..];
    let start = pending.windows(RTU_REQUEST).position(is_whole)?;
    let frame: Vec<u8> = pending.drain(..start + RTU_REQUEST).skip(start).collect();
    let mut answer = vec![frame[0]];
    answer.extend(device.answer(frame[0], &frame[1..6])?);
    answer.extend(CRC.checksum(&answer).to_le_bytes());
    Some(answer)
}
