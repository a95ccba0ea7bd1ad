"""Writes reference.json: what general-purpose libraries say about statistics and uncertainty.

The tests of this crate compare against these numbers; nothing in the crate reads them.
Run it with the versions below to get the same file again:

    pip install numpy==2.4.6 scipy==1.17.1 GTC==1.5.1 AllanTools==2024.6
    python make_reference.py > reference.json
"""

import json
import sys
from importlib.metadata import version

import allantools
import GTC
import numpy as np
from scipy import stats

LIBRARIES = ["numpy", "scipy", "GTC", "AllanTools"]


def series(seed, count, place, spread, memory=0.0):
    """Normal noise that forgets exponentially, rounded so that the file holds exactly what was used."""
    draws = np.random.default_rng(seed).standard_normal(count)
    values = [draws[0]]
    for draw in draws[1:]:
        values.append(memory * values[-1] + np.sqrt(1 - memory**2) * draw)
    return [round(place + spread * value, 6) for value in values]


def lag_one(values):
    d = np.array(values) - np.mean(values)
    return float((d[1:] * d[:-1]).sum() / (d * d).sum())


def statistics():
    rows = []
    for seed, count, place, spread, memory in [
        (1, 50, 180.0, 0.4, 0.0),
        (2, 301, 5.0, 0.8, 0.7),
        (3, 1000, -20.0, 3.0, 0.95),
        (4, 8, 1e6, 0.001, 0.0),
    ]:
        x = series(seed, count, place, spread, memory)
        fit = stats.linregress(np.arange(count), x)
        rows.append(
            {
                "values": x,
                "mean": float(np.mean(np.array(x, dtype=np.longdouble))),
                "sd": float(np.std(np.array(x, dtype=np.longdouble), ddof=1)),
                "lag_one": lag_one(x),
                "median": float(np.median(x)),
                "mad": float(stats.median_abs_deviation(x)),
                "trimmed_10": float(stats.trim_mean(x, 0.1)),
                "trimmed_25": float(stats.trim_mean(x, 0.25)),
                "slope": float(fit.slope),
                "slope_u": float(fit.stderr),
            }
        )
    return rows


def student():
    return [
        {"p": p, "dof": dof, "t": float(stats.t.ppf(p, dof) if dof is not None else stats.norm.ppf(p))}
        for p in [0.51, 0.75, 0.9, 0.95, 0.975, 0.977249868, 0.99, 0.995, 0.9995]
        for dof in [1, 1.5, 2, 2.5, 3, 4, 5, 8, 10, 16.6, 20, 33, 50, 100, 500, 1e4, 1e6, None]
    ]


def normal():
    return [{"z": z, "p": float(stats.norm.cdf(z))} for z in np.arange(-8, 8.25, 0.25).tolist()]


def allan():
    rows = []
    for seed, memory in [(11, 0.0), (12, 0.8)]:
        x = series(seed, 400, 0.0, 1.0, memory)
        averaging, adev, _, _ = allantools.adev(x, rate=1.0, data_type="freq", taus=[1, 2, 3, 5, 10, 40])
        _, oadev, _, _ = allantools.oadev(x, rate=1.0, data_type="freq", taus=[1, 2, 3, 5, 10, 40])
        rows.append({"values": x, "m": averaging.tolist(), "adev": adev.tolist(), "oadev": oadev.tolist()})
    return rows


def budgets():
    """Models with curved and mixed terms, some of whose inputs are correlated; degrees of freedom where GTC gives them."""
    rows = []

    def row(name, inputs, correlations, model):
        numbers = [GTC.ureal(x, u, df if df is not None else GTC.inf, independent=not correlations) for x, u, df in inputs]
        for i, j, r in correlations:
            GTC.set_correlation(r, numbers[i], numbers[j])
        y = model(*numbers)
        dof = GTC.dof(y)
        rows.append(
            {
                "name": name,
                "inputs": inputs,
                "correlations": correlations,
                "value": GTC.value(y),
                "u": GTC.uncertainty(y),
                "dof": dof if np.isfinite(dof) else None,
                "contributions": [GTC.component(y, number) for number in numbers],
            }
        )

    row("product", [[8.0, 0.2, 9], [0.125, 0.001, None]], [], lambda v, a: v * a)
    row("actual velocity", [[5.0, 0.137, 40], [473.15, 2.0, 12], [95e3, 300.0, None]], [], lambda v, t, p: v * t / 294.261 * 101325 / p)
    row("pitot", [[30.0, 0.5, 6], [0.746, 0.004, 20]], [], lambda dp, rho: GTC.sqrt(2 * dp / rho))
    row("difference of two by one instrument", [[200.0, 1.1, None], [180.0, 1.0, None]], [[0, 1, 0.9]], lambda a, b: a - b)
    row("ratio, correlated", [[5.0, 0.05, None], [0.02, 0.0003, None], [1.04, 0.001, None]], [[0, 1, -0.36], [0, 2, 0.86], [1, 2, -0.65]], lambda v, i, phi: v * GTC.cos(phi) / i)
    return rows


def main():
    tables = {
        "libraries": {name: version(name) for name in LIBRARIES},
        "statistics": statistics(),
        "student": student(),
        "normal": normal(),
        "allan": allan(),
        "budgets": budgets(),
    }
    json.dump(tables, sys.stdout, indent=1)
    print()


main()
