//! Results as tables: what is asked of several channels alike stands under each other, all else line by line.

use zonda_assess::{Figure, Outcome};

use super::{of_figure, words};
use crate::document::{Said, Table};

/// More columns than these are not read across a page.
const ACROSS_MAX: usize = 6;
/// More letters than these do not fit beside each other on paper; what has a time then stands by itself.
const LETTERS_MAX: usize = 110;

/// The tables of an outcome's results.
pub(super) fn tables(outcome: &Outcome) -> Vec<Table> {
    let subjects = subjects(outcome);
    let names = names_of_each(outcome, &subjects);
    if subjects.len() < 2 || names.is_empty() || names.len() > ACROSS_MAX {
        let all: Vec<_> = outcome.results.iter().collect();
        return vec![listed(outcome, &all)];
    }
    let is_across = |figure: &&Figure| {
        figure.of.is_some() && names.contains(&figure.name.as_str()) && figure.note.is_none()
    };
    let (across, alone): (Vec<_>, Vec<_>) = outcome.results.iter().partition(is_across);
    let mut tables = Vec::new();
    if !alone.is_empty() {
        tables.push(listed(outcome, &alone));
    }
    let whole = crossed(outcome, &subjects, &names, &across);
    let is_timed = |name: &&str| {
        let mut own = across.iter().filter(|figure| figure.name == *name);
        own.any(|figure| figure.at.is_some())
    };
    let (timed, plain): (Vec<&str>, Vec<&str>) = names.iter().partition(|name| is_timed(name));
    if letters(&whole) <= LETTERS_MAX || timed.is_empty() || plain.is_empty() {
        tables.push(whole);
    } else {
        tables.push(crossed(outcome, &subjects, &plain, &across));
        tables.push(crossed(outcome, &subjects, &timed, &across));
    }
    tables
}

/// How many letters stand side by side in a table, each column as wide as its longest cell.
fn letters(table: &Table) -> usize {
    let columns = table.columns.iter().enumerate();
    let widest = columns.map(|(at, column)| {
        let cells = table.rows.iter().filter_map(|row| match row.get(at) {
            Some(Said::Text(text)) => Some(text.chars().count()),
            _ => None,
        });
        cells.chain([column.heading.chars().count()]).max()
    });
    widest.flatten().sum()
}

/// What results are of, in their order.
fn subjects(outcome: &Outcome) -> Vec<&str> {
    let mut subjects: Vec<&str> = Vec::new();
    for of in outcome
        .results
        .iter()
        .filter_map(|figure| figure.of.as_deref())
    {
        if !subjects.contains(&of) {
            subjects.push(of);
        }
    }
    subjects
}

/// Results that each of the subjects has, and has once.
fn names_of_each<'a>(outcome: &'a Outcome, subjects: &[&str]) -> Vec<&'a str> {
    let of = |subject: &str, name: &str| {
        let all = outcome.results.iter();
        all.filter(|figure| figure.of.as_deref() == Some(subject) && figure.name == name)
            .count()
    };
    let first = outcome.results.iter();
    let first = first.filter(|figure| figure.of.as_deref() == subjects.first().copied());
    first
        .map(|figure| figure.name.as_str())
        .filter(|name| subjects.iter().all(|subject| of(subject, name) == 1))
        .collect()
}

fn crossed(outcome: &Outcome, subjects: &[&str], names: &[&str], figures: &[&Figure]) -> Table {
    let headings: Vec<&str> = std::iter::once("of").chain(names.iter().copied()).collect();
    let mut table = Table::new(
        format!("Results of {}, side by side", outcome.title),
        &headings,
    );
    for subject in subjects {
        let cell = |name: &&str| {
            let mut own = figures.iter();
            let found =
                own.find(|figure| figure.of.as_deref() == Some(*subject) && figure.name == **name);
            found.map_or_else(
                || "see above".to_owned(),
                |figure| match whence(figure) {
                    place if place.is_empty() => of_figure(figure),
                    place => format!("{}; {place}", of_figure(figure)),
                },
            )
        };
        table.row(std::iter::once((*subject).to_owned()).chain(names.iter().map(cell)));
    }
    table
}

fn listed(outcome: &Outcome, figures: &[&Figure]) -> Table {
    // What all of them are of stands above them.
    let subject = figures.first().and_then(|first| first.of.as_deref());
    let is_one = figures.iter().all(|figure| figure.of.as_deref() == subject);
    let has_subject = !is_one;
    let has_place = figures.iter().any(|figure| !whence(figure).is_empty());
    let has_note = figures.iter().any(|figure| figure.note.is_some());
    let mut headings = vec!["result"];
    headings.extend(has_subject.then_some("of"));
    headings.push("value and uncertainty");
    headings.extend(has_place.then_some("where and when"));
    headings.extend(has_note.then_some("note"));
    let of = subject.filter(|_| is_one);
    let of = of.map_or_else(String::new, |of| format!(": {of}"));
    let caption = format!("Results of {}{of}", outcome.title);
    let mut table = Table::new(caption, &headings);
    for figure in figures {
        let mut cells = vec![figure.name.clone()];
        cells.extend(has_subject.then(|| figure.of.clone().unwrap_or_default()));
        cells.push(of_figure(figure));
        cells.extend(has_place.then(|| whence(figure)));
        cells.extend(has_note.then(|| figure.note.as_deref().map(words::told).unwrap_or_default()));
        table.row(cells);
    }
    table
}

/// Where and when an extreme is.
fn whence(figure: &Figure) -> String {
    let at = figure.at.as_deref().map(words::bare_read_time);
    let place = [figure.place.clone(), at];
    place.into_iter().flatten().collect::<Vec<_>>().join(", ")
}
