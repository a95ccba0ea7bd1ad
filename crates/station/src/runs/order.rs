//! What people ask of runs: checked, written down, durable before the answer.

use std::collections::BTreeMap;

use zonda_model::run::{Begin, Finish, Illegal, Reason, State, Step, Stretch};
use zonda_model::{ChannelName, Name, RunId, Stamp};
use zonda_store::{
    ChannelId, EvaluationEntry, Event, Field, NoteEntry, ReachedEntry, RunChange, RunEntry, RunRow,
    Severity, WordEntry,
};

use super::book::{Book, OPEN_MAX, Open};
use super::check::{
    BY_MAX, NOTE_MAX, WORD_MAX, check_by, check_condition, check_text, check_words, names, pick,
};
use super::error::RunError;
use super::{Runs, words};

/// Sessions that are looked through for interruptions of a run that is cut out.
const SESSIONS_MAX: i64 = 100_000;

/// A run that is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Ask {
    /// Its name, unique among the runs that are not discarded.
    pub name: Name,
    /// The template of the configuration that it comes from.
    pub template: Option<Name>,
    /// Its channels; empty: all that are configured.
    pub channels: Vec<ChannelName>,
    /// When it begins.
    pub begin: Begin,
    /// When it ends.
    pub finish: Finish,
    /// The layout of points that it refers to.
    pub layout: Option<String>,
    /// What is said of it.
    pub words: BTreeMap<Field, String>,
    /// The evaluations asked of it: kind, and parameters as the text of a JSON object.
    pub evaluations: Vec<(String, String)>,
    /// Who asks.
    pub by: Option<String>,
}

/// A run that is cut out of what is recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Cut {
    /// Its name, unique among the runs that are not discarded.
    pub name: Name,
    /// Its channels, which need not be configured any more; empty: all that are.
    pub channels: Vec<ChannelName>,
    /// Where it begins, true UTC.
    pub from: Stamp,
    /// Where it ends, true UTC.
    pub to: Stamp,
    /// The layout of points that it refers to.
    pub layout: Option<String>,
    /// What is said of it.
    pub words: BTreeMap<Field, String>,
    /// The evaluations asked of it.
    pub evaluations: Vec<(String, String)>,
    /// Who cuts.
    pub by: Option<String>,
}

/// A run that is stopped, or called off before it began.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stop {
    /// When it ended, true UTC, where that was before now.
    pub at: Option<Stamp>,
    /// Who stops it.
    pub by: Option<String>,
    /// Why.
    pub why: String,
}

/// A note to a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Who writes it.
    pub by: String,
    /// The note.
    pub text: String,
    /// The moment that it is about, true UTC, where that is another.
    pub about: Option<Stamp>,
}

/// Runs that are discarded. Samples stay, and so does what is known of the runs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Discard {
    /// The first, and as a safeguard its name.
    pub first: (RunId, String),
    /// The last, where there is more than one: all between them that are not discarded go too.
    pub last: Option<(RunId, String)>,
    /// Who discards them.
    pub by: String,
    /// Why.
    pub why: String,
}

impl Runs {
    /// Asks for a run. One that begins now has begun when this returns.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn ask(&self, mut ask: Ask) -> Result<RunId, RunError> {
        self.refuse_stalled()?;
        if self.shared.is_alone {
            return Err(RunError::Alone);
        }
        check_words(&ask.words, ask.by.as_deref(), &ask.evaluations)?;
        ask.begin.check(&ask.finish, self.now().utc)?;
        let known = self.shared.record.channels().await?;
        let mut book = self.shared.book.lock().await;
        if book.open.len() >= OPEN_MAX {
            return Err(RunError::TooMany(OPEN_MAX));
        }
        self.refuse_taken(&book, &ask.name).await?;
        check_condition(&book, ask.begin.condition())?;
        check_condition(&book, ask.finish.condition())?;
        let configured: Vec<_> = known
            .into_iter()
            .filter(|row| book.scene.place(&row.name).is_some())
            .collect();
        let channels = pick(configured, &ask.channels)?;
        let id = book.next;
        let state = State::new(ask.begin.clone(), ask.finish.clone());
        let open = Open::new(id, ask.name.clone(), state, &book.scene)?;
        let entry = RunEntry {
            id,
            name: ask.name.clone(),
            template: ask.template.take(),
            begin: ask.begin.clone(),
            finish: ask.finish.clone(),
            layout: ask.layout.take(),
            channels: channels.iter().map(|row| row.id).collect(),
            asked: self.now().axis,
        };
        let text = words::asked(&ask, &names(&channels));
        let mut changes = self.about(entry, &ask.words, &ask.evaluations, ask.by.as_deref());
        let mut events = vec![self.event(Severity::Info, "asked", ask.name.as_str(), text)];
        book.next = RunId(id.0 + 1);
        book.named.push(ask.name.clone());
        book.open.push(open);
        if ask.begin == Begin::Now {
            let step = Step::Began(self.now().axis);
            book.take(id, step)?;
            let (change, event) = self.step(&book, id, ask.name.as_str(), step, None, "");
            changes.push(change);
            events.push(event);
        }
        self.hand_over(changes, events).await?;
        drop(book);
        self.recorder()?.flush().await?;
        Ok(id)
    }

    /// Cuts a run out of what is recorded.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn cut(&self, mut cut: Cut) -> Result<RunId, RunError> {
        self.refuse_stalled()?;
        check_words(&cut.words, cut.by.as_deref(), &cut.evaluations)?;
        if cut.from >= cut.to {
            return Err(RunError::Backwards {
                from: cut.from,
                to: cut.to,
            });
        }
        if cut.to > self.now().utc {
            return Err(RunError::Future(cut.to));
        }
        let known = self.shared.record.channels().await?;
        // What was handed over before has to be in the file to be counted.
        self.recorder()?.flush().await?;
        let stretch = self.on_axis(cut.from, cut.to).await?;
        let mut book = self.shared.book.lock().await;
        self.refuse_taken(&book, &cut.name).await?;
        let channels = if cut.channels.is_empty() {
            known
                .into_iter()
                .filter(|row| row.position.is_some())
                .collect()
        } else {
            pick(known, &cut.channels)?
        };
        let keys: Vec<_> = channels.iter().map(|row| row.id).collect();
        self.refuse_empty(&keys, stretch, &cut).await?;
        let interruptions = self.interruptions(stretch).await?;
        let id = book.next;
        let entry = RunEntry {
            id,
            name: cut.name.clone(),
            template: None,
            begin: Begin::At(cut.from),
            finish: Finish::At(cut.to),
            layout: cut.layout.take(),
            channels: keys,
            asked: self.now().axis,
        };
        let mut changes = self.about(entry, &cut.words, &cut.evaluations, cut.by.as_deref());
        let mut steps = vec![Step::Began(stretch.from)];
        steps.extend(interruptions.into_iter().map(Step::Interrupted));
        steps.push(Step::Ended(stretch.to, Reason::Cut));
        for step in steps {
            let (change, _) = self.step(&book, id, cut.name.as_str(), step, cut.by.as_deref(), "");
            changes.push(change);
        }
        let text = words::cut(&cut, &names(&channels));
        let event = self.event(Severity::Info, "cut", cut.name.as_str(), text);
        book.next = RunId(id.0 + 1);
        book.named.push(cut.name);
        self.hand_over(changes, vec![event]).await?;
        drop(book);
        self.recorder()?.flush().await?;
        Ok(id)
    }

    /// Stops a run, or calls it off before it began.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn stop(&self, id: RunId, order: Stop) -> Result<(), RunError> {
        self.refuse_stalled()?;
        check_by(order.by.as_deref())?;
        if !order.why.is_empty() {
            check_text("the reason", &order.why, WORD_MAX)?;
        }
        let now = self.now();
        if let Some(at) = order.at.filter(|at| *at > now.utc) {
            return Err(RunError::Future(at));
        }
        let at = match order.at {
            Some(at) => self.moment(at).await?,
            None => now.axis,
        };
        let row = self.row(id).await?;
        let name = row.entry.name.to_string();
        let mut book = self.shared.book.lock().await;
        if self.shared.is_alone
            && matches!(row.state, State::Running(_))
            && let Some(before) = self.shared.record.recorded_before().await?
        {
            self.catch_up(&mut book, id, before).await?;
        }
        let state = book.find(id).map(|open| open.state.clone());
        let step = match state {
            Some(State::Waiting(_)) => Step::Withdrawn,
            Some(_) => Step::Ended(at, Reason::Stopped),
            None => {
                return Err(RunError::Illegal(Illegal::State {
                    state: row.state.word(),
                    step: "stopped",
                }));
            }
        };
        book.take(id, step)?;
        let (change, event) = self.step(&book, id, &name, step, order.by.as_deref(), &order.why);
        self.hand_over(vec![change], vec![event]).await?;
        drop(book);
        Ok(self.recorder()?.flush().await?)
    }

    /// Adds a note to a run, whatever its state; it is never edited.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn note(&self, id: RunId, note: Note) -> Result<(), RunError> {
        self.refuse_stalled()?;
        check_text("the author", &note.by, BY_MAX)?;
        check_text("a note", &note.text, NOTE_MAX)?;
        let about = match note.about {
            Some(at) if at > self.now().utc => return Err(RunError::Future(at)),
            Some(at) => Some(self.moment(at).await?),
            None => None,
        };
        let name = self.row(id).await?.entry.name.to_string();
        let entry = NoteEntry {
            run: id,
            said: self.now().axis,
            about,
            by: note.by,
            text: note.text,
        };
        let offset = self.shared.axis.axis_minus_utc_us();
        let utc = |at: Stamp| Stamp::from_micros(at.micros() - offset);
        let text = words::note(&name, &entry, utc);
        let event = self.event(Severity::Info, "note", &name, text);
        self.hand_over(vec![RunChange::Note(entry)], vec![event])
            .await?;
        Ok(self.recorder()?.flush().await?)
    }

    /// Says something anew of a run; what was said before stays in the record.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn say(
        &self,
        id: RunId,
        by: &str,
        fields: BTreeMap<Field, String>,
    ) -> Result<(), RunError> {
        self.refuse_stalled()?;
        check_words(&fields, Some(by), &[])?;
        let row = self.row(id).await?;
        let name = row.entry.name.as_str();
        let (mut changes, mut events) = (Vec::new(), Vec::new());
        for (field, text) in fields {
            let was = row.words.get(&field).map_or("", String::as_str);
            if was == text {
                continue;
            }
            let said = words::changed(name, field, &text, was, &format!("by {by}"));
            events.push(self.event(Severity::Info, "changed", name, said));
            changes.push(RunChange::Word(WordEntry {
                run: id,
                said: self.now().axis,
                by: Some(by.to_owned()),
                field,
                text,
            }));
        }
        self.hand_over(changes, events).await?;
        Ok(self.recorder()?.flush().await?)
    }

    /// Asks an evaluation of a run.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn evaluate(
        &self,
        id: RunId,
        by: Option<&str>,
        (kind, parameters): (String, String),
    ) -> Result<(), RunError> {
        self.refuse_stalled()?;
        let asked = [(kind, parameters)];
        check_words(&BTreeMap::new(), by, &asked)?;
        let name = self.row(id).await?.entry.name.to_string();
        let (changes, events): (Vec<_>, Vec<_>) = asked
            .into_iter()
            .map(|(kind, parameters)| {
                let text = format!("evaluation {kind} was asked of run {name}: {parameters}");
                let event = self.event(Severity::Info, "evaluation", &name, text);
                (self.evaluation(id, by, kind, parameters), event)
            })
            .unzip();
        self.hand_over(changes, events).await?;
        Ok(self.recorder()?.flush().await?)
    }

    /// Writes down that the coverage and uncertainty asked of an evaluation are reached, with `how` to say it. It waits for no disk;
    /// of the same evaluation only the first time counts, so nobody should say it twice.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn reach(&self, id: RunId, evaluation: i64, how: &str) -> Result<(), RunError> {
        let name = self.row(id).await?.entry.name.to_string();
        let at = self.now().axis;
        let text = format!("run {name}: {how}");
        let event = self.event(Severity::Info, "evaluation_reached", &name, text);
        let entry = ReachedEntry { evaluation, at };
        self.hand_over(vec![RunChange::Reached(entry)], vec![event])
            .await
    }

    /// Discards runs. Gives their names.
    ///
    /// # Errors
    /// [`RunError`]; then nothing was done.
    pub async fn discard(&self, discard: Discard) -> Result<Vec<String>, RunError> {
        self.refuse_stalled()?;
        check_text("who discards", &discard.by, BY_MAX)?;
        check_text("the reason", &discard.why, WORD_MAX)?;
        let (first, last) = (discard.first.0, discard.last.as_ref());
        self.check_name(&discard.first).await?;
        if let Some(last) = last {
            self.check_name(last).await?;
        }
        let last = last.map_or(first, |last| last.0);
        let mut gone = Vec::new();
        let (mut changes, mut events) = (Vec::new(), Vec::new());
        let mut book = self.shared.book.lock().await;
        for id in first.0..=last.0 {
            let Some(row) = self.shared.record.run(RunId(id)).await? else {
                continue;
            };
            if matches!(row.state, State::Discarded(_)) {
                continue;
            }
            let name = row.entry.name.to_string();
            if row.state.is_open() || book.find(RunId(id)).is_some() {
                return Err(RunError::Open(name, row.state.word()));
            }
            let (by, why) = (Some(discard.by.as_str()), discard.why.as_str());
            let (change, event) = self.step(&book, RunId(id), &name, Step::Discarded, by, why);
            changes.push(change);
            events.push(event);
            gone.push(name);
        }
        if gone.is_empty() {
            return Err(RunError::Range(first.0, last.0));
        }
        book.named.retain(|name| !gone.contains(&name.to_string()));
        self.hand_over(changes, events).await?;
        // Before the next one may look whether the names are free.
        self.recorder()?.flush().await?;
        Ok(gone)
    }

    /// The run with this key.
    ///
    /// # Errors
    /// There is none.
    pub async fn row(&self, id: RunId) -> Result<RunRow, RunError> {
        let row = self.shared.record.run(id).await?;
        row.ok_or_else(|| RunError::Unknown(id.0.to_string()))
    }

    async fn check_name(&self, (id, typed): &(RunId, String)) -> Result<(), RunError> {
        let is = self.row(*id).await?.entry.name.to_string();
        if is == *typed {
            return Ok(());
        }
        Err(RunError::Name {
            id: id.0,
            is,
            typed: typed.clone(),
        })
    }

    pub(super) fn refuse_stalled(&self) -> Result<(), RunError> {
        let recorder = self.shared.recorder.as_ref().ok_or(RunError::Alone)?;
        match &recorder.recording().borrow().stalled {
            Some(stalled) => Err(RunError::Stalled(stalled.reason.clone())),
            None => Ok(()),
        }
    }

    async fn refuse_taken(&self, book: &Book, name: &Name) -> Result<(), RunError> {
        let is_taken = book.named.contains(name)
            || self.shared.record.run_named(name.as_str()).await?.is_some();
        if is_taken {
            return Err(RunError::Taken(name.to_string()));
        }
        Ok(())
    }

    async fn refuse_empty(
        &self,
        channels: &[ChannelId],
        stretch: Stretch,
        cut: &Cut,
    ) -> Result<(), RunError> {
        let record = &self.shared.record;
        if record.count_samples_of(channels, stretch).await? > 0 {
            return Ok(());
        }
        let utc = self.true_utc().await?;
        let begins = match record.extent().await? {
            Some((first, _)) => utc.of(first).to_string(),
            None => "no time yet".to_owned(),
        };
        Err(RunError::NoSamples {
            from: cut.from,
            to: cut.to,
            begins,
        })
    }

    /// Where nobody recorded within a stretch.
    async fn interruptions(&self, stretch: Stretch) -> Result<Vec<Stretch>, RunError> {
        let mut sessions = self.shared.record.sessions(SESSIONS_MAX).await?;
        sessions.reverse();
        let between = sessions.windows(2).map(|pair| Stretch {
            from: pair[0].ended.unwrap_or(pair[0].alive).max(stretch.from),
            to: pair[1].started.min(stretch.to),
        });
        Ok(between.filter(|gap| gap.from < gap.to).collect())
    }

    /// A stretch of true UTC on the axis; where the clock was stepped within it, all of what has these times.
    async fn on_axis(&self, from: Stamp, to: Stamp) -> Result<Stretch, RunError> {
        let pieces = self.true_utc().await?.stretches(from, to);
        match (pieces.first(), pieces.last()) {
            (Some(first), Some(last)) => Ok(Stretch {
                from: first.0,
                to: last.1,
            }),
            _ => Err(RunError::NoSamples {
                from,
                to,
                begins: "another time: the clock was stepped over this stretch".to_owned(),
            }),
        }
    }

    /// A moment of true UTC on the axis; of several the last one.
    async fn moment(&self, at: Stamp) -> Result<Stamp, RunError> {
        let pieces = self
            .true_utc()
            .await?
            .stretches(at, Stamp::from_micros(at.micros() + 1));
        let offset = self.shared.axis.axis_minus_utc_us();
        let now = Stamp::from_micros(at.micros() + offset);
        Ok(pieces.last().map_or(now, |piece| piece.0))
    }

    /// A run as it is asked for, with what is said and asked of it.
    fn about(
        &self,
        entry: RunEntry,
        fields: &BTreeMap<Field, String>,
        evaluations: &[(String, String)],
        by: Option<&str>,
    ) -> Vec<RunChange> {
        let (run, said) = (entry.id, entry.asked);
        let mut changes = vec![RunChange::Asked(entry)];
        changes.extend(fields.iter().map(|(field, text)| {
            RunChange::Word(WordEntry {
                run,
                said,
                by: by.map(str::to_owned),
                field: *field,
                text: text.clone(),
            })
        }));
        changes.extend(
            evaluations.iter().map(|(kind, parameters)| {
                self.evaluation(run, by, kind.clone(), parameters.clone())
            }),
        );
        changes
    }

    pub(super) fn evaluation(
        &self,
        run: RunId,
        by: Option<&str>,
        kind: String,
        parameters: String,
    ) -> RunChange {
        RunChange::Evaluation(EvaluationEntry {
            run,
            said: self.now().axis,
            by: by.map(str::to_owned),
            kind,
            parameters,
        })
    }

    pub(super) async fn hand_over(
        &self,
        changes: Vec<RunChange>,
        events: Vec<Event>,
    ) -> Result<(), RunError> {
        for event in &events {
            tracing::info!(run = event.subject, "{}", event.text);
        }
        Ok(self.recorder()?.runs(changes, events).await?)
    }
}
