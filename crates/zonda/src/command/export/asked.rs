//! What the options ask for: a request to the record, or why there cannot be such a file.

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, bail};
use jiff::tz::TimeZone;
use zonda_model::{ChannelName, Period, Stamp};
use zonda_report::csv::{Dialect, Form, Zone};
use zonda_report::fit::{self, Wish, fits};
use zonda_report::grid::Cells;
use zonda_report::{Format, Layout, Request, RunFacts, Steps, TrueUtc, Units};
use zonda_store::Readable;

use super::{Export, In, Kind, Laid, Said};
use crate::when;

impl Export {
    /// What the file cannot have is refused before anything is read.
    pub(super) fn refuse_misfits(&self) -> anyhow::Result<()> {
        let kind = match self.format() {
            Kind::Csv => fit::Kind::Csv,
            Kind::Parquet => fit::Kind::Parquet,
            Kind::Xlsx => fit::Kind::Xlsx,
            Kind::Sqlite => fit::Kind::Sqlite,
        };
        let laid = match self.laid() {
            Laid::Long => fit::Laid::Long,
            Laid::Wide => fit::Laid::Wide,
            Laid::Gaps => fit::Laid::Gaps,
        };
        // A zone is also that of the times asked for.
        let reads_times = self.from.is_some() || self.to.is_some();
        fits(
            kind,
            laid,
            &[
                (Wish::Layout, &"--layout", self.layout.is_some()),
                (Wish::Grid, &"--step", self.step.is_some()),
                (Wish::Grid, &"--cells", self.cells.is_some()),
                (Wish::Units, &"--units", self.units.is_some()),
                (Wish::Units, &"--unit", !self.unit.is_empty()),
                (Wish::Zone, &"--tz", self.tz.is_some() && !reads_times),
                (Wish::DecimalComma, &"--decimal-comma", self.decimal_comma),
                (Wish::Mark, &"--bom", self.bom),
                (Wish::Preamble, &"--header", self.header),
                (Wish::Sidecars, &"--sidecars", self.sidecars),
            ],
        )?;
        Ok(())
    }

    /// How the rows are laid out.
    fn laid(&self) -> Laid {
        let default = match self.format() {
            Kind::Xlsx => Laid::Wide,
            Kind::Csv | Kind::Parquet | Kind::Sqlite => Laid::Long,
        };
        self.layout.unwrap_or(default)
    }

    pub(super) async fn request(&self, record: &Readable) -> anyhow::Result<Request> {
        let zone = self
            .tz
            .as_deref()
            .map(|name| {
                TimeZone::get(name).with_context(|| format!("`{name}` is not an IANA time zone"))
            })
            .transpose()?;
        let names = self.names()?;
        let layout = match self.laid() {
            Laid::Long => Layout::Long,
            Laid::Gaps => Layout::Gaps,
            Laid::Wide => Layout::Wide(Steps {
                every: self.step.map(Period::new).transpose().context("--step")?,
                cells: match self.cells {
                    None | Some(Said::Mean) => Cells::Mean,
                    Some(Said::Nearest) => Cells::Nearest,
                    Some(Said::Summary) => Cells::Summary,
                },
            }),
        };
        let run = match &self.run {
            Some(name) => Some(Box::new(RunFacts::named(record, name).await?)),
            None => None,
        };
        let names = match &run {
            Some(run) if names.is_empty() => {
                run.channels.iter().map(|row| row.name.clone()).collect()
            }
            _ => names,
        };
        Ok(Request {
            range: match &run {
                Some(run) => run.range,
                None => self.range(record, zone.as_ref()).await?,
            },
            run,
            channels: (!names.is_empty()).then_some(names),
            layout,
            units: match self.units {
                None | Some(In::Si) => Units::Si,
                Some(In::Configured) => Units::Configured,
                Some(In::Us) => Units::Us,
            },
            own_units: self.unit.clone(),
            format: match self.format() {
                Kind::Parquet => Format::Parquet,
                Kind::Xlsx => Format::Xlsx {
                    zone: zone.map_or(Zone::Utc, Zone::Local),
                },
                Kind::Csv | Kind::Sqlite => Format::Csv {
                    form: Form {
                        dialect: if self.decimal_comma {
                            Dialect::Semicolon
                        } else {
                            Dialect::Comma
                        },
                        zone: zone.map_or(Zone::Utc, Zone::Local),
                    },
                    mark: self.bom,
                    preamble: self.header,
                },
            },
        })
    }

    pub(super) fn names(&self) -> anyhow::Result<Vec<ChannelName>> {
        let names = self.channels.iter().map(|name| {
            let name = name.trim();
            name.parse()
                .with_context(|| format!("--channels: `{name}`"))
        });
        names.collect()
    }

    pub(super) fn format(&self) -> Kind {
        let ending = self.output.as_deref().and_then(Path::extension);
        let by_name = match ending.and_then(|ending| ending.to_str()) {
            Some("parquet") => Kind::Parquet,
            Some("xlsx") => Kind::Xlsx,
            Some("sqlite") => Kind::Sqlite,
            _ => Kind::Csv,
        };
        self.format.unwrap_or(by_name)
    }

    /// The stretch asked for, in true UTC.
    async fn range(
        &self,
        record: &Readable,
        zone: Option<&TimeZone>,
    ) -> anyhow::Result<(Stamp, Stamp)> {
        let zone = zone.cloned().unwrap_or(TimeZone::UTC);
        let read = |text: &Option<String>| {
            text.as_deref()
                .map(|text| when::stamp(text, &zone))
                .transpose()
        };
        let utc = TrueUtc::new(record.clock().await?);
        let (first, last) = record
            .extent()
            .await?
            .map_or_else(Default::default, |(first, last)| {
                (utc.of(first), utc.of(last))
            });
        let end = last.plus(Duration::from_micros(1));
        let to = read(&self.to)?.unwrap_or(end);
        let from = match self.last {
            Some(span) => to.minus(span),
            None => read(&self.from)?.unwrap_or(first),
        };
        if from > to {
            bail!("--from ({from}) is after --to ({to})");
        }
        Ok((from, to))
    }
}
