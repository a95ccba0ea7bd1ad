//! The rig on its wires, read by an outside master: tokio-modbus' client over serial and TCP.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test")]

use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::time::{Instant, timeout};
use tokio_modbus::client::{Context, rtu, tcp};
use tokio_modbus::prelude::{Reader, Slave, SlaveContext};
use tokio_serial::{SerialPortBuilderExt, SerialStream};
use zonda_rig::wiring::{RegisterCode, Wire};
use zonda_rig::{Fault, Rig, RigOptions};

/// How long a test waits for what must come.
const DEADLINE: Duration = Duration::from_secs(10);

struct Played {
    rig: Rig,
    dir: tempfile::TempDir,
}

async fn start(change: impl FnOnce(&mut RigOptions)) -> Played {
    let dir = tempfile::tempdir().unwrap();
    let mut options = RigOptions::new(dir.path().join("ports"));
    change(&mut options);
    Played {
        rig: Rig::start(options).await.unwrap(),
        dir,
    }
}

impl Played {
    fn port(&self, line: &str) -> PathBuf {
        match &self.rig.wiring().line(line).unwrap().wire {
            Wire::ModbusRtu { port, .. } | Wire::Text { port, .. } => port.clone(),
            Wire::ModbusTcp { .. } => panic!("{line} is no serial line"),
        }
    }

    fn address(&self) -> std::net::SocketAddr {
        match &self.rig.wiring().line("utilities").unwrap().wire {
            Wire::ModbusTcp { address, .. } => *address,
            _ => panic!("utilities is no TCP line"),
        }
    }

    fn open(&self, line: &str) -> SerialStream {
        open(&self.port(line))
    }

    fn rtu(&self) -> Context {
        rtu::attach_slave(self.open("bench"), Slave(1))
    }

    fn apply(&self, fault: &str) {
        self.rig.apply(fault.parse().unwrap()).unwrap();
    }

    fn clear(&self, fault: &str) {
        self.rig.clear(&fault.parse().unwrap());
    }
}

fn open(port: &Path) -> SerialStream {
    tokio_serial::new(port.to_string_lossy(), 19_200)
        .open_native_async()
        .unwrap()
}

/// The registers, or nothing where no right answer comes in time.
async fn read(master: &mut Context, count: u16, within: Duration) -> Option<Vec<u16>> {
    timeout(within, master.read_input_registers(0, count))
        .await
        .ok()?
        .ok()?
        .ok()
}

/// Polls until `wanted` is true of the registers.
async fn until(master: &mut Context, count: u16, wanted: impl Fn(&[u16]) -> bool) -> Vec<u16> {
    let deadline = Instant::now() + DEADLINE;
    loop {
        let registers = read(master, count, Duration::from_secs(1)).await;
        if let Some(registers) = registers.filter(|registers| wanted(registers)) {
            return registers;
        }
        assert!(Instant::now() < deadline, "it did not come");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outside_master_reads_the_modules_and_finds_the_truth() {
    let played = start(|_| ()).await;
    let mut serial = played.rtu();
    let a = read(&mut serial, 16, DEADLINE).await.unwrap();
    serial.set_slave(Slave(2));
    let b = read(&mut serial, 16, DEADLINE).await.unwrap();
    let mut network = tcp::connect_slave(played.address(), Slave(1))
        .await
        .unwrap();
    let u = read(&mut network, 8, DEADLINE).await.unwrap();
    let truth = played.rig.truth();
    for wired in played.rig.wiring().all_loops() {
        let (registers, module) = match wired.module.as_str() {
            "A" => (&a, 0),
            "B" => (&b, 1),
            _ => (&u, 2),
        };
        let module = played.rig.wiring().modules().nth(module).unwrap();
        let register = registers[usize::from(wired.input) - 1];
        let count = match module.code {
            RegisterCode::Uint16 => f64::from(register),
            RegisterCode::Int16 => f64::from(register.cast_signed()),
        };
        let signal = wired
            .signal
            .unit
            .from_si(module.count.unit.to_si(module.count.value * count));
        let share = (signal - wired.signal.from) / (wired.signal.to - wired.signal.from);
        let value = wired.range.from + share * (wired.range.to - wired.range.from);
        let true_value = wired
            .range
            .unit
            .from_si(truth.value(wired.name.as_str()).unwrap());
        // One instant of turbulence lies between the two, up to five of its deviations.
        let allowed = match wired.quantity {
            zonda_model::Quantity::Velocity => 0.05 + 5.0 * 0.22 * true_value,
            zonda_model::Quantity::Temperature => 10.0,
            _ => 0.2 * (wired.range.to - wired.range.from),
        };
        assert!(
            (value - true_value).abs() < allowed,
            "{}: {value} against {true_value}",
            wired.name
        );
    }
    played.rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_serial_line_keeps_its_pace() {
    let played = start(|_| ()).await;
    let mut master = played.rtu();
    read(&mut master, 16, DEADLINE).await.unwrap();
    let mut took = Vec::new();
    for _ in 0..20 {
        let start = Instant::now();
        read(&mut master, 16, DEADLINE).await.unwrap();
        took.push(start.elapsed());
    }
    took.sort();
    // 8 and 37 characters of 11 bits at 19 200 baud, 3.5 characters of silence, 2 ms of turnaround.
    let needs = Duration::from_secs_f64(48.5 * 11.0 / 19_200.0 + 0.002);
    let (fastest, middle) = (took[0], took[10]);
    assert!(
        fastest >= needs && fastest < needs * 3 / 2,
        "fastest {fastest:?}, the line needs {needs:?}"
    );
    // A busy machine may hold up some of them, not most.
    assert!(
        middle < needs * 3,
        "middle {middle:?}, the line needs {needs:?}"
    );
    eprintln!("needs {needs:?}, fastest {fastest:?}, middle {middle:?}");
    played.rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_port_may_be_closed_and_opened_again() {
    let played = start(|_| ()).await;
    for _ in 0..20 {
        let mut master = played.rtu();
        assert_eq!(read(&mut master, 16, DEADLINE).await.unwrap().len(), 16);
    }
    played.rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn faults_of_loops_and_devices_take_effect_and_clear() {
    let played = start(|_| ()).await;
    let mut master = played.rtu();
    played.apply("cut Z1-left.velocity");
    until(&mut master, 16, |registers| registers[0] < 50).await;
    played.clear("cut Z1-left.velocity");
    until(&mut master, 16, |registers| registers[0] > 3_900).await;

    played.apply("silence A");
    assert_eq!(
        read(&mut master, 16, Duration::from_millis(200)).await,
        None
    );
    played.clear("silence A");
    until(&mut master, 16, |_| true).await;

    played.apply("late A 200 ms");
    let start = Instant::now();
    assert!(read(&mut master, 16, DEADLINE).await.is_some());
    assert!(start.elapsed() > Duration::from_millis(200));
    played.clear("late A 1 ms");

    played.apply("exception A 6");
    let refused = timeout(DEADLINE, master.read_input_registers(0, 16))
        .await
        .unwrap()
        .unwrap();
    assert_eq!(refused, Err(tokio_modbus::ExceptionCode::ServerDeviceBusy));
    played.rig.clear_all();
    assert_eq!(played.rig.faults(), []);
    until(&mut master, 16, |_| true).await;
    played.rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pulled_port_hangs_up_and_comes_back_under_its_name() {
    let played = start(|_| ()).await;
    let link = played.port("bench");
    let mut port = played.open("bench");
    played.apply("unplug bench");
    let ended = timeout(DEADLINE, port.read(&mut [0; 8])).await.unwrap();
    assert!(matches!(ended, Ok(0) | Err(_)), "{ended:?}");
    // The port is let go first: whoever is quick sees the link for a moment.
    let until = Instant::now() + DEADLINE;
    while link.symlink_metadata().is_ok() && Instant::now() < until {
        tokio::task::yield_now().await;
    }
    assert!(
        link.symlink_metadata().is_err(),
        "the link outlived the port"
    );
    drop(port);

    played.clear("unplug bench");
    let deadline = Instant::now() + DEADLINE;
    while !link.exists() {
        assert!(Instant::now() < deadline, "the port did not come back");
        tokio::task::yield_now().await;
    }
    assert!(read(&mut played.rtu(), 16, DEADLINE).await.is_some());
    played.rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tcp_refuses_swallows_and_recovers() {
    let played = start(|_| ()).await;
    let mut master = tcp::connect_slave(played.address(), Slave(255))
        .await
        .unwrap();
    assert!(read(&mut master, 8, DEADLINE).await.is_some());
    let absent = master.read_input_registers(8, 1).await.unwrap();
    assert_eq!(absent, Err(tokio_modbus::ExceptionCode::IllegalDataAddress));

    played.apply("blackhole utilities");
    assert_eq!(read(&mut master, 8, Duration::from_millis(200)).await, None);
    played.clear("blackhole utilities");

    played.apply("refuse utilities");
    let deadline = Instant::now() + DEADLINE;
    while tokio::net::TcpStream::connect(played.address())
        .await
        .is_ok()
    {
        assert!(Instant::now() < deadline, "it does not refuse");
    }
    assert_eq!(read(&mut master, 8, DEADLINE).await, None);
    played.clear("refuse utilities");
    let mut master = loop {
        match tcp::connect_slave(played.address(), Slave(1)).await {
            Ok(master) => break master,
            Err(error) => assert!(Instant::now() < deadline, "{error}"),
        }
    };
    assert!(read(&mut master, 8, DEADLINE).await.is_some());

    played.apply("late U 150 ms");
    let start = Instant::now();
    assert!(read(&mut master, 8, DEADLINE).await.is_some());
    assert!(start.elapsed() >= Duration::from_millis(150));
    played.apply("silence U");
    assert_eq!(read(&mut master, 8, Duration::from_millis(400)).await, None);
    played.rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn text_meters_say_what_the_analog_outputs_say() {
    let played = start(|_| ()).await;
    let mut streams = BufReader::new(played.open("display-1"));
    let mut line = String::new();
    timeout(DEADLINE, streams.read_line(&mut line))
        .await
        .unwrap()
        .unwrap();
    let (velocity, temperature) = line.trim_end_matches("\r\n").split_once(';').unwrap();
    let (velocity, temperature): (f64, f64) =
        (velocity.parse().unwrap(), temperature.parse().unwrap());
    assert!(
        (1.0..6.0).contains(&velocity) && (185.0..215.0).contains(&temperature),
        "{line}"
    );
    let start = Instant::now();
    for _ in 0..2 {
        line.clear();
        timeout(DEADLINE, streams.read_line(&mut line))
            .await
            .unwrap()
            .unwrap();
    }
    let took = start.elapsed().as_secs_f64();
    assert!((1.5..3.5).contains(&took), "two lines took {took} s");

    let mut asked = BufReader::new(played.open("display-2"));
    asked.get_mut().write_all(b"X\rD\r").await.unwrap();
    line.clear();
    timeout(DEADLINE, asked.read_line(&mut line))
        .await
        .unwrap()
        .unwrap();
    assert_eq!(line.trim_end().split(',').count(), 2, "{line}");
    played.apply("silence display-2");
    asked.get_mut().write_all(b"D\r").await.unwrap();
    line.clear();
    assert!(
        timeout(Duration::from_millis(200), asked.read_line(&mut line))
            .await
            .is_err()
    );
    played.rig.stop().await;
}

/// On one thread, where nothing ends by chance before the stop returns.
#[tokio::test]
async fn stopping_leaves_nothing_and_a_new_rig_may_follow() {
    let played = start(|_| ()).await;
    let ports = played.dir.path().join("ports");
    let address = played.address();
    let master = tcp::connect_slave(address, Slave(1)).await.unwrap();
    let links = || std::fs::read_dir(&ports).unwrap().count();
    assert_eq!(links(), 3);
    timeout(DEADLINE, played.rig.stop()).await.unwrap();
    assert_eq!(links(), 0);
    assert!(tokio::net::TcpStream::connect(address).await.is_err());
    drop(master);

    // A rig that is dropped unstopped clears up too, and what a killed one left is replaced.
    std::os::unix::fs::symlink("/nowhere", ports.join("bench")).unwrap();
    let mut options = RigOptions::new(&ports);
    options.tcp = address;
    let rig = Rig::start(options).await.unwrap();
    assert!(ports.join("bench").exists());
    drop(rig);
    let deadline = Instant::now() + DEADLINE;
    while links() > 0 {
        assert!(Instant::now() < deadline, "links are left");
        tokio::task::yield_now().await;
    }
}

#[tokio::test]
async fn what_cannot_be_is_refused_with_a_reason() {
    let played = start(|_| ()).await;
    let wrong: Fault = "cut Z9.velocity".parse().unwrap();
    let message = played.rig.apply(wrong).unwrap_err().to_string();
    assert!(
        message.starts_with("this rig has no loop named `Z9.velocity`; it has Z1-left.velocity,"),
        "{message}"
    );
    let message = played
        .rig
        .apply("echo utilities".parse().unwrap())
        .unwrap_err()
        .to_string();
    assert_eq!(
        message,
        "this rig has no serial line named `utilities`; it has bench, display-1, display-2"
    );

    let range: Fault = "range Z1-left.velocity 0-300 °C".parse().unwrap();
    let message = played.rig.apply(range).unwrap_err().to_string();
    assert_eq!(
        message,
        "`Z1-left.velocity` carries velocity, and °C is no unit of it; write a range such as `0-10 m/s`"
    );
    assert_eq!(played.rig.faults(), []);

    let mut options = RigOptions::new(played.dir.path());
    options.speed = 0.0;
    let message = Rig::start(options).await.unwrap_err().to_string();
    assert_eq!(message, "the speed is 0; it must lie between 0.1 and 600");
    std::fs::write(played.dir.path().join("bench"), "a file").unwrap();
    let message = Rig::start(RigOptions::new(played.dir.path()))
        .await
        .unwrap_err()
        .to_string();
    assert!(
        message.contains("is something else of that name there?"),
        "{message}"
    );
    played.rig.stop().await;
}
