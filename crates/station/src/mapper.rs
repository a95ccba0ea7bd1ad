//! Mapping: a scan's codes become samples of the channels that use them, each with all that is to
//! be said of it.
//!
//! What the line knows of a code (`late`, `backlog`), what the mapping finds (`over_range`,
//! `below_threshold`), what the day says of its certificate and what the station sees of it over
//! time (`stuck`) stand side by side. What has changed, for the journal, is told as a [`Finding`].

use zonda_config::{ChannelPlan, Config};
use zonda_model::{Coded, Miss, Period, Quality, Sample, SourceId, Stamp};
use zonda_signal::Companion;

use crate::pairing::{Beside, Memory, Reading};
use crate::presence::Presence;
use crate::standing::Standing;
use crate::still::{Still, Turn};

/// Readings that may wait for their companions. A listened-to meter has several lines a tick at
/// most; should there be more, the oldest is judged without.
const WAITING_MAX: usize = 4096;

/// Flags of a companion that do not make its number doubtful for what it is needed for: a
/// thermometer whose certificate is overdue tells 150 °C from 350 °C as well as the day before.
pub(crate) const FORGIVEN: Quality = Quality::CALIBRATION_OVERDUE.union(Quality::UNCALIBRATED);

/// Something for the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Finding {
    /// A channel's reading stands still since then.
    Stuck { channel: usize, since: Stamp },
    /// It moves again.
    Moves { channel: usize },
    /// Two neighbouring inputs hand over one signal.
    Alike { first: usize, second: usize },
    /// A certificate is overdue today; an index into the configuration's.
    Overdue { certificate: usize },
    /// A probe's air is hotter than its cable holds; an index into the configuration's meters.
    CableHot { meter: usize, celsius: i64 },
}

/// Which channels use a source, and what becomes of its codes.
#[derive(Debug)]
pub(crate) struct Mapper {
    /// By source: the channels' indices in the configuration, companions before those they stand beside.
    channels_of: Vec<Vec<usize>>,
    channels: Vec<ChannelPlan>,
    /// By source.
    marks: Vec<Quality>,
    /// By source.
    presence: Vec<Presence>,
    /// By channel, of those that are read beside others.
    memories: Vec<Option<Memory>>,
    stills: Vec<Option<Still>>,
    standing: Standing,
    cables: Vec<Cable>,
    waiting: Vec<Reading>,
    found: Vec<(Stamp, Finding)>,
}

/// A probe's cable beside the temperature that its probe reads.
#[derive(Clone, Copy, Debug)]
struct Cable {
    meter: usize,
    channel: usize,
    limit: f64,
    is_hot: bool,
}

/// So far below its limit a cable counts as cool again, so that the journal is not filled at the limit.
const COOL_BY: f64 = 5.0;

impl Mapper {
    pub(crate) fn new(config: &Config) -> Self {
        let sources = 0..config.sources.len();
        let mark = |source: &zonda_config::SourcePlan| {
            if source.simulated {
                Quality::SIMULATED
            } else {
                Quality::empty()
            }
        };
        Self {
            channels_of: sources.clone().map(|s| channels_of(config, s)).collect(),
            channels: config.channels.clone(),
            marks: config.sources.iter().map(mark).collect(),
            presence: sources
                .map(|source| Presence::new(config, SourceId(source)))
                .collect(),
            memories: memories(config),
            stills: config
                .channels
                .iter()
                .map(|plan| plan.stuck.map(Still::new))
                .collect(),
            standing: Standing::default(),
            cables: cables(config),
            waiting: Vec::new(),
            found: Vec::new(),
        }
    }

    /// The channels of a source.
    pub(crate) fn channels(&self, source: SourceId) -> &[usize] {
        self.channels_of.get(source.0).map_or(&[], Vec::as_slice)
    }

    /// What has been found since the last call, and when.
    pub(crate) fn findings(&mut self) -> Vec<(Stamp, Finding)> {
        std::mem::take(&mut self.found)
    }

    /// The samples that a scan's codes stand for, and those that have waited for it. `utc_offset_us`
    /// is how far the record's axis is ahead of UTC.
    pub(crate) fn scanned(
        &mut self,
        source: SourceId,
        (tick, at): (Stamp, Stamp),
        utc_offset_us: i64,
        codes: &[Coded],
    ) -> Vec<Sample<usize>> {
        let mut samples = self.give_up(source, tick);
        self.turn(at, utc_offset_us);
        let absent = match self.presence.get_mut(source.0) {
            Some(presence) => presence.judge(&self.channels, codes),
            None => return samples,
        };
        let alike = absent.alike.iter();
        self.found
            .extend(alike.map(|&(first, second)| (at, Finding::Alike { first, second })));
        for place in 0..self.channels_of[source.0].len() {
            let channel = self.channels_of[source.0][place];
            let Some(input) = codes.get(self.channels[channel].input).copied() else {
                continue;
            };
            let mut mark = self.marks[source.0];
            if absent.channels.contains(&channel) {
                mark |= Quality::UNCERTAIN;
            }
            let reading = Reading {
                channel,
                tick,
                at,
                input,
                mark,
            };
            match self.beside(&reading) {
                Beside::Told(companion) => samples.push(self.sample(&reading, companion)),
                Beside::Ahead => self.waiting.push(reading),
            }
        }
        self.settle(&mut samples);
        samples
    }

    /// A source brought nothing for a tick: who has waited for it waits no longer.
    pub(crate) fn missed(
        &mut self,
        source: SourceId,
        tick: Stamp,
        miss: &Miss,
    ) -> Vec<Sample<usize>> {
        let mut samples = self.give_up(source, tick);
        for channel in self.channels_of.get(source.0).into_iter().flatten() {
            if let Some(memory) = &mut self.memories[*channel] {
                let later = memory.period().duration() * miss.ticks.saturating_sub(1);
                memory.note(tick.plus(later), Companion::NONE);
            }
        }
        self.settle(&mut samples);
        samples
    }

    /// Everything that waits, judged without: nothing more will come.
    pub(crate) fn finish(&mut self) -> Vec<Sample<usize>> {
        let waiting = std::mem::take(&mut self.waiting);
        let give_up = |reading: &Reading| self.sample(reading, Companion::NONE);
        waiting.iter().map(give_up).collect()
    }

    /// What of a source has waited since an earlier tick, and whatever is too much.
    fn give_up(&mut self, source: SourceId, tick: Stamp) -> Vec<Sample<usize>> {
        let too_many = self.waiting.len().saturating_sub(WAITING_MAX);
        let channels = &self.channels;
        let mut place = 0;
        let is_over = |reading: &mut Reading| {
            place += 1;
            let is_past = channels[reading.channel].source == source && reading.tick < tick;
            is_past || place <= too_many
        };
        let over: Vec<_> = self.waiting.extract_if(.., is_over).collect();
        let mut samples: Vec<_> = over
            .iter()
            .map(|reading| self.sample(reading, Companion::NONE))
            .collect();
        self.settle(&mut samples);
        samples
    }

    /// Takes those whose companion has been told since; one may be another's.
    fn settle(&mut self, samples: &mut Vec<Sample<usize>>) {
        let mut place = 0;
        while let Some(reading) = self.waiting.get(place).copied() {
            match self.beside(&reading) {
                Beside::Told(companion) => {
                    self.waiting.remove(place);
                    samples.push(self.sample(&reading, companion));
                    place = 0;
                }
                Beside::Ahead => place += 1,
            }
        }
    }

    /// What is read beside a reading; nothing, where nothing is needed.
    fn beside(&self, reading: &Reading) -> Beside {
        let companion = self.channels[reading.channel].companion;
        match companion.and_then(|index| self.memories[index].as_ref()) {
            Some(memory) => memory.at(reading.tick),
            None => Beside::Told(Companion::NONE),
        }
    }

    fn sample(&mut self, reading: &Reading, companion: Companion) -> Sample<usize> {
        let Reading {
            channel,
            tick,
            at,
            input,
            mark,
        } = *reading;
        let (value, found) = match input.code {
            Some(code) => self.channels[channel]
                .mapping
                .map_with(Some(code), companion),
            // A status word says itself what it stands for.
            None if input.quality.is_good() => (None, Quality::NO_NUMBER),
            None => (None, Quality::empty()),
        };
        let mut quality = input.quality | found | mark;
        if value.is_some() {
            quality |= self.standing.of(channel) | self.stillness(channel, at, input);
        }
        if let Some(memory) = &mut self.memories[channel] {
            let quality = quality - FORGIVEN;
            memory.note(tick, Companion { value, quality });
        }
        self.look_at_cable(channel, at, value);
        Sample {
            channel,
            at,
            code: input.code,
            value,
            quality,
        }
    }

    /// `stuck`, where a reading that has a value has stood still for too long. What has none says
    /// itself what it is: an open loop stands still, too.
    fn stillness(&mut self, channel: usize, at: Stamp, input: Coded) -> Quality {
        let Some(still) = &mut self.stills[channel] else {
            return Quality::empty();
        };
        let signal = input
            .code
            .and_then(|code| self.channels[channel].mapping.signal_si(code));
        let turn = signal.and_then(|signal| still.note(at, signal));
        match turn {
            Some(Turn::Stuck(since)) => self.found.push((at, Finding::Stuck { channel, since })),
            Some(Turn::Moves) => self.found.push((at, Finding::Moves { channel })),
            None => {}
        }
        if still.is_stuck() {
            Quality::STUCK
        } else {
            Quality::empty()
        }
    }

    /// A new day may find certificates overdue.
    fn turn(&mut self, at: Stamp, utc_offset_us: i64) {
        let utc = Stamp::from_micros(at.micros() - utc_offset_us);
        if !self.standing.turn(utc, &self.channels) {
            return;
        }
        let is_overdue = |(index, plan): (usize, &ChannelPlan)| {
            let overdue = self
                .standing
                .of(index)
                .contains(Quality::CALIBRATION_OVERDUE);
            overdue.then_some(plan.certificate).flatten()
        };
        let mut overdue: Vec<_> = self
            .channels
            .iter()
            .enumerate()
            .filter_map(is_overdue)
            .collect();
        overdue.sort_unstable();
        overdue.dedup();
        let told = overdue
            .into_iter()
            .map(|certificate| (at, Finding::Overdue { certificate }));
        self.found.extend(told);
    }

    fn look_at_cable(&mut self, channel: usize, at: Stamp, value: Option<f64>) {
        let Some(celsius) = value else { return };
        let here = |cable: &&mut Cable| cable.channel == channel;
        for cable in self.cables.iter_mut().filter(here) {
            if celsius > cable.limit && !cable.is_hot {
                cable.is_hot = true;
                #[expect(clippy::cast_possible_truncation, reason = "whole °C for a sentence")]
                let celsius = celsius.round() as i64;
                let meter = cable.meter;
                self.found.push((at, Finding::CableHot { meter, celsius }));
            } else if celsius < cable.limit - COOL_BY {
                cable.is_hot = false;
            }
        }
    }
}

/// The channels of a source: those that others are read beside come first.
fn channels_of(config: &Config, source: usize) -> Vec<usize> {
    let depth = |index: usize| {
        let beside = |index: &usize| config.channels[*index].companion;
        std::iter::successors(Some(index), beside)
            .take(config.channels.len())
            .count()
    };
    let mut here: Vec<usize> = (0..config.channels.len())
        .filter(|index| config.channels[*index].source == SourceId(source))
        .collect();
    here.sort_by_key(|index| depth(*index));
    here
}

fn memories(config: &Config) -> Vec<Option<Memory>> {
    let mut memories = vec![None; config.channels.len()];
    for companion in config.channels.iter().filter_map(|plan| plan.companion) {
        let plan = &config.channels[companion];
        let line = config.sources.get(plan.source.0).map(|source| source.line);
        let line = line.and_then(|line| config.lines.get(line));
        let period = line.map_or(Period::SECOND, |line| line.every);
        memories[companion] = Some(Memory::new(period));
    }
    memories
}

fn cables(config: &Config) -> Vec<Cable> {
    let of = |(index, meter): (usize, &zonda_config::MeterPlan)| {
        let limit = meter.probe.as_ref()?.cable_limit?;
        let is_temperature = |output: &&zonda_config::OutputPlan| {
            output.quantity == zonda_model::Quantity::Temperature
        };
        Some(Cable {
            meter: index,
            channel: meter.outputs.iter().find(is_temperature)?.channel,
            limit,
            is_hot: false,
        })
    };
    config.meters.iter().enumerate().filter_map(of).collect()
}

#[cfg(test)]
mod tests;
