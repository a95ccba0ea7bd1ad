//! Mistakes in the file: what is wrong, where, and what would be right; all of them at once.

use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource};

/// One mistake, or one thing to look at twice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Where, in bytes of the text.
    pub span: Range<usize>,
    /// What is wrong, one sentence.
    pub what: String,
    /// What would be right.
    pub help: Option<String>,
    /// Another place that belongs to it, and what it is.
    pub also: Option<(Range<usize>, String)>,
}

impl Fault {
    pub(crate) fn new(span: Range<usize>, what: impl Into<String>) -> Self {
        Self {
            span,
            what: sentence(&what.into()),
            help: None,
            also: None,
        }
    }

    pub(crate) fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(sentence(&help.into()));
        self
    }

    pub(crate) fn also(mut self, span: Range<usize>, what: impl Into<String>) -> Self {
        self.also = Some((span, what.into()));
        self
    }
}

/// The longest sentence that is said whole.
const SENTENCE_MAX: usize = 400;

/// One line that shows what it quotes: the file may hold anything, such as a blank that has no width,
/// or half of the file between two quotation marks.
fn sentence(text: &str) -> String {
    let is_unseen = |c: char| {
        let has_no_width = matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
        c.is_control() || has_no_width || (c.is_whitespace() && c != ' ')
    };
    let mut seen = String::new();
    for c in text.chars() {
        if is_unseen(c) {
            seen.extend(c.escape_default());
        } else {
            seen.push(c);
        }
    }
    if seen.len() > SENTENCE_MAX {
        let start = seen.floor_char_boundary(SENTENCE_MAX / 2);
        let end = seen.ceil_char_boundary(seen.len() - SENTENCE_MAX / 2);
        seen.replace_range(start..end, " … ");
    }
    seen
}

/// What a result holds, or `None` and its error noted as a fault.
pub(crate) fn note<T>(
    result: Result<T, impl fmt::Display>,
    span: &Range<usize>,
    faults: &mut Vec<Fault>,
) -> Option<T> {
    result
        .map_err(|error| faults.push(Fault::new(span.clone(), error.to_string())))
        .ok()
}

/// All faults of one file, in the order of their places.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults {
    name: String,
    text: Arc<str>,
    list: Vec<Fault>,
}

impl Faults {
    pub(crate) fn new(name: &str, text: &str, mut list: Vec<Fault>) -> Self {
        list.sort_by_key(|fault| fault.span.start);
        Self {
            name: name.to_owned(),
            text: text.into(),
            list,
        }
    }

    /// The faults.
    pub fn list(&self) -> &[Fault] {
        &self.list
    }

    /// Line and column of a fault, both from 1; the column counts characters, as editors do.
    pub fn place(&self, fault: &Fault) -> (usize, usize) {
        let before = &self.text[..self.text.floor_char_boundary(fault.span.start)];
        // Editors do not show a byte order mark.
        let before = before.strip_prefix('\u{feff}').unwrap_or(before);
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        (
            before.matches('\n').count() + 1,
            before[line_start..].chars().count() + 1,
        )
    }

    /// For a person at a terminal: each fault with its line, the text underlined, and the way out.
    pub fn report(&self, colour: bool, width: usize) -> String {
        let theme = if colour {
            GraphicalTheme::unicode()
        } else {
            GraphicalTheme::unicode_nocolor()
        };
        let handler = GraphicalReportHandler::new_themed(theme)
            .with_width(width)
            .with_links(false);
        let mut out = String::new();
        for fault in &self.list {
            let shown = Shown {
                faults: self,
                fault,
                source: NamedSource::new(&self.name, Arc::clone(&self.text)),
            };
            // The handler writes into a String and its only error is the writer's.
            let _ = handler.render_report(&mut out, &shown);
        }
        out
    }
}

impl fmt::Display for Faults {
    /// One line a fault: `file:line:column: what; help`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.list.iter().enumerate() {
            let (line, column) = self.place(fault);
            let separator = if index == 0 { "" } else { "\n" };
            write!(
                f,
                "{separator}{}:{line}:{column}: {}",
                self.name, fault.what
            )?;
            if let Some(help) = &fault.help {
                write!(f, "; {help}")?;
            }
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// One fault as miette draws it.
#[derive(Debug)]
struct Shown<'a> {
    faults: &'a Faults,
    fault: &'a Fault,
    source: NamedSource<Arc<str>>,
}

impl fmt::Display for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (line, _) = self.faults.place(self.fault);
        write!(f, "line {line}: {}", self.fault.what)
    }
}

impl std::error::Error for Shown<'_> {}

impl Diagnostic for Shown<'_> {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.fault
            .help
            .as_ref()
            .map(|help| Box::new(help) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn miette::SourceCode> {
        Some(&self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let here = LabeledSpan::new_primary_with_span(None, self.fault.span.clone());
        let also = self
            .fault
            .also
            .iter()
            .map(|(span, what)| LabeledSpan::new_with_span(Some(what.clone()), span.clone()));
        Some(Box::new(std::iter::once(here).chain(also)))
    }
}
