//! The terms of a law: channels and numbers, and what is to be said where they do not fit.

use std::ops::Range;
use std::str::FromStr;

use zonda_air::Length;
use zonda_air::law::Term;
use zonda_model::written::{Amount, BadWriting};
use zonda_model::{ChannelName, Quantity, Unit};

use super::reader::Reader;
use super::{DERIVED, Known};
use crate::fault::{Fault, note};
use crate::section::At;

impl Reader<'_, '_, '_> {
    /// What the law does not read says nothing, and is refused.
    pub(super) fn only(&mut self, one: &[&str], two: &[&str], three: &[&str]) {
        let read = |key: &&str| {
            ["law", "unit"].contains(key) || [one, two, three].iter().any(|keys| keys.contains(key))
        };
        let others: Vec<&str> = DERIVED
            .iter()
            .map(|key| key.name)
            .filter(|key| !read(key))
            .collect();
        self.section.refuse(
            &others,
            "says nothing beside this law",
            "leave it out, or name another `law`",
            self.faults,
        );
    }

    pub(super) fn needs(&mut self, key: &str) -> Option<()> {
        if self.section.has(key) {
            return Some(());
        }
        let what = format!("this law needs `{key}`");
        let key = DERIVED.iter().find(|known| known.name == key);
        let fault = Fault::new(self.section.span.clone(), what);
        self.faults.push(match key {
            Some(key) => fault.help(key.such_as()),
            None => fault,
        });
        None
    }

    pub(super) fn length(&mut self, key: &str) -> Option<Length> {
        let at = self.section.parsed::<Amount>(key, self.faults)?;
        note(
            Length::new(at.value.value, at.value.unit),
            &at.span,
            self.faults,
        )
    }

    pub(super) fn find(&self, name: &str) -> Option<usize> {
        self.known
            .iter()
            .position(|known| known.name.as_str() == name)
    }

    /// A channel of a quantity, or a number with its unit.
    pub(super) fn term(&mut self, key: &str, quantity: Quantity) -> Option<Term> {
        self.needs(key)?;
        let text = self.section.text(key)?;
        if let Some(index) = self.find(text.value) {
            return self.input(index, quantity, &text.span);
        }
        let amount = Amount::from_str(text.value);
        let looks_like_name = text.value.parse::<ChannelName>().is_ok();
        match amount {
            Ok(amount) => note(amount.si(quantity), &text.span, self.faults).map(Term::Fixed),
            Err(error) if looks_like_name && !matches!(error, BadWriting::UnitMissing(_)) => {
                self.no_channel(&text);
                None
            }
            Err(error) => {
                let what = format!("`{}` is no channel and no amount: {error}", text.value);
                self.faults
                    .push(Fault::new(text.span, what).help(self.section.example(key)));
                None
            }
        }
    }

    pub(super) fn no_channel(&mut self, text: &At<&str>) {
        if self.is_whole {
            let what = format!("there is no channel `{}`", text.value);
            self.faults.push(
                Fault::new(text.span.clone(), what)
                    .help("name a channel of this file, or a derived one that stands above"),
            );
        }
    }

    pub(super) fn input(
        &mut self,
        index: usize,
        quantity: Quantity,
        span: &Range<usize>,
    ) -> Option<Term> {
        let found = &self.known[index];
        let is_alike = found.quantity == quantity
            || (quantity == Quantity::Humidity && found.quantity == Quantity::Ratio);
        if !is_alike {
            let what = format!(
                "`{}` reads {}, expected {quantity}",
                found.name, found.quantity
            );
            self.faults.push(Fault::new(span.clone(), what));
            return None;
        }
        Some(self.place(index))
    }

    /// The term of a channel; one that is used twice is one input.
    pub(super) fn place(&mut self, index: usize) -> Term {
        let found = self.inputs.iter().position(|input| *input == index);
        Term::Input(found.unwrap_or_else(|| {
            self.inputs.push(index);
            self.inputs.len() - 1
        }))
    }

    pub(super) fn members(&mut self, least: usize) -> Option<(Vec<Term>, Known)> {
        self.only(&["of"], &[], &[]);
        self.needs("of")?;
        let texts = self.section.texts("of")?;
        if texts.len() < least {
            let what = format!("this law needs at least {least} channels");
            self.faults.push(Fault::new(self.section.place("of"), what));
            return None;
        }
        let mut terms = Vec::new();
        let mut first: Option<Known> = None;
        for text in texts {
            let Some(index) = self.find(text.value) else {
                self.no_channel(&text);
                return None;
            };
            let member = self.known[index].clone();
            let first = first.get_or_insert_with(|| member.clone());
            if let Some(what) = apart(first, &member) {
                self.faults.push(
                    Fault::new(text.span, what).help("a group is of one quantity and one basis"),
                );
                return None;
            }
            let term = self.place(index);
            if terms.contains(&term) {
                let what = format!("`{}` stands here twice", text.value);
                self.faults
                    .push(Fault::new(text.span, what).help("name each channel once"));
                return None;
            }
            terms.push(term);
        }
        first.map(|known| (terms, known))
    }

    pub(super) fn unit(&mut self, quantity: Quantity, natural: Option<Unit>) -> Option<Unit> {
        let Some(unit) = self.section.parsed::<Unit>("unit", self.faults) else {
            let is_there = self.section.has("unit");
            return (!is_there).then(|| natural.unwrap_or(quantity.si()));
        };
        if quantity.accepts(unit.value) {
            return Some(unit.value);
        }
        let what = format!(
            "{} is a unit of {}, expected a unit of {quantity} such as {}",
            unit.value,
            unit.value.quantity(),
            quantity.si()
        );
        self.faults.push(Fault::new(unit.span, what));
        None
    }
}

/// Why two channels cannot be of one group.
fn apart(first: &Known, other: &Known) -> Option<String> {
    if first.quantity != other.quantity {
        return Some(format!(
            "`{}` reads {}, but `{}` reads {}",
            other.name, other.quantity, first.name, first.quantity
        ));
    }
    let agree = match (first.basis, other.basis) {
        (Some(one), Some(two)) => one.agrees_with(two),
        (None, None) => true,
        // What a meter's own velocity is one of nobody has said.
        _ => false,
    };
    (!agree).then(|| {
        let say = |known: &Known| {
            known
                .basis
                .map_or("as its meter shows it".to_owned(), |basis| {
                    basis.to_string()
                })
        };
        format!(
            "`{}` is {}, but `{}` is {}",
            other.name,
            say(other),
            first.name,
            say(first)
        )
    })
}
