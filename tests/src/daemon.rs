//! The real program: one command to its end, or a station that serves.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;

use crate::bench::Bench;
use crate::record::Record;
use crate::wait::until;

/// A station is up within this time, also on a busy machine.
const READY_WITHIN: Duration = Duration::from_secs(30);
/// A station that was asked to stop has stopped within this time.
pub const STOPPED_WITHIN: Duration = Duration::from_secs(15);

/// The program under test: the one that `ZONDA_BINARY` names, or a fresh build.
///
/// Cargo hands the path of a binary only to the tests of its own package, so these build it.
///
/// # Panics
/// It does not build.
pub fn binary() -> &'static Path {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(|| match std::env::var_os("ZONDA_BINARY") {
        Some(path) => path.into(),
        None => build().expect("the program builds"),
    })
}

fn build() -> Result<PathBuf> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args(["build", "--package", "zonda", "--bin", "zonda"])
        .arg("--message-format=json-render-diagnostics")
        .arg("--manifest-path")
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/../Cargo.toml"))
        .stderr(Stdio::inherit())
        .output()?;
    ensure!(output.status.success(), "`cargo build` failed");
    String::from_utf8(output.stdout)?
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .find_map(|message| Some(PathBuf::from(message["executable"].as_str()?)))
        .context("`cargo build` named no executable")
}

/// Runs one command of the program to its end.
///
/// # Errors
/// The program cannot be started.
pub fn run(arguments: &[&OsStr]) -> Result<Output> {
    Command::new(binary())
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .context("could not start the program")
}

/// Runs one command on the record in `data` to its end.
///
/// # Errors
/// The program cannot be started, or does not speak UTF-8.
pub fn on(data: &Path, words: &[&str]) -> Result<Ended> {
    let mut all: Vec<&OsStr> = words.iter().map(OsStr::new).collect();
    all.extend([OsStr::new("--data"), data.as_os_str()]);
    let output = run(&all)?;
    Ok(Ended {
        words: words.join(" "),
        code: output.status.code(),
        out: String::from_utf8(output.stdout)?,
        said: String::from_utf8(output.stderr)?,
    })
}

/// How a command ended.
#[derive(Debug)]
pub struct Ended {
    words: String,
    /// Its exit code; `None` where a signal ended it.
    pub code: Option<i32>,
    /// Its output.
    pub out: String,
    /// What it said beside the output.
    pub said: String,
}

impl Ended {
    /// Its output, where it was done.
    ///
    /// # Errors
    /// It was not; with what it said.
    pub fn done(self) -> Result<String> {
        ensure!(
            self.code == Some(0),
            "`{}` ended with {:?}: {}{}",
            self.words,
            self.code,
            self.out,
            self.said
        );
        Ok(self.out)
    }

    /// What it said, where it was refused with this code.
    ///
    /// # Errors
    /// It ended otherwise.
    pub fn refused(self, code: i32) -> Result<String> {
        ensure!(
            self.code == Some(code),
            "`{}` ended with {:?}, not {code}: {}{}",
            self.words,
            self.code,
            self.out,
            self.said
        );
        Ok(self.said)
    }
}

/// A command was done.
///
/// # Errors
/// It was not; with what it said.
pub fn well(output: &Output) -> Result<()> {
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "{said}");
    Ok(())
}

/// A command was refused, and said these words.
///
/// # Errors
/// It was done, or said something else.
pub fn says(output: &Output, words: &str) -> Result<()> {
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(!output.status.success(), "it was done");
    ensure!(said.contains(words), "`{words}` is not in: {said}");
    Ok(())
}

/// Makes a run of everything that is recorded.
///
/// # Errors
/// Nothing is, or the command was refused.
pub fn cut(data: &Path, name: &str) -> Result<()> {
    let ends = "SELECT strftime('%Y-%m-%dT%H:%M:%fZ', min(at) / 1e6, 'unixepoch'), \
                strftime('%Y-%m-%dT%H:%M:%fZ', max(at) / 1e6, 'unixepoch') FROM sample";
    let rows = Record::query(data, ends)?;
    let at = |place: usize| rows.first().and_then(|row| row.get(place)?.as_str());
    let (from, to) = at(0).zip(at(1)).context("nothing was recorded")?;
    let order = [
        "run", "cut", name, "--from", from, "--to", to, "--by", "test",
    ];
    let order = order.map(OsStr::new).into_iter();
    let order: Vec<_> = order.chain(["--data".as_ref(), data.as_os_str()]).collect();
    well(&run(&order)?)
}

/// A serving station. Killed when dropped, so that no test leaves one behind.
#[derive(Debug)]
pub struct Station {
    child: Child,
    address: String,
    agent: ureq::Agent,
}

impl Station {
    /// Starts `serve` with this configuration and waits until it is ready.
    ///
    /// # Errors
    /// It stopped, or was not ready in time.
    pub fn start(bench: &Bench, config: &Path) -> Result<Self> {
        Self::start_with(bench, config, |_| {})
    }

    /// As [`Station::start`], with a chance to change how the program is started.
    ///
    /// # Errors
    /// It stopped, or was not ready in time.
    pub fn start_with(
        bench: &Bench,
        config: &Path,
        change: impl FnOnce(&mut Command),
    ) -> Result<Self> {
        let address_file = bench.data().join("address");
        let _ = fs::remove_file(&address_file);
        let mut command = serve(config);
        command
            .stdout(bench.log("station")?)
            .stderr(bench.log("station")?);
        change(&mut command);
        let child = command.spawn().context("could not start the program")?;
        let mut station = Self {
            child,
            address: String::new(),
            agent: agent(),
        };
        station.await_ready(&address_file)?;
        Ok(station)
    }

    fn await_ready(&mut self, address_file: &Path) -> Result<()> {
        until(READY_WITHIN, "the station to be ready", || {
            if let Some(status) = self.child.try_wait()? {
                bail!("the station stopped while it started: {status}");
            }
            let Ok(address) = fs::read_to_string(address_file) else {
                return Ok(None);
            };
            address.trim().clone_into(&mut self.address);
            let is_ready = self.get("/readyz").is_ok_and(|(status, _)| status == 200);
            Ok(is_ready.then_some(()))
        })
    }

    /// Host and port of its API.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Status and text of a page of its API.
    ///
    /// # Errors
    /// No answer came.
    pub fn get(&self, path: &str) -> Result<(u16, String)> {
        let mut answer = self
            .agent
            .get(format!("http://{}{path}", self.address))
            .call()?;
        let text = answer.body_mut().read_to_string()?;
        Ok((answer.status().as_u16(), text))
    }

    /// A document of its API.
    ///
    /// # Errors
    /// No answer came, it was not 200, or it is not JSON.
    pub fn get_json(&self, path: &str) -> Result<Value> {
        let (status, text) = self.get(path)?;
        ensure!(status == 200, "{path} answered {status}: {text}");
        Ok(serde_json::from_str(&text)?)
    }

    /// Asks its API for something; gives status and document.
    ///
    /// # Errors
    /// No answer came, or it is not JSON.
    pub fn post(&self, path: &str, body: &Value) -> Result<(u16, Value)> {
        let url = format!("http://{}{path}", self.address);
        let mut answer = self.agent.post(url).send_json(body)?;
        let text = answer.body_mut().read_to_string()?;
        Ok((answer.status().as_u16(), serde_json::from_str(&text)?))
    }

    /// Sends it a signal.
    ///
    /// # Errors
    /// It is gone.
    pub fn signal(&self, signal: Signal) -> Result<()> {
        kill(pid(&self.child), signal).context("the station is gone")
    }

    /// Waits for its end.
    ///
    /// # Errors
    /// It still runs after `limit`.
    pub fn wait(&mut self, limit: Duration) -> Result<ExitStatus> {
        until(limit, "the station to stop", || {
            Ok(self.child.try_wait()?)
        })
    }

    /// Asks it to stop (SIGTERM) and expects it to end well.
    ///
    /// # Errors
    /// It did not stop in time, or not well.
    pub fn stop(mut self) -> Result<()> {
        self.signal(Signal::SIGTERM)?;
        let status = self.wait(STOPPED_WITHIN)?;
        ensure!(status.success(), "the station ended with {status}");
        Ok(())
    }

    /// Kills it without a word, as a power cut would, and waits until it is gone.
    ///
    /// # Errors
    /// It was gone before.
    pub fn kill(mut self) -> Result<()> {
        self.child.kill()?;
        self.child.wait()?;
        Ok(())
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The command `serve` with this configuration, not yet started.
pub fn serve(config: &Path) -> Command {
    serve_by(binary(), config)
}

/// The same by another copy of the program.
pub fn serve_by(program: &Path, config: &Path) -> Command {
    let mut command = Command::new(program);
    command
        .arg("serve")
        .arg("--config")
        .arg(config)
        .stdin(Stdio::null());
    command
}

fn agent() -> ureq::Agent {
    ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_global(Some(Duration::from_secs(10)))
        .build()
        .into()
}

fn pid(child: &Child) -> Pid {
    Pid::from_raw(i32::try_from(child.id()).expect("a process id fits"))
}
