"""Poses problems of uncertainty and solves them with GTC, scipy and numpy.

    python uncertainty.py SEED

Prints one JSON object: straight lines, budgets, laws, coverage factors and drawn sums, each with the
numbers that go in and what the libraries make of them. Where two libraries solve the same problem,
they are held against each other first.
"""

import json
import math
import sys

import GTC
import numpy
import scipy.odr
import scipy.stats
from GTC import type_a

CASES = 12
SUMS = 4
DRAWS = 400_000


def close(one: float, other: float, tolerance: float = 1e-9) -> None:
    assert math.isclose(one, other, rel_tol=tolerance, abs_tol=1e-12), (one, other)


def line(draw) -> dict:
    """Points about a line, x from 0 to some 20."""
    count = int(draw.integers(4, 25))
    x = numpy.sort(draw.uniform(0.0, 20.0, count))
    slope, intercept = draw.uniform(0.5, 2.0) * draw.choice([-1, 1]), draw.uniform(-5.0, 5.0)
    u_x, u_y = draw.uniform(0.02, 0.2, count), draw.uniform(0.02, 0.3, count)
    y = intercept + slope * x + draw.normal(0.0, u_y)
    return {"x": x, "y": y, "u_x": u_x, "u_y": u_y}


def fitted(intercept, slope) -> dict:
    return {
        "intercept": intercept.x,
        "slope": slope.x,
        "intercept_u": intercept.u,
        "slope_u": slope.u,
        "correlation": GTC.get_correlation(intercept, slope),
    }


def ordinary(draw) -> dict:
    points = line(draw)
    a, b = type_a.line_fit(points["x"], points["y"]).a_b
    other = scipy.stats.linregress(points["x"], points["y"])
    close(a.x, other.intercept)
    close(b.u, other.stderr)
    return points | fitted(a, b) | {"dof": b.df}


def weighted(draw) -> dict:
    points = line(draw)
    a, b = type_a.line_fit_wls(points["x"], points["y"], points["u_y"]).a_b
    _, covariance = numpy.polyfit(points["x"], points["y"], 1, w=1 / points["u_y"], cov="unscaled")
    close(b.u, math.sqrt(covariance[0, 0]))
    return points | fitted(a, b)


def both_noisy(draw) -> dict:
    """Orthogonal distance regression: the same line as York's; its uncertainties differ in second order."""
    points = line(draw)
    points["x"] = points["x"] + draw.normal(0.0, points["u_x"])
    data = scipy.odr.RealData(points["x"], points["y"], sx=points["u_x"], sy=points["u_y"])
    start = numpy.polyfit(points["x"], points["y"], 1)
    model = scipy.odr.Model(lambda beta, x: beta[0] * x + beta[1])
    found = scipy.odr.ODR(data, model, beta0=start, sstol=1e-14, partol=1e-14, maxit=500).run()
    u = numpy.sqrt(numpy.diag(found.cov_beta))
    return points | {
        "slope": found.beta[0],
        "intercept": found.beta[1],
        "slope_u": u[0],
        "intercept_u": u[1],
        "birge": math.sqrt(found.res_var),
    }


def budget(draw) -> dict:
    """A weighted sum of independent inputs."""
    count = int(draw.integers(2, 9))
    u, c = draw.uniform(0.01, 2.0, count), draw.uniform(-3.0, 3.0, count)
    dof = [float(d) if d < 40 else "infinite" for d in draw.integers(2, 60, count)]
    inputs = [GTC.ureal(0.0, s, math.inf if d == "infinite" else d) for s, d in zip(u, dof)]
    result = sum(slope * x for slope, x in zip(c, inputs))
    p = draw.uniform(0.6, 0.99)
    factor = scipy.stats.t.ppf((1 + p) / 2, math.floor(result.df) if math.isfinite(result.df) else math.inf)
    return {
        "u": u,
        "c": c,
        "dof": dof,
        "combined": result.u,
        "effective": result.df if math.isfinite(result.df) else "infinite",
        "p": p,
        "k": factor,
    }


def correlated(draw) -> dict:
    """Three inputs that were seen to go together."""
    u, c = draw.uniform(0.1, 2.0, 3), draw.uniform(-3.0, 3.0, 3)
    root = draw.normal(size=(3, 3))
    covariance = root @ root.T
    sd = numpy.sqrt(numpy.diag(covariance))
    r = covariance / numpy.outer(sd, sd)
    inputs = [GTC.ureal(0.0, s, independent=False) for s in u]
    for i, j in ((0, 1), (0, 2), (1, 2)):
        GTC.set_correlation(r[i, j], inputs[i], inputs[j])
    result = sum(slope * x for slope, x in zip(c, inputs))
    return {"u": u, "c": c, "r": [r[0, 1], r[0, 2], r[1, 2]], "combined": result.u}


def laws(draw) -> dict:
    """Four channels on one converter, whose error is common to all."""
    values, own = draw.uniform(2.0, 9.0, 4), draw.uniform(0.05, 0.3, 4)
    gain = draw.uniform(0.05, 0.3, 4)
    converter = GTC.ureal(0.0, 1.0)
    x = [GTC.ureal(v, s) + g * converter for v, s, g in zip(values, own, gain)]
    mean = sum(x) / 4
    spread = GTC.sqrt(sum((xi - mean) ** 2 for xi in x) / 3)
    results = {
        "mean": mean,
        "difference": x[0] - x[1],
        "sum": sum(x),
        "product": x[0] * x[1],
        "ratio": x[2] / x[3],
        "range": x[int(numpy.argmax(values))] - x[int(numpy.argmin(values))],
        "spread": spread,
    }
    return {
        "values": values,
        "own": own,
        "gain": gain,
        "results": {name: [result.x, result.u] for name, result in results.items()},
    }


def drawn(draw) -> dict:
    """Sums that are far from normal, drawn by numpy."""
    half_widths, u = draw.uniform(0.5, 3.0, 2), draw.uniform(0.1, 1.0)
    rectangle = draw.uniform(-half_widths[0], half_widths[0], DRAWS)
    wave = half_widths[1] * numpy.cos(draw.uniform(0.0, 2 * math.pi, DRAWS))
    total = rectangle + wave + u * draw.standard_t(6, DRAWS)
    low, high = numpy.quantile(total, [0.025, 0.975])
    return {
        "rectangle": half_widths[0],
        "wave": half_widths[1],
        "u": u,
        "dof": 6.0,
        "sd": total.std(),
        "low": low,
        "high": high,
    }


def main(seed: int) -> None:
    draw = numpy.random.default_rng(seed)
    tasks = [ordinary, weighted, both_noisy, budget, correlated, laws]
    problems = {task.__name__: [task(draw) for _ in range(CASES)] for task in tasks}
    problems["drawn"] = [drawn(draw) for _ in range(SUMS)]
    json.dump(problems, sys.stdout, default=lambda value: value.tolist())


main(int(sys.argv[1]))
