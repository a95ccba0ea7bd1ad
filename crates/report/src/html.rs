//! A document as one HTML file that needs nothing else: style and drawings are in it.
//!
//! Any browser prints it, or makes a PDF of it. The running lines stand in the head and foot of one
//! table around everything, since that is what browsers repeat on each page; screen readers are told
//! that this table means nothing. No script, no address outside the file.

use std::fmt::Write as _;

use crate::document::{Block, Document, Figure, Said, Table};

const STYLE: &str = include_str!("html/style.css");

/// The file.
pub fn html(document: &Document) -> String {
    let mut out = String::with_capacity(1 << 20);
    head(document, &mut out);
    if let Some(across) = &document.across {
        out.push_str("<div class=\"across\" aria-hidden=\"true\"><span>");
        push(across, &mut out);
        out.push_str("</span></div>\n");
    }
    out.push_str("<table class=\"sheet\" role=\"presentation\">\n<thead><tr><td dir=\"auto\">");
    push(&document.head, &mut out);
    out.push_str("</td></tr></thead>\n<tfoot><tr><td dir=\"auto\">");
    push(&document.foot, &mut out);
    out.push_str("</td></tr></tfoot>\n<tbody><tr><td>\n<main>\n");
    let mut place = 0;
    for block in &document.blocks {
        match block {
            Block::Contents => contents(document, &mut out),
            Block::Section {
                heading,
                is_new_page,
                ..
            } => {
                place += 1;
                section(place, heading, *is_new_page, &mut out);
            }
            block => render(block, &mut out),
        }
    }
    out.push_str("</main>\n</td></tr></tbody>\n</table>\n</body>\n</html>\n");
    out
}

fn head(document: &Document, out: &mut String) {
    out.push_str("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    // The file runs nothing and asks nobody for anything, whatever stands in it.
    out.push_str("<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n<title>");
    push(&document.title, out);
    let _ = write!(
        out,
        "</title>\n<style>\n{STYLE}@page {{ size: {}; margin: 14mm 12mm 16mm; @bottom-right {{ content: \"Page \" counter(page) \" of \" counter(pages); font: 8pt \"Noto Sans\", \"DejaVu Sans\", sans-serif; }} }}\n</style>\n</head>\n<body>\n",
        document.paper
    );
}

fn render(block: &Block, out: &mut String) {
    match block {
        Block::Title(text) => element("h1", text, out),
        Block::Picture { address, shows } => {
            out.push_str("<p><img class=\"logo\" src=\"");
            push(address, out);
            out.push_str("\" alt=\"");
            push(shows, out);
            out.push_str("\"></p>\n");
        }
        Block::Heading(text) => element("h3", text, out),
        Block::Text(text) => element("p", text, out),
        Block::Caution(text) => {
            out.push_str("<p class=\"caution\" dir=\"auto\">");
            push(text, out);
            out.push_str("</p>\n");
        }
        Block::Facts(facts) => {
            out.push_str("<dl>\n");
            for (what, said) in facts {
                out.push_str("<dt>");
                push(what, out);
                out.push_str("</dt><dd dir=\"auto\">");
                push_said(said, out);
                out.push_str("</dd>\n");
            }
            out.push_str("</dl>\n");
        }
        Block::Table(table) => render_table(table, out),
        Block::Figure(figure) => drawing(figure, out),
        Block::Figures(figures) => {
            out.push_str("<div class=\"figures\">\n");
            for figure in figures {
                drawing(figure, out);
            }
            out.push_str("</div>\n");
        }
        Block::Contents | Block::Section { .. } => {}
        Block::Verdict { what, words, by } => {
            let class = match words.as_str() {
                "conforms" => "verdict",
                "undecided" => "verdict undecided",
                _ => "verdict fails",
            };
            let _ = write!(out, "<p class=\"{class}\" dir=\"auto\"><strong>");
            push(&format!("{what}: {words}"), out);
            out.push_str("</strong><br>");
            push(by, out);
            out.push_str("</p>\n");
        }
    }
}

/// Ways to all sections.
fn contents(document: &Document, out: &mut String) {
    out.push_str("<nav aria-label=\"Contents\"><h2>Contents</h2>\n<ol class=\"contents\">\n");
    let headings = document.blocks.iter().filter_map(|block| match block {
        Block::Section { heading, .. } => Some(heading),
        _ => None,
    });
    for (place, heading) in (1..).zip(headings) {
        let _ = write!(out, "<li><a href=\"#section-{place}\">");
        push(heading, out);
        out.push_str("</a></li>\n");
    }
    out.push_str("</ol></nav>\n");
}

fn section(place: usize, heading: &str, is_new_page: bool, out: &mut String) {
    let class = if is_new_page { " class=\"page\"" } else { "" };
    let _ = write!(out, "<h2 id=\"section-{place}\"{class} dir=\"auto\">");
    push(heading, out);
    out.push_str("</h2>\n");
}

/// A drawing with its words for those who do not see it: the element that holds it is an image to them.
fn drawing(figure: &Figure, out: &mut String) {
    out.push_str("<figure>\n<div role=\"img\" aria-label=\"");
    push(&figure.alt, out);
    out.push_str("\">");
    out.push_str(&figure.svg);
    out.push_str("</div>\n");
    if !figure.caption.is_empty() {
        out.push_str("<figcaption dir=\"auto\">");
        push(&figure.caption, out);
        out.push_str("</figcaption>\n");
    }
    out.push_str("</figure>\n");
}

fn render_table(table: &Table, out: &mut String) {
    // On a narrow screen a wide table scrolls by itself; whoever has no mouse reaches it, too.
    out.push_str("<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"");
    push(&table.caption, out);
    out.push_str(if table.is_small {
        "\"><table class=\"data small\">\n<caption>"
    } else {
        "\"><table class=\"data\">\n<caption>"
    });
    push(&table.caption, out);
    out.push_str("</caption>\n<thead><tr>");
    for column in &table.columns {
        out.push_str(if column.is_number {
            "<th scope=\"col\" class=\"number\">"
        } else {
            "<th scope=\"col\">"
        });
        push(&column.heading, out);
        out.push_str("</th>");
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in &table.rows {
        out.push_str("<tr>");
        for (column, cell) in table.columns.iter().zip(row) {
            out.push_str(if column.is_number {
                "<td class=\"number\">"
            } else {
                "<td dir=\"auto\">"
            });
            push_said(cell, out);
            out.push_str("</td>");
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody>\n</table></div>\n");
}

fn element(name: &str, text: &str, out: &mut String) {
    let _ = write!(out, "<{name} dir=\"auto\">");
    push(text, out);
    let _ = writeln!(out, "</{name}>");
}

fn push_said(said: &Said, out: &mut String) {
    match said {
        Said::Text(text) => push(text, out),
        Said::Open => {
            out.push_str("<span class=\"open\">to be filled in by the laboratory</span>");
        }
    }
}

/// Appends text that cannot become markup, in an element or between the quotes of an attribute.
/// Characters that a document may not hold are shown as a replacement.
fn push(text: &str, out: &mut String) {
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(letter),
            '\r' => {}
            other if is_barred(other) => out.push('\u{fffd}'),
            other => out.push(other),
        }
    }
}

/// Controls and noncharacters, which the HTML standard calls parse errors.
fn is_barred(letter: char) -> bool {
    let code = u32::from(letter);
    letter.is_control() || (0xfdd0..=0xfdef).contains(&code) || code & 0xfffe == 0xfffe
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn document(text: &str) -> Document {
        let mut table = Table::new(text, &["a", "#b"]);
        table.row([text.to_owned(), text.to_owned()]);
        Document {
            head: text.to_owned(),
            foot: text.to_owned(),
            across: Some(text.to_owned()),
            blocks: vec![
                Block::Title(text.to_owned()),
                Block::Contents,
                Block::Section {
                    heading: text.to_owned(),
                    is_new_page: true,
                    is_appendix: false,
                },
                Block::Picture {
                    address: "data:,".to_owned(),
                    shows: text.to_owned(),
                },
                Block::Figures(vec![Figure {
                    svg: "<svg></svg>".to_owned(),
                    caption: format!("{text}."),
                    alt: text.to_owned(),
                }]),
                Block::Facts(vec![(text.to_owned(), Said::Text(text.to_owned()))]),
                Block::Table(table),
            ],
            ..Document::bare(text)
        }
    }

    proptest! {
        /// Whatever is said, the tags are those of a document in which nothing is said.
        #[test]
        fn no_text_becomes_markup(text in "\\PC{0,20}|[<>&\"'/a-z=! -]{0,40}") {
            let tags = |text: &str| html(&document(text)).matches('<').count();
            prop_assert_eq!(tags(&text), tags(""));
            let quotes = |text: &str| html(&document(text)).matches('"').count();
            prop_assert_eq!(quotes(&text), quotes(""));
        }
    }
}
