//! A file is one idea: one that grows past [`LINES_MAX`] lines of code is a question to its author.

use super::files::Source;

/// Lines of code, without tests, blanks and comments, above which a file is asked about.
const LINES_MAX: usize = 500;

/// Files that are long for a reason.
const LONG: [(&str, &str); 0] = [];

/// What to ask about the sizes of files.
pub(crate) fn questions(sources: &[Source]) -> Vec<String> {
    let too_long = sources.iter().filter_map(|source| {
        let path = source.path.display().to_string();
        let count = source
            .lines()
            .filter(|(_, line)| !Source::is_prose(line))
            .count();
        let is_known = LONG.iter().any(|(name, _)| *name == path);
        (count > LINES_MAX && !is_known).then(|| {
            format!(
                "{path} has {count} lines of code; is it still one idea? (xtask/src/tidy/size.rs)"
            )
        })
    });
    let gone = LONG.iter().filter_map(|(name, _)| {
        let exists = sources
            .iter()
            .any(|source| source.path.display().to_string() == *name);
        (!exists).then(|| format!("{name} is named as long and is not there"))
    });
    too_long.chain(gone).collect()
}
