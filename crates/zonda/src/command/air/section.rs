//! A duct's cross-section on the command line.

use anyhow::bail;
use clap::Args;
use zonda_air::duct::Shape;
use zonda_air::{Area, Length};

use crate::amount;

/// The inside of the duct, within its lining: round, rectangular or annular.
#[derive(Debug, Args)]
pub(crate) struct SectionArgs {
    /// Inner diameter of a round duct, such as "400 mm".
    #[arg(long, value_parser = amount::length, conflicts_with_all = ["width", "height", "outer", "inner"])]
    diameter: Option<Length>,
    /// Width of a rectangular duct.
    #[arg(long, value_parser = amount::length, requires = "height", conflicts_with_all = ["outer", "inner"])]
    width: Option<Length>,
    /// Height of a rectangular duct; probes enter along it.
    #[arg(long, value_parser = amount::length, requires = "width")]
    height: Option<Length>,
    /// Inner diameter of the shell of an annular duct.
    #[arg(long, value_parser = amount::length, requires = "inner")]
    outer: Option<Length>,
    /// Outer diameter of the core of an annular duct.
    #[arg(long, value_parser = amount::length, requires = "outer")]
    inner: Option<Length>,
}

impl SectionArgs {
    /// The shape, where one was stated.
    pub(crate) fn find(&self) -> anyhow::Result<Option<Shape>> {
        Ok(
            match (
                self.diameter,
                self.width,
                self.height,
                self.outer,
                self.inner,
            ) {
                (Some(diameter), ..) => Some(Shape::circular(diameter)),
                (None, Some(width), Some(height), ..) => Some(Shape::rectangular(width, height)),
                (None, _, _, Some(outer), Some(inner)) => Some(Shape::annular(outer, inner)?),
                _ => None,
            },
        )
    }

    /// The shape.
    pub(crate) fn must(&self) -> anyhow::Result<Shape> {
        match self.find()? {
            Some(shape) => Ok(shape),
            None => bail!(
                "say what the duct is: --diameter \"400 mm\", --width \"1.2 m\" --height \"0.8 m\", or --outer \"600 mm\" --inner \"300 mm\""
            ),
        }
    }
}

/// A cross-section, or its area alone.
#[derive(Debug, Args)]
pub(crate) struct AreaArgs {
    #[command(flatten)]
    section: SectionArgs,
    /// Area of the cross-section, in place of its dimensions, such as "0.12 m²".
    #[arg(long, value_parser = amount::area, conflicts_with_all = ["diameter", "width", "height", "outer", "inner"])]
    area: Option<Area>,
}

impl AreaArgs {
    /// The area, and words for it.
    pub(crate) fn must(&self) -> anyhow::Result<(Area, String)> {
        if let Some(area) = self.area {
            return Ok((area, "the stated area".to_owned()));
        }
        let shape = self.section.must()?;
        Ok((shape.area(), format!("a duct ({shape})")))
    }
}
