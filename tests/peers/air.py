"""Asks `zonda air` about air over its range and holds the answers against CoolProp and psychrolib.

    python air.py PATH-OF-ZONDA

A property must lie within the error that the answer itself states (k = 2). Prints how much was compared.
"""

import json
import math
import subprocess
import sys

import CoolProp.CoolProp as cp
import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)
ZERO = 273.15
ATMOSPHERE = 101325.0
compared = 0


def ask(*arguments: str) -> dict:
    answer = subprocess.run([sys.argv[1], "air", *arguments, "--json"], capture_output=True, text=True)
    assert answer.returncode == 0, (arguments, answer.stderr)
    return json.loads(answer.stdout)["results"]


def close(what: str, ours: float, theirs: float, tolerance: float) -> None:
    """`tolerance` is absolute."""
    global compared
    compared += 1
    assert abs(ours - theirs) <= tolerance, f"{what}: zonda {ours}, the library {theirs}, apart by more than {tolerance}"


def within_stated(what: str, row: dict, theirs: float) -> None:
    close(what, row["value"], theirs, 2.0 * row["u"])


def dry(celsius: float, kilopascal: float) -> None:
    rows = ask("properties", f"{celsius} °C", "--pressure", f"{kilopascal} kPa")
    state = ("T", celsius + ZERO, "P", kilopascal * 1e3, "Air")
    for key, name, scale in [
        ("density", "D", 1.0),
        ("viscosity", "V", 1e6),
        ("heat_capacity", "C", 1.0),
        ("conductivity", "L", 1e3),
        ("prandtl", "PRANDTL", 1.0),
        ("compressibility", "Z", 1.0),
    ]:
        theirs = cp.PropsSI(name, *state) * scale
        if "u" in rows[key]:
            within_stated(f"{key} of dry air at {celsius} °C, {kilopascal} kPa", rows[key], theirs)
        else:
            close(key, rows[key]["value"], theirs, 5e-5)


def moist(celsius: float, kilopascal: float, relative: float) -> None:
    """Room air of 23 °C, heated."""
    rows = ask("properties", f"{celsius} °C", "--pressure", f"{kilopascal} kPa", "--humidity", f"{relative} % at 23 °C")
    pascal = kilopascal * 1e3
    room = ("T", 23.0 + ZERO, "P", pascal, "R", relative / 100)
    ratio = cp.HAPropsSI("W", *room)
    words = f"of air of {relative} % heated to {celsius} °C at {kilopascal} kPa"
    close(f"humidity ratio {words}", rows["humidity_ratio"]["value"] / 1e3, ratio, 4e-4 * ratio)
    # psychrolib leaves the enhancement factor out, half a percent.
    close(f"humidity ratio {words}", rows["humidity_ratio"]["value"] / 1e3, psychrolib.GetHumRatioFromRelHum(23.0, relative / 100, pascal), 6e-3 * ratio)
    state = ("T", celsius + ZERO, "P", pascal, "W", ratio)
    within_stated(f"density {words}", rows["density"], (1 + ratio) / cp.HAPropsSI("V", *state))
    # An ideal gas is off by less than 0.1 % here.
    close(f"density {words}", rows["density"]["value"], psychrolib.GetMoistAirDensity(celsius, ratio, pascal), 1e-3 * rows["density"]["value"])
    close(f"dew point {words}", rows["dew_point"]["value"], cp.HAPropsSI("D", *state) - ZERO, 0.02)
    # Heat capacity of the library is per kg of dry air.
    within_stated(f"heat capacity {words}", rows["heat_capacity"], cp.HAPropsSI("C", *state) / (1 + ratio))


def velocity(celsius: float, kilopascal: float) -> None:
    density = cp.PropsSI("D", "T", celsius + ZERO, "P", kilopascal * 1e3, "Air")
    for reference, kelvin in [("0 °C", ZERO), ("15 °C", 288.15), ("20 °C", 293.15), ("70 °F", 294.2611), ("25 °C", 298.15)]:
        theirs = 6.0 * cp.PropsSI("D", "T", kelvin, "P", ATMOSPHERE, "Air") / density
        rows = ask("velocity", f"6 m/s standard {reference}", "-t", f"{celsius} °C", "--pressure", f"{kilopascal} kPa")
        within_stated(f"6 m/s at {reference} in air of {celsius} °C", rows["actual"], theirs)
        back = ask("velocity", f"{rows['actual']['value']!r} m/s actual", "-t", f"{celsius} °C", "--pressure", f"{kilopascal} kPa", "--reference", reference)
        close("there and back", back["standard"][0]["value"], 6.0, 1e-9)


def pitot(pascal: float, celsius: float) -> None:
    state = ("T", celsius + ZERO, "P", ATMOSPHERE, "Air")
    density, gamma = cp.PropsSI("D", *state), cp.PropsSI("C", *state) / cp.PropsSI("O", *state)
    power = (gamma - 1) / gamma
    theirs = 0.84 * math.sqrt(2 / power * ATMOSPHERE / density * ((1 + pascal / ATMOSPHERE) ** power - 1))
    ours = ask("pitot", f"{pascal} Pa", "--tube", "s-type", "-t", f"{celsius} °C")["actual"]["value"]
    close(f"pitot at {pascal} Pa", ours, theirs, 1e-4 * theirs)


def exhaust(outlet: float, grams: float) -> None:
    rows = ask("exhaust", "1 kg/s", "--inlet", "23 °C", "--humidity", "8 g/kg", "--outlet", f"{outlet} °C", "--outlet-humidity", f"{grams} g/kg")
    enthalpy = lambda celsius, ratio: cp.HAPropsSI("H", "T", celsius + ZERO, "P", ATMOSPHERE, "W", ratio)
    theirs = (enthalpy(outlet, grams / 1e3) - enthalpy(23.0, 0.008)) / (1 + grams / 1e3)
    within_stated(f"heat of exhaust at {outlet} °C, {grams} g/kg", rows["heat"], theirs / 1e3)


def flow() -> None:
    """Through 0.4 m, 6 m/s at 20 °C: the mass is that of the reference's density alone."""
    rows = ask("flow", "6 m/s standard 20 °C", "--diameter", "400 mm", "-t", "200 °C", "--pressure", "95 kPa")
    reference = cp.PropsSI("D", "T", 293.15, "P", ATMOSPHERE, "Air")
    mass = reference * 6.0 * math.pi / 4 * 0.4**2
    within_stated("mass flow", rows["mass"], mass * 3600)
    within_stated("normal flow", rows["normal"], mass * 3600 / cp.PropsSI("D", "T", ZERO, "P", ATMOSPHERE, "Air"))
    within_stated("actual flow", rows["actual"], mass * 3600 / cp.PropsSI("D", "T", 473.15, "P", 95e3, "Air"))


for celsius in [-40, 0, 20, 60, 120, 180, 250, 350, 450, 600]:
    for kilopascal in [80.0, 101.325, 105.0]:
        dry(celsius, kilopascal)
for celsius in [23, 80, 180, 300]:
    for relative in [10.0, 50.0, 90.0]:
        moist(celsius, 95.0, relative)
for celsius in [20, 200, 500]:
    velocity(celsius, 95.0)
for pascal in [5.0, 45.0, 1000.0]:
    pitot(pascal, 180.0)
for outlet, grams in [(120, 8.0), (180, 45.0), (300, 20.0)]:
    exhaust(outlet, grams)
flow()
print(f"{compared} figures")
