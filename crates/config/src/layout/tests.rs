//! Layouts of zones and ducts: what is read, and the sentence for every mistake.

use super::*;
use crate::check;

const OVEN: &str = "[line.oven]\nevery = \"1 s\"\nmodbus-tcp = { address = \"127.0.0.1:1502\" }\n\
    [module.A]\nline = \"oven\"\nunit = 1\nregisters = \"input 0-3\"\ncode = \"int16\"\ncount = \"1 mV\"\n\
    [meter.left]\nvelocity = { input = \"A.1\", signal = \"0-10 V\", range = \"0-20 m/s\" }\ntemperature = { input = \"A.2\", signal = \"0-10 V\", range = \"0-500 °C\" }\n\
    [channel.right]\nquantity = \"temperature\"\ninput = \"A.3\"\nsignal = \"0-10 V\"\nrange = \"0-500 °C\"\n";

fn read(layout: &str) -> Result<LayoutPlan, String> {
    let text = format!("{OVEN}[layout.one]\n{layout}");
    match check("test", &text) {
        Ok(checked) => Ok(checked.config.layouts[0].clone()),
        Err(faults) => Err(faults.report(false, 200)),
    }
}

const ZONE: &str = "kind = \"zone\"\nwidth = \"1.2 m\"\ndepth = \"160 cm\"\nheight = \"2 m\"\n";
const DUCT: &str =
    "kind = \"duct\"\ndiameter = \"400 mm\"\nrule = \"log-tchebycheff\"\nlines = 2\nper_line = 6\n";

#[test]
fn a_zone_binds_meters_and_channels_to_places() {
    let plan = read(&format!(
        "{ZONE}points = {{ left = \"left at -0.5, 0, 0.25 m\", right = \"right at 500, 0, 0 mm\", spare = \"at 0, 0, 0 m\" }}\n"
    ))
    .unwrap();
    assert_eq!(plan.points(), ["left", "right", "spare"]);
    let names: Vec<Vec<&str>> = plan
        .channels
        .iter()
        .map(|point| point.iter().map(ChannelName::as_str).collect())
        .collect();
    assert_eq!(
        names,
        [
            vec!["left.velocity", "left.temperature"],
            vec!["right"],
            vec![]
        ]
    );
    let LayoutForm::Zone(layout) = plan.form else {
        panic!("a zone")
    };
    assert!((layout.places()[1].at[0] - 0.5).abs() < 1e-12);
    assert_eq!(layout.centre(), Some(2));
}

#[test]
fn a_duct_numbers_its_points_as_its_rule_places_them() {
    let plan = read(&format!(
        "{DUCT}dimension_accuracy = \"2 mm\"\npoints = {{ 1 = \"left\", 12 = \"left.velocity\" }}\n"
    ))
    .unwrap();
    assert_eq!(plan.channels.len(), 12);
    assert_eq!(
        plan.channels
            .iter()
            .filter(|point| point.is_empty())
            .count(),
        10
    );
    let LayoutForm::Duct {
        traverse,
        dimension_accuracy,
    } = plan.form
    else {
        panic!("a duct")
    };
    assert_eq!(dimension_accuracy, Some(0.002));
    assert_eq!(traverse.rule(), Rule::LogTchebycheff);
}

#[test]
fn a_picture_has_every_point_in_its_place() {
    let near = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).abs() < 1e-9 && (a.1 - b.1).abs() < 1e-9;
    let points =
        "points = { left = \"left at -0.5, 0.3, 0 m\", right = \"right at 0.5, -0.8, 0 m\" }\n";
    let above = read(&format!("{ZONE}{points}")).unwrap().plane();
    assert_eq!((above.side, above.width, above.height), ("above", 1.2, 1.6));
    assert!(near(above.places[0], (0.1, 0.5)) && near(above.places[1], (1.1, 1.6)));

    let points = "points = { low = \"left at 0, 0, -0.5 m\", high = \"right at 0, 0, 0.5 m\" }\n";
    let front = read(&format!("{ZONE}{points}")).unwrap().plane();
    assert_eq!((front.side, front.height), ("front", 2.0));
    assert!(near(front.places[0], (0.6, 1.5)), "{:?}", front.places);

    let duct = read(DUCT).unwrap().plane();
    assert!(duct.is_round && duct.places.len() == 12);
    let from_middle = |(x, y): &(f64, f64)| (x - 0.2).hypot(y - 0.2);
    assert!(duct.places.iter().all(|place| from_middle(place) < 0.2));
}

#[test]
fn mistakes_are_said_where_they_are() {
    let said = |text: String| read(&text).unwrap_err();
    assert!(said("kind = \"room\"\n".into()).contains("no kind of layout"));
    assert!(said("kind = \"zone\"\nwidth = \"1 m\"\n".into()).contains("`depth` is missing"));
    assert!(said(format!("{ZONE}rule = \"log-linear\"\n")).contains("is a duct's"));
    let place = |text: &str| said(format!("{ZONE}points = {{ a = \"{text}\" }}\n"));
    assert!(place("left").contains("does not say where `a` is"));
    assert!(place("left at 0, 0 m").contains("no place in a zone"));
    assert!(place("left at 0, 0, 5 m").contains("outside the zone"));
    assert!(place("left at 0, 0, 0 kPa").contains("no unit of length"));
    assert!(place("middle at 0, 0, 0 m").contains("no meter and no channel `middle`"));
    assert!(said(format!("{DUCT}points = {{ 13 = \"left\" }}\n")).contains("the points 1 to 12"));
    assert!(said(format!("{DUCT}width = \"1 m\"\n")).contains("sizes of one shape"));
    let odd = DUCT.replace("per_line = 6", "per_line = 5");
    assert!(said(odd).contains("take an even number"));
    let rule = DUCT.replace("log-tchebycheff", "middle");
    assert!(said(rule).contains("no rule that places points"));
}

#[test]
fn a_run_refers_to_a_layout_that_is_there() {
    let text = format!("{OVEN}[run.soak]\nlayout = \"zone-9\"\n");
    let said = check("test", &text).unwrap_err().report(false, 200);
    assert!(said.contains("there is no layout `zone-9`"), "{said}");
}
