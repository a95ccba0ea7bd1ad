//! Runs as a person likes to read them.

mod rows;

use std::fmt::Write;
use std::time::Duration;

use comfy_table::{ContentArrangement, Table};
use serde_json::Value;
use zonda_model::run::spelled;

use super::door::Door;

/// So many of what is not reached yet are named.
const LACKING_MAX: usize = 3;

/// The runs, one a row.
pub(super) fn list(list: &Value, door: &Door) -> String {
    let runs = list["runs"].as_array().map_or(&[][..], Vec::as_slice);
    if runs.is_empty() {
        return "There is no run yet. `zonda run start NAME` begins one; `zonda run cut NAME --from … --to …` takes one out of what is recorded.\n".to_owned();
    }
    let mut table = plain();
    table.set_header([
        "run", "state", "from", "length", "channels", "operator", "purpose",
    ]);
    for run in runs {
        let from = match run["since"].as_str() {
            Some(since) => door.shown(since),
            None => text(&run["start"]),
        };
        table.add_row([
            text(&run["name"]),
            state(run),
            from,
            length(&run["length_s"]),
            run["channels"].as_array().map_or(0, Vec::len).to_string(),
            text(&run["operator"]),
            text(&run["purpose"]),
        ]);
    }
    let more = if list["next"].is_null() {
        ""
    } else {
        "There are more; --limit shows them.\n"
    };
    format!("{}\n{more}", trimmed(&table))
}

/// One run with all that is known of it.
pub(super) fn show(run: &Value, door: &Door) -> String {
    let mut out = format!("run {}: {}\n\n", text(&run["name"]), state(run));
    let mut table = plain();
    for (name, value) in facts(run, door) {
        if !value.is_empty() {
            table.add_row([name.to_owned(), value]);
        }
    }
    let _ = writeln!(out, "{}", trimmed(&table));
    list_of(&mut out, "Do not overlook", run["remarks"].as_array(), text);
    list_of(
        &mut out,
        "Loop checks in force",
        run["loop_checks"].as_array(),
        |check| {
            let passed = if check["passed"] == true {
                "passed"
            } else {
                "failed"
            };
            format!(
                "{}  {} {passed}",
                time(&check["at"], door),
                text(&check["channel"])
            )
        },
    );
    list_of(&mut out, "What happened", run["steps"].as_array(), |step| {
        let why = prefixed(": ", &step["text"]);
        let by = prefixed(" by ", &step["by"]);
        format!(
            "{}  {}{by}{why}",
            time(&step["at"], door),
            text(&step["step"])
        )
    });
    list_of(&mut out, "Notes", run["noted"].as_array(), |note| {
        let about = if note["about"].is_null() {
            &note["said"]
        } else {
            &note["about"]
        };
        format!(
            "{}  {}: {}",
            time(about, door),
            text(&note["by"]),
            text(&note["text"])
        )
    });
    out
}

/// What came of the evaluations asked of a run, a line a result; `zonda evaluate` has all there is to know.
pub(super) fn outcomes(name: &str, outcomes: &Value, door: &Door) -> String {
    let Some(list) = outcomes["evaluations"].as_array() else {
        return String::new();
    };
    let mut out = String::from("\nEvaluations:\n");
    for evaluation in list {
        let title = text(&evaluation["title"]);
        match evaluation["state"].as_str() {
            Some("answered") => {
                let so_far = evaluation["outcome"]["is_preliminary"] == true;
                let note = if so_far { ", so far" } else { "" };
                let _ = writeln!(out, "  {title}{note}");
                results(&mut out, &evaluation["outcome"], door);
                out.push_str(&reached(evaluation, door));
            }
            Some("refused") => {
                let _ = writeln!(
                    out,
                    "  {title}: no result: {}",
                    text(&evaluation["refused"])
                );
            }
            _ => {
                let done = evaluation["progress"].as_f64().unwrap_or(0.0);
                let _ = writeln!(out, "  {title}: {:.0} % worked out", 100.0 * done);
            }
        }
    }
    let _ = writeln!(
        out,
        "\n`zonda evaluate {name}` shows them whole: budgets, what went in, what was left out."
    );
    out
}

/// The results that have an uncertainty and the lengths of time; all where none has one. Then the verdicts.
fn results(out: &mut String, outcome: &Value, door: &Door) {
    match outcome["ask"]["kind"].as_str() {
        Some("windows") => return rows::windows(out, outcome, door),
        Some("steadiness") => return rows::steady(out, outcome, door),
        _ => {}
    }
    let mut table = plain();
    let all = || outcome["results"].as_array().into_iter().flatten();
    let is_known = |result: &Value| !result["expanded"].is_null();
    let any_known = all().any(is_known);
    let is_shown = |result: &&Value| !any_known || is_known(result) || result["unit"] == "s";
    for result in all().filter(is_shown) {
        let basis = prefixed(" ", &result["basis"]);
        let when = match result["at"].as_str() {
            Some(at) => format!(", {}", door.shown(at)),
            None => String::new(),
        };
        let place = prefixed(", ", &result["place"]);
        table.add_row([
            format!("    {}{basis}", text(&result["name"])),
            text(&result["of"]),
            format!("{}{place}{when}", text(&result["stated"])),
        ]);
    }
    if table.row_count() > 0 {
        let _ = writeln!(out, "{}", trimmed(&table));
    }
    for verdict in outcome["verdicts"].as_array().into_iter().flatten() {
        let said = text(&verdict["verdict"]).replace('_', " ");
        let _ = writeln!(
            out,
            "     {}: {said} ({})",
            text(&verdict["what"]),
            text(&verdict["rule"])
        );
    }
}

/// Whether what was asked of coverage and uncertainty is reached, and since when; nothing where nobody asked for any.
fn reached(evaluation: &Value, door: &Door) -> String {
    let first = match evaluation["reached_at"].as_str() {
        Some(at) => format!(", first at {}", door.shown(at)),
        None => String::new(),
    };
    match evaluation["reached"].as_bool() {
        Some(true) => format!("     asked coverage and uncertainty: reached{first}\n"),
        Some(false) => {
            let all = evaluation["outcome"]["reached"].as_array();
            let lacking = all
                .into_iter()
                .flatten()
                .filter(|of| of["is_reached"] == false)
                .map(|of| format!("{} of {}", text(&of["what"]), text(&of["of"])));
            let lacking: Vec<String> = lacking.collect();
            let named = lacking.get(..LACKING_MAX).unwrap_or(&lacking).join(", ");
            let more = match lacking.len().saturating_sub(LACKING_MAX) {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            format!("     asked coverage and uncertainty: not yet, for {named}{more}{first}\n")
        }
        None => String::new(),
    }
}

fn facts(run: &Value, door: &Door) -> Vec<(&'static str, String)> {
    let until = match run["ended"].as_str() {
        Some(how) => format!("{} ({})", time(&run["until"], door), how.replace('_', " ")),
        None => time(&run["until"], door),
    };
    let channels: Vec<_> = run["channels"]
        .as_array()
        .into_iter()
        .flatten()
        .map(text)
        .collect();
    vec![
        ("number", run["id"].to_string()),
        ("operator", text(&run["operator"])),
        ("purpose", text(&run["purpose"])),
        ("object", text(&run["object"])),
        ("ambient", text(&run["ambient"])),
        ("layout", text(&run["layout"])),
        ("template", text(&run["template"])),
        ("asked for", time(&run["asked"], door)),
        ("begins", text(&run["start"])),
        ("ends", text(&run["end"])),
        ("from", time(&run["since"], door)),
        ("to", until),
        ("length", length(&run["length_s"])),
        (
            "samples",
            run["samples"]
                .as_i64()
                .map_or_else(String::new, |it| it.to_string()),
        ),
        (
            "configuration",
            text(&run["config"]).chars().take(12).collect(),
        ),
        (
            "channels",
            format!("{}: {}", channels.len(), channels.join(", ")),
        ),
    ]
}

fn state(run: &Value) -> String {
    let gaps = run["interruptions"].as_array().map_or(0, Vec::len);
    let state = text(&run["state"]);
    match gaps {
        0 => state,
        1 => format!("{state}, interrupted"),
        gaps => format!("{state}, interrupted {gaps} times"),
    }
}

/// A length in seconds, to the second.
pub(super) fn length(seconds: &Value) -> String {
    match seconds.as_f64() {
        Some(seconds) => spelled(Duration::try_from_secs_f64(seconds.round()).unwrap_or_default()),
        None => String::new(),
    }
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

fn time(value: &Value, door: &Door) -> String {
    value.as_str().map(|at| door.shown(at)).unwrap_or_default()
}

fn prefixed(before: &str, value: &Value) -> String {
    match value.as_str() {
        Some(said) if !said.is_empty() => format!("{before}{said}"),
        _ => String::new(),
    }
}

fn list_of(
    out: &mut String,
    title: &str,
    items: Option<&Vec<Value>>,
    line: impl Fn(&Value) -> String,
) {
    let Some(items) = items.filter(|items| !items.is_empty()) else {
        return;
    };
    let _ = writeln!(out, "\n{title}");
    for item in items {
        let _ = writeln!(out, "  {}", line(item));
    }
}

fn plain() -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table
}

fn trimmed(table: &Table) -> String {
    let text = table.to_string();
    let lines: Vec<_> = text.lines().map(str::trim_end).collect();
    lines.join("\n")
}
