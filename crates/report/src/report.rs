//! A test report from the record: loads the run, evaluates what was asked of it, composes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use tokio::task::{JoinError, JoinSet};
use zonda_assess::{Ask, AssessError, ErrorKind, Subject, Watch, assess};
use zonda_config::{Paper, ReportPlan, check_revision};
use zonda_model::Stamp;
use zonda_store::{EvaluationEntry, Readable, StoreError};

use crate::compose::{Evaluated, Parts, compose};
use crate::document::Document;
use crate::dossier::Dossier;
use crate::run::{NoRun, RunFacts};

/// A logo is read up to this size: it goes into every report.
const LOGO_BYTES_MAX: u64 = 1 << 20;

/// How a report is wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// What the laboratory says of itself, in place of what the configuration of the run says.
    pub laboratory: Option<ReportPlan>,
    /// Where the file of the logo is looked for; nowhere without it.
    pub logo_dir: Option<PathBuf>,
    /// On which paper, whatever the configuration says.
    pub paper: Option<Paper>,
    /// Now, true UTC.
    pub now: Stamp,
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum NoReport {
    /// The run cannot be reported on.
    #[error(transparent)]
    Run(#[from] NoRun),
    /// Somebody called it off.
    #[error("the report was cancelled")]
    Cancelled,
    /// An evaluation could not be worked out, and not for want of data.
    #[error(transparent)]
    Assess(AssessError),
    /// An evaluation broke off, which only a fault of the program can bring about.
    #[error("an evaluation broke off: {0}")]
    Fault(JoinError),
    /// The logo cannot be used.
    #[error("{0}")]
    Logo(String),
    /// The record cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The report on a run.
///
/// # Errors
/// [`NoReport`]. An evaluation that the data does not allow is no error: the report says so.
pub async fn report(
    record: &Readable,
    run: RunFacts,
    wanted: Wanted,
    watch: &Watch,
) -> Result<Document, NoReport> {
    let (evaluated, mut dossier) = gather(record, run, watch).await?;
    let revision = dossier.revision.as_ref();
    let checked = revision.and_then(|row| check_revision(&row.text).ok());
    let config = checked.map(|checked| checked.config);
    let of_run = config.as_ref().map(|config| config.report.clone());
    let is_said = wanted.laboratory.is_some();
    let mut laboratory = wanted.laboratory.or(of_run).unwrap_or_default();
    laboratory.paper = wanted.paper.unwrap_or(laboratory.paper);
    let logo = match (&laboratory.logo, &wanted.logo_dir) {
        (Some(file), Some(dir)) => match Logo::read(&dir.join(file)) {
            Ok(logo) => Some(logo.address()),
            // Asked for here and now, it is put right at once; of a run that was long ago, the report matters more.
            Err(why) if is_said => return Err(why),
            Err(why) => {
                let said = format!("The title page has no logo: {why}.");
                dossier.left_out.push(said);
                None
            }
        },
        _ => None,
    };
    Ok(compose(&Parts {
        dossier,
        evaluated,
        config,
        laboratory,
        logo,
        made: wanted.now,
    }))
}

/// Works out what was asked of a run and reads all that the record knows of it, side by side.
///
/// # Errors
/// [`NoReport`], but for the logo. An evaluation that the data does not allow is no error.
pub(crate) async fn gather(
    record: &Readable,
    run: RunFacts,
    watch: &Watch,
) -> Result<(Vec<Evaluated>, Dossier), NoReport> {
    let evaluations = evaluate(record, &run, watch);
    let dossier = async { Ok(Dossier::load(record, run.clone()).await?) };
    tokio::try_join!(evaluations, dossier)
}

/// What came of each evaluation that a run was asked, in the order of asking.
async fn evaluate(
    record: &Readable,
    run: &RunFacts,
    watch: &Watch,
) -> Result<Vec<Evaluated>, NoReport> {
    /// Evaluations at work at once: a small board has other things to do, too, and each holds a page of samples.
    const AT_ONCE: usize = 2;
    let subject = Subject::of(record, &run.row).await;
    let subject = Arc::new(subject.map_err(NoReport::Assess)?);
    let watches = watch.split(run.evaluations.len());
    let mut waiting = run.evaluations.iter().zip(watches).enumerate();
    let mut at_work = JoinSet::new(); // ends them when it is dropped
    let mut evaluated = BTreeMap::new();
    loop {
        let room = AT_ONCE - at_work.len();
        for (place, (asked, watch)) in waiting.by_ref().take(room) {
            let (record, subject, asked) = (record.clone(), Arc::clone(&subject), asked.clone());
            at_work.spawn(async move {
                let outcome = evaluate_one(&record, &subject, &asked, &watch).await;
                (place, outcome)
            });
        }
        match at_work.join_next().await {
            Some(Ok((place, outcome))) => evaluated.insert(place, outcome?),
            Some(Err(fault)) => return Err(NoReport::Fault(fault)),
            None => return Ok(evaluated.into_values().collect()),
        };
    }
}

async fn evaluate_one(
    record: &Readable,
    subject: &Subject,
    asked: &EvaluationEntry,
    watch: &Watch,
) -> Result<Evaluated, NoReport> {
    let ask = match Ask::from_parts(&asked.kind, &asked.parameters) {
        Ok(ask) => ask,
        Err(why) => {
            return Ok(Evaluated {
                title: asked.kind.clone(),
                outcome: Err(why.to_string()),
            });
        }
    };
    let outcome = match assess(record, subject, &ask, watch).await {
        Err(AssessError::Cancelled) => return Err(NoReport::Cancelled),
        Err(why) if why.kind() == ErrorKind::Internal => return Err(NoReport::Assess(why)),
        outcome => outcome.map_err(|why| why.to_string()),
    };
    Ok(Evaluated {
        title: ask.title().to_owned(),
        outcome,
    })
}

/// A picture that goes into the report.
#[derive(Clone, Debug)]
pub struct Logo {
    kind: &'static str,
    bytes: Vec<u8>,
}

impl Logo {
    /// Reads it; the ending of its name says what it is.
    ///
    /// # Errors
    /// It cannot be read, is too large, or is no picture that browsers show.
    pub fn read(path: &Path) -> Result<Self, NoReport> {
        let bad = |why: &dyn std::fmt::Display| {
            NoReport::Logo(format!("the logo {}: {why}", path.display()))
        };
        let ending = path.extension().and_then(|ending| ending.to_str());
        let kind = match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("svg") => "image/svg+xml",
            Some("png") => "image/png",
            Some("jpg" | "jpeg") => "image/jpeg",
            _ => return Err(bad(&"it must be an SVG, PNG or JPEG file")),
        };
        let size = std::fs::metadata(path).map_err(|error| bad(&error))?.len();
        if size > LOGO_BYTES_MAX {
            return Err(bad(&"it is larger than 1 MB and would be in every report"));
        }
        let bytes = std::fs::read(path).map_err(|error| bad(&error))?;
        Ok(Self { kind, bytes })
    }

    /// As a `data:` address (RFC 2397).
    pub fn address(&self) -> String {
        format!("data:{};base64,{}", self.kind, STANDARD.encode(&self.bytes))
    }
}
