//! Certificates: their text, what is refused, how readings are put right, and their standing.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

use jiff::civil::{Date, date};
use proptest::prelude::*;
use zonda_model::{Code, Quality, Quantity, Unit};
use zonda_signal::certificate::{BadCertificate, Heading, Point};
use zonda_signal::{
    Certificate, CodeFormat, Description, Mapping, Method, Scale, Step, certificate_csv,
};

const TEXT: &str = "certificate,K-2041\r\nlaboratory,accredited laboratory\r\ndate,2026-03-02\r\ndue,2027-03-02\r\n\
quantity,velocity\r\nrange,0-50 m/s\r\nreference,reading,uncertainty,k\r\n1,1.1,0.04,2\r\n5,5.2,0.1,2\r\n20,20.4,0.3,2\r\n45,45.5,0.6,2\r\n";

fn certificate(method: Method) -> Certificate {
    certificate_csv::read(TEXT, method).unwrap()
}

#[test]
fn the_text_of_a_certificate() {
    let read = certificate(Method::Interpolation);
    let heading = Heading {
        number: "K-2041".into(),
        laboratory: "accredited laboratory".into(),
        date: date(2026, 3, 2),
        due: date(2027, 3, 2),
    };
    assert_eq!(read.heading(), &heading);
    assert_eq!(read.points().len(), 4);
    assert_eq!(
        read.points()[1],
        Point {
            reference: 5.0,
            reading: 5.2,
            uncertainty: 0.1,
            k: 2.0
        }
    );
    let comma = TEXT.replace(',', ";").replace('.', ",");
    assert_eq!(
        certificate_csv::read(&comma, Method::Interpolation).unwrap(),
        read
    );
    let from_a_spreadsheet = format!(
        "\u{feff}{}",
        TEXT.replace("K-2041", "K-2041,,")
            .replace("reference", ",,,\r\nreference")
    );
    assert_eq!(
        certificate_csv::read(&from_a_spreadsheet, Method::Interpolation).unwrap(),
        read
    );
}

#[test]
fn everything_wrong_with_a_text_is_told_with_its_line() {
    let text = "certificate,K-1\ncolour,blue\ndate,2026-02-30\ndate,2026-02-20\ndue\nquantity,speed\nrange,0,5-20 m/s\n\
                reference,reading,uncertainty,k\n1,one,0.1,2\n2,2,0.1\n";
    let faults = certificate_csv::read(text, Method::Interpolation)
        .unwrap_err()
        .to_string();
    let lines: Vec<&str> = faults.lines().collect();
    assert_eq!(lines.len(), 8, "{faults}");
    let begins = [
        "line 2: `colour` is not known here; expected are certificate,",
        "line 3: `date`: ",
        "line 4: `date` stands here for the second time",
        "line 5: `due` has no value",
        "line 6: `quantity`: `speed` is not a quantity",
        "line 7: `range` has more than one value; put",
        "line 9: expected a number for reading, found `one`",
        "line 10: a point has 4 columns (reference, reading, uncertainty, k), this line has 3",
    ];
    for (line, begin) in lines.iter().zip(begins) {
        assert!(line.starts_with(begin), "{line}");
    }
}

#[test]
fn what_is_missing_is_told() {
    let faults = certificate_csv::read("", Method::Interpolation)
        .unwrap_err()
        .to_string();
    assert_eq!(
        faults,
        "`certificate` is missing\n`date` is missing\n`due` is missing\n`quantity` is missing\n`range` is missing\n`reference` is missing"
    );
}

/// Lines are counted as an editor shows them, whatever the line ends and empty lines.
#[test]
fn lines_are_counted_as_a_person_counts() {
    let header = TEXT.replace("reading,uncertainty", "uncertainty,reading");
    let fault = |text: &str| {
        certificate_csv::read(text, Method::Interpolation)
            .unwrap_err()
            .to_string()
    };
    let said = "the points' columns are reference, reading, uncertainty, k, in this order";
    assert_eq!(fault(&header), format!("line 7: {said}"));
    assert_eq!(fault(&header.replace('\r', "")), format!("line 7: {said}"));
    let spaced = header.replace("\r\nrange", "\r\n\r\n\r\nrange");
    assert_eq!(fault(&spaced), format!("line 9: {said}"));
    let quoted = header.replace("accredited laboratory", "\"accredited\r\nlaboratory\"");
    assert_eq!(fault(&quoted), format!("line 8: {said}"));
}

fn refused(from: &str, to: &str, method: Method) -> String {
    let text = TEXT.replacen(from, to, 1);
    assert_ne!(text, TEXT);
    certificate_csv::read(&text, method)
        .unwrap_err()
        .to_string()
}

#[test]
fn what_no_certificate_can_say_is_refused() {
    let plain = |from, to| refused(from, to, Method::Interpolation);
    assert_eq!(
        plain("due,2027", "due,2025"),
        "the certificate is due on 2025-03-02, before its date 2026-03-02"
    );
    assert_eq!(
        plain("5,5.2,", "5,1.05,"),
        "the points, by ascending reading: the values must all rise or all fall: they turn or stand still at point 2"
            .replace("at point 2", "at point 3")
    );
    assert_eq!(
        plain("5,5.2,", "5,1.1,"),
        "the points, by ascending reading: the points must ascend: point 2 stands at 1.1, the one before it at 1.1"
    );
    assert_eq!(
        plain("45,45.5", "51,51.5"),
        "point 4: 51 m/s is outside the range 0 to 50 m/s"
    );
    assert_eq!(
        plain("0.1,2", "0,2"),
        "point 2: an uncertainty must be positive, not 0"
    );
    assert_eq!(
        plain("0.1,2", "0.1,0"),
        "point 2: a coverage factor lies between 1 and 10, not at 0; it is 2 as a rule"
    );
    assert_eq!(
        plain("0-50 m/s", "0-50 Pa"),
        "Pa is a unit of pressure, expected a unit of velocity such as m/s"
    );
    assert_eq!(
        plain("0-50 m/s", "50-0 m/s"),
        "write the certificate's range from low to high, not from 50 to 0 m/s"
    );
    let two = "5,5.2,0.1,2\r\n20,20.4,0.3,2\r\n";
    assert_eq!(
        refused(two, "", Method::LeastSquares),
        "a line and its scatter need at least 3 points, there are 2; two points can be adjusted to, not checked"
    );
    let one = "5,5.2,0.1,2\r\n20,20.4,0.3,2\r\n45,45.5,0.6,2\r\n";
    assert_eq!(
        plain(one, ""),
        "the points, by ascending reading: a curve needs at least 2 points, there are 1"
    );
}

#[test]
fn falling_readings_are_refused() {
    let heading = certificate(Method::Interpolation).heading().clone();
    let points = [(1.0, 9.0), (5.0, 5.0)]
        .map(|(reference, reading)| Point {
            reference,
            reading,
            uncertainty: 0.1,
            k: 2.0,
        })
        .to_vec();
    let range = "0-50 m/s".parse().unwrap();
    let error = Certificate::new(
        heading,
        Quantity::Velocity,
        range,
        points,
        Method::Interpolation,
    );
    assert_eq!(error.unwrap_err(), BadCertificate::Falling);
}

#[test]
fn a_reading_at_a_point_becomes_its_reference() {
    let certificate = certificate(Method::Interpolation);
    for point in certificate.points() {
        let corrected = certificate.correct(point.reading);
        assert!((corrected.value - point.reference).abs() < 1e-12);
        assert_eq!(corrected.quality, Quality::empty());
    }
    // the larger of the neighbours' U/k, and beyond the ends the end's own
    let uncertainty = |reading| certificate.correct(reading).uncertainty;
    assert!((uncertainty(1.0) - 0.02).abs() < 1e-12);
    assert!((uncertainty(3.0) - 0.05).abs() < 1e-12);
    assert!((uncertainty(30.0) - 0.3).abs() < 1e-12);
    assert!((uncertainty(60.0) - 0.3).abs() < 1e-12);
}

#[test]
fn outside_the_points_the_correction_stays_and_is_flagged() {
    let certificate = certificate(Method::Interpolation);
    let below = certificate.correct(0.6);
    assert!((below.value - 0.5).abs() < 1e-12);
    assert_eq!(below.quality, Quality::UNCALIBRATED);
    let above = certificate.correct(50.5);
    assert!((above.value - 50.0).abs() < 1e-12);
    assert_eq!(above.quality, Quality::UNCALIBRATED);
    // an end that rounding alone has moved is still the end
    assert_eq!(certificate.correct(1.1 - 1e-15).quality, Quality::empty());
}

/// The five-point loop check (`numpy.polyfit`, `scipy.stats.linregress` and `GTC.type_a.line_fit` agree;
/// `data/signal_chain.json`, `loop_check_5pt`) as a certificate: the line's own uncertainty joins that of the points.
#[test]
fn least_squares_carry_their_scatter() {
    let text = "certificate,L-5\ndate,2026-01-05\ndue,2027-01-05\nquantity,current\nrange,4-20 mA\nreference,reading,uncertainty,k\n\
                4,4.0061,0.0008,2\n8,8.0048,0.0008,2\n12,12.0029,0.0008,2\n16,16.0012,0.0008,2\n20,19.9987,0.0008,2\n";
    let certificate = certificate_csv::read(text, Method::LeastSquares).unwrap();
    let corrected = certificate.correct(12.5e-3);
    assert!((corrected.value * 1e3 - 12.497_488_844_9).abs() < 1e-9);
    let expected = 0.000_398_434_687_36_f64.hypot(0.000_4);
    assert!((corrected.uncertainty * 1e3 - expected).abs() < 1e-12);
}

#[test]
fn a_certificate_is_good_through_its_due_date() {
    let certificate = certificate(Method::Interpolation);
    let standing = |day: Date| certificate.standing(day);
    assert_eq!(standing(date(2026, 3, 1)), Quality::UNCALIBRATED);
    assert_eq!(standing(date(2026, 3, 2)), Quality::empty());
    assert_eq!(standing(date(2027, 3, 2)), Quality::empty());
    assert_eq!(standing(date(2027, 3, 3)), Quality::CALIBRATION_OVERDUE);
}

#[test]
fn a_mapping_corrects_by_a_certificate_and_keeps_it_in_its_text() {
    for method in [Method::Interpolation, Method::LeastSquares] {
        let scale = Scale::unity(Unit::MetrePerSecond);
        let mapping = Mapping::builder(Quantity::Velocity, CodeFormat::Number, scale)
            .step(Step::Certificate(Box::new(certificate(method))))
            .build()
            .unwrap();
        let (value, quality) = mapping.map(Some(Code::Number(5.2)));
        assert!((value.unwrap() - 5.0).abs() < 0.15);
        assert_eq!(quality, Quality::empty());
        let text: Description = mapping.describe().to_string().parse().unwrap();
        assert_eq!(text.rebuild().unwrap(), mapping);
    }
    let scale = Scale::unity(Unit::DegreeCelsius);
    let other = Mapping::builder(Quantity::Temperature, CodeFormat::Number, scale)
        .step(Step::Certificate(Box::new(certificate(
            Method::Interpolation,
        ))))
        .build();
    assert_eq!(
        other.unwrap_err().to_string(),
        "step 1 takes velocity, but what comes before it gives temperature"
    );
}

#[test]
fn no_text_panics() {
    bolero::check!().for_each(|bytes: &[u8]| {
        let text = String::from_utf8_lossy(bytes);
        let tail = format!("{TEXT}{text}");
        for text in [text.as_ref(), tail.as_str()] {
            if let Err(faults) = certificate_csv::read(text, Method::LeastSquares) {
                assert!(!faults.0.is_empty());
            }
        }
    });
}

proptest! {
    #[test]
    fn a_higher_reading_never_stands_for_less(
        mut readings in proptest::collection::vec(-5.0..60.0_f64, 2..40),
        is_line in any::<bool>(),
    ) {
        let certificate = certificate(if is_line { Method::LeastSquares } else { Method::Interpolation });
        readings.sort_by(f64::total_cmp);
        let values: Vec<f64> = readings.iter().map(|reading| certificate.correct(*reading).value).collect();
        prop_assert!(values.windows(2).all(|v| v[1] >= v[0] - 1e-12), "{:?}", values);
    }
}

#[test]
fn a_mapping_knows_the_standing_of_its_certificate_by_the_day() {
    let builder = || {
        Mapping::builder(
            Quantity::Velocity,
            CodeFormat::Number,
            Scale::unity(Unit::MetrePerSecond),
        )
    };
    let step = Step::Certificate(Box::new(certificate(Method::Interpolation)));
    let mapping = builder().step(step.clone()).build().unwrap();
    for (day, expected) in [
        (date(2026, 3, 1), Quality::UNCALIBRATED),
        (date(2026, 3, 2), Quality::empty()),
        (date(2027, 3, 2), Quality::empty()),
        (date(2027, 3, 3), Quality::CALIBRATION_OVERDUE),
    ] {
        assert_eq!(mapping.standing(day), expected, "{day}");
    }
    let bare = builder().lacking_certificate().build().unwrap();
    assert_eq!(bare.standing(date(2030, 1, 1)), Quality::empty());
    let text = bare.describe().to_string();
    let again = text.parse::<Description>().unwrap().rebuild().unwrap();
    assert_eq!(
        again.map(Some(Code::Number(5.0))),
        (Some(5.0), Quality::UNCALIBRATED)
    );
    assert!(builder().step(step).lacking_certificate().build().is_err());
}
