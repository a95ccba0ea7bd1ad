//! A bench for lines: scripted devices on pseudo-terminals and sockets, and what a line makes of them.
#![allow(
    dead_code,
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a bench shared by several test programs, each of which uses a part"
)]

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::AsFd;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::openpty;
use nix::sys::termios::{self, SetArg};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_config::{DriverPlan, LinePlan, ModulePlan, PortPlan, RtuPlan, TcpPlan};
use zonda_lines::{Axis, Clocks, LineHandle, LineHealth, SystemClocks, spawn};
use zonda_model::{Cause, Code, Period, Quality, Scan, SourceId, Stamp};
use zonda_protocol::modbus::rtu::checksum;
use zonda_protocol::modbus::{RegisterInput, Table, UnitId, Width};
use zonda_protocol::serial::SerialSettings;

/// Nothing in these tests takes longer, even on a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(20);

/// A request as a scripted device sees it.
#[derive(Clone, Copy, Debug)]
pub struct Asked {
    pub unit: u8,
    pub function: u8,
    pub first: u16,
    pub count: u16,
    /// Counts all requests on this line, from 1.
    pub number: u64,
}

/// Bytes to send, each piece after a pause.
pub type Answer = Vec<(Duration, Vec<u8>)>;

/// Register `address` at request `number`, so that a code tells where and when it is from.
pub fn register(address: u16, number: u64) -> u16 {
    address << 8 | u16::try_from(number & 0xFF).unwrap()
}

pub fn framed(body: &[u8]) -> Vec<u8> {
    [body, &checksum(body)].concat()
}

/// The right answer.
pub fn answer(asked: Asked) -> Vec<u8> {
    let mut body = vec![
        asked.unit,
        asked.function,
        u8::try_from(asked.count * 2).unwrap(),
    ];
    for address in asked.first..asked.first + asked.count {
        body.extend(register(address, asked.number).to_be_bytes());
    }
    framed(&body)
}

pub fn at_once(bytes: Vec<u8>) -> Answer {
    vec![(Duration::ZERO, bytes)]
}

pub fn after_ms(ms: u64, bytes: Vec<u8>) -> Answer {
    vec![(Duration::from_millis(ms), bytes)]
}

/// A device on a pseudo-terminal. Dropping it hangs the line up.
pub struct Device {
    pub path: PathBuf,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    /// Keeps the terminal alive while the line has it closed; gone with the device.
    slave: Option<std::os::fd::OwnedFd>,
}

impl Device {
    /// Answers each request by `script`, one after the other, as devices do.
    pub fn new(script: impl FnMut(Asked) -> Answer + Send + 'static) -> Self {
        Self::talking(script, |_| Vec::new())
    }

    /// As [`new`](Self::new); `unasked` is called every few milliseconds and may send too.
    pub fn talking(
        mut script: impl FnMut(Asked) -> Answer + Send + 'static,
        mut unasked: impl FnMut(Instant) -> Vec<u8> + Send + 'static,
    ) -> Self {
        let pty = openpty(None, None).unwrap();
        let mut settings = termios::tcgetattr(&pty.slave).unwrap();
        termios::cfmakeraw(&mut settings);
        termios::tcsetattr(&pty.slave, SetArg::TCSANOW, &settings).unwrap();
        let path = nix::unistd::ttyname(&pty.slave).unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let mut master = File::from(pty.master);
        let thread = std::thread::spawn(move || {
            let mut pending = Vec::new();
            let mut number = 0;
            while !stopped.load(Ordering::SeqCst) {
                let extra = unasked(Instant::now());
                if !extra.is_empty() {
                    let _ = master.write_all(&extra);
                }
                if !is_readable(&master) {
                    continue;
                }
                let mut bytes = [0; 256];
                let Ok(count @ 1..) = master.read(&mut bytes) else {
                    continue;
                };
                pending.extend_from_slice(&bytes[..count]);
                while let Some(frame) = pending.first_chunk::<8>().copied() {
                    pending.drain(..8);
                    number += 1;
                    for (pause, piece) in script(parsed(frame, number)) {
                        std::thread::sleep(pause);
                        let _ = master.write_all(&piece);
                    }
                }
            }
        });
        Self {
            path,
            stop,
            thread: Some(thread),
            slave: Some(pty.slave),
        }
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        self.slave = None;
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }
}

fn is_readable(file: &File) -> bool {
    let mut polled = [PollFd::new(file.as_fd(), PollFlags::POLLIN)];
    let within = PollTimeout::from(1u8);
    matches!(poll(&mut polled, within), Ok(1..)) && polled[0].any().unwrap_or(false)
}

fn parsed(frame: [u8; 8], number: u64) -> Asked {
    let [
        unit,
        function,
        first_high,
        first_low,
        count_high,
        count_low,
        sum @ ..,
    ] = frame;
    assert_eq!(checksum(&frame[..6]), sum, "a request is whole");
    Asked {
        unit,
        function,
        first: u16::from_be_bytes([first_high, first_low]),
        count: u16::from_be_bytes([count_high, count_low]),
        number,
    }
}

/// A module of consecutive single registers.
pub fn module(source: usize, unit: u8, first: u16, count: u16) -> ModulePlan {
    ModulePlan {
        source: SourceId(source),
        name: format!("module-{source}").parse().unwrap(),
        unit: UnitId::serial(unit).unwrap(),
        table: Table::Input,
        timeout: Duration::from_millis(60),
        retries: 0,
        registers_max: 125,
        identity: None,
        inputs: (first..first + count)
            .map(|register| RegisterInput::new(register, Width::One).unwrap())
            .collect(),
    }
}

pub fn rtu(path: impl Into<PathBuf>, every_ms: u64, modules: Vec<ModulePlan>) -> LinePlan {
    rtu_at(path, every_ms, "115200 8N1".parse().unwrap(), modules)
}

pub fn rtu_at(
    path: impl Into<PathBuf>,
    every_ms: u64,
    settings: SerialSettings,
    modules: Vec<ModulePlan>,
) -> LinePlan {
    LinePlan {
        name: "oven".parse().unwrap(),
        every: Period::new(Duration::from_millis(every_ms)).unwrap(),
        driver: DriverPlan::ModbusRtu(RtuPlan {
            port: PortPlan {
                path: path.into(),
                settings,
            },
            silence_min: settings.rtu_silence(),
            modules,
        }),
    }
}

pub fn tcp(port: u16, every_ms: u64, modules: Vec<ModulePlan>) -> LinePlan {
    LinePlan {
        name: "oven".parse().unwrap(),
        every: Period::new(Duration::from_millis(every_ms)).unwrap(),
        driver: DriverPlan::ModbusTcp(TcpPlan {
            host: "127.0.0.1".to_owned(),
            port,
            modules,
        }),
    }
}

/// The machine's clocks, with a wall clock that a test can set.
#[derive(Clone, Debug, Default)]
pub struct SettableClocks(Arc<std::sync::atomic::AtomicI64>);

impl SettableClocks {
    pub fn step(&self, micros: i64) {
        self.0.fetch_add(micros, Ordering::SeqCst);
    }
}

impl Clocks for SettableClocks {
    fn wall(&self) -> i64 {
        SystemClocks.wall() + self.0.load(Ordering::SeqCst)
    }

    fn boot(&self) -> i64 {
        SystemClocks.boot()
    }
}

/// A line at work, with what it has handed over.
pub struct Run {
    pub handle: LineHandle,
    scans: mpsc::Receiver<Scan>,
    stop: CancellationToken,
    period: Period,
    /// The tick that each source must tell of next.
    due: BTreeMap<SourceId, Stamp>,
    deadline: tokio::time::Instant,
}

impl Run {
    pub fn new(plan: &LinePlan) -> Self {
        Self::with_room(plan, 256)
    }

    pub fn with_room(plan: &LinePlan, room: usize) -> Self {
        Self::with_axis(plan, room, Axis::new(SystemClocks, None))
    }

    pub fn with_axis(plan: &LinePlan, room: usize, axis: Axis) -> Self {
        let (sender, scans) = mpsc::channel(room);
        let stop = CancellationToken::new();
        let handle = spawn(plan, axis, sender, stop.clone());
        Self {
            handle,
            scans,
            stop,
            period: plan.every,
            due: BTreeMap::new(),
            deadline: tokio::time::Instant::now() + PATIENCE,
        }
    }

    /// The next scan. Checks that each tick of each source is told of exactly once.
    pub async fn scan(&mut self) -> Scan {
        let scan = tokio::time::timeout_at(self.deadline, self.scans.recv()).await;
        let scan = scan.expect("a scan in time").expect("the line is at work");
        let ticks = scan.outcome.as_ref().map_or_else(|miss| miss.ticks, |_| 1);
        let due = self.due.entry(scan.source).or_insert(scan.tick);
        assert_eq!(scan.tick, *due, "each tick is told of once: {scan:?}");
        *due = due.plus(self.period.duration() * ticks);
        scan
    }

    /// Scans until one is wanted; it is the last.
    pub async fn until(&mut self, wanted: impl Fn(&Scan) -> bool) -> Vec<Scan> {
        let mut scans = Vec::new();
        loop {
            let scan = self.scan().await;
            let is_last = wanted(&scan);
            scans.push(scan);
            if is_last {
                return scans;
            }
        }
    }

    /// So many ticks' worth of scans.
    pub async fn scans(&mut self, count: usize) -> Vec<Scan> {
        let mut scans = Vec::with_capacity(count);
        for _ in 0..count {
            scans.push(self.scan().await);
        }
        scans
    }

    pub fn health(&self) -> LineHealth {
        self.handle.health.borrow().clone()
    }

    /// Waits until the health is as wanted.
    pub async fn health_until(&mut self, wanted: impl FnMut(&LineHealth) -> bool) -> LineHealth {
        let found =
            tokio::time::timeout_at(self.deadline, self.handle.health.wait_for(wanted)).await;
        found
            .expect("in time")
            .expect("the line is at work")
            .clone()
    }

    pub async fn end(self) {
        self.stop.cancel();
        let ended = tokio::time::timeout(Duration::from_secs(2), self.handle.task).await;
        ended.expect("a line stops at once").unwrap();
    }
}

/// The codes, or the cause.
pub fn told(scan: &Scan) -> Result<Vec<u16>, Cause> {
    let code = |code: Option<Code>| match code {
        Some(Code::Count(count)) => u16::try_from(count).unwrap(),
        other => panic!("a register's bits, not {other:?}"),
    };
    match &scan.outcome {
        Ok(codes) => Ok(codes.iter().map(|coded| code(coded.code)).collect()),
        Err(miss) => Err(miss.cause),
    }
}

pub fn is_good(scan: &Scan) -> bool {
    scan.outcome.is_ok()
}

pub fn has(scan: &Scan, quality: Quality) -> bool {
    scan.outcome
        .as_ref()
        .is_ok_and(|codes| codes.iter().all(|coded| coded.quality.contains(quality)))
}

/// The addresses that the codes say they are from.
pub fn addresses(scan: &Scan) -> Option<Vec<u16>> {
    told(scan)
        .ok()
        .map(|codes| codes.iter().map(|code| code >> 8).collect())
}

pub fn causes(scans: &[Scan]) -> Vec<Cause> {
    scans.iter().filter_map(|scan| told(scan).err()).collect()
}
