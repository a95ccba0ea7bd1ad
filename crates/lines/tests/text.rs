//! Text lines against scripted meters on pseudo-terminals and sockets.
#![allow(clippy::unwrap_used, reason = "tests")]

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::openpty;
use nix::sys::termios::{self, SetArg};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_config::{DriverPlan, LinePlan, PortPlan, Talk, TextPlan, TextWire};
use zonda_lines::{Axis, LineHandle, LineHealth, LineState, SystemClocks, spawn};
use zonda_model::{Cause, Code, Period, Quality, Scan, SourceId, Stamp};
use zonda_protocol::text::{Column, Delimiter, Field, Layout, TextFormat, TextSpec};

/// Nothing in these tests takes longer, even on a busy machine.
const PATIENCE: Duration = Duration::from_secs(20);

/// A meter's end of a pseudo-terminal. Dropping it pulls the plug.
struct Meter {
    master: File,
    path: PathBuf,
    /// Keeps the terminal alive while nobody has it open.
    _slave: OwnedFd,
}

impl Meter {
    fn new() -> Self {
        let pty = openpty(None, None).unwrap();
        let mut settings = termios::tcgetattr(&pty.slave).unwrap();
        termios::cfmakeraw(&mut settings);
        termios::tcsetattr(&pty.slave, SetArg::TCSANOW, &settings).unwrap();
        Self {
            path: nix::unistd::ttyname(&pty.slave).unwrap(),
            master: File::from(pty.master),
            _slave: pty.slave,
        }
    }

    fn send(&mut self, text: impl AsRef<[u8]>) {
        self.master.write_all(text.as_ref()).unwrap();
    }

    /// Answers each question, which ends with CR, on a thread of its own until the line closes.
    fn answer(mut self, mut script: impl FnMut(&mut Self, &str, u32) + Send + 'static) -> PathBuf {
        let path = self.path.clone();
        std::thread::spawn(move || {
            let mut number = 0;
            while let Some(question) = self.question() {
                number += 1;
                script(&mut self, &question, number);
            }
        });
        path
    }

    fn question(&mut self) -> Option<String> {
        let mut question = String::new();
        loop {
            let mut polled = [PollFd::new(self.master.as_fd(), PollFlags::POLLIN)];
            if poll(&mut polled, PollTimeout::from(20_000u16)).ok()? == 0 {
                return None;
            }
            let mut byte = [0];
            self.master.read_exact(&mut byte).ok()?;
            question.push(char::from(byte[0]));
            if byte == *b"\r" {
                return Some(question);
            }
        }
    }
}

fn format() -> TextFormat {
    let columns = vec![
        Column::Field(Field::new("velocity".parse().unwrap())),
        Column::Skip,
    ];
    let layout = Layout::Delimited {
        delimiter: Delimiter::Character(';'),
        columns,
    };
    TextFormat::new(TextSpec {
        words: vec![("----".to_owned(), Quality::NO_NUMBER)],
        ..TextSpec::new(layout)
    })
    .unwrap()
}

fn on(wire: TextWire, every_ms: u64, talk: Talk) -> LinePlan {
    LinePlan {
        name: "exhaust".parse().unwrap(),
        every: Period::new(Duration::from_millis(every_ms)).unwrap(),
        driver: DriverPlan::Text(TextPlan {
            source: SourceId(7),
            wire,
            talk,
            identity: None,
            format: format(),
        }),
    }
}

fn port(path: &Path) -> TextWire {
    TextWire::Serial(PortPlan {
        path: path.to_owned(),
        settings: "9600 8N1".parse().unwrap(),
    })
}

fn listening(path: &Path, every_ms: u64) -> LinePlan {
    on(port(path), every_ms, Talk::Listen)
}

fn asking(path: &Path, every_ms: u64, patience_ms: u64) -> LinePlan {
    let talk = Talk::Ask(b"V?\r".to_vec(), Duration::from_millis(patience_ms));
    on(port(path), every_ms, talk)
}

/// A line at work, and what it has handed over.
struct Run {
    handle: LineHandle,
    scans: mpsc::Receiver<Scan>,
    stop: CancellationToken,
    period: Period,
    shares_ticks: bool,
    last: Option<Stamp>,
    due: Option<Stamp>,
    last_has_lines: bool,
    deadline: tokio::time::Instant,
}

impl Run {
    fn new(plan: &LinePlan) -> Self {
        let DriverPlan::Text(text) = &plan.driver else {
            panic!("a text line");
        };
        let (sender, scans) = mpsc::channel(256);
        let stop = CancellationToken::new();
        Self {
            shares_ticks: text.talk == Talk::Listen,
            handle: spawn(plan, Axis::new(SystemClocks, None), sender, stop.clone()),
            scans,
            stop,
            period: plan.every,
            last: None,
            due: None,
            last_has_lines: false,
            deadline: tokio::time::Instant::now() + PATIENCE,
        }
    }

    async fn opened(&mut self) {
        self.health_until(|health| health.state == LineState::Open)
            .await;
    }

    async fn health_until(&mut self, wanted: impl FnMut(&LineHealth) -> bool) -> LineHealth {
        let found =
            tokio::time::timeout_at(self.deadline, self.handle.health.wait_for(wanted)).await;
        found
            .expect("in time")
            .expect("the line is at work")
            .clone()
    }

    /// The next scan. Checks that each tick is missed once or has lines, and that samples ascend.
    async fn scan(&mut self) -> Scan {
        let scan = tokio::time::timeout_at(self.deadline, self.scans.recv()).await;
        let scan = scan.expect("a scan in time").expect("the line is at work");
        let period = self.period.duration();
        let due = self.due.unwrap_or(scan.tick);
        let is_another = self.shares_ticks && self.last_has_lines && scan.tick.plus(period) == due;
        assert!(
            scan.tick == due || (is_another && scan.outcome.is_ok()),
            "due {due}: {scan:?}"
        );
        let ticks = scan.outcome.as_ref().map_or_else(|miss| miss.ticks, |_| 1);
        self.due = Some(scan.tick.plus(period * ticks));
        self.last_has_lines = scan.outcome.is_ok();
        if self.last_has_lines {
            assert!(self.last < Some(scan.at), "samples ascend: {scan:?}");
            self.last = Some(scan.at);
        }
        scan
    }

    /// Scans until one is wanted; it is the last.
    async fn until(&mut self, wanted: impl Fn(&Scan) -> bool) -> Vec<Scan> {
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

    async fn end(self) {
        self.stop.cancel();
        let ended = tokio::time::timeout(Duration::from_secs(2), self.handle.task).await;
        ended.expect("a line stops at once").unwrap();
    }
}

fn number(scan: &Scan) -> Option<f64> {
    match scan.outcome.as_ref().ok()?.as_slice() {
        [coded] => match coded.code? {
            Code::Number(number) => Some(number),
            Code::Count(_) => None,
        },
        other => panic!("one field, not {other:?}"),
    }
}

fn quality(scan: &Scan) -> Quality {
    scan.outcome.as_ref().unwrap()[0].quality
}

fn numbers(scans: &[Scan]) -> Vec<f64> {
    scans.iter().filter_map(number).collect()
}

fn is_number(wanted: f64) -> impl Fn(&Scan) -> bool {
    move |scan| number(scan) == Some(wanted)
}

fn is_missed(cause: Cause) -> impl Fn(&Scan) -> bool {
    move |scan| scan.outcome.as_ref().is_err_and(|miss| miss.cause == cause)
}

#[tokio::test]
async fn what_waited_before_the_port_was_opened_is_no_sample() {
    let mut meter = Meter::new();
    meter.send("1.0;x\r\n1.1;x\r\n1.2;x\r\n1");
    let mut run = Run::new(&listening(&meter.path, 100));
    run.opened().await;
    meter.send("2.34;x\r\n12.35;x\r\n12.36;x\r\n");
    let scans = run.until(is_number(12.36)).await;
    assert_eq!(numbers(&scans), [12.36]);
    run.end().await;
}

#[tokio::test]
async fn a_damaged_line_is_no_sample_and_has_its_cause() {
    let mut meter = Meter::new();
    let mut run = Run::new(&listening(&meter.path, 100));
    run.opened().await;
    meter.send("\r\n1;x\r\n2;x\r\n");
    run.until(is_number(2.0)).await;
    meter.send("12\0.4;x\r\n");
    let scans = run.until(is_missed(Cause::BadFrame)).await;
    assert_eq!(numbers(&scans), [0.0; 0]);
    let detail = scans.last().unwrap().outcome.clone().unwrap_err().detail;
    assert_eq!(
        detail,
        r"the line `12\x00.4;x` is not believed: byte 0x00 at position 3 may not stand in a line (a parity or framing error shows as 0x00)"
    );
    meter.send("3;x\r\n4;x\r\n----;x\r\n5;x\r\n");
    let scans = run.until(is_number(5.0)).await;
    assert_eq!(numbers(&scans), [4.0, 5.0]);
    let word = scans
        .iter()
        .find(|scan| scan.outcome.is_ok() && number(scan).is_none());
    assert!(quality(word.unwrap()).contains(Quality::NO_NUMBER));
    run.end().await;
}

#[tokio::test]
async fn lines_that_waited_through_a_stall_are_all_kept_with_times_of_their_own() {
    let mut meter = Meter::new();
    let mut run = Run::new(&listening(&meter.path, 1000));
    run.opened().await;
    meter.send("\r\n0;x\r\n0.5;x\r\n");
    let begun = run.until(is_number(0.5)).await.last().unwrap().at;
    let lines: Vec<_> = (1..=20).map(|n| format!("{n};x\r\n")).collect();
    meter.send(lines.concat());
    let scans = run.until(is_number(20.0)).await;
    let expected: Vec<f64> = (1..=20).map(f64::from).collect();
    assert_eq!(numbers(&scans), expected);
    let waited: Vec<_> = scans
        .iter()
        .filter(|scan| number(scan).is_some() && quality(scan).contains(Quality::BACKLOG))
        .collect();
    assert!(waited.len() >= 10, "{scans:?}");
    assert!(waited.iter().all(|scan| scan.at > begun));
    run.end().await;
}

#[tokio::test]
async fn a_line_of_a_megabyte_is_told_and_survived() {
    let mut meter = Meter::new();
    let mut run = Run::new(&listening(&meter.path, 100));
    run.opened().await;
    meter.send("\r\n1;x\r\n2;x\r\n");
    run.until(is_number(2.0)).await;
    let mut writer = meter.master.try_clone().unwrap();
    let flood = std::thread::spawn(move || writer.write_all(&vec![b'7'; 1 << 20]));
    run.health_until(|health| {
        health.error.as_ref().is_some_and(|note| {
            note.text
                .ends_with("and this one goes on; check length, terminator, speed and parity")
        })
    })
    .await;
    let waiting = tokio::task::spawn_blocking(move || flood.join().unwrap().unwrap());
    let mut meanwhile = Vec::new();
    while !waiting.is_finished() {
        meanwhile.push(run.scan().await);
    }
    assert_eq!(numbers(&meanwhile), [0.0; 0]);
    meter.send("7;x\r\n8;x\r\n9;x\r\n");
    let scans = run.until(is_number(9.0)).await;
    assert_eq!(numbers(&scans), [9.0]);
    run.end().await;
}

#[tokio::test]
async fn a_meter_of_the_right_pace_fills_every_tick() {
    let mut meter = Meter::new();
    let mut run = Run::new(&listening(&meter.path, 100));
    run.opened().await;
    meter.send("\r\n0;x\r\n0;x\r\n");
    run.until(is_number(0.0)).await;
    std::thread::spawn(move || {
        let begun = std::time::Instant::now();
        for n in 1..=20u32 {
            let due = begun + Duration::from_millis(100) * n;
            std::thread::sleep(due.saturating_duration_since(std::time::Instant::now()));
            meter.send(format!("{n};x\r\n"));
        }
        // Until the line at the other end is through.
        std::thread::sleep(Duration::from_secs(1));
    });
    let scans = run.until(is_number(20.0)).await;
    assert_eq!(numbers(&scans).len(), 20, "no line is lost");
    let missed = scans.iter().filter(|scan| scan.outcome.is_err()).count();
    assert!(missed <= 2, "a shared machine may stumble: {scans:?}");
    run.end().await;
}

#[tokio::test]
async fn silence_is_told_tick_by_tick_and_ever_more_plainly() {
    let meter = Meter::new();
    let mut run = Run::new(&listening(&meter.path, 50));
    run.opened().await;
    let scans = run.until(is_missed(Cause::NoAnswer)).await;
    let scans: Vec<_> = scans
        .iter()
        .filter(|scan| !is_missed(Cause::Unplugged)(scan))
        .collect();
    let (last, before) = scans.split_last().unwrap();
    assert!(
        !before.is_empty() && before.iter().all(|scan| is_missed(Cause::Timeout)(scan)),
        "{before:?}"
    );
    assert!(
        last.outcome
            .as_ref()
            .is_err_and(|miss| miss.detail.starts_with("no line for "))
    );
    let health = run
        .health_until(|health| health.state == LineState::Silent)
        .await;
    assert!(health.errors.of(Cause::NoAnswer) >= 1);
    run.end().await;
}

#[tokio::test]
async fn bytes_that_never_end_a_line_are_told_from_silence() {
    let mut meter = Meter::new();
    let mut run = Run::new(&listening(&meter.path, 100));
    run.opened().await;
    meter.send("12.3;x");
    let scans = run.until(is_missed(Cause::BadFrame)).await;
    let detail = scans.last().unwrap().outcome.clone().unwrap_err().detail;
    assert!(detail.contains("but 6 bytes that are none"), "{detail}");
    run.end().await;
}

#[tokio::test]
async fn a_meter_that_is_unplugged_comes_back_by_its_path() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("exhaust-meter");
    let mut meter = Meter::new();
    symlink(&meter.path, &link).unwrap();
    let mut run = Run::new(&listening(&link, 100));
    run.opened().await;
    meter.send("\r\n1;x\r\n2;x\r\n3.");
    run.until(is_number(2.0)).await;
    drop(meter);
    std::fs::remove_file(&link).unwrap();
    run.until(is_missed(Cause::Unplugged)).await;
    let mut meter = Meter::new();
    symlink(&meter.path, &link).unwrap();
    run.opened().await;
    meter.send("3;x\r\n4;x\r\n5;x\r\n");
    let scans = run.until(is_number(5.0)).await;
    assert_eq!(numbers(&scans), [5.0], "half a line of before is forgotten");
    run.end().await;
}

#[tokio::test]
async fn a_meter_behind_tcp_is_listened_to_and_found_again() {
    let server = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let wire = TextWire::Tcp("127.0.0.1".to_owned(), server.local_addr().unwrap().port());
    let mut run = Run::new(&on(wire, 100, Talk::Listen));
    for _ in 0..2 {
        let (mut meter, _) = server.accept().await.unwrap();
        tokio::io::AsyncWriteExt::write_all(&mut meter, b"\r\n1;x\r\n2;x\r\n")
            .await
            .unwrap();
        run.until(is_number(2.0)).await;
        drop(meter);
        run.until(is_missed(Cause::Unplugged)).await;
    }
    run.end().await;
}

#[tokio::test]
async fn a_meter_that_is_asked_answers_once_a_tick() {
    let path = Meter::new().answer(|meter, question, number| {
        assert_eq!(question, "V?\r");
        meter.send(format!("{number};x\r\n"));
    });
    let mut run = Run::new(&asking(&path, 100, 80));
    let scans = run.until(is_number(10.0)).await;
    let expected: Vec<f64> = (1..=10).map(f64::from).collect();
    assert_eq!(numbers(&scans), expected);
    for scan in scans.iter().filter(|scan| scan.outcome.is_ok()) {
        assert_eq!(scan.tick.micros() % 100_000, 0);
        assert!(scan.at > scan.tick && scan.at < scan.tick.plus(Duration::from_millis(100)));
    }
    run.end().await;
}

#[tokio::test]
async fn a_late_answer_is_never_taken_for_a_fresh_one() {
    let path = Meter::new().answer(|meter, _, number| {
        if number.is_multiple_of(3) {
            std::thread::sleep(Duration::from_millis(110));
        }
        meter.send(format!("{number};x\r\n"));
    });
    let mut run = Run::new(&asking(&path, 100, 60));
    let scans = run.until(is_number(10.0)).await;
    assert_eq!(numbers(&scans), [1.0, 2.0, 4.0, 5.0, 7.0, 8.0, 10.0]);
    assert!(scans.iter().any(is_missed(Cause::Timeout)));
    let after = scans.iter().find(|scan| is_number(4.0)(scan)).unwrap();
    assert!(quality(after).contains(Quality::RESYNCED));
    let health = run.health_until(|health| health.resyncs >= 3).await;
    assert_eq!(health.resyncs, 3);
    run.end().await;
}

#[tokio::test]
async fn an_answer_that_never_comes_is_missed_and_the_next_is_asked_for() {
    let path = Meter::new().answer(|meter, _, number| {
        if number != 2 {
            meter.send(format!("{number};x\r\n"));
        }
    });
    let mut run = Run::new(&asking(&path, 100, 60));
    let scans = run.until(is_number(3.0)).await;
    assert_eq!(numbers(&scans), [1.0, 3.0]);
    let silent = scans.iter().filter(|scan| scan.outcome.is_err()).count();
    assert!(
        silent >= 5,
        "a second of quiet after the time-out: {scans:?}"
    );
    run.end().await;
}

#[tokio::test]
async fn an_echo_of_the_question_is_no_answer() {
    let path = Meter::new().answer(|meter, question, number| {
        meter.send(question);
        std::thread::sleep(Duration::from_millis(10));
        meter.send(format!("{number};x\r\n"));
    });
    let mut run = Run::new(&asking(&path, 100, 80));
    let scans = run.until(is_number(5.0)).await;
    assert_eq!(numbers(&scans), [1.0, 2.0, 3.0, 4.0, 5.0]);
    run.end().await;
}

#[tokio::test]
async fn a_damaged_answer_is_a_miss_and_its_tail_is_no_sample() {
    let path = Meter::new().answer(|meter, _, number| {
        if number == 2 {
            // A false terminator: the tail alone is a well-formed line.
            meter.send("11\r23.0;x\r\n");
        } else {
            meter.send(format!("{number};x\r\n"));
        }
    });
    let mut run = Run::new(&asking(&path, 150, 80));
    let scans = run.until(is_number(4.0)).await;
    assert_eq!(numbers(&scans), [1.0, 3.0, 4.0]);
    assert!(scans.iter().any(is_missed(Cause::BadFrame)));
    run.end().await;
}

#[tokio::test]
async fn half_a_line_that_nobody_asked_for_does_not_stick_to_an_answer() {
    let path = Meter::new().answer(|meter, _, number| {
        meter.send(format!("{number};x\r\n"));
        std::thread::sleep(Duration::from_millis(20));
        meter.send("9");
    });
    let mut run = Run::new(&asking(&path, 200, 80));
    let scans = run.until(is_number(4.0)).await;
    assert_eq!(numbers(&scans), [1.0, 2.0, 3.0, 4.0]);
    run.end().await;
}

#[tokio::test]
async fn a_port_that_is_not_there_is_missed_from_the_first_tick() {
    let mut run = Run::new(&asking(Path::new("/dev/no-such-port"), 50, 30));
    let scans = run.until(is_missed(Cause::Unplugged)).await;
    assert_eq!(scans.len(), 1);
    let detail = run.until(|scan| scan.outcome.is_err()).await.pop().unwrap();
    assert_eq!(
        detail.outcome.unwrap_err().detail,
        "cannot open /dev/no-such-port: it is not there; is the adapter plugged in?"
    );
    run.end().await;
}
