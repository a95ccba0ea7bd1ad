//! The page's scripts, run by those who run them: Node for what they compute, Chromium for the page.
//!
//! A test whose program is not there is not counted as passed: it stands in the list as `ignored`,
//! with what is missing.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod bench;

use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::Duration;

use bench::Bench;
use libtest_mimic::{Arguments, Failed, Trial};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_http::{App, server};

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let node = found("node", &["--version"], "needs Node 20 or newer");
    let chromium = found(
        "chromium",
        &["--version"],
        "needs Debian's package chromium",
    );
    let trials = vec![
        trial("what_the_modules_compute", &[node], modules),
        trial("the_page_in_a_browser", &[node, chromium], browser),
        trial("the_types_of_the_modules", &[node, tsc()], types),
        trial(
            "the_types_are_those_of_the_description",
            &[node, openapi()],
            described,
        ),
        trial(
            "the_page_for_everybody",
            &[node, chromium, axe()],
            everybody,
        ),
    ];
    let trials = trials.into_iter().chain([
        trial("an_hour_grows_nothing", &[node, chromium], || {
            play("hour.mjs")
        }),
        trial("a_night_of_64_channels", &[node, chromium], night),
    ]);
    let trials: Vec<_> = trials.collect();
    libtest_mimic::run(&arguments, trials).exit_code()
}

type Missing = Option<&'static str>;

fn found(program: &str, words: &[&str], missing: &'static str) -> Missing {
    let output = Command::new(program).args(words).output();
    let is_there = output.is_ok_and(|output| output.status.success());
    (!is_there).then_some(missing)
}

/// The checker of types, where npm has put it.
fn tsc() -> Missing {
    let is_there = script("node_modules/typescript/bin/tsc").exists();
    (!is_there).then_some("needs `cargo xtask peers`, or npm ci in crates/http/tests/page")
}

/// Every module holds the types that its comments state.
fn types() -> Result<(), Failed> {
    let output = Command::new("node")
        .arg(script("node_modules/typescript/bin/tsc"))
        .arg("--project")
        .arg(script("tsconfig.json"))
        .output()?;
    if output.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&output.stdout).into_owned().into())
}

/// The maker of types, where npm has put it.
fn openapi() -> Missing {
    let is_there = script("node_modules/openapi-typescript").exists();
    (!is_there).then_some("needs `cargo xtask peers`, or npm ci in crates/http/tests/page")
}

/// The wire's types are those that the API's own description gives. With `WRITE_TYPES` they are made anew.
#[tokio::main(flavor = "current_thread")]
async fn described() -> Result<(), Failed> {
    let bench = Bench::new().await;
    let description = bench::body(bench.get("/openapi.json").await).await;
    let mut node = tokio::process::Command::new("node");
    node.arg(script("types.mjs"));
    if std::env::var_os("WRITE_TYPES").is_some() {
        node.arg("--write");
    }
    let mut node = node
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()?;
    let mut input = node.stdin.take().unwrap();
    input.write_all(description.as_ref()).await?;
    drop(input);
    let output = node.wait_with_output().await?;
    if output.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&output.stdout).into_owned().into())
}

/// The checker of accessibility, where npm has put it.
fn axe() -> Missing {
    let is_there = script("node_modules/axe-core/axe.min.js").exists();
    (!is_there).then_some("needs `cargo xtask peers`, or npm ci in crates/http/tests/page")
}

fn trial(name: &str, missing: &[Missing], body: fn() -> Result<(), Failed>) -> Trial {
    let missing: Vec<_> = missing.iter().copied().flatten().collect();
    let trial = Trial::test(name, body);
    if missing.is_empty() {
        return trial;
    }
    trial.with_kind(missing.join(", ")).with_ignored_flag(true)
}

fn script(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/page")
        .join(name)
}

fn modules() -> Result<(), Failed> {
    let output = Command::new("node")
        .arg("--test")
        .args(["unit.test.mjs", "charts.test.mjs", "work.test.mjs"].map(script))
        .output()?;
    if output.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&output.stdout).into_owned().into())
}

fn browser() -> Result<(), Failed> {
    play("browser.mjs")
}

fn everybody() -> Result<(), Failed> {
    play("everybody.mjs")
}

/// Twelve hours of four modules with sixteen inputs each.
#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn night() -> Result<(), Failed> {
    let modules = (0..4).map(|module| {
        let inputs = (1..=16).map(|input| {
            let meter = module * 16 + input;
            format!("[meter.P{meter:02}]\nvelocity = {{ input = \"M{module}.{input}\", signal = \"0-10 V\", range = \"0-20 m/s\" }}\n")
        });
        let unit = module + 1;
        format!("[module.M{module}]\nline = \"bench\"\nunit = {unit}\nregisters = \"input 0-15\"\ncode = \"int16\"\ncount = \"1 mV\"\n")
            + &inputs.collect::<String>()
    });
    let text = "[station]\ndata = \"data\"\n[line.bench]\nevery = \"1 s\"\nmodbus-tcp = { address = \"127.0.0.1:1\" }\n"
        .to_owned()
        + &modules.collect::<String>();
    let bench = Bench::of(bench::checked(&text)).await;
    bench.record_hours(12).await;
    drive("night.mjs", &mut Stage::of(bench).await?).await
}

/// Runs a script that looks at the page of a stage of its own.
#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn play(name: &str) -> Result<(), Failed> {
    let bench = Bench::new().await;
    bench.record(120).await;
    drive(name, &mut Stage::of(bench).await?).await
}

async fn drive(name: &str, stage: &mut Stage) -> Result<(), Failed> {
    let mut node = tokio::process::Command::new("node")
        .arg(script(name))
        .args([format!("http://{}/", stage.address), "chromium".to_owned()])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .kill_on_drop(true)
        .spawn()?;
    let mut orders = BufReader::new(node.stdout.take().unwrap()).lines();
    let mut answers = node.stdin.take().unwrap();
    while let Some(order) = orders.next_line().await? {
        stage.obey(&order).await?;
        answers.write_all(b"done\n").await?;
    }
    let status = node.wait().await?;
    if status.success() {
        return Ok(());
    }
    Err(format!("the script ended with {status}; its reason stands above").into())
}

/// A station that a script can have stop, fall silent and come back.
struct Stage {
    bench: Bench,
    address: std::net::SocketAddr,
    samples: Option<JoinHandle<()>>,
    feed: Option<JoinHandle<()>>,
    app: App,
    serving: Option<(CancellationToken, JoinHandle<()>)>,
}

impl Stage {
    async fn of(bench: Bench) -> Result<Self, Failed> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let stop = CancellationToken::new();
        let mut stage = Self {
            address: listener.local_addr()?,
            app: App::new(bench.view.clone(), [], stop.clone()),
            bench,
            samples: None,
            feed: None,
            serving: None,
        };
        stage.serve(listener, stop);
        stage.go();
        Ok(stage)
    }

    async fn obey(&mut self, order: &str) -> Result<(), Failed> {
        match order {
            "hold" => end(&mut self.samples),
            "go" => self.go(),
            "mute" => end(&mut self.feed),
            "speak" => self.feed = Some(tokio::spawn(self.app.feed())),
            "stop" => {
                if let Some((stop, serving)) = self.serving.take() {
                    stop.cancel();
                    serving.await?;
                }
            }
            "start" => {
                let stop = CancellationToken::new();
                self.app = App::new(self.bench.view.clone(), [], stop.clone());
                self.serve(TcpListener::bind(self.address).await?, stop);
            }
            other => return Err(format!("no such order: {other}").into()),
        }
        Ok(())
    }

    fn serve(&mut self, listener: TcpListener, stop: CancellationToken) {
        end(&mut self.feed);
        self.feed = Some(tokio::spawn(self.app.feed()));
        let serving = server::serve(listener, self.app.router(), stop.clone());
        self.serving = Some((stop, tokio::spawn(serving)));
    }

    /// Ten samples a second of every channel, none like the one before.
    fn go(&mut self) {
        let view = self.bench.view.clone();
        let channels = view.config.channels.len();
        self.samples = Some(tokio::spawn(async move {
            let mut beat = tokio::time::interval(Duration::from_millis(100));
            for number in 0_u32.. {
                beat.tick().await;
                let value = 5.0 + f64::from(number % 100) / 10.0;
                let at = view.axis.now();
                let samples = (0..channels)
                    .map(|channel| bench::sample(channel, at, value))
                    .collect();
                bench::show(&view, samples);
            }
        }));
    }
}

fn end(task: &mut Option<JoinHandle<()>>) {
    if let Some(task) = task.take() {
        task.abort();
    }
}
