//! Presence: whether there is an instrument at all behind codes that look like readings.
//!
//! Two judgements over one scan, both on analog inputs alone:
//!
//! - A 0-1 V output at the foot of its span is still air, or a cable that is off. Where the same
//!   meter's temperature output says nothing either (no value, or at the foot of its own span), the
//!   two cannot be told apart: `uncertain`.
//! - Two neighbouring inputs that hand over the same moving code, scan after scan, are one signal:
//!   a multiplexer that does not switch, or two wires that touch. Which of them it is, nobody can
//!   say: both `uncertain`. A share of a neighbour's signal in one's own is not seen here; a
//!   converter's `discard_first` and `settle` prevent it.

use zonda_config::{ChannelPlan, Config, Way};
use zonda_model::{Code, Coded, Quantity, SourceId};
use zonda_signal::{Mapping, Outside};

/// This near to its foot, a signal is at it: more than a converter's offset, less than any draught
/// (our choice, no source).
const FOOT_SHARE: f64 = 0.005;
/// So many movements in common are no accident: two independent inputs whose last digits scatter
/// over four counts agree this often once in 4^10 times.
const ALIKE_MIN: u32 = 10;

/// What is judged of one source's scans.
#[derive(Debug, Default)]
pub(crate) struct Presence {
    pairs: Vec<Pair>,
    neighbours: Vec<Neighbours>,
}

/// The outputs of one meter in one scan.
#[derive(Debug)]
struct Pair {
    velocity: usize,
    temperature: usize,
}

/// Two channels of inputs that follow one another.
#[derive(Debug)]
struct Neighbours {
    channels: (usize, usize),
    last: Option<Code>,
    alike: u32,
}

/// What a scan says of presence.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Absent {
    /// Channels behind which there may be nothing, or something else.
    pub(crate) channels: Vec<usize>,
    /// Neighbours that have just been found alike.
    pub(crate) alike: Vec<(usize, usize)>,
}

impl Presence {
    pub(crate) fn new(config: &Config, source: SourceId) -> Self {
        Self {
            pairs: pairs(config, source),
            neighbours: neighbours(config, source),
        }
    }

    /// Judges one scan.
    pub(crate) fn judge(&mut self, channels: &[ChannelPlan], scanned: &[Coded]) -> Absent {
        let mut absent = Absent::default();
        for pair in &self.pairs {
            let of = |index: usize| {
                let plan = &channels[index];
                (&plan.mapping, code_of(plan, scanned))
            };
            let ((velocity, code), temperature) = (of(pair.velocity), of(pair.temperature));
            if is_at_foot(velocity, code) && says_nothing(temperature) {
                absent.channels.push(pair.velocity);
                absent.channels.push(pair.temperature);
            }
        }
        for two in &mut self.neighbours {
            let (first, second) = two.channels;
            let codes = [first, second].map(|index| code_of(&channels[index], scanned));
            if two.note(codes) {
                absent.alike.push(two.channels);
            }
            if two.alike >= ALIKE_MIN {
                absent.channels.extend([first, second]);
            }
        }
        absent
    }
}

impl Neighbours {
    /// Takes the codes of one scan; true where the two have just become one too often.
    fn note(&mut self, codes: [Option<Code>; 2]) -> bool {
        let [Some(first), Some(second)] = codes else {
            return false;
        };
        let has_moved = self.last.is_some_and(|last| last != first);
        self.last = Some(first);
        if first != second {
            self.alike = 0;
        } else if has_moved {
            self.alike = self.alike.saturating_add(1);
            return self.alike == ALIKE_MIN;
        }
        false
    }
}

fn code_of(plan: &ChannelPlan, scanned: &[Coded]) -> Option<Code> {
    scanned.get(plan.input).and_then(|coded| coded.code)
}

/// Whether a signal without a live zero rests at its foot.
fn is_at_foot(mapping: &Mapping, code: Option<Code>) -> bool {
    let (Some(signal), Some(code)) = (mapping.signal(), code) else {
        return false;
    };
    let span = signal.span();
    let Some(reading) = mapping.signal_si(code) else {
        return false;
    };
    is_dead_zero(mapping) && span.unit.from_si(reading) <= FOOT_SHARE * span.to
}

/// A span that begins at nothing: a broken lead reads as its foot.
fn is_dead_zero(mapping: &Mapping) -> bool {
    mapping.signal().is_some_and(|signal| {
        signal.span().from == 0.0 && matches!(signal.outside(), Outside::Span(_))
    })
}

fn says_nothing((mapping, code): (&Mapping, Option<Code>)) -> bool {
    code.is_none() || is_at_foot(mapping, code) || mapping.map(code).0.is_none()
}

/// Meters whose two analog outputs come in one scan, the velocity without a live zero.
fn pairs(config: &Config, source: SourceId) -> Vec<Pair> {
    let pair = |meter: &zonda_config::MeterPlan| {
        let velocity = meter.channel(Quantity::Velocity, Way::Analog)?;
        let temperature = meter.channel(Quantity::Temperature, Way::Analog)?;
        let is_here = |index: usize| config.channels[index].source == source;
        let mapping = |index: usize| &config.channels[index].mapping;
        let fits = is_here(velocity)
            && is_here(temperature)
            && is_dead_zero(mapping(velocity))
            && mapping(temperature).signal().is_some()
            && !mapping(temperature).needs_companion();
        fits.then_some(Pair {
            velocity,
            temperature,
        })
    };
    config.meters.iter().filter_map(pair).collect()
}

/// Analog channels of counts, by their place in the scan, each with the one after it.
fn neighbours(config: &Config, source: SourceId) -> Vec<Neighbours> {
    let counts = |plan: &ChannelPlan| {
        plan.source == source && plan.way == Way::Analog && plan.mapping.format().has_counts()
    };
    let mut here: Vec<(usize, usize)> = config
        .channels
        .iter()
        .enumerate()
        .filter(|(_, plan)| counts(plan))
        .map(|(index, plan)| (plan.input, index))
        .collect();
    here.sort_unstable();
    // Two channels of one input are alike by intention.
    here.dedup_by_key(|(input, _)| *input);
    here.windows(2)
        .filter(|two| two[1].0 == two[0].0 + 1)
        .map(|two| Neighbours {
            channels: (two[0].1, two[1].1),
            last: None,
            alike: 0,
        })
        .collect()
}
