//! What a CSV cannot say of itself: the W3C's *Metadata Vocabulary for Tabular Data* (CSV on the Web,
//! recommendation of 17 December 2015), as a JSON file beside it.
//!
//! Column by column what is in it and in which unit; and as a note, which the vocabulary leaves to its
//! users, where the numbers come from: configuration, mappings in force with their certificates, and
//! the seal of the record.

use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde_json::{Value, json};
use zonda_model::Stamp;
use zonda_store::{ChannelRow, MappingRow, Readable, StoreError};

use crate::TrueUtc;
use crate::csv::Dialect;
use crate::export::{Export, Format, Request, basis_of};
use crate::table::{Holds, Title};

/// The name that the recommendation gives to the metadata of a file.
pub fn sidecar_name(file: &str) -> String {
    format!("{file}-metadata.json")
}

/// The metadata of the file `url`, which this export wrote; `gaps` is the file with what is missing.
///
/// # Errors
/// The record cannot be read.
pub async fn sidecar(
    record: &Readable,
    request: &Request,
    export: &Export,
    url: &str,
    gaps: Option<&str>,
) -> Result<Value, StoreError> {
    let dialect = match &request.format {
        Format::Csv { form, .. } => form.dialect,
        Format::Parquet | Format::Xlsx { .. } => Dialect::Comma,
    };
    let columns: Vec<_> = export
        .titles()
        .iter()
        .map(|title| column(title, dialect))
        .collect();
    let (from, to) = request.range;
    let has_preamble = matches!(request.format, Format::Csv { preamble: true, .. });
    Ok(json!({
        "@context": ["http://www.w3.org/ns/csvw", { "@language": "en" }],
        "url": address(url),
        "dc:title": format!("{} from {from} to {to}", request.layout.word()),
        "dialect": {
            "encoding": "utf-8",
            "header": true,
            "commentPrefix": has_preamble.then_some("#"),
            "lineTerminators": ["\r\n"],
            "delimiter": match dialect {
                Dialect::Comma => ",",
                Dialect::Semicolon => ";",
            },
        },
        "tableSchema": { "columns": columns },
        "notes": [origin(record, request, export, gaps).await?],
    }))
}

/// A file's name as a relative address: what RFC 3986 does not leave as it stands is written as bytes.
fn address(name: &str) -> String {
    /// All but letters, digits and what section 2.3 calls unreserved.
    const OTHERS: &AsciiSet = &NON_ALPHANUMERIC
        .remove(b'-')
        .remove(b'.')
        .remove(b'_')
        .remove(b'~');
    utf8_percent_encode(name, OTHERS).to_string()
}

fn column(title: &Title, dialect: Dialect) -> Value {
    let number = match dialect {
        Dialect::Comma => json!({ "base": "double" }),
        Dialect::Semicolon => json!({ "base": "double", "format": { "decimalChar": "," } }),
    };
    let datatype = match title.holds {
        Holds::Utc => json!("dateTimeStamp"),
        Holds::Local => json!({ "base": "dateTime", "format": "yyyy-MM-dd HH:mm:ss.SSS" }),
        Holds::Offset | Holds::Text => json!("string"),
        Holds::Whole => json!("integer"),
        Holds::Number(_) | Holds::Plain => number,
    };
    let mut column = json!({ "titles": title.text, "datatype": datatype });
    if let Holds::Number(unit) = title.holds {
        column["schema:unitText"] = json!(unit.symbol());
    }
    if let Some(channel) = &title.channel {
        column["dc:subject"] = json!(channel.as_str());
    }
    column
}

/// Where the numbers come from.
async fn origin(
    record: &Readable,
    request: &Request,
    export: &Export,
    gaps: Option<&str>,
) -> Result<Value, StoreError> {
    let (known, mappings) = (record.channels().await?, record.mappings().await?);
    let rows = export
        .columns()
        .iter()
        .filter_map(|column| known.iter().find(|row| row.name == column.name));
    let channels: Vec<_> = rows
        .map(|row| channel(row, &mappings, request.range.1))
        .collect();
    let sessions = record.sessions(1).await?;
    let seal = record.seal().await?;
    let utc = TrueUtc::new(record.clock().await?);
    Ok(json!({
        "program": sessions.first().map(|session| format!("zonda {}", session.version)),
        "from": request.range.0.to_string(),
        "to": request.range.1.to_string(),
        "run": request.run.as_ref().map(|run| run.json(&utc)),
        "channels": channels,
        "gaps": gaps.map(address),
        "seal": seal.map(|seal| json!({
            "link": seal.link,
            "hash": seal.hex(),
            "up_to": seal.at.to_string(),
        })),
    }))
}

fn channel(row: &ChannelRow, mappings: &[MappingRow], until: Stamp) -> Value {
    let own = mappings
        .iter()
        .filter(|mapping| mapping.channel == row.id && mapping.since < until);
    let versions: Vec<_> = own
        .map(|mapping| {
            // The record keeps it as text; where that is JSON the reader gets it as such.
            let text = serde_json::from_str(&mapping.text)
                .unwrap_or_else(|_| Value::from(mapping.text.as_str()));
            json!({
                "version": mapping.version,
                "since": mapping.since.to_string(),
                "configuration": mapping.config,
                "mapping": text,
            })
        })
        .collect();
    json!({
        "name": row.name.as_str(),
        "quantity": row.quantity.word(),
        "basis": basis_of(row, mappings),
        "every_s": Stamp::from_micros(row.period_us).seconds(),
        "mappings": versions,
    })
}
