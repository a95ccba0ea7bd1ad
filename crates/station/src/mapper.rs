//! Mapping: a scan's codes become samples of the channels that use them.

use zonda_config::{ChannelPlan, Config};
use zonda_model::{Coded, Quality, Sample, SourceId, Stamp};

/// Which channels use a source, and how.
#[derive(Debug)]
pub(crate) struct Mapper {
    /// By source: the channels' indices in the configuration.
    channels_of: Vec<Vec<usize>>,
    channels: Vec<ChannelPlan>,
    simulated: Vec<bool>,
}

impl Mapper {
    pub(crate) fn new(config: &Config) -> Self {
        let of = |source| {
            let uses = |(_, channel): &(usize, &ChannelPlan)| channel.source == SourceId(source);
            config
                .channels
                .iter()
                .enumerate()
                .filter(uses)
                .map(|(index, _)| index)
                .collect()
        };
        Self {
            channels_of: (0..config.sources.len()).map(of).collect(),
            channels: config.channels.clone(),
            simulated: config
                .sources
                .iter()
                .map(|source| source.simulated)
                .collect(),
        }
    }

    /// The channels of a source.
    pub(crate) fn channels(&self, source: SourceId) -> &[usize] {
        self.channels_of.get(source.0).map_or(&[], Vec::as_slice)
    }

    /// The samples that a scan's codes stand for. What the line knows of a code (`late`, `backlog`)
    /// and what the mapping finds (`over_range`, …) stand side by side.
    pub(crate) fn samples(
        &self,
        source: SourceId,
        at: Stamp,
        scanned: &[Coded],
    ) -> Vec<Sample<usize>> {
        let mark = if self.simulated.get(source.0).copied().unwrap_or(false) {
            Quality::SIMULATED
        } else {
            Quality::empty()
        };
        let sample = |index: &usize| {
            let channel = &self.channels[*index];
            let input = scanned.get(channel.input)?;
            let (value, found) = match input.code {
                Some(code) => channel.mapping.map(Some(code)),
                // A status word says itself what it stands for.
                None => (
                    None,
                    if input.quality.is_good() {
                        Quality::NO_NUMBER
                    } else {
                        Quality::empty()
                    },
                ),
            };
            Some(Sample {
                channel: *index,
                at,
                code: input.code,
                value,
                quality: input.quality | found | mark,
            })
        };
        self.channels(source).iter().filter_map(sample).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_model::Code;

    const TEXT: &str = r#"
[line.bench]
every = "1 s"
simulated = true
modbus-tcp = { address = "192.0.2.10" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-1"
code = "uint16"
count = "1 µA"
[meter.Z1]
temperature = { input = "A.2", signal = "4-20 mA", range = "0-500 °C" }
velocity = { input = "A.1", signal = "4-20 mA", range = "0-50 m/s" }
"#;

    #[test]
    fn each_channel_gets_its_own_input_and_the_mark_of_the_rig() {
        let config = zonda_config::check("oven.toml", TEXT).unwrap().config;
        let mapper = Mapper::new(&config);
        let coded = |count| Coded {
            code: Some(Code::Count(count)),
            quality: Quality::LATE,
        };
        let samples = mapper.samples(
            SourceId(0),
            Stamp::from_millis(5),
            &[coded(12_000), coded(3_000)],
        );
        let found: Vec<_> = samples
            .iter()
            .map(|s| (s.channel, s.code, s.value, s.quality))
            .collect();
        let mark = Quality::LATE | Quality::SIMULATED;
        assert_eq!(
            found,
            [
                (0, Some(Code::Count(3_000)), None, mark | Quality::OPEN_LOOP),
                (1, Some(Code::Count(12_000)), Some(25.0), mark)
            ]
        );
    }

    #[test]
    fn a_status_word_is_a_sample_without_a_number() {
        let config = zonda_config::check("oven.toml", TEXT).unwrap().config;
        let word = Coded {
            code: None,
            quality: Quality::OVER_RANGE,
        };
        let samples = Mapper::new(&config).samples(SourceId(0), Stamp::default(), &[word, word]);
        assert!(samples.iter().all(|s| s.code.is_none()
            && s.value.is_none()
            && s.quality.contains(Quality::OVER_RANGE)));
    }
}
