//! Numbers for sections, tables and figures, so that people can speak of them.

use crate::document::Block;

/// Sections count from 1, appendices from A, tables and figures through the whole document.
pub(super) fn number(blocks: &mut [Block]) {
    let (mut sections, mut appendices) = (0, 0_u8);
    let (mut headings, mut tables, mut figures) = (0, 0, 0);
    let mut place = String::new();
    for block in blocks {
        match block {
            Block::Section {
                heading,
                is_appendix,
                ..
            } => {
                headings = 0;
                if *is_appendix {
                    place = char::from(b'A' + appendices.min(25)).to_string();
                    appendices += 1;
                    *heading = format!("Appendix {place}. {heading}");
                } else {
                    sections += 1;
                    place = sections.to_string();
                    *heading = format!("{place}. {heading}");
                }
            }
            Block::Heading(heading) if !place.is_empty() => {
                headings += 1;
                *heading = format!("{place}.{headings} {heading}");
            }
            Block::Table(table) => {
                tables += 1;
                table.caption = format!("Table {tables}. {}", table.caption);
            }
            Block::Figure(figure) => {
                figures += 1;
                figure.caption = format!("Figure {figures}. {}", figure.caption);
            }
            _ => {}
        }
    }
}
