//! The test report on a night, as it is handed over: as PDF, whose tags and words are read by `pikepdf` and `pdftotext` and whose
//! pages are compared with pictures; as HTML, read by the HTML standard's own parser and shown in Chromium; and what is refused.

use std::ffi::OsStr;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, says, well};
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};
use zonda_tests::{daemon, night, peer};

const LOGO: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 20"><rect width="60" height="20" fill="none" stroke="#000"/><path d="M5 15 L25 5 L45 15"/></svg>"##;

/// What the laboratory says of itself, in words that are as bad as words get.
const LABORATORY: &str = r#"
[report]
laboratory = "Hall 3 <test> bench תנור 🔥"
address = "Works road 1"
customer = "paint shop & Söhne, building 7"
logo = "logo.svg"
paper = "Letter"
remarks = "The results relate to the oven as found."
"#;

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "report::a_night_is_handed_over_as_pdf_and_as_html",
            &[Need::Peers, Need::Paper],
            handed_over,
        ),
        test(
            "report::pages_look_as_they_were_reviewed",
            &[Need::Peers, Need::Paper],
            looks,
        ),
    ]
}

fn handed_over(bench: &Bench) -> Result<()> {
    let data = bench.data();
    night::copy(bench)?;
    let night = ["report", "last-night", "--data"];

    // One document, as both the typesetter and the browser get it.
    let document = bench.path("night.json");
    let json = zonda(&night, &[data.as_os_str(), "--json".as_ref()])?;
    well(&json)?;
    std::fs::write(&document, json.stdout)?;
    let pdf = bench.path("night.pdf");
    let mut set = Command::new(typesetter());
    well(
        &set.args([document.as_os_str(), "-o".as_ref(), pdf.as_os_str()])
            .output()?,
    )?;
    let read = peer::run("check_pdf.py", &[pdf.as_os_str(), document.as_os_str()])?;
    println!("report: pikepdf and pdftotext read {}", read.trim());

    let page = bench.path("night.html");
    well(&zonda(
        &night,
        &[data.as_os_str(), "-o".as_ref(), page.as_os_str()],
    )?)?;
    let read = peer::run("check_html.py", &[page.as_os_str()])?;
    println!("report: html5lib read {}", read.trim());
    shown(bench, &page)?;

    by_hand(bench, &data)
}

/// Chromium prints the file, and what it prints has each section.
fn shown(bench: &Bench, page: &Path) -> Result<()> {
    if !peer::has("chromium") {
        println!("report: chromium is missing; nobody looked at the HTML");
        return Ok(());
    }
    let printed = bench.path("printed.pdf");
    let into = format!("--print-to-pdf={}", printed.display());
    let output = Command::new("chromium")
        .args(["--headless", "--no-sandbox", "--disable-gpu", &into])
        .arg(page)
        .output()?;
    well(&output)?;
    let text = Command::new("pdftotext").arg(&printed).arg("-").output()?;
    let text = String::from_utf8(text.stdout)?;
    for wanted in [
        "What came of it",
        "Appendix B. Uncertainty budgets",
        "SIMULATED",
        "End of the report",
    ] {
        ensure!(text.contains(wanted), "Chromium does not show `{wanted}`");
    }
    Ok(())
}

/// A run of ten minutes: a report of it takes no time.
fn cut(data: &Path) -> Result<()> {
    const MINUTE_US: i64 = 60_000_000;
    let rows = Record::query(data, "SELECT min(started_at) FROM session")?;
    let begin = rows.first().and_then(|row| row.first()?.as_i64());
    let begin = begin.context("the record has no session")?;
    let time = |minutes: i64| {
        let at = (begin + minutes * MINUTE_US) / 1_000_000;
        let sql = format!("SELECT strftime('%Y-%m-%dT%H:%M:%SZ', {at}, 'unixepoch')");
        let rows = Record::query(data, &sql)?;
        let text = rows.first().and_then(|row| row.first()?.as_str());
        Ok::<_, anyhow::Error>(text.context("no time")?.to_owned())
    };
    let (from, to) = (time(60)?, time(70)?);
    let cut = [
        "run", "cut", "short", "--from", &from, "--to", &to, "--by", "test", "--data",
    ];
    well(&zonda(&cut, &[data.as_os_str()])?)
}

/// By one command, with what a laboratory says of itself; and what cannot be done.
fn by_hand(bench: &Bench, data: &Path) -> Result<()> {
    cut(data)?;
    let config = bench.path("lab.toml");
    let oven = std::fs::read_to_string(data.join("oven.toml"))?;
    std::fs::write(bench.path("logo.svg"), LOGO)?;
    std::fs::write(&config, format!("{oven}\n{LABORATORY}"))?;
    let pdf = bench.path("lab.pdf");
    let report = ["report", "short", "--config"];
    let into_pdf = [config.as_os_str(), "-o".as_ref(), pdf.as_os_str()];
    well(&zonda(&report, &into_pdf)?)?;
    let text = Command::new("pdftotext").arg(&pdf).arg("-").output()?;
    let text = String::from_utf8(text.stdout)?;
    for wanted in [
        "Hall 3 <test> bench",
        "תנור",
        "paint shop & Söhne, building 7",
        "The results relate to the oven as found.",
    ] {
        ensure!(text.contains(wanted), "`{wanted}` is not in the PDF");
    }
    // A machine with a font that has it shows it, every other names it.
    ensure!(
        text.contains('🔥') || text.contains("U+1F525"),
        "a letter vanished"
    );
    let about = Command::new("pdfinfo").arg(&pdf).output()?;
    let about = String::from_utf8(about.stdout)?;
    ensure!(
        about.contains("612 x 792 pts (letter)"),
        "not on US Letter: {about}"
    );

    // It exists; then nothing about it changes.
    let before = std::fs::read(&pdf)?;
    says(&zonda(&report, &into_pdf)?, "exists")?;
    ensure!(std::fs::read(&pdf)? == before, "it was written over");
    let refuse = |file: &str, words: &str| -> Result<()> {
        let target = bench.path(file);
        let into = [data.as_os_str(), "-o".as_ref(), target.as_os_str()];
        says(&zonda(&["report", "short", "--data"], &into)?, words)?;
        ensure!(!target.exists(), "something was left behind");
        Ok(())
    };
    refuse("no-such-folder/night.pdf", "cannot write")?;
    refuse("night.docx", "a .pdf or an .html file")?;

    let target = bench.path("other.pdf");
    let mut without = Command::new(daemon::binary());
    let without = without.args(["report", "short", "--data"]).args([
        data.as_os_str(),
        "-o".as_ref(),
        target.as_os_str(),
    ]);
    says(
        &without
            .env("ZONDA_TYPESETTER", bench.path("gone"))
            .output()?,
        "there is no such file",
    )?;
    // Any other program is none: what it says and how it ended is told, and nothing is left behind.
    says(
        &without.env("ZONDA_TYPESETTER", "/bin/false").output()?,
        "the typesetter gave up",
    )?;
    ensure!(!target.exists(), "something was left behind");
    called_off(bench, data)?;
    over_http(bench, &config)
}

/// Called off while the typesetter works: nothing is left behind, and nobody goes on.
fn called_off(bench: &Bench, data: &Path) -> Result<()> {
    let (slow, begun, ended) = (bench.path("slow"), bench.path("begun"), bench.path("ended"));
    // It never ends by itself; its shell is replaced, so that there is one process to end.
    let script = format!("#!/bin/sh\necho > {}\nexec sleep 600\n", begun.display());
    std::fs::write(&slow, script)?;
    std::fs::set_permissions(&slow, PermissionsExt::from_mode(0o755))?;
    let target = bench.path("called-off.pdf");
    let mut child = Command::new(daemon::binary())
        .args(["report", "short", "--data"])
        .args([data.as_os_str(), "-o".as_ref(), target.as_os_str()])
        .env("ZONDA_TYPESETTER", &slow)
        .stderr(std::fs::File::create(&ended)?)
        .spawn()?;
    until(PATIENCE, "the typesetter to begin", || {
        Ok(begun.exists().then_some(()))
    })?;
    kill(Pid::from_raw(i32::try_from(child.id())?), Signal::SIGINT)?;
    let status = until(PATIENCE, "the report to be called off", || {
        Ok(child.try_wait()?)
    })?;
    ensure!(status.code() == Some(3), "it ended with {status}");
    let said = std::fs::read_to_string(&ended)?;
    ensure!(said.contains("nothing was left behind"), "{said}");
    let left = std::fs::read_dir(bench.path(""))?.flatten();
    let left: Vec<_> = left
        .filter(|entry| entry.file_name().to_string_lossy().contains("called-off"))
        .collect();
    ensure!(left.is_empty(), "{left:?}");
    Ok(())
}

/// The daemon gives the same for download, from its own process' child.
fn over_http(bench: &Bench, config: &Path) -> Result<()> {
    let station = Station::start(bench, config)?;
    let runs = station.get_json("/api/v1/runs")?;
    let runs = runs["runs"].as_array().context("no runs")?;
    let short = runs.iter().find(|run| run["name"] == "short");
    let id = short.context("the run is not listed")?["id"].clone();
    let address = station.address();
    let url = format!("http://{address}/api/v1/runs/{id}/report?as=pdf&paper=a4");
    let mut answer = ureq::get(url).call()?;
    let kind = answer.headers().get("content-type").cloned();
    ensure!(
        kind.is_some_and(|kind| kind == "application/pdf"),
        "not a PDF"
    );
    let pdf = bench.path("served.pdf");
    std::fs::write(&pdf, answer.body_mut().read_to_vec()?)?;
    let about = Command::new("pdfinfo").arg(&pdf).output()?;
    let about = String::from_utf8(about.stdout)?;
    ensure!(
        about.contains("(A4)") && about.contains("Tagged:          yes"),
        "{about}"
    );
    let (status, _) = station.get(&format!("/api/v1/runs/{id}/report?as=docx"))?;
    ensure!(status == 400, "another form was answered by {status}");
    logo(&station)?;
    station.stop()?;
    without_typesetter(bench, config, &id)
}

/// A run under the configuration that names the laboratory's logo has it in its report, wherever the daemon was started.
fn logo(station: &Station) -> Result<()> {
    let (status, begun) = station.post("/api/v1/runs", &json!({ "name": "own" }))?;
    ensure!(status == 201, "the run was not begun: {begun}");
    let run = format!("/api/v1/runs/{}", begun["id"]);
    let (status, said) = station.post(&format!("{run}/stop"), &json!({ "by": "test" }))?;
    ensure!(status == 200, "the run was not stopped: {said}");
    let (status, page) = station.get(&format!("{run}/report"))?;
    ensure!(status == 200, "the report was answered by {status}: {page}");
    // `<svg` as base64 has it.
    let is_shown = page.contains("data:image/svg+xml;base64,PHN2Zy");
    ensure!(is_shown, "the logo is not in the report");
    Ok(())
}

/// Where no typesetter is installed, both doors say so, and the way out.
fn without_typesetter(bench: &Bench, config: &Path, id: &Value) -> Result<()> {
    // Alone in its folder, and nothing on the path.
    let alone = bench.path("alone");
    std::fs::create_dir(&alone)?;
    let program = alone.join("zonda");
    std::fs::copy(daemon::binary(), &program)?;
    let bare = |command: &mut Command| {
        command.env_remove("ZONDA_TYPESETTER").env("PATH", &alone);
    };
    let target = bench.path("none.pdf");
    let mut report = Command::new(&program);
    bare(report.args(["report", "short", "--config"]).args([
        config.as_os_str(),
        "-o".as_ref(),
        target.as_os_str(),
    ]));
    let way_out = "Without it, take the report as .html";
    says(&report.output()?, way_out)?;
    ensure!(!target.exists(), "something was left behind");
    let (out, err) = (bench.log("station")?, bench.log("station")?);
    let station = Station::start_with(bench, config, |command| {
        *command = daemon::serve_by(&program, config);
        bare(command.stdout(out).stderr(err));
    })?;
    let (status, said) = station.get(&format!("/api/v1/runs/{id}/report?as=pdf"))?;
    ensure!(status == 501 && said.contains(way_out), "{status}: {said}");
    station.stop()
}

/// A document with every kind of block, against pictures of its pages.
fn looks(bench: &Bench) -> Result<()> {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/report");
    let pdf = bench.path("sample.pdf");
    let mut set = Command::new(typesetter());
    let set = set.arg(golden.join("sample.json")).arg("-o").arg(&pdf);
    let output = set.stdin(Stdio::null()).output()?;
    well(&output)?;
    ensure!(
        output.stderr.is_empty(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let compared = peer::run(
        "check_pdf.py",
        &["--golden".as_ref(), pdf.as_os_str(), golden.as_os_str()],
    )?;
    println!("report: {}", compared.trim().replace('\n', "; "));
    Ok(())
}

fn typesetter() -> PathBuf {
    daemon::binary().with_file_name("zonda-typeset")
}

fn zonda(first: &[&str], last: &[&OsStr]) -> Result<Output> {
    let mut arguments: Vec<_> = first.iter().map(OsStr::new).collect();
    arguments.extend(last);
    daemon::run(&arguments)
}
