//! Tables in files of their own, such as a certificate's points. Whoever reads the configuration
//! reads them, too: this crate opens nothing.

use std::collections::BTreeMap;
use std::fmt::Write;

/// Gives the text of the file that stands at this path, or says why not. A path that is not absolute
/// begins at the configuration file's own folder.
pub type ReadTable<'a> = dyn Fn(&str) -> Result<String, String> + 'a;

/// The tables that were asked for, each read once.
pub(crate) struct Tables<'a> {
    read: &'a ReadTable<'a>,
    texts: BTreeMap<String, Result<String, String>>,
}

impl<'a> Tables<'a> {
    pub(crate) const fn new(read: &'a ReadTable<'a>) -> Self {
        Self {
            read,
            texts: BTreeMap::new(),
        }
    }

    pub(crate) fn text(&mut self, path: &str) -> Result<String, String> {
        if path.trim().is_empty() {
            return Err("the table's path is empty".to_owned());
        }
        let text = self
            .texts
            .entry(path.to_owned())
            .or_insert_with(|| (self.read)(path));
        text.clone()
            .map_err(|why| format!("the table `{path}` cannot be read: {why}"))
    }

    /// The configuration's text with every table behind it, line by line as a remark: still the same
    /// configuration, and nothing that a value depends on is missing from its hash.
    pub(crate) fn append_to(&self, text: &str) -> String {
        let mut whole = text.to_owned();
        for (path, table) in &self.texts {
            let Ok(table) = table else { continue };
            // Writing into a String cannot fail.
            let _ = write!(whole, "{HEAD}{}`:", path.escape_debug());
            for line in table.lines() {
                let clean: String = line
                    .chars()
                    .filter(|c| *c == '\t' || !c.is_control())
                    .collect();
                let _ = write!(whole, "\n#   {clean}");
            }
            whole.push('\n');
        }
        whole
    }
}

/// The text of a revision taken apart again: the configuration's own, and the tables behind it by their paths as written there.
pub(crate) fn take_apart(whole: &str) -> (&str, BTreeMap<String, String>) {
    let begins = whole.match_indices(HEAD).map(|(at, _)| at);
    let is_tables = |at: &usize| {
        let mut lines = whole[*at..].lines();
        lines.all(|line| line.is_empty() || line.starts_with('#'))
    };
    let Some(begin) = begins.into_iter().find(is_tables) else {
        return (whole, BTreeMap::new());
    };
    let mut tables = BTreeMap::new();
    for part in whole[begin..].split(HEAD).skip(1) {
        let Some((path, lines)) = part.split_once("`:") else {
            continue;
        };
        let lines = lines.lines().filter_map(|line| line.strip_prefix("#   "));
        let table: String = lines.flat_map(|line| [line, "\n"]).collect();
        tables.insert(path.to_owned(), table);
    }
    (&whole[..begin], tables)
}

/// What stands before each table in a revision.
const HEAD: &str = "\n# The table `";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_revision_is_taken_apart_as_it_was_put_together() {
        let read = |path: &str| Ok(format!("certificate,{path}\nk,2\n"));
        let mut tables = Tables::new(&read);
        tables.text("K.csv").unwrap();
        tables.text("L.csv").unwrap();
        let text = "a = 1\n# The table `x`:\nb = 2\n";
        let whole = tables.append_to(text);
        let (own, tables) = take_apart(&whole);
        assert_eq!(own, text);
        assert_eq!(tables["K.csv"], "certificate,K.csv\nk,2\n");
        assert_eq!(tables.len(), 2);
        assert_eq!(take_apart(text).0, text);
    }

    #[test]
    fn a_table_is_read_once_and_stands_in_the_revision() {
        let read = |path: &str| Ok(format!("certificate,{path}\r\nk,2\n"));
        let mut tables = Tables::new(&read);
        assert_eq!(tables.append_to("a = 1\n"), "a = 1\n");
        tables.text("K.csv").unwrap();
        assert_eq!(
            tables.append_to("a = 1\n"),
            "a = 1\n\n# The table `K.csv`:\n#   certificate,K.csv\n#   k,2\n"
        );
        assert_eq!(tables.text(" ").unwrap_err(), "the table's path is empty");
    }
}
