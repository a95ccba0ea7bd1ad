"""Computes derived channels anew from an exported CSV, and holds them against what was recorded.

    python derived.py LONG.csv DATA [corrected]

Of each input the first reading within the second counts. Where all inputs have one, there must be a derived
sample, at the time of the last of them and with the flags that follow; where one is missing, none. Prints how much was
compared.
"""

import pathlib
import sqlite3
import sys

import CoolProp.CoolProp as cp
import numpy
import pandas
import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)
AREA = numpy.pi / 4 * 0.4**2
FEET_70 = (70 - 32) / 1.8 + 273.15
ROOM = cp.HAPropsSI("W", "T", 296.15, "P", 98200.0, "R", 0.5)
PASSED_ON = {"simulated", "backlog", "resynced", "uncalibrated", "calibration_overdue", "loop_check"}


def dry(kelvin: float, pascal: float) -> float:
    return cp.PropsSI("D", "T", kelvin, "P", pascal, "Air")


def moist(celsius: float, gauge: float) -> float:
    pascal = 98200.0 + gauge
    density = (1 + ROOM) / cp.HAPropsSI("V", "T", celsius + 273.15, "P", pascal, "W", ROOM)
    # An ideal gas is within 0.1 % of it.
    assert abs(density / psychrolib.GetMoistAirDensity(celsius, ROOM, pascal) - 1) < 1e-3
    return density


def actual(v, t, gauge):
    return v * dry(FEET_70, 101325.0) / moist(t, gauge)


def heat(v, t):
    enthalpy = lambda kelvin: cp.PropsSI("H", "T", kelvin, "P", 98200.0, "Air")
    return v * dry(FEET_70, 101325.0) * AREA * (enthalpy(t + 273.15) - enthalpy(296.15))


def uniformity(*v):
    return 1 - numpy.abs(numpy.array(v) - numpy.mean(v)).sum() / (2 * len(v) * abs(numpy.mean(v)))


V, T, P = "exhaust-centre.velocity", "exhaust-centre.temperature", "exhaust-pressure"
TEMPERATURES = ["Z1-left.temperature", "Z1-right.temperature", "Z3-right.temperature"]
# Law, inputs, relative tolerance: the models agree with the libraries within 1e-4, heat within its stated 0.4 %.
LAWS = {
    "duct-actual": (actual, [V, T, P], 2e-4),
    "duct-flow": (lambda v: v * AREA, ["duct-actual"], 1e-12),
    "duct-normal": (lambda v: v * AREA * dry(FEET_70, 101325.0) / dry(273.15, 101325.0), [V], 1e-4),
    "duct-mass": (lambda v, t, gauge: v * AREA * moist(t, gauge), ["duct-actual", T, P], 2e-4),
    "duct-density": (lambda t: dry(t + 273.15, 98200.0), [T], 1e-4),
    "duct-heat": (heat, [V, T], 1e-3),
    "zone-mean": (lambda *t: numpy.mean(t), TEMPERATURES, 1e-12),
    "zone-spread": (lambda *t: numpy.ptp(t), TEMPERATURES, 1e-9),
    "zone-uniformity": (uniformity, ["Z1-left.velocity", "Z1-middle.velocity", "Z1-right.velocity"], 1e-12),
    "across": (lambda one, other: one - other, ["Z1-left.temperature", T], 1e-9),
}


def flags_of(words) -> set:
    return set() if words == "good" else set(words.split())


def expected_flags(rows, value) -> set:
    every = set().union(*(flags_of(row.quality) for row in rows))
    flags = every & PASSED_ON
    if every - PASSED_ON:
        flags.add("moved")
    if value is None:
        flags.add("no_number")
    return flags


is_corrected = sys.argv[3:] == ["corrected"]
samples = pandas.read_csv(sys.argv[1])
samples["at"] = pandas.to_datetime(samples["time"], format="ISO8601", utc=True).astype("datetime64[us, UTC]").astype("int64")
samples["slot"] = samples["at"] // 1_000_000
samples["value"] = samples["value"].astype(float)
first = samples.sort_values("at").drop_duplicates(["channel", "slot"]).set_index(["channel", "slot"])
compared, valueless, missing = 0, 0, 0
for name, (law, inputs, tolerance) in LAWS.items():
    own = samples[samples["channel"] == name]
    assert (own["code"].isna() == own["value"].isna()).all(), f"{name}: the code is the number that came out, where one did"
    assert is_corrected or own["code"].astype(float).equals(own["value"]), f"{name}: nobody corrected anything, so the code is the value"
    assert own["slot"].is_unique and len(own) >= 12, (name, len(own))
    begin, end = own["slot"].min(), own["slot"].max()
    own = own.set_index("slot")
    for slot in range(begin, end + 1):
        there = [(channel, slot) in first.index for channel in inputs]
        if not all(there):
            assert slot not in own.index, f"{name}: a value in second {slot}, although an input is missing"
            missing += 1
            continue
        rows = [first.loc[(channel, slot)] for channel in inputs]
        assert slot in own.index, f"{name}: nothing in second {slot}, although every input is there"
        found = own.loc[slot]
        values = [row.value for row in rows]
        theirs = None if numpy.isnan(values).any() else law(*values)
        assert found["at"] == max(row["at"] for row in rows), (name, slot)
        assert flags_of(found["quality"]) == expected_flags(rows, theirs), (name, slot, found["quality"], [row.quality for row in rows])
        if theirs is None:
            assert numpy.isnan(found["value"]), (name, slot)
            valueless += 1
        else:
            ours = found["value"]
            assert abs(ours - theirs) <= tolerance * max(abs(theirs), 1e-6), f"{name} in second {slot}: zonda {ours}, the libraries {theirs}"
            compared += 1
assert valueless and missing, "the faults left no trace"

# The gaps say the cause of the input that was missing.
[path] = pathlib.Path(sys.argv[2]).glob("*.sqlite")
record = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
gaps = record.execute(
    "SELECT g.cause, g.detail FROM gap g JOIN channel c ON c.id = g.channel WHERE c.name = 'duct-normal' AND g.missed > 1"
).fetchall()
assert any(cause in ("timeout", "no_answer") and "its input `exhaust-centre.velocity` is missing" in detail for cause, detail in gaps), gaps
[[law_text]] = record.execute(
    "SELECT m.text FROM mapping m JOIN channel c ON c.id = m.channel WHERE c.name = 'duct-normal'"
).fetchall()
assert '"derived":"standard flow"' in law_text and "standard: 0 °C, 101.325 kPa, dry" in law_text, law_text
print(f"{compared} values; {valueless} without a number and {missing} missing, as their inputs")
