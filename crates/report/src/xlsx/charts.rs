//! The sheet of charts: one for each quantity, over the course of the run.

use rust_xlsxwriter::{Chart, ChartType, Worksheet, XlsxError};
use zonda_model::Quantity;

use super::name;
use crate::dossier::Dossier;
use crate::table::Column;

/// Rows of cells that a chart covers, with the room below it.
const ROWS: u32 = 24;

/// The charts; their numbers stand in the sheet of the course.
pub(super) fn sheet(dossier: &Dossier, columns: &[Column]) -> Result<Worksheet, XlsxError> {
    let mut sheet = Worksheet::new();
    name(&mut sheet, "charts", dossier.is_simulated)?;
    let mut row = 0;
    for quantity in Quantity::ALL {
        let own: Vec<_> = (1_u16..)
            .zip(columns)
            .filter(|(_, column)| column.quantity == quantity)
            .collect();
        if !own.is_empty() {
            sheet.insert_chart(row, 0, &chart(dossier, &own))?;
            row += ROWS;
        }
    }
    Ok(sheet)
}

fn chart(dossier: &Dossier, columns: &[(u16, &Column)]) -> Chart {
    let mut chart = Chart::new(ChartType::ScatterStraight);
    let rows = u32::try_from(dossier.history.grid.count)
        .unwrap_or(0)
        .max(1);
    let course = if dossier.is_simulated {
        "course (SIMULATED)"
    } else {
        "course"
    };
    for (place, column) in columns {
        let series = chart.add_series();
        series.set_name(column.name.as_str());
        series.set_categories((course, 1, 0, rows, 0));
        series.set_values((course, 1, *place, rows, *place));
    }
    let quantity = columns[0].1.quantity.word();
    let mark = if dossier.is_simulated {
        " (SIMULATED)"
    } else {
        ""
    };
    let title = format!("{quantity}, {}{mark}", dossier.run.name());
    chart.title().set_name(title.as_str());
    chart.set_alt_text(format!(
        "{quantity} of {} channels over the run",
        columns.len()
    ));
    chart.x_axis().set_name("UTC").set_num_format("hh:mm");
    let unit = columns[0].1.unit;
    let is_common = columns.iter().all(|(_, column)| column.unit == unit);
    let axis = if is_common {
        format!("{quantity} [{unit}]")
    } else {
        quantity.to_owned()
    };
    chart.y_axis().set_name(axis.as_str());
    chart.set_width(1100).set_height(440);
    chart
}
