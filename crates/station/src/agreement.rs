//! Agreement: meters that are heard both ways are compared with themselves as their samples come.
//!
//! The desk hands samples in; every ten seconds of the record's time each pair is looked at, and what
//! there is to tell becomes an event. Whoever wants to know how the pairs stand looks at the
//! [`AgreementBoard`]. The comparison itself is `zonda-proof`'s; what is kept of a pair is bounded there.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use zonda_config::{BothWays, Config};
use zonda_model::{Name, Quantity, Sample, Stamp};
use zonda_proof::agreement::cause::Expected;
use zonda_proof::agreement::{Agreement, Comparison, News, Side, Standing, Watch};
use zonda_store::{Event, Severity};

/// How often a pair is looked at, by the record's time.
const LOOK_EVERY: Duration = Duration::from_secs(10);

/// How one quantity of a meter that is heard both ways stands.
#[derive(Clone, Debug)]
pub struct PairView {
    /// The meter.
    pub meter: Name,
    /// What is compared.
    pub quantity: Quantity,
    /// The channel of the analog output: an index into the configuration.
    pub analog: usize,
    /// The channel of the text line.
    pub text: usize,
    /// What was told last.
    pub standing: Standing,
    /// What was told, in words; `None` while nothing is wrong.
    pub words: Option<String>,
    /// Since when, on the record's axis.
    pub since: Option<Stamp>,
    /// The last look; `None` before the first.
    pub seen: Option<Agreement>,
}

/// How every pair stands; to be looked at by whoever wants to know.
#[derive(Debug, Default)]
pub struct AgreementBoard(Mutex<Vec<PairView>>);

impl AgreementBoard {
    /// The pairs, in the order of the configuration.
    pub fn look(&self) -> Vec<PairView> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    fn change(&self, pair: usize, change: impl FnOnce(&mut PairView)) {
        let mut views = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(view) = views.get_mut(pair) {
            change(view);
        }
    }
}

/// The desk's side: readings in, events out.
#[derive(Debug)]
pub(crate) struct Agreements {
    pairs: Vec<Pair>,
    /// By channel: its pair and its side.
    of: Vec<Option<(usize, Side)>>,
    board: Arc<AgreementBoard>,
}

#[derive(Debug)]
struct Pair {
    /// Such as `Z2-middle.velocity`.
    name: String,
    comparison: Comparison,
    watch: Watch,
    look_at: Option<Stamp>,
}

impl Agreements {
    /// For every quantity that a meter of this configuration says both ways. A signal that stands for no
    /// range, such as a thermocouple's, cannot have a wrong one and is not compared.
    pub(crate) fn new(config: &Config) -> (Self, Arc<AgreementBoard>) {
        let mut agreements = Self {
            pairs: Vec::new(),
            of: vec![None; config.channels.len()],
            board: Arc::default(),
        };
        let mut views = Vec::new();
        for meter in &config.meters {
            for both in meter.both_ways() {
                let Some(expected) = expected(config, both) else {
                    continue;
                };
                let pair = agreements.pairs.len();
                agreements.of[both.analog] = Some((pair, Side::Analog));
                agreements.of[both.text] = Some((pair, Side::Text));
                agreements.pairs.push(Pair {
                    name: config.channels[both.analog].name.to_string(),
                    comparison: Comparison::default(),
                    watch: Watch::new(expected),
                    look_at: None,
                });
                views.push(PairView {
                    meter: meter.name.clone(),
                    quantity: both.quantity,
                    analog: both.analog,
                    text: both.text,
                    standing: Standing::Unknown,
                    words: None,
                    since: None,
                    seen: None,
                });
            }
        }
        agreements.board = Arc::new(AgreementBoard(Mutex::new(views)));
        let board = Arc::clone(&agreements.board);
        (agreements, board)
    }

    /// Takes samples in; gives the events that follow.
    pub(crate) fn note(&mut self, samples: &[Sample<usize>]) -> Vec<Event> {
        let mut events = Vec::new();
        for sample in samples {
            let known = self.of.get(sample.channel).copied().flatten();
            let (Some((pair, side)), Some(value)) = (known, sample.value) else {
                continue;
            };
            let of = &mut self.pairs[pair];
            of.comparison.note(side, sample.at, value, sample.quality);
            // The first look at different times for different pairs, so that they never all fall on one tick.
            let stagger = LOOK_EVERY.mul_f64(1.0 + pair_share(pair));
            let look_at = *of.look_at.get_or_insert_with(|| sample.at.plus(stagger));
            if sample.at >= look_at {
                of.look_at = Some(sample.at.plus(LOOK_EVERY));
                events.extend(self.look(pair, sample.at));
            }
        }
        events
    }

    fn look(&mut self, pair: usize, at: Stamp) -> Option<Event> {
        let of = &mut self.pairs[pair];
        let seen = of.comparison.look();
        let news = of.watch.note(&seen);
        let standing = of.watch.standing();
        let told = news.map(|news| match news {
            News::Apart(words) => (Severity::Warning, "agreement_lost", words),
            News::Again(words) => (Severity::Info, "agreement_back", words),
        });
        self.board.change(pair, |view| {
            view.seen = Some(seen);
            if view.standing != standing {
                view.since = Some(at);
            }
            view.standing = standing;
            if let Some((severity, _, words)) = &told {
                view.words = (*severity != Severity::Info).then(|| words.clone());
            }
        });
        let (severity, kind, words) = told?;
        Some(Event {
            at,
            severity,
            kind: kind.to_owned(),
            subject: of.name.clone(),
            text: format!("{}: {words}", of.name),
        })
    }
}

fn pair_share(pair: usize) -> f64 {
    f64::from(u8::try_from(pair % 10).unwrap_or(0)) / 10.0
}

fn expected(config: &Config, both: BothWays) -> Option<Expected> {
    let analog = config.channels[both.analog].loop_check?;
    Some(Expected {
        quantity: both.quantity,
        signal: analog.signal,
        range: analog.value,
        text_unit: config.channels[both.text].mapping.scale().unit(),
    })
}
