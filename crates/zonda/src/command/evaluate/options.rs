//! An ask, put together on the command line.

use clap::Args;
use serde_json::{Map, Value};
use zonda_assess::{Ask, AssessError};

/// What is asked, in place of what was asked of the run.
#[derive(Debug, Args)]
#[command(next_help_heading = "An evaluation of your own")]
pub(super) struct Options {
    /// The kind: mean, windows, traverse, uniformity, transient, steadiness, agreement or heat.
    #[arg(long, conflicts_with = "names")]
    kind: Option<String>,
    /// From when on: `30 min` after the run began, `-30 min` before it ended, or a time with its offset.
    #[arg(long, requires = "kind", allow_hyphen_values = true)]
    from: Option<String>,
    /// Up to, not including, when.
    #[arg(long, requires = "kind", allow_hyphen_values = true)]
    to: Option<String>,
    /// Flags that do not keep a reading out, separated by commas, such as `late,calibration_overdue`.
    #[arg(long, value_delimiter = ',', requires = "kind")]
    allow: Vec<String>,
    /// The share of the stretch that used readings must speak for; 0.9 by default.
    #[arg(long, requires = "kind")]
    coverage_min: Option<f64>,
    /// How small U should be, such as `0.5 K`: it is said of every result whether it is.
    #[arg(long, requires = "kind")]
    uncertainty_max: Option<String>,
    /// The rule of acceptance: simple, guarded (default) or `probable 95 %`.
    #[arg(long, requires = "kind")]
    rule: Option<String>,
    /// The channels, separated by commas; those of the run by default. Of mean, windows, steadiness.
    #[arg(long, value_delimiter = ',', requires = "kind")]
    channels: Vec<String>,
    /// The channel. Of transient and agreement.
    #[arg(long, requires = "kind")]
    channel: Option<String>,
    /// The channel that should say the same. Of agreement.
    #[arg(long = "and", value_name = "CHANNEL", requires = "kind")]
    other: Option<String>,
    /// The layout of the zone or duct; the run's by default. Of uniformity, traverse, heat.
    #[arg(long, requires = "kind")]
    layout: Option<String>,
    /// Limits that results should keep, such as `195-205 °C`. Of mean, traverse, agreement, heat.
    #[arg(long, requires = "kind")]
    within: Option<String>,
    /// What is surveyed, temperature (default) or velocity. Of uniformity.
    #[arg(long, requires = "kind")]
    quantity: Option<String>,
    /// The setpoint, such as `200 °C`. Of uniformity and transient.
    #[arg(long, requires = "kind")]
    setpoint: Option<String>,
    /// The tolerance about it, such as `5 K`. Of uniformity and transient.
    #[arg(long, requires = "kind")]
    tolerance: Option<String>,
    /// From when a zone is surveyed: begin (default), steady or soaked. Of uniformity.
    #[arg(long, requires = "kind")]
    since: Option<String>,
    /// How long a zone must be steady or in tolerance, or a course settled; 10 min by default. Of uniformity and transient.
    #[arg(long, requires = "kind")]
    dwell: Option<String>,
    /// How long each window is. Of windows.
    #[arg(long, requires = "kind")]
    length: Option<String>,
    /// How often a window begins; one after the other by default. Of windows.
    #[arg(long, requires = "kind")]
    every: Option<String>,
    /// Windows begin at multiples of their step by the clock (UTC). Of windows.
    #[arg(long, requires = "kind")]
    on_the_clock: bool,
    /// At most so many windows. Of windows.
    #[arg(long, requires = "kind")]
    count: Option<u64>,
    /// How long nothing may move (10 min by default), of steadiness; over how long the steepest slope is taken, of transient.
    #[arg(long, requires = "kind")]
    window: Option<String>,
    /// A movement that does not matter, such as `0.5 K`. Of steadiness.
    #[arg(long, requires = "kind")]
    negligible: Option<String>,
    /// The level before is the mean of the first so long. Of transient.
    #[arg(long, requires = "kind")]
    before: Option<String>,
    /// The span over which levels and peaks are smoothed. Of transient.
    #[arg(long, requires = "kind")]
    smoothing: Option<String>,
    /// A disturbance to recover from, such as `3 h 40 min`. Of transient.
    #[arg(long, requires = "kind", allow_hyphen_values = true)]
    event: Option<String>,
    /// The absolute pressure: a channel, or an amount such as `98.2 kPa`. Of traverse and heat.
    #[arg(long, requires = "kind")]
    pressure: Option<String>,
    /// The temperature in the duct where its points read none. Of traverse and heat.
    #[arg(long, requires = "kind")]
    temperature: Option<String>,
    /// The humidity: dry, `8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`. Of traverse and heat.
    #[arg(long, requires = "kind")]
    humidity: Option<String>,
    /// The humidity of the exhaust air, where that is another. Of heat.
    #[arg(long, requires = "kind")]
    exhaust_humidity: Option<String>,
    /// The reference of the standard flow, such as `20 °C`. Of traverse.
    #[arg(long, requires = "kind")]
    reference: Option<String>,
    /// The temperature at which the air came in: a channel, or an amount. Of heat.
    #[arg(long, requires = "kind")]
    inlet: Option<String>,
}

impl Options {
    /// Whether anything is asked here.
    pub(super) const fn is_there(&self) -> bool {
        self.kind.is_some()
    }

    /// The ask, where there is one.
    pub(super) fn ask(&self) -> Result<Option<Ask>, AssessError> {
        let Some(kind) = &self.kind else {
            return Ok(None);
        };
        let parameters = Value::Object(self.parameters()).to_string();
        Ask::from_parts(kind, &parameters).map(Some)
    }

    fn parameters(&self) -> Map<String, Value> {
        let mut all = Map::new();
        let texts = [
            ("from", &self.from),
            ("to", &self.to),
            ("uncertainty_max", &self.uncertainty_max),
            ("rule", &self.rule),
            ("channel", &self.channel),
            ("against", &self.other),
            ("layout", &self.layout),
            ("within", &self.within),
            ("quantity", &self.quantity),
            ("setpoint", &self.setpoint),
            ("tolerance", &self.tolerance),
            ("since", &self.since),
            ("dwell", &self.dwell),
            ("length", &self.length),
            ("every", &self.every),
            ("window", &self.window),
            ("negligible", &self.negligible),
            ("before", &self.before),
            ("smoothing", &self.smoothing),
            ("event", &self.event),
            ("pressure", &self.pressure),
            ("temperature", &self.temperature),
            ("humidity", &self.humidity),
            ("exhaust_humidity", &self.exhaust_humidity),
            ("reference", &self.reference),
            ("inlet", &self.inlet),
        ];
        for (key, text) in texts {
            if let Some(text) = text {
                all.insert(key.to_owned(), text.as_str().into());
            }
        }
        for (key, list) in [("channels", &self.channels), ("allow", &self.allow)] {
            if !list.is_empty() {
                all.insert(key.to_owned(), list.clone().into());
            }
        }
        if let Some(share) = self.coverage_min {
            all.insert("coverage_min".to_owned(), share.into());
        }
        if let Some(count) = self.count {
            all.insert("count".to_owned(), count.into());
        }
        if self.on_the_clock {
            all.insert("on_the_clock".to_owned(), true.into());
        }
        all
    }
}
