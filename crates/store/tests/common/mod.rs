//! What the suites share: a bench of channels that tick once a second, and ways to look at its record.
#![allow(dead_code, reason = "each suite uses a part of it")]

pub(crate) mod pour;

use std::path::Path;
use std::time::Duration;

use zonda_model::{Code, Period, Quality, Quantity, Sample, Stamp, Unit};
use zonda_store::{
    ChannelEntry, ChannelId, GapRow, Readable, RecorderOptions, Session, Start, Store,
};

pub(crate) const OPTIONS: RecorderOptions = RecorderOptions {
    commit_every: Duration::from_millis(20),
    memory_samples: 100_000,
};

/// Long enough for any wait that is not a fault.
pub(crate) const DEADLINE: Duration = Duration::from_secs(30);

pub(crate) const EVER: (Stamp, Stamp) =
    (Stamp::from_micros(i64::MIN), Stamp::from_micros(i64::MAX));

/// A second of a day in November.
pub(crate) fn second(s: i64) -> Stamp {
    Stamp::from_millis(1_700_000_000_000 + s * 1000)
}

pub(crate) fn start(names: &[&str], at: Stamp) -> Start {
    let entry = |name: &&str| ChannelEntry {
        name: name.parse().unwrap(),
        quantity: Quantity::Velocity,
        unit: Unit::MetrePerSecond,
        period: Period::SECOND,
        mapping: "0-10 V to 0-20 m/s".into(),
    };
    Start {
        boot: "boot-1".into(),
        version: "test".into(),
        config_hash: "abc".into(),
        config_text: "text".into(),
        channels: names.iter().map(entry).collect(),
        at,
    }
}

pub(crate) async fn open(dir: &Path, names: &[&str], at: Stamp) -> (Store, Session) {
    let store = Store::open(dir).await.unwrap();
    let session = store.begin(&start(names, at)).await.unwrap();
    (store, session)
}

pub(crate) fn sample(channel: ChannelId, at: Stamp, value: f64) -> Sample<ChannelId> {
    Sample {
        channel,
        at,
        code: Some(Code::Count(1234)),
        value: Some(value),
        quality: Quality::SIMULATED,
    }
}

pub(crate) async fn all(read: &Readable) -> Vec<Sample<ChannelId>> {
    read.samples(EVER, None, None, 10_000_000).await.unwrap()
}

pub(crate) async fn gaps(read: &Readable) -> Vec<GapRow> {
    read.gaps(EVER, None, 1_000_000).await.unwrap()
}

/// Every gap has a length, holds no sample, and does not run into the next one of its channel.
pub(crate) fn check_gaps(samples: &[Sample<ChannelId>], gaps: &[GapRow]) {
    for gap in gaps {
        let to = gap.to.unwrap_or(EVER.1);
        assert!(gap.from < to, "{gap:?}");
        let inside = samples
            .iter()
            .find(|sample| sample.channel == gap.channel && (gap.from..to).contains(&sample.at));
        assert_eq!(inside, None, "a sample inside {gap:?}");
        let next = gaps
            .iter()
            .find(|next| next.channel == gap.channel && next.id != gap.id && next.from >= gap.from);
        assert!(
            next.is_none_or(|next| next.from >= to),
            "{gap:?} runs into {next:?}"
        );
    }
}
