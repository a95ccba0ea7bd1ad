//! A document as PDF, set by `zonda-typeset`: a program of its own, so that neither its size nor a fault in it
//! touches a daemon that records.

use std::env;
use std::ffi::OsStr;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::{Child, Command};

use crate::document::Document;

/// What the program is called.
const NAME: &str = "zonda-typeset";
/// Names the program where it is not found by itself.
const NAMED_BY: &str = "ZONDA_TYPESETTER";
/// A report of a night takes a few seconds. A typesetter that has not ended by then never will.
const PATIENCE: Duration = Duration::from_mins(3);
/// A report is some megabytes.
const PDF_BYTES_MAX: u64 = 256 << 20;
/// What it says of a failure is a line or two.
const SAID_BYTES_MAX: u64 = 16 << 10;

/// The program that sets documents.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Typesetter {
    program: PathBuf,
}

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
pub enum NoPdf {
    /// The program is not installed.
    #[error(
        "a PDF is set by the program `{NAME}`, which is neither beside this program nor on the path. Build it with `cargo build --release --package {NAME}` and put it beside `zonda`, or name it in the environment variable {NAMED_BY}. Without it, take the report as .html: any browser prints it, also into a PDF"
    )]
    NotInstalled,
    /// The program that was named is not there.
    #[error("{NAMED_BY} names {0}, and there is no such file")]
    NotThere(PathBuf),
    /// It does not run.
    #[error("the typesetter {program} cannot be run: {error}")]
    Run {
        /// Which one.
        program: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// It gave up.
    #[error("the typesetter gave up: {0}")]
    Failed(String),
    /// It took too long.
    #[error("the typesetter had not ended after {} s and was stopped", PATIENCE.as_secs())]
    TooSlow,
}

impl Typesetter {
    /// The one that the environment names, or lies beside this program, or on the path.
    ///
    /// # Errors
    /// [`NoPdf::NotInstalled`], [`NoPdf::NotThere`].
    pub fn find() -> Result<Self, NoPdf> {
        let own = env::current_exe().ok();
        let beside = own.as_deref().and_then(Path::parent);
        let named = env::var_os(NAMED_BY);
        Self::find_among(named.as_deref(), beside, env::var_os("PATH").as_deref())
    }

    fn find_among(
        named: Option<&OsStr>,
        beside: Option<&Path>,
        path: Option<&OsStr>,
    ) -> Result<Self, NoPdf> {
        if let Some(named) = named.filter(|named| !named.is_empty()) {
            let program = PathBuf::from(named);
            let is_there = program.is_file();
            return is_there
                .then_some(Self {
                    program: program.clone(),
                })
                .ok_or(NoPdf::NotThere(program));
        }
        let on_path = path.into_iter().flat_map(env::split_paths);
        let folders = beside.map(Path::to_owned).into_iter().chain(on_path);
        let mut programs = folders.map(|folder| folder.join(NAME));
        let program = programs.find(|program| program.is_file());
        let program = program.ok_or(NoPdf::NotInstalled)?;
        Ok(Self { program })
    }

    /// The document as PDF. The program is stopped where nobody waits any more.
    ///
    /// # Errors
    /// [`NoPdf`].
    pub async fn set(&self, document: &Document) -> Result<Vec<u8>, NoPdf> {
        let text =
            serde_json::to_vec(document).map_err(|error| NoPdf::Failed(error.to_string()))?;
        let child = Command::new(&self.program)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .map_err(|error| self.not_run(error))?;
        let talk = talk(child, text);
        let told = tokio::time::timeout(PATIENCE, talk).await;
        let told = told.map_err(|_| NoPdf::TooSlow)?;
        told.map_err(|error| self.not_run(error))?
    }

    fn not_run(&self, error: io::Error) -> NoPdf {
        NoPdf::Run {
            program: self.program.clone(),
            error,
        }
    }
}

/// Hands over the document and takes the PDF, both at once: neither side waits for the other's full pipe.
async fn talk(mut child: Child, text: Vec<u8>) -> io::Result<Result<Vec<u8>, NoPdf>> {
    let (mut pdf, mut said) = (Vec::new(), Vec::new());
    let (input, output, errors) = (child.stdin.take(), child.stdout.take(), child.stderr.take());
    let give = async {
        if let Some(mut input) = input {
            // One that ends early says why by itself.
            let _ = input.write_all(&text).await;
        }
        Ok(())
    };
    let take = async {
        match output {
            Some(output) => output.take(PDF_BYTES_MAX).read_to_end(&mut pdf).await,
            None => Ok(0),
        }
    };
    let listen = async {
        match errors {
            Some(errors) => errors.take(SAID_BYTES_MAX).read_to_end(&mut said).await,
            None => Ok(0),
        }
    };
    tokio::try_join!(give, take, listen)?;
    let status = child.wait().await?;
    if status.success() && pdf.starts_with(b"%PDF-") {
        return Ok(Ok(pdf));
    }
    let said = String::from_utf8_lossy(&said);
    let said = said.trim().trim_start_matches("zonda-typeset: ");
    Ok(Err(NoPdf::Failed(if said.is_empty() {
        format!("it ended with {status} and said nothing")
    } else {
        said.to_owned()
    })))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_looked_for_by_name_then_beside_then_on_the_path() {
        let (beside, on_path) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let file = on_path.path().join(NAME);
        std::fs::write(&file, "").unwrap();
        let path = Some(on_path.path().as_os_str());
        let found = |named: Option<&OsStr>| {
            Typesetter::find_among(named, Some(beside.path()), path).map(|found| found.program)
        };
        assert_eq!(found(None).unwrap(), file);
        std::fs::write(beside.path().join(NAME), "").unwrap();
        assert_eq!(found(None).unwrap(), beside.path().join(NAME));
        assert_eq!(found(Some(file.as_os_str())).unwrap(), file);
        let gone = Some(OsStr::new("no-such-program"));
        assert!(matches!(found(gone), Err(NoPdf::NotThere(_))));
        let nowhere = Typesetter::find_among(None, None, None);
        let said = nowhere.unwrap_err().to_string();
        assert!(
            said.contains("cargo build") && said.contains(".html"),
            "{said}"
        );
    }

    #[tokio::test]
    async fn what_it_says_of_a_failure_is_passed_on() {
        let dir = tempfile::tempdir().unwrap();
        let program = dir.path().join("typesetter");
        std::fs::write(&program, "#!/bin/sh\necho 'no more ink' >&2\nexit 3\n").unwrap();
        let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
        std::fs::set_permissions(&program, mode).unwrap();
        let document = Document::bare("test");
        let failed = Typesetter { program }.set(&document).await.unwrap_err();
        assert!(failed.to_string().ends_with("no more ink"), "{failed}");
    }
}
