//! `zonda demo`: rig and daemon in one process, so that there is something to see at once.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use jiff::tz::TimeZone;
use zonda_config::Config;
use zonda_model::Stamp;
use zonda_model::run::{Begin, Finish};
use zonda_rig::{DoorHabit, Night, Rig, RigOptions, Script, StartPhase};
use zonda_station::runs::{Ask, Cut, Runs};
use zonda_store::{Field, Store};

use crate::command::rig::{configuration, options};
use crate::exit::Exit;
use crate::host::{Host, Signals};
use crate::night;

/// Run a simulated curing oven and record it: the whole way from the wire to the CSV, without hardware.
///
/// The oven's modules and meters speak Modbus RTU, Modbus TCP and text lines on this machine; the
/// daemon does not know that they are simulated, but for the mark on every reading. A new record begins
/// with last night: heat-up, soak, the door opened twice, a cable that fell off at 02:10. The night is a run
/// that has ended, and another one, `today`, goes on.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  zonda demo\n  zonda export --data demo-data --layout wide --last 1m -o minute.csv"
)]
pub(crate) struct Demo {
    /// Directory of the record.
    #[arg(long, default_value = "demo-data")]
    data: PathBuf,
    /// End by itself after this time, such as `20s` or `5m`; until Ctrl-C otherwise.
    #[arg(long = "for", value_name = "TIME", value_parser = crate::when::duration)]
    run_for: Option<Duration>,
    /// Where to listen; port 0 takes any free one.
    #[arg(long, default_value = "127.0.0.1:7360")]
    listen: String,
    /// How many times faster than real the oven heats and cools.
    #[arg(long, default_value_t = 1.0)]
    speed: f64,
    /// Begin with an empty record: leave out the night that a new record otherwise begins with.
    #[arg(long)]
    no_night: bool,
    /// What else goes wrong in that night: a file of lines such as `8:10 cut Z2-left.velocity`
    /// (hours and minutes since 18:00, then what `zonda rig` understands).
    #[arg(long, value_name = "FILE", conflicts_with = "no_night")]
    night_faults: Option<PathBuf>,
}

impl Demo {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(self.play())
    }

    /// Last night, so that there is more to look at than the minutes since the start.
    async fn play_night(&self, rig: &Rig, config: Config) -> anyhow::Result<Stamp> {
        let zone = TimeZone::get(&config.station.time_zone)?;
        let begin = night::last_night(&jiff::ZonedDateTime::now(), &zone)?;
        let night = Night::new(
            &RigOptions {
                start: StartPhase::Cold,
                door: DoorHabit::Shut,
                ..RigOptions::new(".")
            },
            rig.wiring().clone(),
            self.script()?,
        )?;
        let stopped = night::record(config, night, begin, night::LENGTH).await?;
        println!(
            "Last night is in the record: {} samples, from 18:00 to 06:00.",
            stopped.samples
        );
        Ok(begin)
    }

    fn script(&self) -> anyhow::Result<Script> {
        let usual = Script::parse(Script::USUAL)?;
        let Some(path) = &self.night_faults else {
            return Ok(usual);
        };
        let text = std::fs::read_to_string(path)
            .with_context(|| format!("cannot read {}", path.display()))?;
        let more = Script::parse(&text).with_context(|| path.display().to_string())?;
        Ok(usual.and(more))
    }

    async fn play(self) -> anyhow::Result<Exit> {
        let mut signals = Signals::listen()?;
        let data = std::path::absolute(&self.data)?;
        let rig = Rig::start(zonda_rig::RigOptions {
            speed: self.speed,
            ..options(&data.join("rig"))
        })
        .await?;
        let text = configuration(&rig, &data, &self.listen) + DERIVED;
        let config = zonda_config::check("the demo's configuration", &text)?.config;
        let (channels, data) = (config.channels.len(), config.station.data.clone());
        std::fs::write(data.join("oven.toml"), &text)?;
        let night = if !self.no_night && is_new(&data).await? {
            Some(self.play_night(&rig, config.clone()).await?)
        } else {
            None
        };
        let mut host = Host::start(config, Some(data.join("oven.toml"))).await?;
        name_runs(&host.station.runs(), night).await?;
        say_where(channels, &data, host.address);
        let failure = tokio::select! {
            _ = signals.next() => None,
            () = wait(self.run_for) => None,
            reason = host.station.failed() => Some(reason),
        };
        println!("\nStopping.");
        let stopped = host.stop().await;
        rig.stop().await;
        println!(
            "{} samples are in {}. Get them as CSV:\n  zonda export --data {} --layout wide -o oven.csv",
            stopped.samples,
            data.display(),
            data.display()
        );
        match failure {
            Some(reason) => anyhow::bail!("the station could not go on: {reason}"),
            None => Ok(Exit::Done),
        }
    }
}

/// Leaves two runs: the night that was played, over, and one that goes on. A demo that is started again
/// finds them.
async fn name_runs(runs: &Runs, night: Option<Stamp>) -> anyhow::Result<()> {
    let by = Some("zonda demo".to_owned());
    let said = |purpose: &str, operator: &str| {
        BTreeMap::from([
            (Field::Purpose, purpose.to_owned()),
            (Field::Operator, operator.to_owned()),
            (Field::Object, "simulated curing oven".to_owned()),
        ])
    };
    let of = |template: &str| runs.template(template);
    let asked =
        |template: &str| of(template).map_or_else(Vec::new, |plan| plan.evaluations.clone());
    if let Some(from) = night {
        let cut = Cut {
            name: "last-night".parse()?,
            channels: Vec::new(),
            from,
            to: from.plus(night::LENGTH),
            layout: of("night").and_then(|plan| plan.layout.clone()),
            words: said("uniformity over a night, from cold", "night shift"),
            evaluations: asked("night"),
            by: by.clone(),
        };
        runs.cut(cut).await?;
    }
    if runs.record().run_named(GOES_ON).await?.is_none() {
        let ask = Ask {
            name: GOES_ON.parse()?,
            template: None,
            channels: Vec::new(),
            begin: Begin::Now,
            finish: Finish::ByHand,
            layout: of("day").and_then(|plan| plan.layout.clone()),
            words: said("a look at the demo", "you"),
            evaluations: asked("day"),
            by,
        };
        runs.ask(ask).await?;
    }
    Ok(())
}

/// What no meter of the oven reads.
const DERIVED: &str = r#"
# What no meter reads: computed tick by tick from those that do. The exhaust's two outer probes stand at two thirds of the
# radius, where a turbulent flow is some 5 % faster than its mean: for a number to rely upon, make a traverse.
[derived.exhaust-velocity]
law = "mean"
of = ["exhaust-left.velocity", "exhaust-right.velocity"]

[derived.exhaust-flow]
law = "volume flow"
velocity = "exhaust-velocity"
diameter = "250 mm"
unit = "m³/h"

[derived.exhaust-standard]
law = "standard flow"
velocity = "exhaust-velocity"
diameter = "250 mm"
temperature = "exhaust-centre.temperature"
pressure = "barometer"
humidity = "room-humidity"
room = "room-temperature"
reference = "normal"
unit = "m³/h"

[derived.exhaust-heat]
law = "exhaust heat"
velocity = "exhaust-velocity"
diameter = "250 mm"
temperature = "exhaust-centre.temperature"
pressure = "barometer"
humidity = "room-humidity"
room = "room-temperature"
inlet = "room-temperature"
unit = "kW"

[derived.oven-spread]
law = "spread"
of = ["Z1-left.temperature", "Z1-middle.temperature", "Z1-right.temperature", "Z2-left.temperature", "Z2-middle.temperature", "Z2-right.temperature", "Z3-left.temperature", "Z3-middle.temperature", "Z3-right.temperature"]
"#;

/// The run that goes on while the demo does.
const GOES_ON: &str = "today";

/// True where nothing is recorded yet.
async fn is_new(data: &std::path::Path) -> anyhow::Result<bool> {
    let store = Store::open(data).await?;
    let newest = store.newest().await?;
    store.read().close().await;
    Ok(newest.is_none())
}

fn say_where(channels: usize, data: &std::path::Path, address: std::net::SocketAddr) {
    println!(
        "\nA simulated curing oven is being recorded: {channels} channels, once a second. Nothing here is a real measurement.\n\n\
         \x20 Page        http://{address}/\n\
         \x20 Terminal    zonda watch --data {data}\n\
         \x20 CSV         zonda export --data {data} --layout wide --last 1m -o minute.csv\n\
         \x20 Runs        zonda run list --data {data}\n\
         \x20 Results     zonda evaluate last-night --data {data}\n\
         \x20 Wiring      {data}/oven.toml\n\n\
         Ctrl-C ends it; nothing is lost.\n",
        data = data.display()
    );
}

async fn wait(time: Option<Duration>) {
    match time {
        Some(time) => tokio::time::sleep(time).await,
        None => std::future::pending().await,
    }
}
