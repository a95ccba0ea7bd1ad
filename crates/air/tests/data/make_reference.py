"""Writes reference.json: what general-purpose libraries say about air and water.

The tests of this crate compare against these numbers; nothing in the crate reads them.
Run it with the versions below to get the same file again:

    pip install CoolProp==8.0.0 PsychroLib==2.5.0 iapws==1.5.5 MetPy==1.7.1 chemicals==1.5.2
    python make_reference.py > reference.json
"""

import json
import sys
import warnings
from importlib.metadata import version

import CoolProp.CoolProp as cp
import psychrolib
from chemicals.thermal_conductivity import Lindsay_Bromley
from chemicals.viscosity import Wilke
from iapws._iapws import _Sublimation_Pressure
from iapws.iapws97 import _PSat_T
from metpy.calc import altimeter_to_station_pressure
from metpy.units import units

warnings.simplefilter("ignore")
psychrolib.SetUnitSystem(psychrolib.SI)

P0 = 101325.0
TEMPERATURES = [-40, -20, 0, 10, 20, 30, 40, 50, 60, 80, 100, 120, 150, 180, 200, 250, 300, 350, 400, 450, 500, 550, 600]
PRESSURES = [60e3, 70e3, 80e3, 90e3, P0, 105e3, 110e3]
RATIOS = [0.0, 0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.15, 0.3, 0.5, 1.0]


def kelvin(t):
    return t + 273.15


def dry():
    """Dry air as the pseudo-pure fluid of Lemmon et al. (2000), transport by Lemmon and Jacobsen (2004)."""
    zero = cp.PropsSI("H", "T", kelvin(0), "P", P0, "Air")
    rows = []
    for t in TEMPERATURES:
        for p in PRESSURES:
            d, mu, c, k, h = (cp.PropsSI(x, "T", kelvin(t), "P", p, "Air") for x in "DVCLH")
            rows.append(dict(t=t, p=p, density=d, viscosity=mu, heat_capacity=c, conductivity=k, enthalpy=h - zero))
    return rows


def moist():
    """Moist air by HAPropsSI (after ASHRAE RP-1485), which stops at 350 degC. Per kg of dry air where it says so.

    Not its viscosity and conductivity: they take steam near 100 degC whatever the temperature, and the
    mixture comes out thinner than both its parts (at 350 degC and W = 1 by 30 %).
    """
    dry_zero = cp.HAPropsSI("H", "T", kelvin(0), "P", P0, "W", 0)
    rows = []
    for t in [t for t in TEMPERATURES if 0 <= t <= 350]:
        for p in PRESSURES:
            for w in RATIOS[1:]:
                try:
                    v, h, c, x = (
                        cp.HAPropsSI(q, "T", kelvin(t), "P", p, "W", w)
                        for q in ("Vha", "H", "cp", "psi_w")
                    )
                except ValueError:
                    continue
                if cp.PropsSI("P", "T", kelvin(t), "Q", 1, "Water") < x * p:
                    continue  # fog
                rows.append(dict(t=t, p=p, w=w, density=1 / v, enthalpy_per_dry=h - dry_zero,
                                 heat_capacity_per_dry=c))
    return rows


def mixture():
    """Compressibility factor of N2 + O2 + Ar + H2O by the multi-fluid mixture model (GERG-2008), to 600 degC."""
    n2, o2, ar = 0.7812, 0.2096, 0.0092
    rows = []
    for t in [300, 350, 400, 450, 500, 550, 600]:
        for p in [60e3, P0, 110e3]:
            for x in [0.008, 0.075, 0.2, 0.4, 0.6]:
                f = 1 - x
                fluid = f"HEOS::Nitrogen[{n2*f}]&Oxygen[{o2*f}]&Argon[{ar*f}]&Water[{x}]"
                rho = cp.PropsSI("Dmolar", "T|gas", kelvin(t), "P", p, fluid)
                rows.append(dict(t=t, p=p, x=x, z=p / (rho * 8.314462618 * kelvin(t))))
    return rows


def transport():
    """Viscosity and conductivity of moist air at 101.325 kPa: parts by CoolProp (steam at low density),
    mixed by chemicals (Wilke; Lindsay and Bromley, whose rule is another than ours)."""
    rows = []
    for t in [20, 60, 100, 150, 200, 300, 400, 500, 600]:
        mu_air, k_air = (cp.PropsSI(q, "T", kelvin(t), "P", P0, "Air") for q in "VL")
        mu_steam, k_steam = (cp.PropsSI(q, "T|gas", kelvin(t), "Dmass", 1e-4, "Water") for q in "VL")
        for x in [0.008, 0.031, 0.075, 0.2, 0.4, 0.6]:
            if t < 100 and x * P0 > cp.PropsSI("P", "T", kelvin(t), "Q", 1, "Water"):
                continue
            masses = [28.96546, 18.01528]
            mu = Wilke([1 - x, x], [mu_air, mu_steam], masses)
            k = Lindsay_Bromley(kelvin(t), [1 - x, x], [k_air, k_steam], [mu_air, mu_steam], [78.9, 373.15], masses)
            rows.append(dict(t=t, x=x, viscosity=mu, conductivity=k, steam_viscosity=mu_steam, steam_conductivity=k_steam))
    return rows


def virials():
    """Second virial coefficients as HAPropsSI uses them, m3/mol."""
    return [
        dict(t=t, **{k: cp.HAProps_Aux(c, kelvin(t), P0, 0.0)[0] for k, c in (("aa", "Baa"), ("aw", "Baw"), ("ww", "Bww"))})
        for t in TEMPERATURES
    ]


def saturation():
    """IAPWS-IF97 region 4 and IAPWS R14-08(2011), Pa."""
    rows = [dict(t=t, p=_Sublimation_Pressure(kelvin(t)) * 1e6) for t in (-60, -40, -20, -5)]
    return rows + [dict(t=t, p=_PSat_T(kelvin(t)) * 1e6) for t in (0.01, 5, 20, 40, 60, 80, 100, 150, 200, 300, 350)]


def enhancement():
    """Enhancement factor of moist air over liquid water by HAPropsSI."""
    return [
        dict(t=t, p=p, f=cp.HAProps_Aux("f", kelvin(t), p, 0.0)[0])
        for t in (1, 10, 20, 30, 40, 50, 60, 70)
        for p in (60e3, 80e3, P0, 110e3)
        if cp.PropsSI("P", "T", kelvin(t), "Q", 1, "Water") < 0.6 * p
    ]


def ambient():
    """Relative humidity to humidity ratio and dew point, with (CoolProp) and without (PsychroLib) enhancement."""
    rows = []
    for t in (1, 10, 20, 30, 40, 50):
        for rh in (0.05, 0.2, 0.5, 0.8, 1.0):
            for p in (60e3, 80e3, P0, 105e3):
                w = cp.HAPropsSI("W", "T", kelvin(t), "P", p, "R", rh)
                rows.append(dict(
                    t=t, rh=rh, p=p, w=w,
                    dew=cp.HAPropsSI("D", "T", kelvin(t), "P", p, "W", w) - 273.15,
                    w_ideal=psychrolib.GetHumRatioFromRelHum(t, rh, p),
                    dew_ideal=psychrolib.GetTDewPointFromRelHum(t, rh),
                ))
    return rows


def barometer():
    """Standard atmosphere (PsychroLib) and altimeter setting to station pressure (MetPy)."""
    atmosphere = [dict(z=z, p=psychrolib.GetStandardAtmPressure(z)) for z in (-300, 0, 200, 500, 1000, 1500, 2000, 3000)]
    station = []
    for z in (0, 150, 500, 1000, 1500):
        for q in (98000.0, 101325.0, 103000.0):
            p = altimeter_to_station_pressure(q / 100 * units.hPa, z * units.m).to("Pa").magnitude
            station.append(dict(z=z, qnh=q, p=float(p)))
    return dict(atmosphere=atmosphere, station=station)


def main():
    parts = [dry, moist, mixture, transport, virials, saturation, enhancement, ambient, barometer]
    out = dict(
        meta=dict(
            generator="make_reference.py",
            libraries={n: version(n) for n in ("CoolProp", "PsychroLib", "iapws", "MetPy", "chemicals")},
            python=sys.version.split()[0],
            units="SI; t in degC; enthalpy relative to dry air at 0 degC and 101.325 kPa and liquid water at 0.01 degC",
        ),
        **{f.__name__: f() for f in parts},
    )
    rounded = json.loads(json.dumps(out), parse_float=lambda s: float(f"{float(s):.10g}"))
    print("{")
    print(",\n".join(f' "{key}": ' + lines(value) for key, value in rounded.items()))
    print("}")


def lines(value):
    if isinstance(value, list):
        return "[\n  " + ",\n  ".join(json.dumps(row) for row in value) + "\n ]"
    if isinstance(value, dict) and all(isinstance(v, list) for v in value.values()):
        return "{\n" + ",\n".join(f'  "{k}": ' + lines(v) for k, v in value.items()) + "}"
    return json.dumps(value)


main()
