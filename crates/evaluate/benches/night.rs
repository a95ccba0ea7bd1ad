//! A night of 64 channels at 10 Hz through means, uniformity and steadiness, and the same by numpy and pandas.
//!
//! 27.6 million samples come from an iterator, one scan at a time; nothing but the evaluations is kept. The samples are a
//! hash of their number, so that `night.py` makes the same ones, and both must find the same. The peers' Python is that of
//! `ZONDA_PEERS_PYTHON`, as `cargo xtask peers` prints it; without it, only our side runs.
//!
//! It fails where our side takes more than 3 s of one core's time or 200 MB. The time is the processor's, so that
//! whatever else the machine does is left out; where the system does not tell it, the clock's.

#![expect(clippy::unwrap_used, reason = "a bench stops where something is wrong")]

use std::process::{Command, ExitCode};
use std::time::{Duration, Instant};

use zonda_evaluate::zone::{Layout, Survey, SurveyRule, Uniformity, WorkZone};
use zonda_evaluate::{Band, MeanRule, Reading, Steadiness, SteadyRule, Stretch};
use zonda_model::{Period, Quantity, Stamp};

const CHANNELS: u32 = 64;
const SCANS: u32 = 12 * 3600 * 10;
const TICK: Duration = Duration::from_millis(100);
const WINDOW: Duration = Duration::from_mins(10);

const TIME_MAX: Duration = Duration::from_secs(3);
const MEMORY_MAX_MIB: u64 = 200;

/// About 180 °C, a little warmer from place to place, with even noise of 1 K: splitmix64 (Steele, Lea and Flood, 2014).
fn value(scan: u32, channel: u32) -> f64 {
    let number = u64::from(scan) * u64::from(CHANNELS) + u64::from(channel) + 1;
    let mut hash = number.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    hash = (hash ^ (hash >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    hash = (hash ^ (hash >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    let bits = u32::try_from((hash ^ (hash >> 31)) >> 32).unwrap();
    180.0 + 0.01 * f64::from(channel) + f64::from(bits) / 4_294_967_296.0
}

fn evaluate() -> (Uniformity, Vec<Steadiness>) {
    let period = Period::new(TICK).unwrap();
    let start = Stamp::from_millis(0);
    let night = Stretch::new(start, start.plus(TICK * SCANS)).unwrap();
    let zone = WorkZone::block(1.2, 1.5, 1.0).unwrap();
    let layout = Layout::grid(zone, [4, 4, 4]).unwrap();
    let rule = SurveyRule {
        mean: MeanRule::every(period),
        band: Some(Band::around(181.0, 1.0).unwrap()),
    };
    let mut survey = Survey::new(
        layout,
        &[Quantity::Temperature; CHANNELS as usize],
        night,
        rule,
    )
    .unwrap();
    let steadiness = Steadiness::new(SteadyRule::over(WINDOW, period)).unwrap();
    let mut steady = vec![steadiness; CHANNELS as usize];

    let mut scan = Vec::with_capacity(CHANNELS as usize);
    for tick in 0..SCANS {
        let at = start.plus(TICK * tick);
        scan.clear();
        scan.extend((0..CHANNELS).map(|channel| Reading::good(at, value(tick, channel))));
        survey.push(&scan).unwrap();
        for (channel, reading) in steady.iter_mut().zip(&scan) {
            channel.push(reading).unwrap();
        }
    }
    for channel in &mut steady {
        channel.reach(night.to()).unwrap();
    }
    (survey.finish().unwrap(), steady)
}

/// The most memory that this process ever held, MiB; `None` where the system does not say.
fn peak_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kib: u64 = line.trim().strip_suffix(" kB")?.parse().ok()?;
    Some(kib / 1024)
}

/// The processor's time that this process used; `None` where the system does not say.
fn cpu_time() -> Option<Duration> {
    /// Linux tells it in hundredths of a second, whatever the machine (`USER_HZ`).
    const TICK: Duration = Duration::from_millis(10);
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // Behind the name in brackets: the state, ten numbers, then user and system time.
    let mut numbers = stat.rsplit_once(')')?.1.split_whitespace().skip(11);
    let user: u32 = numbers.next()?.parse().ok()?;
    let system: u32 = numbers.next()?.parse().ok()?;
    Some(TICK * (user + system))
}

/// What `night.py` found, in the order of [`ours`], after it has printed its own time and memory.
fn theirs() -> Option<Vec<f64>> {
    let python = std::env::var_os("ZONDA_PEERS_PYTHON")?;
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/night.py");
    let mut command = Command::new(python);
    let output = command
        .arg(script)
        .env("OPENBLAS_NUM_THREADS", "1")
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    print!("{said}");
    let found = String::from_utf8(output.stdout).unwrap();
    Some(
        found
            .split_whitespace()
            .map(|x| x.parse().unwrap())
            .collect(),
    )
}

fn ours(found: &Uniformity, steady: &[Steadiness]) -> Vec<f64> {
    let first = &found.places[0];
    let window = steady[0].window().unwrap();
    vec![
        first.mean,
        first.sd.unwrap(),
        first.lag_one.unwrap(),
        found.spread.unwrap().value,
        found.spread_mean.unwrap(),
        found.sd_of_means,
        window.mean,
        window.climb,
        window.u_climb,
    ]
}

fn main() -> ExitCode {
    let start = Instant::now();
    let (found, steady) = evaluate();
    let took = cpu_time().unwrap_or_else(|| start.elapsed());
    let peak = peak_mib();
    let samples = u64::from(SCANS) * u64::from(CHANNELS);
    println!(
        "zonda: {samples} samples in {:.2} s of one core, making them included; at most {} MiB",
        took.as_secs_f64(),
        peak.map_or("?".into(), |mib| mib.to_string()),
    );
    if let Some(theirs) = theirs() {
        let ours = ours(&found, &steady);
        assert_eq!(ours.len(), theirs.len());
        for (one, other) in ours.iter().zip(&theirs) {
            assert!(
                (one - other).abs() <= 1e-9 * other.abs().max(1e-3),
                "{ours:?} {theirs:?}"
            );
        }
        println!("both found the same {} figures", ours.len());
    } else {
        println!("set ZONDA_PEERS_PYTHON to compare; `cargo xtask peers` prints it");
    }
    if took > TIME_MAX || peak.is_some_and(|mib| mib > MEMORY_MAX_MIB) {
        eprintln!("more than {TIME_MAX:?} or {MEMORY_MAX_MIB} MiB");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}
