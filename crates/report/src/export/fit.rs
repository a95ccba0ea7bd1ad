//! What can be asked of a file that its format or layout knows nothing of. It is refused rather than passed
//! over: who asks for a decimal comma and gets none should not find out from the customer.

use std::fmt;

/// The kind of file, before it is said how it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Csv,
    /// Apache Parquet.
    Parquet,
    /// A workbook of a run.
    Xlsx,
    /// A run as a record of its own.
    Sqlite,
}

/// The rows of a file, before it is said on which grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Laid {
    /// One for each sample.
    Long,
    /// One for each step of a grid.
    Wide,
    /// One for each gap.
    Gaps,
}

/// Something asked of a file that not every file can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wish {
    /// Rows laid out so.
    Layout,
    /// The step of a grid, or what a step says.
    Grid,
    /// Values in these units.
    Units,
    /// Local time beside UTC.
    Zone,
    /// Decimal commas.
    DecimalComma,
    /// A byte order mark.
    Mark,
    /// Lines above the heading.
    Preamble,
    /// Files beside it.
    Sidecars,
}

/// A wish that means nothing to the file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{option} means nothing to {of}: {why}; leave it out")]
pub struct Misfit {
    option: String,
    of: &'static str,
    why: &'static str,
}

/// Refuses the first of these wishes that such a file cannot have. Each comes with what the door calls it,
/// and whether it was asked for.
///
/// # Errors
/// [`Misfit`].
pub fn fits(
    kind: Kind,
    laid: Laid,
    wishes: &[(Wish, &dyn fmt::Display, bool)],
) -> Result<(), Misfit> {
    let asked = wishes.iter().filter(|(_, _, is_asked)| *is_asked);
    for (wish, option, _) in asked {
        if let Some((of, why)) = of_kind(kind, *wish).or_else(|| of_layout(laid, *wish)) {
            let option = option.to_string();
            return Err(Misfit { option, of, why });
        }
    }
    Ok(())
}

/// The kind of file that a wish means nothing to, and why.
const fn of_kind(kind: Kind, wish: Wish) -> Option<(&'static str, &'static str)> {
    let (of, why) = match (kind, wish) {
        (Kind::Sqlite, _) => (
            "SQLite",
            "a cut-out has the record's own rows, in SI and UTC",
        ),
        (Kind::Parquet, Wish::Zone) => (
            "Parquet",
            "its times are instants, and whoever reads them shows them in a zone of their choice",
        ),
        (Kind::Parquet, Wish::DecimalComma | Wish::Mark | Wish::Preamble) => {
            ("Parquet", "it is not text")
        }
        (Kind::Xlsx, Wish::DecimalComma) => (
            "a workbook",
            "it holds numbers, and each spreadsheet shows them as is usual where it runs",
        ),
        (Kind::Xlsx, Wish::Mark) => ("a workbook", "its text is read as UTF-8 everywhere"),
        (Kind::Xlsx, Wish::Preamble | Wish::Sidecars) => (
            "a workbook",
            "its sheets say where the numbers come from and what is missing",
        ),
        _ => return None,
    };
    Some((of, why))
}

/// The layout that a wish means nothing to, and why.
const fn of_layout(laid: Laid, wish: Wish) -> Option<(&'static str, &'static str)> {
    let (of, why) = match (laid, wish) {
        (Laid::Long, Wish::Grid) => ("the long layout", "it has a row for each sample"),
        (Laid::Gaps, Wish::Grid) => ("the layout of gaps", "it has a row for each gap"),
        (Laid::Gaps, Wish::Units) => ("the layout of gaps", "there are no values in it"),
        _ => return None,
    };
    Some((of, why))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CSV takes everything that its rows have a place for, and SQLite nothing.
    #[test]
    fn only_what_a_file_can_have_is_taken() {
        use Wish::{DecimalComma, Grid, Layout, Mark, Preamble, Sidecars, Units, Zone};
        let wishes = [
            Layout,
            Grid,
            Units,
            Zone,
            DecimalComma,
            Mark,
            Preamble,
            Sidecars,
        ];
        let taken = |kind, laid| -> Vec<Wish> {
            let fit = |wish: &Wish| fits(kind, laid, &[(*wish, &"it", true)]).is_ok();
            wishes.iter().copied().filter(fit).collect()
        };
        assert_eq!(taken(Kind::Csv, Laid::Wide), wishes);
        assert_eq!(
            taken(Kind::Csv, Laid::Gaps),
            [Layout, Zone, DecimalComma, Mark, Preamble, Sidecars]
        );
        assert_eq!(taken(Kind::Parquet, Laid::Long), [Layout, Units, Sidecars]);
        assert_eq!(taken(Kind::Xlsx, Laid::Wide), [Layout, Grid, Units, Zone]);
        assert_eq!(taken(Kind::Sqlite, Laid::Wide), []);
    }

    #[test]
    fn the_refusal_names_what_was_said() {
        let asked = [
            (Wish::Grid, &"--step" as &dyn fmt::Display, false),
            (Wish::Mark, &"--bom", true),
        ];
        assert_eq!(
            fits(Kind::Parquet, Laid::Long, &asked)
                .unwrap_err()
                .to_string(),
            "--bom means nothing to Parquet: it is not text; leave it out"
        );
    }
}
