//! A converter laid out as the kernel lays it out (Documentation/ABI/testing/sysfs-bus-iio): its
//! readings arrive, whatever number it has; what is not the converter that is meant is refused.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use std::fs;
use std::io::Write;
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::fcntl::OFlag;
use nix::sys::stat::Mode;
use tempfile::TempDir;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_lines::{Axis, LineHandle, SystemClocks};
use zonda_model::{Cause, Code, Miss, Scan};

/// Everything here takes milliseconds; a machine that is busy gets a minute.
const PATIENCE: Duration = Duration::from_mins(1);

/// A tree of converters: chips on their buses, and the kernel's numbered links to them.
struct Tree(TempDir);

impl Tree {
    fn new() -> Self {
        let tree = tempfile::tempdir().unwrap();
        fs::create_dir(tree.path().join("bus")).unwrap();
        Self(tree)
    }

    fn bus(&self) -> PathBuf {
        self.0.path().join("bus")
    }

    fn folder(&self, number: u32, chip: &str) -> PathBuf {
        self.0
            .path()
            .join(format!("devices/{chip}/iio:device{number}"))
    }

    /// A chip with two voltages of 3 mV a count.
    fn plug(&self, number: u32, chip: &str, name: &str, counts: [i64; 2]) {
        let folder = self.folder(number, chip);
        fs::create_dir_all(&folder).unwrap();
        write(&folder, "name", name);
        write(&folder, "in_voltage_scale", "3.000000000");
        for (channel, count) in counts.iter().enumerate() {
            write(
                &folder,
                &format!("in_voltage{channel}_raw"),
                &count.to_string(),
            );
        }
        symlink(&folder, self.bus().join(format!("iio:device{number}"))).unwrap();
    }

    fn pull(&self, number: u32, chip: &str) {
        fs::remove_file(self.bus().join(format!("iio:device{number}"))).unwrap();
        fs::remove_dir_all(self.folder(number, chip)).unwrap();
    }
}

/// Writes an attribute as the kernel shows it: whole, or not at all.
fn write(folder: &Path, attribute: &str, text: &str) {
    let partial = folder.join("partial");
    fs::write(&partial, format!("{text}\n")).unwrap();
    fs::rename(partial, folder.join(attribute)).unwrap();
}

struct Line {
    scans: mpsc::Receiver<Scan>,
    handle: LineHandle,
    stop: CancellationToken,
}

impl Line {
    fn start(tree: &Tree, more: &str) -> Self {
        let text = format!(
            r#"
[line.board]
every = "20 ms"
iio = {{ name = "adc12-4", root = "{root}", channels = {{ voltage0 = "3 mV", voltage1 = "3 mV" }}{more} }}
[channel.Inlet]
quantity = "voltage"
input = "board.voltage0"
[channel.Outlet]
quantity = "voltage"
input = "board.voltage1"
"#,
            root = tree.bus().display()
        );
        let config = zonda_config::check("board.toml", &text).unwrap().config;
        let (give, scans) = mpsc::channel(64);
        let stop = CancellationToken::new();
        let axis = Axis::new(SystemClocks, None);
        let handle = zonda_lines::spawn(&config.lines[0], axis, give, stop.clone());
        Self {
            scans,
            handle,
            stop,
        }
    }

    async fn until<T>(&mut self, what: &str, look: impl Fn(&Scan) -> Option<T>) -> T {
        let looking = async {
            loop {
                let scan = self.scans.recv().await.expect("the line goes on");
                if let Some(found) = look(&scan) {
                    return found;
                }
            }
        };
        let found = tokio::time::timeout(PATIENCE, looking).await;
        found.unwrap_or_else(|_| panic!("waited in vain for {what}"))
    }

    async fn counts(&mut self, wanted: [i64; 2]) {
        let wanted: Vec<_> = wanted.map(|count| Some(Code::Count(count))).to_vec();
        self.until(&format!("{wanted:?}"), |scan| {
            let codes: Vec<_> = scan
                .outcome
                .as_ref()
                .ok()?
                .iter()
                .map(|coded| coded.code)
                .collect();
            (codes == wanted).then_some(())
        })
        .await;
    }

    async fn miss(&mut self, cause: Cause) -> Miss {
        self.until(&format!("{cause}"), |scan| {
            let miss = scan.outcome.as_ref().err()?;
            (miss.cause == cause).then(|| miss.clone())
        })
        .await
    }

    async fn end(self) {
        self.stop.cancel();
        self.handle.task.await.unwrap();
    }
}

#[tokio::test]
async fn readings_follow_the_converter_and_not_its_number() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, -7]);
    let mut line = Line::start(&tree, "");
    line.counts([100, -7]).await;
    // Another chip takes the number, as after an update of the kernel.
    tree.pull(0, "1-0048");
    tree.plug(0, "spi0.0", "adc12-8", [4000, 4000]);
    line.miss(Cause::Unplugged).await;
    tree.plug(1, "1-0048", "adc12-4", [101, -8]);
    line.counts([101, -8]).await;
    line.end().await;
}

#[tokio::test]
async fn another_chip_in_the_same_place_is_refused() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, 200]);
    let mut line = Line::start(&tree, "");
    line.counts([100, 200]).await;
    write(&tree.folder(0, "1-0048"), "name", "adc16-4");
    let miss = line.miss(Cause::Mismatch).await;
    assert_eq!(
        miss.detail,
        "where adc12-4 at 1-0048 was, there is adc16-4 at 1-0048 now; looking for adc12-4 again"
    );
    let miss = line.miss(Cause::Unplugged).await;
    assert!(miss.detail.contains("there is no adc12-4"), "{miss:?}");
    write(&tree.folder(0, "1-0048"), "name", "adc12-4");
    line.counts([100, 200]).await;
    line.end().await;
}

#[tokio::test]
async fn two_converters_of_one_name_are_told_apart_or_refused() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, 200]);
    tree.plug(1, "1-0049", "adc12-4", [300, 400]);
    let mut line = Line::start(&tree, "");
    let miss = line.miss(Cause::Mismatch).await;
    assert!(miss.detail.contains("2 converters are adc12-4"), "{miss:?}");
    line.end().await;
    let mut line = Line::start(&tree, r#", bus_address = "1-0049""#);
    line.counts([300, 400]).await;
    line.end().await;
}

#[tokio::test]
async fn a_scale_that_is_not_the_files_is_refused() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, 200]);
    let folder = tree.folder(0, "1-0048");
    let mut line = Line::start(&tree, "");
    line.counts([100, 200]).await;
    write(&folder, "in_voltage1_scale", "0.500000000");
    let miss = line.miss(Cause::Mismatch).await;
    assert_eq!(
        miss.detail,
        "one count of voltage1 is 0.5 mV by the kernel, 3 mV by the configuration; write `voltage1 = \"0.5 mV\"` if the kernel is right"
    );
    fs::remove_file(folder.join("in_voltage1_scale")).unwrap();
    line.counts([100, 200]).await;
    write(&folder, "in_voltage_offset", "-5");
    let miss = line.miss(Cause::Mismatch).await;
    assert!(
        miss.detail
            .contains("offset of voltage0 is -5, the configuration says 0"),
        "{miss:?}"
    );
    line.end().await;
}

#[tokio::test]
async fn what_is_no_number_is_no_reading() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, 200]);
    let mut line = Line::start(&tree, "");
    line.counts([100, 200]).await;
    write(&tree.folder(0, "1-0048"), "in_voltage0_raw", "1\u{0}0");
    let miss = line.miss(Cause::BadFrame).await;
    assert_eq!(miss.detail, "voltage0 reads as `1\\00`, which is no number");
    write(&tree.folder(0, "1-0048"), "in_voltage0_raw", "100");
    line.counts([100, 200]).await;
    line.end().await;
}

/// In place of an attribute, a pipe: who opens it waits for whoever gives the reading.
fn pipe(folder: &Path, attribute: &str) -> PathBuf {
    let path = folder.join(attribute);
    fs::remove_file(&path).unwrap();
    nix::unistd::mkfifo(&path, Mode::S_IRWXU).unwrap();
    path
}

/// Waits until nobody reads the pipe; opening it to write without waiting fails then (fifo(7)).
fn wait_until_closed(pipe: &Path) {
    let mut options = fs::OpenOptions::new();
    options.write(true).custom_flags(OFlag::O_NONBLOCK.bits());
    while options.open(pipe).is_ok() {
        std::thread::yield_now();
    }
}

#[tokio::test]
async fn a_reading_that_hangs_is_missed_and_holds_up_nothing() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, 200]);
    let mut line = Line::start(&tree, r#", timeout = "10 ms""#);
    line.counts([100, 200]).await;
    let pipe = pipe(&tree.folder(0, "1-0048"), "in_voltage1_raw");
    let first = line.miss(Cause::Timeout).await;
    assert_eq!(first.detail, "the kernel gave no reading within 10 ms");
    let second = line.miss(Cause::Timeout).await;
    assert!(second.detail.contains("still hangs"), "{second:?}");
    // The reading comes at last. It is old, and not recorded; those after it are.
    let (old, then) = (pipe.clone(), tree.folder(0, "1-0048"));
    let give = tokio::task::spawn_blocking(move || {
        let mut held = fs::OpenOptions::new().write(true).open(&old).unwrap();
        write(&then, "in_voltage1_raw", "201");
        held.write_all(b"999\n").unwrap();
    });
    give.await.unwrap();
    let codes = line
        .until("a reading", |scan| scan.outcome.clone().ok())
        .await;
    assert_eq!(codes[1].code, Some(Code::Count(201)));
    line.end().await;
}

/// A multiplexer whose first reading is what was selected before.
#[tokio::test]
async fn the_first_reading_can_be_thrown_away() {
    let tree = Tree::new();
    tree.plug(0, "1-0048", "adc12-4", [100, 200]);
    let pipe = pipe(&tree.folder(0, "1-0048"), "in_voltage1_raw");
    let mut line = Line::start(
        &tree,
        r#", discard_first = true, settle = "2 ms", timeout = "15 ms""#,
    );
    let give = tokio::task::spawn_blocking(move || {
        for text in ["100\n", "200\n"] {
            // Waits for the reader.
            let mut held = fs::OpenOptions::new().write(true).open(&pipe).unwrap();
            held.write_all(text.as_bytes()).unwrap();
            drop(held);
            wait_until_closed(&pipe);
        }
        // From here on an ordinary file.
        write(pipe.parent().unwrap(), "in_voltage1_raw", "201");
    });
    let codes = line
        .until("a reading", |scan| scan.outcome.clone().ok())
        .await;
    give.await.unwrap();
    assert!(
        [Some(Code::Count(200)), Some(Code::Count(201))].contains(&codes[1].code),
        "{codes:?}"
    );
    line.end().await;
}
