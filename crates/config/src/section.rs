//! Reading one table of the file: every key is asked for by name, and what is wrong is noted without stopping.

use std::borrow::Cow;
use std::fmt::Display;
use std::ops::Range;
use std::str::FromStr;
use std::time::Duration;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::fault::Fault;
use crate::keys::{Key, Kind};

/// A value with its place in the text.
#[derive(Clone, Debug)]
pub(crate) struct At<T> {
    pub(crate) value: T,
    pub(crate) span: Range<usize>,
}

/// One table whose keys have been checked against the list of keys it may have.
pub(crate) struct Section<'t, 'i> {
    table: &'t DeTable<'i>,
    /// The place of the table's name, or of the table itself.
    pub(crate) span: Range<usize>,
    keys: &'static [Key],
    /// Keys that seem to be there under a wrong name.
    misspelt: Vec<&'static str>,
}

impl<'t, 'i> Section<'t, 'i> {
    /// Opens a table: unknown keys and values of the wrong kind become faults, missing ones too.
    pub(crate) fn open(
        table: &'t DeTable<'i>,
        span: Range<usize>,
        keys: &'static [Key],
        faults: &mut Vec<Fault>,
    ) -> Self {
        let known: Vec<&'static str> = keys.iter().map(|key| key.name).collect();
        let mut misspelt = Vec::new();
        for (name, value) in table {
            if let Some(key) = keys.iter().find(|key| key.name == name.get_ref()) {
                check_kind(key, value, faults);
            } else {
                faults.push(unknown(name, "key", &known));
                misspelt.extend(nearest(name.get_ref(), &known));
            }
        }
        let is_there = |key: &Key| table.contains_key(key.name) || misspelt.contains(&key.name);
        for key in keys.iter().filter(|key| key.required && !is_there(key)) {
            let missing = format!("`{}` is missing: {}", key.name, key.about);
            faults.push(Fault::new(span.clone(), missing).help(key.such_as()));
        }
        Self {
            table,
            span,
            keys,
            misspelt,
        }
    }

    /// Whether a key may only seem to be missing, because it is there under a wrong name.
    pub(crate) fn is_misspelt(&self) -> bool {
        !self.misspelt.is_empty()
    }

    fn get(&self, name: &str) -> Option<&'t Spanned<DeValue<'i>>> {
        debug_assert!(
            self.keys.iter().any(|key| key.name == name),
            "`{name}` is not in the list of keys"
        );
        self.table.get(name)
    }

    pub(crate) fn has(&self, name: &str) -> bool {
        self.get(name).is_some()
    }

    /// The place of a key's value, or of the whole table where it is missing.
    pub(crate) fn place(&self, name: &str) -> Range<usize> {
        self.get(name).map_or(self.span.clone(), Spanned::span)
    }

    pub(crate) fn text(&self, name: &str) -> Option<At<&'t str>> {
        self.get(name).and_then(text_of)
    }

    /// Whether a key is there and is a table.
    pub(crate) fn is_table(&self, name: &str) -> bool {
        self.get(name)
            .is_some_and(|value| value.get_ref().is_table())
    }

    /// The text `input` of a table inside this one, before that is opened.
    pub(crate) fn input_of(&self, name: &str) -> Option<&'t str> {
        let inner = self.get(name)?.get_ref().as_table()?;
        inner.get("input")?.get_ref().as_str()
    }

    /// A number within bounds.
    pub(crate) fn number(
        &self,
        name: &str,
        (least, most): (f64, f64),
        faults: &mut Vec<Fault>,
    ) -> Option<f64> {
        let value = self.get(name)?;
        let number = number_of(value.get_ref())?;
        if (least..=most).contains(&number) {
            return Some(number);
        }
        faults.push(Fault::new(
            value.span(),
            format!("`{name}` must be between {least} and {most}"),
        ));
        None
    }

    /// A list of numbers; what else is in it was refused when the table was opened.
    pub(crate) fn numbers(&self, name: &str) -> Option<Vec<f64>> {
        let list = self.get(name)?.get_ref().as_array()?;
        list.iter().map(|item| number_of(item.get_ref())).collect()
    }

    pub(crate) fn flag(&self, name: &str) -> bool {
        self.get(name)
            .and_then(|value| value.get_ref().as_bool())
            .unwrap_or(false)
    }

    /// A whole number within bounds.
    pub(crate) fn whole<T: TryFrom<i64> + Display + Copy + PartialOrd>(
        &self,
        name: &str,
        least: T,
        most: T,
        faults: &mut Vec<Fault>,
    ) -> Option<T> {
        let value = self.get(name)?;
        let digits = value.get_ref().as_integer()?;
        let number = i64::from_str_radix(digits.as_str(), digits.radix())
            .ok()
            .and_then(|number| T::try_from(number).ok());
        match number {
            Some(number) if number >= least && number <= most => Some(number),
            _ => {
                faults.push(Fault::new(
                    value.span(),
                    format!("`{name}` must be between {least} and {most}"),
                ));
                None
            }
        }
    }

    /// A text that `T` reads.
    pub(crate) fn parsed<T: FromStr<Err: Display>>(
        &self,
        name: &str,
        faults: &mut Vec<Fault>,
    ) -> Option<At<T>> {
        self.read(
            name,
            |text| text.parse::<T>().map_err(|error| error.to_string()),
            faults,
        )
    }

    /// A text that `read` turns into a value, or into a sentence.
    pub(crate) fn read<T>(
        &self,
        name: &str,
        read: impl FnOnce(&str) -> Result<T, String>,
        faults: &mut Vec<Fault>,
    ) -> Option<At<T>> {
        let text = self.text(name)?;
        match read(text.value) {
            Ok(value) => Some(At {
                value,
                span: text.span,
            }),
            Err(what) => {
                let shows_how = what.contains("such as");
                let fault = Fault::new(text.span, what);
                faults.push(if shows_how {
                    fault
                } else {
                    fault.help(self.example(name))
                });
                None
            }
        }
    }

    /// A length of time such as `250 ms`, within bounds.
    pub(crate) fn duration(
        &self,
        name: &str,
        bounds: (Duration, Duration),
        faults: &mut Vec<Fault>,
    ) -> Option<At<Duration>> {
        let read = |text: &str| {
            let (least, most) = bounds;
            let span = text
                .parse::<jiff::SignedDuration>()
                .map_err(|_| format!("`{text}` is not a length of time"))?;
            match Duration::try_from(span) {
                Ok(span) if span >= least && span <= most => Ok(span),
                _ => Err(format!(
                    "`{name}` must be between {} and {}",
                    spelled(least),
                    spelled(most)
                )),
            }
        };
        self.read(name, read, faults)
    }

    /// A list of texts; what else is in it was refused when the table was opened.
    pub(crate) fn texts(&self, name: &str) -> Option<Vec<At<&'t str>>> {
        let list = self.get(name)?.get_ref().as_array()?;
        Some(list.iter().filter_map(text_of).collect())
    }

    /// A table inside this one.
    pub(crate) fn inner(&self, name: &str, faults: &mut Vec<Fault>) -> Option<Section<'t, 'i>> {
        let Kind::Table(keys) = self.keys.iter().find(|key| key.name == name)?.kind else {
            return None;
        };
        let value = self.get(name)?;
        Some(Section::open(
            value.get_ref().as_table()?,
            value.span(),
            keys,
            faults,
        ))
    }

    /// The pairs of a table whose keys are free, in the order of the file.
    pub(crate) fn pairs(&self, name: &str) -> Vec<(At<&'t str>, At<&'t str>)> {
        let table = self.get(name).and_then(|value| value.get_ref().as_table());
        let pair = |(key, value): (&'t Spanned<Cow<'i, str>>, _)| {
            let key = At {
                value: key.get_ref().as_ref(),
                span: key.span(),
            };
            Some((key, text_of(value)?))
        };
        let mut pairs: Vec<_> = table.into_iter().flatten().filter_map(pair).collect();
        pairs.sort_by_key(|(key, _)| key.span.start);
        pairs
    }

    /// Refuses those of `keys` that are there: beside what else the table says they say nothing.
    pub(crate) fn refuse(&self, keys: &[&str], why: &str, help: &str, faults: &mut Vec<Fault>) {
        for key in keys.iter().filter(|key| self.has(key)) {
            let what = format!("`{key}` {why}");
            faults.push(Fault::new(self.place(key), what).help(help));
        }
    }

    /// How the key would be right.
    pub(crate) fn example(&self, name: &str) -> String {
        let key = self.keys.iter().find(|key| key.name == name);
        key.map_or_else(String::new, Key::such_as)
    }
}

/// A whole or decimal number, as a double.
fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        DeValue::Integer(integer) => {
            let whole = i64::from_str_radix(integer.as_str(), integer.radix()).ok()?;
            // Through its digits: what a double cannot hold exactly is rounded, not wrapped.
            whole.to_string().parse().ok()
        }
        _ => None,
    }
}

fn text_of<'t>(value: &'t Spanned<DeValue<'_>>) -> Option<At<&'t str>> {
    Some(At {
        value: value.get_ref().as_str()?,
        span: value.span(),
    })
}

/// A length of time as the file would have it: `250 ms`, `1.5 s`, `24 h`.
pub(crate) fn spelled(span: Duration) -> String {
    let hours = span.as_secs() / 3600;
    if hours > 0 && span == Duration::from_hours(hours) {
        format!("{hours} h")
    } else if span < Duration::from_secs(1) {
        let micros = (span.as_secs_f64() * 1e6).round();
        format!("{} ms", micros / 1e3)
    } else {
        format!("{} s", span.as_secs_f64())
    }
}

fn check_kind(key: &Key, value: &Spanned<DeValue<'_>>, faults: &mut Vec<Fault>) {
    let found = value.get_ref();
    let fits = match key.kind {
        Kind::Text | Kind::Amount => found.is_str(),
        Kind::Whole => found.is_integer(),
        Kind::Flag => found.is_bool(),
        Kind::Number => found.is_integer() || found.is_float(),
        Kind::Texts | Kind::Numbers => found.is_array(),
        Kind::Table(_) | Kind::Pairs => found.is_table(),
    };
    if fits {
        return check_items(key, found, faults);
    }
    let hint = match (key.kind, found) {
        (Kind::Amount, DeValue::Integer(_) | DeValue::Float(_)) => {
            "write the number with its unit in quotation marks, "
        }
        _ => "",
    };
    let what = format!(
        "`{}` must be {}, found {}",
        key.name,
        key.kind.noun(),
        noun_of(found)
    );
    faults.push(Fault::new(value.span(), what).help(format!("{hint}{}", key.such_as())));
}

/// What is in a list or in a table with free keys.
fn check_items(key: &Key, found: &DeValue<'_>, faults: &mut Vec<Fault>) {
    let items: Vec<_> = match (key.kind, found) {
        (Kind::Texts | Kind::Numbers, DeValue::Array(list)) => list.iter().collect(),
        (Kind::Pairs, DeValue::Table(table)) => table.values().collect(),
        _ => return,
    };
    let is_of_numbers = matches!(key.kind, Kind::Numbers);
    let fits = |value: &DeValue<'_>| {
        if is_of_numbers {
            number_of(value).is_some()
        } else {
            value.is_str()
        }
    };
    let wanted = if is_of_numbers {
        "a number"
    } else {
        "a text in quotation marks"
    };
    for item in items.iter().filter(|item| !fits(item.get_ref())) {
        let what = format!("expected {wanted}, found {}", noun_of(item.get_ref()));
        faults.push(Fault::new(item.span(), what).help(key.such_as()));
    }
}

fn noun_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// A key or table that is not known, with the nearest one that is.
pub(crate) fn unknown(name: &Spanned<Cow<'_, str>>, noun: &str, known: &[&str]) -> Fault {
    let what = format!("`{}` is not a {noun} known here", name.get_ref());
    let help = match nearest(name.get_ref(), known) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("known here: {}", known.join(", ")),
    };
    Fault::new(name.span(), what).help(help)
}

/// The known word that was meant, most likely.
fn nearest<'k>(name: &str, known: &[&'k str]) -> Option<&'k str> {
    let likeness = |word: &str| strsim::jaro_winkler(word, name);
    let near = known
        .iter()
        .max_by(|a, b| likeness(a).total_cmp(&likeness(b)))?;
    (likeness(near) > LIKENESS_MIN).then_some(near)
}

/// Above it, a word is taken for a slip of the pen (tried on slips of our own, no source).
const LIKENESS_MIN: f64 = 0.75;
