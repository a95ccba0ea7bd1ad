//! The small sheets: what the run was, its course, what is missing, what happened, with what.

use rust_xlsxwriter::{Worksheet, XlsxError};
use zonda_config::{CertificatePlan, Config, MeterPlan, check_revision};
use zonda_model::run::Stretch;
use zonda_model::{ChannelName, Quality, Stamp};
use zonda_store::{ChannelRow, Field};

use super::{Line, Looks, head, name, serial};
use crate::dossier::{Account, Dossier};
use crate::table::Column;

/// What the sheets are made of.
pub(super) struct Sheets<'a> {
    pub(super) dossier: &'a Dossier,
    pub(super) columns: &'a [Column],
    pub(super) looks: &'a Looks,
}

impl<'a> Sheets<'a> {
    fn sheet(&self, word: &str) -> Result<Worksheet, XlsxError> {
        let mut sheet = Worksheet::new();
        name(&mut sheet, word, self.dossier.is_simulated)?;
        Ok(sheet)
    }

    pub(super) fn table(&self, word: &str, titles: &[&str]) -> Result<Worksheet, XlsxError> {
        let mut sheet = self.sheet(word)?;
        head(&mut sheet, 0, titles, self.looks)?;
        sheet.set_freeze_panes(1, 0)?;
        Ok(sheet)
    }

    pub(super) fn line<'s>(&'s self, sheet: &'s mut Worksheet, row: u32) -> Line<'s> {
        Line {
            sheet,
            looks: self.looks,
            row,
            column: 0,
        }
    }

    fn utc(&self, at: Stamp) -> f64 {
        serial(self.dossier.utc.of(at))
    }

    /// Where a column's channel stands in the dossier.
    fn place(&self, name: &ChannelName) -> Option<usize> {
        let mut channels = self.dossier.run.channels.iter();
        channels.position(|row| row.name == *name)
    }

    /// The columns with the row and the account of their channels.
    fn accounts(&self) -> impl Iterator<Item = (&'a Column, &'a ChannelRow, &'a Account)> {
        let (dossier, columns) = (self.dossier, self.columns);
        columns.iter().filter_map(move |column| {
            let mut channels = dossier.run.channels.iter();
            let place = channels.position(|row| row.name == column.name)?;
            Some((
                column,
                &dossier.run.channels[place],
                dossier.accounts.get(place)?,
            ))
        })
    }

    /// What the run was, and what each channel held.
    pub(super) fn summary(&self) -> Result<Worksheet, XlsxError> {
        let mut sheet = self.sheet("summary")?;
        let mut row = self.facts(&mut sheet)?;
        let titles = [
            "channel",
            "quantity",
            "unit",
            "samples",
            "used",
            "mean",
            "standard deviation",
            "min",
            "max",
            "missed",
            "flagged",
        ];
        head(&mut sheet, row, &titles, self.looks)?;
        for (column, channel, account) in self.accounts() {
            row += 1;
            let unit = column.unit;
            let mut line = self.line(&mut sheet, row);
            line.text(channel.name.as_str())?;
            line.text(channel.quantity.word())?;
            line.text(unit.symbol())?;
            line.number(Some(float(account.samples)))?;
            line.number(Some(float(account.used)))?;
            line.number(account.mean.map(|mean| unit.from_si(mean)))?;
            line.number(account.sd.map(|sd| unit.difference_from_si(sd)))?;
            line.number(account.min.map(|min| unit.from_si(min)))?;
            line.number(account.max.map(|max| unit.from_si(max)))?;
            line.number(Some(float(account.missed)))?;
            line.text(&flags(account))?;
        }
        sheet.set_column_width(0, 34)?;
        Ok(sheet)
    }

    /// Facts above the table; gives the row below them.
    fn facts(&self, sheet: &mut Worksheet) -> Result<u32, XlsxError> {
        let run = &self.dossier.run;
        let mut row = 0;
        if self.dossier.is_simulated {
            sheet.write_string_with_format(0, 0, crate::origin::SIMULATED, &self.looks.loud)?;
            row += 1;
        }
        let mut facts = vec![("run", run.name().to_owned())];
        for field in Field::ALL {
            facts.extend(run.word(field).map(|word| (field.word(), word.to_owned())));
        }
        for (word, text) in facts {
            self.fact(sheet, &mut row, word, |line| line.text(&text))?;
        }
        for (word, at) in [("from [UTC]", run.range.0), ("up to [UTC]", run.range.1)] {
            self.fact(sheet, &mut row, word, |line| line.stamp(Some(serial(at))))?;
        }
        for Stretch { from, to } in run.row.state.interruptions() {
            let words = format!(
                "{} to {}",
                self.dossier.utc.of(*from),
                self.dossier.utc.of(*to)
            );
            self.fact(sheet, &mut row, "interrupted", |line| line.text(&words))?;
        }
        for note in &run.notes {
            let at = self.dossier.utc.of(note.about.unwrap_or(note.said));
            let words = format!("{at}, {}: {}", note.by, note.text);
            self.fact(sheet, &mut row, "note", |line| line.text(&words))?;
        }
        let seal = self.dossier.seal.as_ref();
        let seal = seal.map(|seal| format!("link {}, {}", seal.link, seal.hex()));
        for (word, text) in [
            ("recorded by", Some(self.dossier.recorded_by())),
            ("configuration", run.config().map(str::to_owned)),
            ("seal", seal),
        ] {
            if let Some(text) = text {
                self.fact(sheet, &mut row, word, |line| line.text(&text))?;
            }
        }
        for words in &self.dossier.left_out {
            self.fact(sheet, &mut row, "left out", |line| line.text(words))?;
        }
        Ok(row + 1)
    }

    fn fact(
        &self,
        sheet: &mut Worksheet,
        row: &mut u32,
        word: &str,
        write: impl FnOnce(&mut Line<'_>) -> Result<(), XlsxError>,
    ) -> Result<(), XlsxError> {
        let mut line = self.line(sheet, *row);
        line.text(word)?;
        *row += 1;
        write(&mut line)
    }

    /// The course of each channel, coarse enough for charts.
    pub(super) fn course(&self) -> Result<Worksheet, XlsxError> {
        let titles: Vec<_> = self.columns.iter().map(Column::heading).collect();
        let mut heading = vec!["time [UTC]"];
        heading.extend(titles.iter().map(String::as_str));
        let mut sheet = self.table("course", &heading)?;
        let history = &self.dossier.history;
        let places: Vec<_> = self
            .columns
            .iter()
            .map(|column| self.place(&column.name))
            .collect();
        for (index, row) in (0..history.grid.count).zip(1..) {
            let offset = history.grid.step_us * i64::try_from(index).unwrap_or(0);
            let at = Stamp::from_micros(history.grid.from.micros() + offset);
            let utc = self.utc(at);
            let mut line = self.line(&mut sheet, row);
            line.stamp(Some(utc))?;
            for (column, place) in self.columns.iter().zip(&places) {
                let bucket =
                    place.and_then(|place| history.channels.get(place)?.get(index)?.as_ref());
                let mean = bucket.and_then(|bucket| bucket.mean);
                line.number(mean.map(|mean| column.unit.from_si(mean)))?;
            }
        }
        Ok(sheet)
    }

    /// What is missing, and why.
    pub(super) fn gaps(&self) -> Result<Worksheet, XlsxError> {
        let titles = [
            "channel",
            "from [UTC]",
            "up to [UTC]",
            "cause",
            "missed",
            "detail",
        ];
        let mut sheet = self.table("gaps", &titles)?;
        for (gap, row) in self.dossier.gaps.iter().zip(1..) {
            let (from, to) = (self.utc(gap.from), gap.to.map(|to| self.utc(to)));
            let mut line = self.line(&mut sheet, row);
            line.text(self.dossier.name_of(gap.channel))?;
            line.stamp(Some(from))?;
            line.stamp(to)?;
            line.text(gap.cause.word())?;
            line.number(Some(float(gap.missed)))?;
            line.text(&gap.detail)?;
        }
        Ok(sheet)
    }

    /// What happened.
    pub(super) fn events(&self) -> Result<Worksheet, XlsxError> {
        let titles = ["time [UTC]", "severity", "kind", "subject", "text"];
        let mut sheet = self.table("events", &titles)?;
        for (event, row) in self.dossier.events.iter().zip(1..) {
            let at = self.utc(event.at);
            let mut line = self.line(&mut sheet, row);
            line.stamp(Some(at))?;
            for text in [&event.severity, &event.kind, &event.subject, &event.text] {
                line.text(text)?;
            }
        }
        Ok(sheet)
    }

    /// With what each channel was measured, and how its codes became values: a row for each mapping.
    pub(super) fn instruments(&self) -> Result<Worksheet, XlsxError> {
        let titles = [
            "channel",
            "quantity",
            "tick [s]",
            "meter",
            "serial number",
            "probe's number",
            "certificate",
            "laboratory",
            "calibrated",
            "due",
            "mapping",
            "since [UTC]",
            "configuration",
            "mapping in full",
        ];
        let mut sheet = self.table("instruments", &titles)?;
        let revision = self.dossier.revision.as_ref();
        let config = revision.and_then(|row| check_revision(&row.text).ok());
        let config = config.map(|checked| checked.config);
        let mut row = 0;
        for channel in &self.dossier.run.channels {
            let device = config
                .as_ref()
                .map(|config| Device::of(&channel.name, config))
                .unwrap_or_default();
            let own = self.dossier.mappings.iter();
            for mapping in own.filter(|mapping| mapping.channel == channel.id) {
                row += 1;
                let since = self.utc(mapping.since);
                let mut line = self.line(&mut sheet, row);
                line.text(channel.name.as_str())?;
                line.text(channel.quantity.word())?;
                line.number(Some(Stamp::from_micros(channel.period_us).seconds()))?;
                device.write(&mut line)?;
                line.number(Some(float(mapping.version)))?;
                line.stamp(Some(since))?;
                line.text(&mapping.config)?;
                line.text(&mapping.text)?;
            }
        }
        Ok(sheet)
    }
}

/// What the configuration says of a channel's meter and its certificate.
#[derive(Default)]
struct Device<'a> {
    meter: Option<&'a MeterPlan>,
    certificate: Option<&'a CertificatePlan>,
}

impl<'a> Device<'a> {
    fn of(name: &ChannelName, config: &'a Config) -> Self {
        let plan = config.channels.iter().find(|plan| plan.name == *name);
        let meter = plan.and_then(|plan| config.meters.get(plan.meter?));
        let certificate = plan.and_then(|plan| config.certificates.get(plan.certificate?));
        Self { meter, certificate }
    }

    /// Seven cells.
    fn write(&self, line: &mut Line<'_>) -> Result<(), XlsxError> {
        let meter = self.meter;
        let certificate = self.certificate.map(|plan| plan.certificate.heading());
        line.text(meter.map_or("", |meter| meter.name.as_str()))?;
        line.text(
            meter
                .and_then(|meter| meter.serial.as_deref())
                .unwrap_or(""),
        )?;
        line.text(
            meter
                .and_then(|meter| meter.probe_number.as_deref())
                .unwrap_or(""),
        )?;
        line.text(certificate.map_or("", |heading| &heading.number))?;
        line.text(certificate.map_or("", |heading| &heading.laboratory))?;
        line.day(certificate.map(|heading| heading.date))?;
        line.day(certificate.map(|heading| heading.due))
    }
}

/// `720 late, 3 stuck short`.
fn flags(account: &Account) -> String {
    let said = account.flagged.iter().map(|flagged| {
        let words: Vec<_> = quality_words(flagged.quality);
        format!("{} {}", flagged.count, words.join(" "))
    });
    said.collect::<Vec<_>>().join(", ")
}

fn quality_words(quality: Quality) -> Vec<String> {
    quality.words().collect()
}

#[expect(clippy::cast_precision_loss, reason = "a count")]
fn float(count: i64) -> f64 {
    count as f64
}
