//! The program's own simulated oven, started as a person starts it: faults go in by its standard
//! input, and it says for each whether it is done.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use anyhow::{Context, Result, bail, ensure};

use crate::bench::Bench;
use crate::daemon::binary;

/// A running rig. Killed when dropped.
#[derive(Debug)]
pub struct Rig {
    child: Child,
    orders: ChildStdin,
    answers: BufReader<ChildStdout>,
    config: PathBuf,
}

impl Rig {
    /// Starts a rig and waits until it names the configuration of a daemon that records it.
    ///
    /// # Errors
    /// It ended before.
    pub fn start(bench: &Bench) -> Result<Self> {
        let mut child = Command::new(binary())
            .arg("rig")
            .arg("--dir")
            .arg(bench.path("rig"))
            .arg("--data")
            .arg(bench.data())
            .args(["--listen", "127.0.0.1:0"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(bench.log("rig")?)
            .spawn()
            .context("could not start the program")?;
        let orders = child.stdin.take().context("its input is piped")?;
        let output = child.stdout.take().context("its output is piped")?;
        let mut rig = Self {
            child,
            orders,
            answers: BufReader::new(output),
            config: PathBuf::new(),
        };
        while rig.config.as_os_str().is_empty() {
            let line = rig.answer()?;
            if let Some((_, config)) = line.split_once("serve --config ") {
                rig.config = config.into();
            }
        }
        Ok(rig)
    }

    /// The configuration of a daemon that records it.
    pub fn config(&self) -> &Path {
        &self.config
    }

    /// Gives an order, such as `cut Z1-left.velocity`, and waits until it is done.
    ///
    /// # Errors
    /// The rig would not do it, or is gone.
    pub fn order(&mut self, order: &str) -> Result<()> {
        writeln!(self.orders, "{order}").context("the rig is gone")?;
        let answer = self.answer()?;
        ensure!(answer.starts_with("done: "), "`{order}`: {answer}");
        Ok(())
    }

    fn answer(&mut self) -> Result<String> {
        let mut line = String::new();
        if self.answers.read_line(&mut line)? == 0 {
            bail!("the rig is gone");
        }
        Ok(line.trim().to_owned())
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
