//! What `zonda discover --json` prints.

use serde_json::{Value, json};
use zonda_lines::discover::{IioFinding, OnLine, RegistersFound, SerialPort, TextGuess, UnitFound};

use super::{Found, report, shown};

pub(super) fn of(found: &Found) -> Value {
    let ports: Vec<_> = found
        .ports
        .iter()
        .map(|(port, what)| of_port(port, what))
        .collect();
    let tcp: Vec<_> = found
        .tcp
        .iter()
        .map(|(address, what)| {
            json!({ "address": format!("{}:{}", address.host, address.port), "found": on_line(what) })
        })
        .collect();
    json!({
        "complete": !found.is_cut_short,
        "ports": ports,
        "tcp": tcp,
        "converters": found.iio.iter().map(converter).collect::<Vec<_>>(),
        "config": report::of(found),
    })
}

fn of_port(port: &SerialPort, what: &OnLine) -> Value {
    let adapter = port.adapter.as_ref().map(|adapter| {
        json!({
            "id": adapter.id,
            "maker": adapter.maker,
            "product": adapter.product,
            "serial": adapter.serial,
        })
    });
    json!({
        "path": shown(&port.path),
        "device": port.device,
        "stable": port.is_stable,
        "twin": port.has_twin,
        "adapter": adapter,
        "found": on_line(what),
    })
}

fn on_line(what: &OnLine) -> Value {
    match what {
        OnLine::NotOpened(why) => json!({ "kind": "not_opened", "why": why }),
        OnLine::Nothing => json!({ "kind": "nothing" }),
        OnLine::Noise { bytes } => json!({ "kind": "noise", "bytes": bytes }),
        OnLine::Text { settings, guess } => json!({
            "kind": "text",
            "serial": settings.map(|settings| settings.to_string()),
            "example": guess.example,
            "terminator": guess.terminator,
            "decimal_comma": guess.decimal_comma,
            "status": guess.status,
            "fields": fields(guess),
        }),
        OnLine::Modbus { settings, units } => json!({
            "kind": "modbus",
            "serial": settings.map(|settings| settings.to_string()),
            "units": units.iter().map(unit).collect::<Vec<_>>(),
        }),
    }
}

fn fields(guess: &TextGuess) -> Vec<Value> {
    let field = |field: &zonda_lines::discover::Field| {
        json!({
            "name": field.name,
            "quantity": field.quantity.map(|quantity| quantity.to_string()),
            "unit": field.unit.map(|unit| unit.to_string()),
            "decimals": field.decimals,
        })
    };
    guess.fields().into_iter().map(field).collect()
}

fn unit(found: &UnitFound) -> Value {
    let registers = |found: &RegistersFound| json!({ "count": found.count, "first": found.values });
    let says: serde_json::Map<_, _> = found
        .says
        .iter()
        .map(|(object, text)| (object.to_string(), json!(text)))
        .collect();
    json!({
        "unit": found.unit,
        "input": registers(&found.input),
        "holding": registers(&found.holding),
        "says": says,
    })
}

fn converter(finding: &IioFinding) -> Value {
    let channels: Vec<_> = finding
        .channels
        .iter()
        .map(|channel| {
            json!({
                "name": channel.name,
                "processed": channel.is_processed,
                "reads": channel.now,
                "scale": channel.scale,
                "offset": channel.offset,
            })
        })
        .collect();
    json!({
        "name": finding.device.name,
        "label": finding.device.label,
        "bus_address": finding.device.bus_address,
        "channels": channels,
    })
}
