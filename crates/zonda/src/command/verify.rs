//! `zonda verify`: the proof that a record is what was recorded.

use std::fmt::{self, Write as _};
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use clap::Args;
use comfy_table::{ContentArrangement, Table};
use indicatif::{HumanCount, ProgressBar, ProgressStyle};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use zonda_model::Stamp;
use zonda_model::run::Stretch;
use zonda_report::TrueUtc;
use zonda_station::correction::Ways;
use zonda_store::{Ask, ChannelRow, CutOut, Fault, Progress, Readable, Verdict};

use crate::exit::Exit;
use crate::when;

/// Prove that a record is what was recorded: nothing changed, taken out, put in or cut off since.
///
/// Every commit is sealed into a chain of hashes within the record. This makes the chain anew from
/// what the file holds and names the first places that do not hold. It also works every value out anew
/// from its code, by the mapping in force then, and every derived value from those of its inputs. A daemon may record meanwhile.
///
/// What no chain inside a file can show is an end that was cut off, or a chain that was made anew as a
/// whole. So keep the head that is printed here in another place (a report, a mail, a printout), and
/// ask for it later with --expect. docs/seal.md says exactly what is proved, byte for byte.
///
/// A run that was cut out (`zonda export --run NAME -o NAME.sqlite`) is proved in the same way, as far as its pieces of the chain
/// go; --original compares them with the chain of the record that it came from.
///
/// Exit code 1 where something does not hold.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda verify --data data\n  \
    zonda verify --data data --expect 5b1f...   (the head as it was noted: all 64 digits)\n  \
    zonda verify --data data --from '2026-11-24 22:00' --to '2026-11-25 06:00' --tz Europe/Berlin\n  \
    zonda verify --data night-1.sqlite --original data   (a run that was cut out)\n  \
    zonda verify --data data --json")]
pub(crate) struct Verify {
    /// Directory of the record, or the file of a run that was cut out of one.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// Of a run that was cut out: directory of the record that it came from, whose chain must have the same links.
    #[arg(long, value_name = "DATA", conflicts_with_all = ["from", "to"])]
    original: Option<PathBuf>,
    /// Only the samples from this time on: `2026-11-25T02:10:00Z`, or `2026-11-25 02:10` in the zone of --tz.
    #[arg(long, requires = "to")]
    from: Option<String>,
    /// Up to, and not including, this time.
    #[arg(long, requires = "from")]
    to: Option<String>,
    /// IANA name of the time zone in which --from and --to are written.
    #[arg(long, requires = "from")]
    tz: Option<String>,
    /// A head that was noted outside the record, 64 hexadecimal digits: it has to be in the chain.
    #[arg(long, value_name = "HASH", value_parser = hash)]
    expect: Option<[u8; 32]>,
    /// Only the chain; values are not worked out anew.
    #[arg(long)]
    no_values: bool,
    /// The verdict as JSON.
    #[arg(long)]
    json: bool,
}

fn hash(text: &str) -> Result<[u8; 32], String> {
    let wrong = || "a head has 64 hexadecimal digits, as `zonda verify` prints it".to_owned();
    if text.len() != 64 || !text.is_ascii() {
        return Err(wrong());
    }
    let mut hash = [0; 32];
    for (index, byte) in hash.iter_mut().enumerate() {
        let digits = &text[2 * index..2 * index + 2];
        *byte = u8::from_str_radix(digits, 16).map_err(|_| wrong())?;
    }
    Ok(hash)
}

const EVER: (Stamp, Stamp) = (Stamp::from_micros(i64::MIN), Stamp::from_micros(i64::MAX));

/// A verdict with what it takes to tell of it.
struct Told {
    verdict: Verdict,
    channels: Vec<ChannelRow>,
    utc: TrueUtc,
    took: Duration,
    cut_out: Option<CutOut>,
    /// Links that the original does not have, where it was asked.
    missing: Option<Vec<i64>>,
}

impl Verify {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(self.prove())
    }

    async fn prove(self) -> anyhow::Result<Exit> {
        let record = Readable::open(&self.data).await?;
        let begin = Instant::now();
        let utc = TrueUtc::new(record.clock().await?);
        let stretch = self.stretch(&utc)?;
        let cut_out = record.cut_out().await?;
        let missing = self.missing(&record, cut_out.as_ref()).await?;
        if cut_out.is_some() && stretch.is_some() {
            bail!("a run that was cut out is proved as a whole; leave --from and --to out");
        }
        let bar = progress()?;
        let verdict = loop {
            let before = record.corrections().await?;
            let ways = if self.no_values {
                None
            } else {
                Some(Arc::new(Ways::of(&record).await?))
            };
            let ask = Ask {
                stretch,
                expect: self.expect,
                rule: ways.clone().map(Ways::rule),
            };
            let mut verdict = record.verify(&ask, watch(&bar)).await?;
            if let Some(ways) = ways {
                let whole = cut_out.as_ref().map(|cut| {
                    let Stretch { from, to } = cut.stretch;
                    ways.whole_cells((from, to))
                });
                let stretch = whole.or(stretch).unwrap_or(EVER);
                ways.prove_derived(&record, stretch, &mut verdict).await?;
            }
            // A correction that was made meanwhile changed what follows from the codes.
            if verdict.value_count == 0 || before == record.corrections().await? {
                break verdict;
            }
        };
        bar.finish_and_clear();
        let told = Told {
            channels: record.channels().await?,
            took: begin.elapsed(),
            verdict,
            utc,
            cut_out,
            missing,
        };
        let text = if self.json {
            format!("{:#}\n", told.json())
        } else {
            told.text(&self)?
        };
        // Whoever reads may have seen enough, as `head` does; the exit code tells all the same.
        let _ = std::io::stdout().write_all(text.as_bytes());
        Ok(if told.is_well() {
            Exit::Done
        } else {
            Exit::NotWell
        })
    }

    async fn missing(
        &self,
        record: &Readable,
        cut_out: Option<&CutOut>,
    ) -> anyhow::Result<Option<Vec<i64>>> {
        let Some(original) = &self.original else {
            return Ok(None);
        };
        let Some(cut_out) = cut_out else {
            bail!(
                "{} is no run that was cut out, so there is no original to compare it with",
                self.data.display()
            );
        };
        let original = Readable::open(original).await?;
        Ok(Some(record.pieces_missing_in(&original, cut_out).await?))
    }

    /// The stretch on the record's axis.
    fn stretch(&self, utc: &TrueUtc) -> anyhow::Result<Option<(Stamp, Stamp)>> {
        let (Some(from), Some(to)) = (&self.from, &self.to) else {
            return Ok(None);
        };
        let zone = match &self.tz {
            Some(name) => {
                TimeZone::get(name).with_context(|| format!("`{name}` is not an IANA time zone"))?
            }
            None => TimeZone::UTC,
        };
        let (from, to) = (when::stamp(from, &zone)?, when::stamp(to, &zone)?);
        if from >= to {
            bail!("--from ({from}) is not before --to ({to})");
        }
        let parts = utc.stretches(from, to);
        Ok(parts
            .first()
            .zip(parts.last())
            .map(|(first, last)| (first.0, last.1)))
    }
}

fn progress() -> anyhow::Result<ProgressBar> {
    let style = ProgressStyle::with_template(
        "{bar:40} {human_pos} of {human_len} samples, {per_sec}, {eta} left",
    )?;
    Ok(ProgressBar::new(0).with_style(style))
}

fn watch(bar: &ProgressBar) -> zonda_store::Watch {
    let bar = bar.clone();
    Arc::new(move |Progress { samples, of }| {
        bar.set_length(of);
        bar.set_position(samples.min(of));
    })
}

impl Told {
    fn is_well(&self) -> bool {
        self.verdict.is_well() && self.missing.as_ref().is_none_or(Vec::is_empty)
    }

    /// What a cut-out has to say beside a record.
    fn add_cut_out(&self, table: &mut Table) {
        let Some(cut_out) = &self.cut_out else { return };
        let mut made = format!("cut out by {} at {}", cut_out.program, cut_out.made);
        if let Some(original) = cut_out.original {
            let _ = write!(made, "; its original went to link {}", original.link);
        }
        table.add_row(["run", &made]);
        let original = match &self.missing {
            None => return,
            Some(missing) if missing.is_empty() => {
                "its chain has every piece of the chain in here".to_owned()
            }
            Some(missing) => format!(
                "DOES NOT HAVE {} of the {} pieces of the chain in here, the first at link {}",
                missing.len(),
                cut_out.pieces.len(),
                missing[0]
            ),
        };
        table.add_row(["original", &original]);
    }

    /// The verdict for a person.
    fn text(&self, ask: &Verify) -> Result<String, fmt::Error> {
        let mut text = String::new();
        let Verdict {
            head,
            since,
            covered,
            unsealed,
            ..
        } = &self.verdict;
        let what = match &self.cut_out {
            Some(_) => "this run, cut out of a record,",
            None if ask.from.is_some() => "the stretch",
            None => "the record",
        };
        let data = ask.data.display();
        if self
            .cut_out
            .as_ref()
            .is_some_and(|cut| cut.pieces.is_empty())
        {
            writeln!(
                text,
                "{data}: NOTHING CAN BE PROVED of this file. It has chosen channels of a run, and the seal covers all channels\n\
                 together; cut the run out without --channels, or ask the record that it came from."
            )?;
            return Ok(text);
        }
        if self.is_well() {
            writeln!(text, "{data}: {what} is what was recorded.")?;
        } else {
            writeln!(text, "{data}: {what} DOES NOT HOLD.")?;
        }
        let mut table = bare();
        if let Some(head) = head {
            table.add_row(["head", &head.hex()]);
            let link = format!("link {}, up to {}", head.link, self.utc.of(head.at));
            table.add_row(["", &link]);
        }
        let sealed = format!(
            "{} samples, {} events, {} gaps, {} sessions, {} corrections in {} links",
            HumanCount(covered.samples),
            covered.events,
            covered.gaps,
            covered.sessions,
            covered.corrections,
            HumanCount(covered.links)
        );
        table.add_row(["sealed", &sealed]);
        self.add_cut_out(&mut table);
        if let Some(since) = since.filter(|_| *unsealed > 0) {
            let older = format!(
                "{} samples from before {}, about which the chain says nothing",
                HumanCount(*unsealed),
                self.utc.of(since)
            );
            table.add_row(["not sealed", &older]);
        }
        if !ask.no_values {
            let values = match self.verdict.value_count {
                0 => "all follow from their codes, and derived ones from their inputs".to_owned(),
                wrong => format!(
                    "{} do not follow from their codes or inputs",
                    HumanCount(wrong)
                ),
            };
            table.add_row(["values", &values]);
        }
        if let Some(noted) = self.verdict.noted {
            table.add_row(["expected", &format!("found, it is link {noted}")]);
        }
        table.add_row(["took", &format!("{:.1} s", self.took.as_secs_f64())]);
        writeln!(text, "{table}")?;
        self.add_faults(&mut text)?;
        if let (true, Some(_), None) = (self.is_well(), &self.cut_out, &ask.original) {
            text.push_str("\nWhat is in here was not changed since it was sealed. That it was sealed in the record it says it came from,\nthat record shows: ask with --original, or ask the record itself for the head, with --expect.\n");
        } else if self.is_well() && ask.expect.is_none() {
            text.push_str("\nKeep the head outside this machine: with --expect it proves later that nothing up to here\nwas changed or cut off.\n");
        }
        Ok(text)
    }

    fn add_faults(&self, text: &mut String) -> fmt::Result {
        let Verdict {
            faults,
            fault_count,
            values,
            value_count,
            ..
        } = &self.verdict;
        for (title, list, count) in [
            (
                "What does not hold, in the order of the chain:",
                faults,
                *fault_count,
            ),
            (
                "Values that do not follow from their codes or inputs:",
                values,
                *value_count,
            ),
        ] {
            if list.is_empty() {
                continue;
            }
            let mut table = bare();
            table.set_header(["link", "time (UTC)", "channel", "what"]);
            for fault in list.iter().take(20) {
                let (link, at, channel) = self.place(fault);
                let dash = || "–".to_owned();
                table.add_row([
                    link.map_or_else(dash, |link| link.to_string()),
                    at.unwrap_or_else(dash),
                    channel.unwrap_or_else(dash),
                    fault.flaw.to_string(),
                ]);
            }
            writeln!(text, "\n{title}\n{table}")?;
            let shown = list.len().min(20) as u64;
            if count > shown {
                writeln!(text, " and {} more", HumanCount(count - shown))?;
            }
        }
        Ok(())
    }

    fn place(&self, fault: &Fault) -> (Option<i64>, Option<String>, Option<String>) {
        let name = |id: zonda_store::ChannelId| {
            let row = self.channels.iter().find(|row| row.id == id);
            row.map_or_else(|| format!("channel {}", id.0), |row| row.name.to_string())
        };
        (
            fault.link,
            fault.at.map(|at| self.utc.of(at).to_string()),
            fault.channel.map(name),
        )
    }

    fn json(&self) -> Value {
        let Verdict {
            head,
            covered,
            unsealed,
            noted,
            worked_out,
            fault_count,
            value_count,
            ..
        } = &self.verdict;
        let list = |faults: &[Fault]| -> Vec<Value> {
            let one = |fault: &Fault| {
                let (link, at, channel) = self.place(fault);
                json!({ "kind": fault.flaw.word(), "link": link, "at": at, "channel": channel, "what": fault.flaw.to_string() })
            };
            faults.iter().map(one).collect()
        };
        json!({
            "well": self.is_well(),
            "cut_out": self.cut_out.as_ref().map(|cut| json!({
                "run": cut.run, "program": cut.program, "made": cut.made.to_string(), "is_sealed": !cut.pieces.is_empty(),
                "pieces": cut.pieces.len(), "missing_in_original": self.missing,
            })),
            "head": head.map(|head| json!({ "hash": head.hex(), "link": head.link, "at": self.utc.of(head.at).to_string() })),
            "expected_link": noted,
            "links": covered.links, "samples": covered.samples, "events": covered.events, "gaps": covered.gaps,
            "sessions": covered.sessions, "corrections": covered.corrections, "unsealed": unsealed, "worked_out": worked_out,
            "fault_count": fault_count, "faults": list(&self.verdict.faults),
            "value_count": value_count, "values": list(&self.verdict.values),
            "seconds": self.took.as_secs_f64(),
        })
    }
}

fn bare() -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table
}
