//! `zonda check --against-devices`: the check before a start, as one table.

use std::time::Duration;

use anyhow::Context;
use comfy_table::{Attribute, Cell, Color, ContentArrangement, Table};
use serde::Deserialize;
use serde_json::{Value, json};
use zonda_config::Config;
use zonda_station::prestart;
use zonda_store::Readable;

use crate::address;
use crate::daemon::Daemon;
use crate::exit::Exit;

/// What a person sees of a finding.
#[derive(Debug, Deserialize)]
struct Finding {
    aspect: String,
    subject: String,
    state: String,
    what: String,
    todo: String,
}

/// Checks everything that the night needs, and says it as a table or as JSON.
///
/// # Errors
/// The daemon's answer cannot be read, or a record is there and cannot.
pub(crate) fn run(config: &Config, night: Duration, as_json: bool) -> anyhow::Result<Exit> {
    let running = address::read(&config.station.data).map(Daemon::new).ok();
    let answer = match running.filter(Daemon::answers) {
        // Its lines are open already, and nobody else may open them.
        Some(daemon) => daemon.get(&format!("/api/v1/prestart?night={}s", night.as_secs()))?,
        None => crate::runtime()?.block_on(ask(config, night))?,
    };
    let findings: Vec<Finding> = serde_json::from_value(answer["findings"].clone())
        .context("the daemon's answer is not understood; is it another version?")?;
    if as_json {
        println!("{answer:#}");
    } else {
        println!("{}", table(&findings));
        println!("\n{}", summary(&findings));
    }
    let is_wrong = findings.iter().any(|finding| finding.state == "wrong");
    Ok(if is_wrong { Exit::NotWell } else { Exit::Done })
}

/// Opens every line for a moment.
async fn ask(config: &Config, night: Duration) -> anyhow::Result<Value> {
    eprintln!("No daemon runs: the lines are opened for a moment.");
    let data = &config.station.data;
    let record = match Readable::open(data).await {
        Ok(record) => Some(record),
        // Nothing is recorded yet, or what there is cannot be read: `serve` will say why.
        Err(error) => {
            tracing::debug!("no record to look into: {error}");
            None
        }
    };
    let facts = prestart::ask(config, record.as_ref(), night).await?;
    let findings = prestart::judge(config, &facts);
    let one = |finding: &prestart::Finding| {
        json!({
            "aspect": finding.aspect.word(), "subject": finding.subject, "state": finding.state.word(),
            "what": finding.what, "todo": finding.todo,
        })
    };
    Ok(json!({
        "at": facts.now.to_string(),
        "night_s": night.as_secs_f64(),
        "state": prestart::gravest(&findings).word(),
        "findings": findings.iter().map(one).collect::<Vec<_>>(),
    }))
}

fn table(findings: &[Finding]) -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header(["", "what", "which", "is", "to do"]);
    for finding in findings {
        let state = Cell::new(&finding.state);
        let state = match finding.state.as_str() {
            "wrong" => state.fg(Color::Red).add_attribute(Attribute::Bold),
            "look" => state.fg(Color::Yellow),
            _ => state,
        };
        table.add_row([
            state,
            Cell::new(&finding.aspect),
            Cell::new(&finding.subject),
            Cell::new(&finding.what),
            Cell::new(&finding.todo),
        ]);
    }
    table
}

fn summary(findings: &[Finding]) -> String {
    let count = |state: &str| {
        findings
            .iter()
            .filter(|finding| finding.state == state)
            .count()
    };
    match (count("wrong"), count("look")) {
        (0, 0) => "Everything is fine.".to_owned(),
        (0, look) => format!("Nothing is wrong; {look} to look at. The night can begin."),
        (wrong, look) => format!("{wrong} wrong, {look} to look at."),
    }
}
