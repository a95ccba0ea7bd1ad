//! From the document to the bytes of a PDF.

use anyhow::{Context, anyhow, bail};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;
use typst::diag::SourceDiagnostic;
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards};

use crate::letters;
use crate::world::Desk;

/// Accessible (ISO 14289-1) and fit to be kept (ISO 19005-2, level a).
const STANDARDS: [PdfStandard; 2] = [PdfStandard::Ua_1, PdfStandard::A_2a];

/// The document as a PDF.
///
/// # Errors
/// It cannot be set, which is a fault of ours, or a picture in it is none.
pub(crate) fn set(document: &Value) -> anyhow::Result<Vec<u8>> {
    let mut document = document.clone();
    let (fonts, missing) = letters::fonts_for(&document);
    missing.name_in(&mut document);
    let pictures = pictures(&mut document)?;
    let desk = Desk::new(fonts, document.to_string(), pictures);
    let compiled = typst::compile::<PagedDocument>(&desk);
    for warning in &compiled.warnings {
        eprintln!("zonda-typeset: {}", warning.message);
    }
    let paged = compiled
        .output
        .map_err(|errors| told("the document cannot be set", &errors))?;
    let standards =
        PdfStandards::new(&STANDARDS).map_err(|error| anyhow!("{}", error.message()))?;
    let strict = options(standards);
    match typst_pdf::pdf(&paged, &strict) {
        Ok(pdf) => Ok(pdf),
        Err(errors) => {
            // Some scripts shape letters in ways that the standards do not allow. A reader is better off with
            // a plain tagged file than with none.
            eprintln!(
                "{:#}; it is written as a plain tagged PDF",
                told("the PDF does not meet PDF/UA-1 and PDF/A-2a", &errors)
            );
            typst_pdf::pdf(&paged, &options(PdfStandards::default()))
                .map_err(|errors| told("no PDF can be made", &errors))
        }
    }
}

/// Takes pictures out of their `data:` addresses (RFC 2397) and leaves names for them.
fn pictures(document: &mut Value) -> anyhow::Result<Vec<(String, Vec<u8>)>> {
    let mut pictures = Vec::new();
    for block in document["blocks"].as_array_mut().into_iter().flatten() {
        let Some(picture) = block.get_mut("picture") else {
            continue;
        };
        let address = picture["address"].as_str().unwrap_or_default();
        let (kind, data) = address
            .split_once(";base64,")
            .context("a picture is no `data:` address")?;
        let ending = match kind {
            "data:image/svg+xml" => "svg",
            "data:image/png" => "png",
            "data:image/jpeg" => "jpg",
            other => bail!("a picture of the kind `{other}` cannot be set"),
        };
        let bytes = STANDARD.decode(data).context("a picture is damaged")?;
        let name = format!("picture-{}.{ending}", pictures.len());
        picture["address"] = Value::from(name.as_str());
        pictures.push((name, bytes));
    }
    Ok(pictures)
}

fn options(standards: PdfStandards) -> PdfOptions {
    PdfOptions {
        creator: typst::foundations::Smart::Custom(Some(
            concat!("zonda-typeset ", env!("CARGO_PKG_VERSION")).into(),
        )),
        standards,
        ..PdfOptions::default()
    }
}

fn told(what: &str, errors: &[SourceDiagnostic]) -> anyhow::Error {
    let said: Vec<_> = errors
        .iter()
        .map(|error| {
            let hints = error.hints.iter().map(|hint| format!(" ({})", hint.v));
            format!("{}{}", error.message, hints.collect::<String>())
        })
        .collect();
    anyhow!("{what}: {}", said.join("; "))
}
