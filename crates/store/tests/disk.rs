//! The disk is full, reports errors, or loses its power. Needs root for the file systems it breaks, so
//! these are left out of a plain `cargo test`: run them with `--include-ignored`.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use common::{DEADLINE, all, check_gaps, gaps, open, pour, sample, second};
use tokio::sync::watch;
use zonda_model::Cause;
use zonda_store::{ChannelId, Readable, Recorder, RecorderOptions, Recording, Store};

/// Runs a tool, and stops the test where it does not do its work.
fn run(command: &mut Command) {
    let done = command.output().unwrap();
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "{command:?}: {said}");
}

/// A file system on a directory, taken away in the end.
struct Mount<'a>(&'a Path);

impl<'a> Mount<'a> {
    fn memory(dir: &'a Path, size: &str) -> Self {
        run(Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(dir));
        Self(dir)
    }

    fn image(image: &Path, dir: &'a Path) -> Self {
        run(Command::new("mount")
            .args(["-o", "loop"])
            .arg(image)
            .arg(dir));
        Self(dir)
    }
}

impl Drop for Mount<'_> {
    fn drop(&mut self) {
        let unmount = |lazily: &[&str]| Command::new("umount").args(lazily).arg(self.0).output();
        // A process that was just killed keeps its files for a moment.
        let until = Instant::now() + DEADLINE;
        while !unmount(&[]).is_ok_and(|done| done.status.success()) {
            if std::thread::panicking() || Instant::now() > until {
                let _ = unmount(&["-l"]);
                return;
            }
            std::thread::yield_now();
        }
    }
}

/// Takes all space but some of it.
fn fill(path: &Path) {
    let mut file = fs::File::create(path).unwrap();
    for size in [65_536, 4096, 512] {
        while file.write_all(&vec![0; size]).is_ok() {}
    }
}

async fn wait_for(
    recording: &mut watch::Receiver<Recording>,
    what: impl FnMut(&Recording) -> bool,
) -> Recording {
    let found = tokio::time::timeout(DEADLINE, recording.wait_for(what)).await;
    found.expect("in time").unwrap().clone()
}

#[tokio::test]
#[ignore = "needs root, to mount a small file system"]
async fn a_full_disk_costs_exactly_what_the_gaps_say() {
    const MEMORY: usize = 2000;
    let dir = tempfile::tempdir().unwrap();
    let _mount = Mount::memory(dir.path(), "3m");
    let (store, session) = open(dir.path(), &["a", "b", "c", "d"], second(0)).await;
    let channels = session.channels.clone();
    let options = RecorderOptions {
        commit_every: Duration::from_millis(5),
        memory_samples: MEMORY,
    };
    let (recorder, task) = Recorder::start(&store, session, options);
    let mut recording = recorder.recording();
    let tick = async |s: i64| {
        let samples = channels
            .iter()
            .map(|channel| sample(*channel, second(s), 1.0));
        recorder.samples(samples.collect()).await.unwrap();
    };
    let mut now = 0;
    while now < 100 {
        tick(now).await;
        now += 1;
    }
    recorder.flush().await.unwrap();

    let filler = dir.path().join("filler");
    fill(&filler);
    // Until memory is full, and some more: that much is lost.
    while recording.borrow().lost < 400 {
        tick(now).await;
        now += 1;
        tokio::task::yield_now().await;
        if now % 100 == 0 {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        assert!(
            now < 100_000,
            "the disk never filled up: {:?}",
            recording.borrow()
        );
    }
    let stalled = wait_for(&mut recording, |now| now.stalled.is_some()).await;
    assert!(stalled.stalled.unwrap().reason.contains("full"));
    // Reading goes on meanwhile.
    assert!(
        store
            .read()
            .count_samples((second(0), second(100)))
            .await
            .unwrap()
            == 400
    );

    fs::remove_file(&filler).unwrap();
    wait_for(&mut recording, |now| now.stalled.is_none() && now.held == 0).await;
    for _ in 0..50 {
        tick(now).await;
        now += 1;
    }
    recorder.end(second(now)).await.unwrap();
    task.await.unwrap();

    let lost = recording.borrow().lost;
    let (samples, gaps) = (all(store.read()).await, gaps(store.read()).await);
    check_gaps(&samples, &gaps);
    assert!(
        gaps.iter()
            .all(|gap| gap.cause == Cause::DiskStalled && gap.to.is_some())
    );
    assert_eq!(
        gaps.iter().map(|gap| gap.missed).sum::<i64>(),
        i64::try_from(lost).unwrap()
    );
    for channel in &channels {
        let stored: BTreeSet<_> = samples
            .iter()
            .filter(|s| s.channel == *channel)
            .map(|s| s.at)
            .collect();
        let missing: Vec<_> = (0..now)
            .map(second)
            .filter(|at| !stored.contains(at))
            .collect();
        let gap: Vec<_> = gaps.iter().filter(|gap| gap.channel == *channel).collect();
        let [gap] = gap[..] else { panic!("{gap:?}") };
        // Exactly the ticks that are missing, and all of them.
        assert_eq!(gap.missed, i64::try_from(missing.len()).unwrap());
        assert_eq!(Some(&gap.from), missing.first());
        assert_eq!(
            gap.to.unwrap(),
            missing.last().unwrap().plus(Duration::from_secs(1))
        );
    }
    let events = store.read().events(None, 100).await.unwrap();
    store.read().close().await;
    let kinds: Vec<_> = events.iter().map(|event| event.kind.as_str()).collect();
    assert_eq!(kinds, ["disk_back", "disk_stalled"]);
    assert!(
        events[0]
            .text
            .contains(&format!("{lost} samples were lost")),
        "{}",
        events[0].text
    );
}

/// It may be the disk that the record itself grows on.
#[tokio::test]
#[ignore = "needs root, to mount a small file system"]
async fn a_backup_does_not_take_the_last_room() {
    let (dir, shelf) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let _mount = Mount::memory(shelf.path(), "1m");
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, common::OPTIONS);
    let samples = (0..100_000).map(|s| sample(a, second(s), 1.0)).collect();
    recorder.samples(samples).await.unwrap();
    recorder.end(second(100_000)).await.unwrap();
    task.await.unwrap();
    let to = shelf.path().join("backup.sqlite");
    let refused = store.read().backup(&to).await.unwrap_err().to_string();
    assert!(refused.starts_with("a backup needs"), "{refused}");
    assert_eq!(fs::read_dir(shelf.path()).unwrap().count(), 0);
}

/// A record that was put on a medium nobody can write to, years later.
#[tokio::test]
#[ignore = "needs root, to mount a file system for reading only"]
async fn a_record_on_a_read_only_medium_can_be_read() {
    let dir = tempfile::tempdir().unwrap();
    let mount = Mount::memory(dir.path(), "8m");
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, common::OPTIONS);
    recorder
        .samples(vec![sample(a, second(0), 1.0)])
        .await
        .unwrap();
    recorder.end(second(1)).await.unwrap();
    task.await.unwrap();
    store.read().close().await;
    drop(store);
    // The last connection takes the log and its index with it.
    let only_record = || fs::read_dir(dir.path()).unwrap().count() == 2;
    let until = Instant::now() + DEADLINE;
    while !only_record() {
        assert!(Instant::now() < until, "the log is still there");
        tokio::task::yield_now().await;
    }
    run(Command::new("mount")
        .args(["-o", "remount,ro"])
        .arg(mount.0));
    let read = Readable::open(dir.path()).await.unwrap();
    assert_eq!(all(&read).await.len(), 1);
    read.close().await;
}

/// What the other tests do harm to.
#[tokio::test]
async fn pours() {
    assert!(pour::pour().await > 0);
}

/// Says which calls fail, to `strace`, and pours meanwhile.
fn pour_with_faults(dir: &Path, inject: &str) -> Vec<i64> {
    let calls = inject.split(':').next().unwrap();
    let (trace, inject) = (format!("trace={calls}"), format!("inject={inject}"));
    let strace = [
        "strace",
        "-f",
        "-qq",
        "-o",
        "/dev/null",
        "-e",
        &trace,
        "-e",
        &inject,
    ];
    let child = pour::process(&strace, "pours", dir, 40).output().unwrap();
    assert!(child.status.success(), "{inject}: {child:?}");
    let said = String::from_utf8(child.stdout).unwrap();
    said.lines().filter_map(pour::tick_of).collect()
}

#[tokio::test]
#[ignore = "needs strace, and the right to trace"]
async fn errors_of_the_disk_lose_nothing_and_store_nothing_twice() {
    // Counted by thread: opening a record that is laid out already syncs and writes a few times on
    // one, the recorder goes on with some 40 and 170 on another.
    for inject in [
        "fdatasync,fsync:error=EIO:when=20",
        "fdatasync,fsync:error=EIO:when=14..40",
        "pwrite64:error=EIO:when=100",
        "pwrite64:error=EIO:when=90..170",
        "pwrite64:error=ENOSPC:when=100..130",
        "pwrite64:error=EROFS:when=101",
    ] {
        let dir = tempfile::tempdir().unwrap();
        let laid_out = Store::open(dir.path()).await.unwrap();
        laid_out.read().close().await;
        drop(laid_out);
        let said = pour_with_faults(dir.path(), inject);
        assert_eq!(said, (0..40).collect::<Vec<_>>(), "{inject}");
        let read = Readable::open(dir.path()).await.unwrap();
        assert_eq!(read.check().await.unwrap(), None, "{inject}");
        let mut ticks: BTreeMap<i64, BTreeSet<ChannelId>> = BTreeMap::new();
        for sample in all(&read).await {
            let is_new = ticks
                .entry(sample.at.micros())
                .or_default()
                .insert(sample.channel);
            assert!(is_new, "{inject}: twice at {}", sample.at);
        }
        let expected: Vec<_> = (0..40).map(|tick| tick * 1_000_000).collect();
        assert_eq!(
            ticks.keys().copied().collect::<Vec<_>>(),
            expected,
            "{inject}"
        );
        assert!(
            ticks.values().all(|channels| channels.len() == 8),
            "{inject}"
        );
        let events = read.events(None, 100).await.unwrap();
        let is_told = |kind: &str| events.iter().any(|event| event.kind == kind);
        assert!(
            is_told("disk_stalled") && is_told("disk_back"),
            "{inject}: {events:?}"
        );
    }
}

/// `ioctl(FS_IOC_SHUTDOWN)` without flushing the journal: what was not synced is gone, as with the
/// power. (Linux, `fs/ext4/ioctl.c`.)
const PULL_THE_PLUG: &str = "
import fcntl, os, struct, sys
fcntl.ioctl(os.open(sys.argv[1], os.O_RDONLY), 0x8004587d, struct.pack('I', 2))
";

#[tokio::test]
#[ignore = "needs root, to mount a file system and to shut it down"]
async fn a_power_cut_takes_nothing_that_was_durable() {
    let home = tempfile::tempdir().unwrap();
    let (image, dir) = (home.path().join("disk"), home.path().join("mount"));
    fs::create_dir(&dir).unwrap();
    fs::File::create(&image).unwrap().set_len(64 << 20).unwrap();
    run(Command::new("mkfs.ext4")
        .args(["-q", "-F", "-m0"])
        .arg(&image));
    let mut durable = BTreeSet::new();
    for cut_after in [1, 5, 60, 300] {
        {
            let mount = Mount::image(&image, &dir);
            let mut child = pour::process(&[], "pours", &dir, u32::MAX)
                .stdout(Stdio::piped())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            // Held open to the end: a child that cannot say anything ends in order.
            let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
            let ticks = said
                .by_ref()
                .filter_map(|line| pour::tick_of(&line.unwrap()));
            durable.extend(ticks.take(cut_after));
            run(Command::new("python3")
                .args(["-c", PULL_THE_PLUG])
                .arg(mount.0));
            child.kill().unwrap();
            child.wait().unwrap();
        }
        let _mount = Mount::image(&image, &dir);
        let read = Readable::open(&dir).await.unwrap();
        assert_eq!(read.check().await.unwrap(), None);
        let samples = all(&read).await;
        let stored: BTreeSet<_> = samples.iter().map(|s| s.at.micros() / 1_000_000).collect();
        let lost: Vec<_> = durable.difference(&stored).collect();
        assert!(lost.is_empty(), "cut after {cut_after}: {lost:?}");
        assert_eq!(samples.len(), stored.len() * 8);
        read.close().await;
    }
}
