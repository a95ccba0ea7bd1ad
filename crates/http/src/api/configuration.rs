//! `GET /api/v1/configuration`: the configuration in force, and what the file on the disk says by now.

use std::path::Path;

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_config::{Checked, Faults};

use super::Shared;
use crate::problem::Problem;

/// The configuration in force, and the file on the disk.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Configuration {
    /// Hash of the configuration in force.
    in_force: String,
    /// Its text.
    text: String,
    /// The file that it was read from; `null` where there was none.
    file: Option<String>,
    /// Of the file now: `same`; `changed`, and in force from the next start on; `wrong`, and a start
    /// would be refused; `gone`; `null` where there was no file.
    standing: Option<&'static str>,
    /// What the check finds in the file as it is now.
    mistakes: Vec<Mistake>,
}

/// Something to put right in the file.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Mistake {
    /// The line, from 1.
    line: usize,
    /// The column, from 1.
    column: usize,
    /// What is wrong, in a sentence.
    what: String,
    /// What would be right.
    help: Option<String>,
}

/// The configuration in force, and what a check says of the file on the disk as it is now.
#[utoipa::path(get, path = "/api/v1/configuration", tag = "station", responses((status = 200, body = Configuration)))]
pub(crate) async fn configuration(
    State(shared): State<Shared>,
) -> Result<Json<Configuration>, Problem> {
    let view = shared.view.clone();
    // A file may lie on a disk that takes its time.
    let told = tokio::task::spawn_blocking(move || {
        let revision = &view.config.revision;
        let (standing, mistakes) = view.file.as_deref().map_or((None, Vec::new()), |file| {
            let (standing, mistakes) = look(file, &revision.hash);
            (Some(standing), mistakes)
        });
        Configuration {
            in_force: revision.hash.clone(),
            text: revision.text.clone(),
            file: view.file.as_ref().map(|file| file.display().to_string()),
            standing,
            mistakes,
        }
    })
    .await;
    told.map(Json)
        .map_err(|error| Problem::internal("the configuration could not be looked at", &error))
}

fn look(file: &Path, in_force: &str) -> (&'static str, Vec<Mistake>) {
    let Ok(text) = std::fs::read_to_string(file) else {
        return ("gone", Vec::new());
    };
    let folder = file.parent().unwrap_or(Path::new(""));
    let table =
        |path: &str| std::fs::read_to_string(folder.join(path)).map_err(|error| error.to_string());
    match zonda_config::check_with(&file.display().to_string(), &text, &table) {
        Ok(Checked { config, .. }) if config.revision.hash == in_force => ("same", Vec::new()),
        Ok(Checked { warnings, .. }) => ("changed", mistakes(&warnings)),
        Err(faults) => ("wrong", mistakes(&faults)),
    }
}

pub(crate) fn mistakes(faults: &Faults) -> Vec<Mistake> {
    let one = |fault: &zonda_config::Fault| {
        let (line, column) = faults.place(fault);
        Mistake {
            line,
            column,
            what: fault.what.clone(),
            help: fault.help.clone(),
        }
    };
    faults.list().iter().map(one).collect()
}
