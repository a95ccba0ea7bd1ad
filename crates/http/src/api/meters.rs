//! `GET /api/v1/meters`: the meters with their probes, and the envelopes and certificates that they
//! refer to, as the configuration in force says. Numbers of envelopes and limits are SI; a certificate
//! keeps the unit in which it was written.

use axum::Json;
use axum::extract::State;
use jiff::civil::Date;
use jiff::tz::Offset;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_config::{CertificatePlan, Config, EnvelopePlan, MeterPlan, OutputPlan, ProbePlan, Way};
use zonda_model::{Name, Quality, Stamp};

use super::Shared;

/// The instruments of the configuration.
#[derive(Debug, Serialize, ToSchema)]
#[expect(
    clippy::struct_field_names,
    reason = "they are the names in the answer"
)]
pub(crate) struct Meters {
    /// In the order of the configuration.
    meters: Vec<Meter>,
    envelopes: Vec<ShownEnvelope>,
    certificates: Vec<ShownCertificate>,
}

/// The electronics of an instrument, with its probe.
#[derive(Debug, Serialize, ToSchema)]
struct Meter {
    /// Its name.
    name: String,
    /// Its serial number.
    serial: Option<String>,
    /// The number of the probe whose characteristics it holds.
    probe_number: Option<String>,
    /// The probe on it.
    probe: Option<Probe>,
    /// True where the meter holds the characteristics of another probe than the one on it.
    wrong_probe: bool,
    /// Its channels.
    outputs: Vec<MeterOutput>,
}

/// A sensor head on its cable.
#[derive(Debug, Serialize, ToSchema)]
struct Probe {
    /// Its serial number.
    serial: Option<String>,
    /// The number that the meter must carry for it.
    number: Option<String>,
    /// Name of the envelope in which it can be believed.
    envelope: Option<String>,
    /// The highest temperature that its cable holds, °C.
    cable_limit: Option<f64>,
}

/// A channel of a meter.
#[derive(Debug, Serialize, ToSchema)]
struct MeterOutput {
    /// Name of the channel.
    channel: String,
    /// What it measures.
    quantity: &'static str,
    /// How it is heard: `analog`, `text`, `register` or `derived`.
    way: &'static str,
    /// The certificate by which it is put right: its name in the configuration.
    certificate: Option<String>,
    /// Whether it can be proved by a loop check.
    can_be_loop_checked: bool,
}

/// Where a kind of probe can be believed.
#[derive(Debug, Serialize, ToSchema)]
struct ShownEnvelope {
    /// Its name in the configuration.
    name: String,
    /// Where the temperature itself is believed, °C.
    temperature: Reach,
    /// Where the velocity is, in bands of the temperature from cold to hot.
    bands: Vec<Band>,
}

/// From one number to another.
#[derive(Debug, Serialize, ToSchema)]
struct Reach {
    from: f64,
    to: f64,
}

/// A band of an envelope.
#[derive(Debug, Serialize, ToSchema)]
struct Band {
    /// From this temperature on, °C …
    from: f64,
    /// … to below this one, °C; the last band includes it.
    to: f64,
    /// The lowest velocity believed, m/s.
    velocity_min: f64,
    /// The highest velocity believed, m/s.
    velocity_max: f64,
}

/// What a calibration laboratory found.
#[derive(Debug, Serialize, ToSchema)]
struct ShownCertificate {
    /// Its name in the configuration.
    name: String,
    /// Its number at the laboratory.
    number: String,
    /// The laboratory.
    laboratory: String,
    /// When the comparison was made, `2026-03-02`.
    date: String,
    /// Until when it may be relied upon, that day included.
    due: String,
    /// `in force`, `overdue`, or `not yet` before its date. Days are UTC, as in the check before a start.
    standing: &'static str,
    /// What was calibrated.
    quantity: &'static str,
    /// The unit of the range and of the points.
    unit: &'static str,
    /// The instrument's range.
    range: Reach,
    /// How readings are put right: `interpolation` or `least squares`.
    method: &'static str,
    /// In the order of the certificate.
    points: Vec<CertificatePoint>,
}

/// A point of a certificate.
#[derive(Debug, Serialize, ToSchema)]
struct CertificatePoint {
    /// What the reference stood at.
    reference: f64,
    /// What the instrument read.
    reading: f64,
    /// The expanded uncertainty of the comparison.
    uncertainty: f64,
    /// Its coverage factor.
    k: f64,
}

/// The meters with their probes, and the envelopes and certificates that they refer to.
#[utoipa::path(get, path = "/api/v1/meters", tag = "instruments", responses((status = 200, body = Meters)))]
pub(crate) async fn meters(State(shared): State<Shared>) -> Json<Meters> {
    let (config, today) = (&shared.view.config, day_of(shared.view.now()));
    let certificates = config.certificates.iter();
    Json(Meters {
        meters: config
            .meters
            .iter()
            .map(|plan| meter(config, plan))
            .collect(),
        envelopes: config.envelopes.iter().map(envelope).collect(),
        certificates: certificates.map(|plan| certificate(plan, today)).collect(),
    })
}

fn meter(config: &Config, plan: &MeterPlan) -> Meter {
    Meter {
        name: plan.name.to_string(),
        serial: plan.serial.clone(),
        probe_number: plan.probe_number.clone(),
        probe: plan.probe.as_ref().map(|plan| probe(config, plan)),
        wrong_probe: plan.wrong_probe().is_some(),
        outputs: plan
            .outputs
            .iter()
            .map(|plan| output(config, plan))
            .collect(),
    }
}

fn probe(config: &Config, plan: &ProbePlan) -> Probe {
    let envelope = plan.envelope.map(|index| &config.envelopes[index].name);
    Probe {
        serial: plan.serial.clone(),
        number: plan.number.clone(),
        envelope: envelope.map(Name::to_string),
        cable_limit: plan.cable_limit,
    }
}

fn output(config: &Config, plan: &OutputPlan) -> MeterOutput {
    let channel = &config.channels[plan.channel];
    let certificate = channel
        .certificate
        .map(|index| &config.certificates[index].name);
    MeterOutput {
        channel: channel.name.to_string(),
        quantity: plan.quantity.word(),
        way: match plan.way {
            Way::Analog => "analog",
            Way::Text => "text",
            Way::Register => "register",
            Way::Derived => "derived",
        },
        certificate: certificate.map(Name::to_string),
        can_be_loop_checked: channel.loop_check.is_some(),
    }
}

fn envelope(plan: &EnvelopePlan) -> ShownEnvelope {
    let (from, to) = plan.envelope.temperature();
    let bands = plan.envelope.bands().iter().map(|band| Band {
        from: band.from,
        to: band.to,
        velocity_min: band.velocity_min,
        velocity_max: band.velocity_max,
    });
    ShownEnvelope {
        name: plan.name.to_string(),
        temperature: Reach { from, to },
        bands: bands.collect(),
    }
}

fn certificate(plan: &CertificatePlan, today: Date) -> ShownCertificate {
    let (paper, heading) = (&plan.certificate, plan.certificate.heading());
    let range = paper.range();
    let points = paper.points().iter().map(|point| CertificatePoint {
        reference: point.reference,
        reading: point.reading,
        uncertainty: point.uncertainty,
        k: point.k,
    });
    ShownCertificate {
        name: plan.name.to_string(),
        number: heading.number.clone(),
        laboratory: heading.laboratory.clone(),
        date: heading.date.to_string(),
        due: heading.due.to_string(),
        standing: match paper.standing(today) {
            flags if flags.contains(Quality::CALIBRATION_OVERDUE) => "overdue",
            flags if flags.contains(Quality::UNCALIBRATED) => "not yet",
            _ => "in force",
        },
        quantity: paper.quantity().word(),
        unit: paper.unit().symbol(),
        range: Reach {
            from: range.from,
            to: range.to,
        },
        method: paper.method().word(),
        points: points.collect(),
    }
}

fn day_of(at: Stamp) -> Date {
    let at = jiff::Timestamp::from_microsecond(at.micros()).unwrap_or_default();
    Offset::UTC.to_datetime(at).date()
}
