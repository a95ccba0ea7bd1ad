//! The file under way: fields, row groups, and the bytes that are ready.

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use arrow_array::builder::TimestampMicrosecondBuilder;
use arrow_array::{ArrayRef, RecordBatch};
use arrow_schema::{DataType, Field, Schema, SchemaRef, TimeUnit};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;

use crate::rows::BadRow;
use crate::table::{Holds, Title};

/// Cells of a row group: what is in memory at once, some 16 bytes each.
const CELLS_MAX: usize = 1 << 19;

/// A file under way.
pub(super) struct File {
    schema: SchemaRef,
    writer: Option<ArrowWriter<Vec<u8>>>,
    rows_max: usize,
}

impl fmt::Debug for File {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("File")
            .field("rows_max", &self.rows_max)
            .finish_non_exhaustive()
    }
}

impl File {
    pub(super) fn new(titles: &[Title]) -> Self {
        let fields: Vec<_> = titles.iter().map(field).collect();
        Self {
            rows_max: (CELLS_MAX / titles.len().max(1)).max(1),
            schema: Arc::new(Schema::new(fields)),
            writer: None,
        }
    }

    /// True where so many rows are enough for a row group.
    pub(super) const fn is_group(&self, rows: usize) -> bool {
        rows >= self.rows_max
    }

    /// Writes a row group, one array for each column. Words may come as a dictionary; in the file they are text.
    pub(super) fn group(
        &mut self,
        columns: Vec<ArrayRef>,
        out: &mut Vec<u8>,
    ) -> Result<(), BadRow> {
        let fields = self.schema.fields().iter().zip(&columns);
        let fields: Vec<_> = fields
            .map(|(field, array)| {
                Field::new(field.name(), array.data_type().clone(), field.is_nullable())
            })
            .collect();
        let batch = RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
            .map_err(|error| BadRow(error.to_string()))?;
        let mut writer = self.opened()?;
        writer.write(&batch).map_err(bad)?;
        writer.flush().map_err(bad)?;
        // The writer counts by itself what it has written; it never looks back.
        out.append(writer.inner_mut());
        self.writer = Some(writer);
        Ok(())
    }

    /// Writes what stands after the last group.
    pub(super) fn end(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        let writer = self.opened()?;
        out.extend(writer.into_inner().map_err(bad)?);
        Ok(())
    }

    fn opened(&mut self) -> Result<ArrowWriter<Vec<u8>>, BadRow> {
        if let Some(writer) = self.writer.take() {
            return Ok(writer);
        }
        let level = ZstdLevel::try_new(3).map_err(bad)?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(level))
            .set_created_by(concat!("zonda ", env!("CARGO_PKG_VERSION")).to_owned())
            .build();
        ArrowWriter::try_new(Vec::new(), Arc::clone(&self.schema), Some(properties)).map_err(bad)
    }
}

#[expect(
    clippy::needless_pass_by_value,
    reason = "it is what `map_err` hands over"
)]
fn bad(error: ParquetError) -> BadRow {
    BadRow(error.to_string())
}

/// Times in UTC, as they stand in the schema.
pub(super) fn times(capacity: usize) -> TimestampMicrosecondBuilder {
    TimestampMicrosecondBuilder::with_capacity(capacity).with_timezone("UTC")
}

fn field(title: &Title) -> Field {
    let data = match title.holds {
        Holds::Utc => DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())),
        Holds::Local | Holds::Offset | Holds::Text => DataType::Utf8,
        Holds::Whole => DataType::Int64,
        Holds::Number(_) | Holds::Plain => DataType::Float64,
    };
    let mut about = HashMap::new();
    if let Holds::Number(unit) = title.holds {
        about.insert("unit".to_owned(), unit.symbol().to_owned());
    }
    if let Some(channel) = &title.channel {
        about.insert("channel".to_owned(), channel.to_string());
    }
    if let Some(basis) = &title.basis {
        about.insert("basis".to_owned(), basis.clone());
    }
    Field::new(
        &title.text,
        data,
        title.holds != Holds::Utc || title.text == "to",
    )
    .with_metadata(about)
}
