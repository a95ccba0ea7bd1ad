//! `zonda run traverse`: with a person at the duct, or step by step for scripts.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use clap::Args;
use serde_json::{Value, json};

use crate::exit::Exit;

use super::Who;
use super::door::{Answer, Desk, Door};

/// How often is looked whether a point is read.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Go through a duct with one probe, point by point.
///
/// Says which point is next and where: the mark on the probe, and the distance from the wall. Put the probe there and press
/// Enter; Zonda waits until the velocity is steady, reads it for a while, and says the next point. When every point is
/// read the first is read once more: what has changed there tells whether the flow stayed the same meanwhile. At the end
/// the evaluation `traverse` is asked of the run, the same as with a probe at every point.
///
/// It may be left with Ctrl-C and taken up again, also after a restart of the daemon. Without a terminal, or with one of
/// --confirm, --end and --status, one step is done and the answer shown.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda run start stack-3 --purpose 'exhaust flow'\n  \
    zonda run traverse stack-3 --layout exhaust --probe exhaust-centre --within '0.3 m/s'\n  \
    zonda run traverse stack-3 --confirm --point 2 --json\n  \
    zonda run traverse stack-3 --end")]
#[expect(clippy::struct_excessive_bools, reason = "flags of a command line")]
pub(super) struct Traverse {
    /// The run's name; it must go on.
    name: String,
    /// The layout of the duct: lays a new traverse out.
    #[arg(long, requires = "probe")]
    layout: Option<String>,
    /// The meter whose probe is moved, or the channel of its velocity.
    #[arg(long, requires = "layout")]
    probe: Option<String>,
    /// A movement that does not matter.
    #[arg(long, default_value = "0.3 m/s", value_name = "VELOCITY")]
    within: String,
    /// Over which the velocity has to be steady: 64 of its readings at least.
    #[arg(long, default_value = "64 s", value_name = "TIME")]
    over: String,
    /// For how long each point is read.
    #[arg(long, default_value = "30 s", value_name = "TIME")]
    dwell: String,
    /// For how long steadiness is waited for; then the point is read all the same, and marked.
    #[arg(long, default_value = "10 min", value_name = "TIME")]
    patience: String,
    /// For mass and standard flow: absolute pressure in the duct, a channel or an amount.
    #[arg(long)]
    pressure: Option<String>,
    /// The temperature in the duct, a channel or an amount.
    #[arg(long)]
    temperature: Option<String>,
    /// The humidity, such as '50 % at 23 °C'.
    #[arg(long)]
    humidity: Option<String>,
    /// The reference of the standard flow, such as '20 °C'.
    #[arg(long)]
    reference: Option<String>,
    /// The probe is at the next point, or at that of --point.
    #[arg(long, conflicts_with = "end")]
    confirm: bool,
    /// The point at which the probe is; to read one again.
    #[arg(long, requires = "confirm", value_name = "NUMBER")]
    point: Option<usize>,
    /// The traverse is over.
    #[arg(long)]
    end: bool,
    /// Show how far it has come, and do nothing.
    #[arg(long, conflicts_with_all = ["confirm", "end", "layout"])]
    status: bool,
    /// The API's own answer as JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    who: Who,
    #[command(flatten)]
    door: Door,
}

impl Traverse {
    pub(super) async fn give(self) -> anyhow::Result<Exit> {
        let desk = if self.status {
            self.door.open_to_read().await?
        } else {
            self.door.open_to_write().await?
        };
        let done = self.go(&desk).await;
        desk.close().await?;
        done?;
        Ok(Exit::Done)
    }

    async fn go(&self, desk: &Desk) -> anyhow::Result<()> {
        let path = format!("/{}/traverse", desk.id(&self.name).await?);
        let is_step = self.confirm || self.end || self.status;
        if self.layout.is_some() {
            desk.ask("POST", &path, Some(self.laid()?)).await?;
        }
        if self.confirm {
            let body = json!({ "by": self.who.name()?, "point": self.point });
            desk.ask("POST", &format!("{path}/confirm"), Some(body))
                .await?;
        }
        if self.end {
            let body = json!({ "by": self.who.name()? });
            desk.ask("POST", &format!("{path}/end"), Some(body)).await?;
        }
        let traverse = desk.ask("GET", &path, None).await?;
        if self.json {
            println!("{traverse}");
            return Ok(());
        }
        if is_step || !std::io::stdin().is_terminal() {
            print!("{}", table(&traverse));
            return Ok(());
        }
        self.guide(desk, &path, traverse).await
    }

    fn laid(&self) -> anyhow::Result<Value> {
        Ok(json!({
            "layout": self.layout,
            "probe": self.probe,
            "within": self.within,
            "over": self.over,
            "dwell": self.dwell,
            "patience": self.patience,
            "pressure": self.pressure,
            "temperature": self.temperature,
            "humidity": self.humidity,
            "reference": self.reference,
            "by": self.who.name()?,
        }))
    }

    /// With a person at the duct.
    async fn guide(&self, desk: &Desk, path: &str, mut now: Answer) -> anyhow::Result<()> {
        let by = self.who.name()?;
        println!(
            "{}\nLeave with Ctrl-C; `zonda run traverse {}` goes on where it was.",
            headline(&now),
            self.name
        );
        loop {
            match now["to_do"].as_str() {
                Some("move") => {
                    println!("\n{}", place(&now));
                    let said = ask("Put the probe there and press Enter, or type the number of another point: ").await?;
                    let point = said.trim().parse::<usize>().ok();
                    if !said.trim().is_empty() && point.is_none() {
                        println!("`{}` is no number of a point.", said.trim());
                        continue;
                    }
                    let body = json!({ "by": by, "point": point });
                    match desk
                        .ask("POST", &format!("{path}/confirm"), Some(body))
                        .await
                    {
                        Ok(answer) => now = answer,
                        Err(error) => println!("{error}"),
                    }
                }
                Some("wait") => now = wait(desk, path).await?,
                Some(_) => {
                    print!("\n{}", table(&now));
                    let said = ask("Every point is read. Press Enter to end, or type the number of a point to read it again: ").await?;
                    let (path, body) = match said.trim().parse::<usize>() {
                        Ok(point) => (
                            format!("{path}/confirm"),
                            json!({ "by": by, "point": point }),
                        ),
                        Err(_) => (format!("{path}/end"), json!({ "by": by })),
                    };
                    now = desk.ask("POST", &path, Some(body)).await?;
                }
                None => {
                    println!(
                        "The traverse is over. `zonda evaluate {}` says what flows, and how well that is known.",
                        self.name
                    );
                    return Ok(());
                }
            }
        }
    }
}

/// Until the point is read; shows a live value meanwhile.
async fn wait(desk: &Desk, path: &str) -> anyhow::Result<Answer> {
    let mut out = std::io::stdout();
    loop {
        let now = desk.ask("GET", path, None).await?;
        if now["to_do"] != "wait" {
            let point = now["visits"].as_array().and_then(|visits| visits.last());
            if let Some(visit) = point {
                writeln!(
                    out,
                    "\r\x1b[K  point {}: {}",
                    visit["point"],
                    reading(&visit["read"])
                )?;
            }
            return Ok(now);
        }
        let channel = now["channel"].as_str().unwrap_or_default();
        let live = desk.live(channel).unwrap_or_default();
        let value = live["live"]["value"].as_f64();
        let value = value.map_or_else(|| "no value".to_owned(), |value| format!("{value:.2} m/s"));
        let stage = match now["stage"].as_str() {
            Some("dwelling") => "reading",
            _ => "waiting until it is steady",
        };
        write!(out, "\r\x1b[K  {value}   {stage}")?;
        out.flush()?;
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

/// A line from the keyboard; at its end the traverse is left as it is.
async fn ask(question: &str) -> anyhow::Result<String> {
    print!("{question}");
    std::io::stdout().flush()?;
    let line = tokio::task::spawn_blocking(|| {
        let mut line = String::new();
        std::io::stdin()
            .read_line(&mut line)
            .map(|count| (count, line))
    });
    match line.await?? {
        (0, _) => anyhow::bail!("the traverse is left as it is; the same command goes on with it"),
        (_, line) => Ok(line),
    }
}

fn headline(traverse: &Answer) -> String {
    let points = traverse["points"].as_array().map_or(0, Vec::len);
    format!(
        "{} points of {}, read by {} for {} s each; the first once more at the end.",
        points,
        traverse["layout"].as_str().unwrap_or_default(),
        traverse["channel"].as_str().unwrap_or_default(),
        traverse["dwell_s"]
    )
}

/// Where the probe is to go.
fn place(traverse: &Answer) -> String {
    let next = &traverse["next"];
    let mm = |key: &str| format!("{:.1} mm", next[key].as_f64().unwrap_or_default());
    let is_again = next["read"].is_object();
    format!(
        "Point {}{}, line {}: {} from the wall at the port ({} from the nearest wall)",
        next["point"],
        if is_again { " once more" } else { "" },
        next["line"],
        mm("insertion_mm"),
        mm("wall_mm"),
    )
}

fn reading(read: &Answer) -> String {
    let Some(mean) = read["mean"].as_f64() else {
        return "–".to_owned();
    };
    let steady = if read["steady"] == false {
        ", not steady"
    } else {
        ""
    };
    format!("{mean:.2} m/s of {} readings{steady}", read["count"])
}

fn table(traverse: &Answer) -> String {
    let mut lines = vec![headline(traverse)];
    for point in traverse["points"].as_array().into_iter().flatten() {
        lines.push(format!(
            "  point {:>2}  line {}  {:>7.1} mm  {}",
            point["point"].as_u64().unwrap_or_default(),
            point["line"],
            point["insertion_mm"].as_f64().unwrap_or_default(),
            reading(&point["read"])
        ));
    }
    if let Some(drift) = traverse["drift"].as_f64() {
        lines.push(format!(
            "  the first once more: {} ({:+.1} %)",
            reading(&traverse["again"]),
            100.0 * drift
        ));
    }
    if let Some(mean) = traverse["mean"].as_f64() {
        lines.push(format!("  mean velocity by area: {mean:.2} m/s"));
    }
    lines.push(match traverse["to_do"].as_str() {
        Some("move") => format!("Next: {}. Then --confirm.", place(traverse)),
        Some("wait") => format!(
            "Point {} is being read ({}).",
            traverse["next"]["point"],
            traverse["stage"].as_str().unwrap_or_default()
        ),
        Some(_) => "Every point is read. Then --end.".to_owned(),
        None => "The traverse is over.".to_owned(),
    });
    lines.join("\n") + "\n"
}
