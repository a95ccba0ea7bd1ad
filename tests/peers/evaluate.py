"""Poses problems of statistics, steadiness, zones and transients from a seed, and solves them by numpy, scipy and pandas.

    evaluate.py SEED

Prints the problems with their answers as JSON.
"""

import json
import math
import sys

import numpy as np
import pandas as pd
from scipy import fft, interpolate, signal, stats
from scipy.spatial import distance

rng = np.random.default_rng(int(sys.argv[1]))


def noise(count, memory):
    """Stationary noise that forgets exponentially, of unit variance."""
    draws = rng.standard_normal(count) * math.sqrt(1 - memory**2)
    draws[0] = rng.standard_normal()
    return signal.lfilter([1.0], [1.0, -memory], draws)


def lag_one(x):
    d = x - x.mean()
    return (d[1:] * d[:-1]).sum() / (d * d).sum()


def series(count, memory, place, spread):
    # Few digits, so that reading them from JSON changes nothing.
    x = (place + spread * noise(count, memory)).round(6)
    return {
        "values": x.tolist(),
        "mean": math.fsum(x) / count,
        "sd": np.std(x.astype(np.longdouble), ddof=1).item(),
        "lag_one": lag_one(x),
        "median": np.median(x),
        "mad": stats.median_abs_deviation(x),
        "trimmed": stats.trim_mean(x, 0.1),
    }


def over_time(count):
    """A reading a second, of which every fifth or so is missing: moving and fixed windows go by time, not by count."""
    kept = np.flatnonzero(rng.random(count) < 0.8)
    x = 180 + noise(len(kept), 0.9)
    frame = pd.Series(x, index=pd.to_datetime(kept, unit="s"))
    moving = frame.rolling("30s", closed="right")
    fixed = frame.resample("120s")
    return {
        "seconds": kept.tolist(),
        "values": x.tolist(),
        "moving_mean": moving.mean().tolist(),
        "moving_count": moving.count().tolist(),
        "fixed_mean": fixed.mean().tolist(),
        "fixed_sd": fixed.std().tolist(),
        "fixed_count": fixed.count().tolist(),
    }


def window(memory, rise, step):
    """A window of 640 readings in 32 blocks, judged at an error rate of 5 % in three tests."""
    x = noise(640, memory) + rise * np.linspace(0, 1, 640)
    x[rng.integers(20, 620) :] += step
    blocks = x.reshape(32, 20).mean(axis=1)

    def scatter(row):
        return math.sqrt((fft.dct(row, norm="ortho")[3:11] ** 2).mean())

    slow = (fft.dct(blocks, norm="ortho")[1:3] ** 2).mean() / scatter(blocks) ** 2
    p = [stats.f.sf(slow, 2, 8)]
    for end, rest in [(blocks[:4], blocks[4:]), (blocks[28:], blocks[:28])]:
        t = abs(end.mean() - rest.mean()) / (scatter(rest) * math.sqrt(1 / 4 + 1 / 28))
        p.append(2 * stats.t.sf(t, 8))
    line = stats.linregress(np.arange(32), blocks)
    lever = ((np.arange(32) - 15.5) ** 2).sum()
    return {
        "values": x.tolist(),
        "mean": blocks.mean(),
        "climb": 32 * line.slope,
        "u_climb": 32 * scatter(blocks) / math.sqrt(lever),
        "is_steady": bool(min(p) > 0.05 / 3),
    }


def zone(places, scans):
    at = rng.uniform(-0.5, 0.5, (places, 3))
    x = 180 + rng.normal(0, 1, places) + 0.3 * rng.standard_normal((scans, places)) + np.linspace(0, 1, scans)[:, None]
    means = x.mean(axis=0)
    spreads = np.ptp(x, axis=1)
    within = (np.abs(x - 180) <= 2.5).all(axis=1)
    gaps = np.abs(means[:, None] - means)[np.triu_indices(places, 1)]
    return {
        "at": at.tolist(),
        "scans": x.tolist(),
        "mean": means.mean(),
        "sd_of_means": means.std(ddof=1),
        "gradient": np.ptp(means),
        "warmest": int(means.argmax()),
        "coldest": int(means.argmin()),
        "steepest": (gaps / distance.pdist(at)).max(),
        "spread": spreads.max(),
        "spread_mean": spreads.mean(),
        "overall": np.ptp(x),
        "fluctuation": np.ptp(x, axis=0).max(),
        "highest": x.max() - 180,
        "lowest": x.min() - 180,
        "within": int((within[1:] & within[:-1]).sum()),
        "excursions": int((within[:-1] & ~within[1:]).sum()),
        "drift": stats.linregress(np.arange(scans), x.mean(axis=1)).slope,
    }


def evenness(count):
    v, area = rng.uniform(0.5, 9, count), rng.uniform(0.1, 2, count)
    mean = np.average(v, weights=area)
    return {
        "v": v.tolist(),
        "area": area.tolist(),
        "mean": mean,
        "cv": stats.variation(v, ddof=1),
        "cv_weighted": math.sqrt(np.average((v - mean) ** 2, weights=area)) / mean,
        "max_over_min": v.max() / v.min(),
        "index": 1 - np.average(abs(v - mean), weights=area) / (2 * mean),
    }


def transient(zeta):
    """A rise of second order with noise, of which some samples are missing, smoothed by local lines over 20 s."""
    omega = 0.02
    t = np.arange(1500.0)
    _, rise = signal.step(([omega**2], [1, 2 * zeta * omega, omega**2]), T=t)
    t = np.delete(t, rng.choice(np.arange(1, 1499), 100, replace=False))
    x = 25 + 175 * np.interp(t, np.arange(1500.0), rise) + rng.standard_normal(len(t))
    near = [np.flatnonzero(abs(t - at) <= 10) for at in t]
    smooth = np.array([np.polyval(np.polyfit(t[i] - at, x[i], 1), 0) for i, at in zip(near, t)])

    def passed(level):
        k = int(np.argmax(smooth >= level))
        pair = interpolate.interp1d(smooth[k - 1 : k + 1], t[k - 1 : k + 1])
        return float(pair(level)) if t[k] - t[k - 1] <= 1.5 else None

    first = np.argmax(smooth >= 200)
    peak = first + smooth[first:].argmax()
    outside = np.flatnonzero(abs(smooth - 200) > 5)
    slopes = []
    for k, at in enumerate(t):
        i = np.flatnonzero((t >= at - 60) & (t <= at))
        if at - t[i[0]] + 1 > 60 and len(i) >= 54:
            slopes.append(stats.linregress(t[i], x[i]).slope)
    return {
        "seconds": t.tolist(),
        "values": x.tolist(),
        "passed": {str(level): passed(level) for level in [60, 100, 150, 190]},
        "overshoot": smooth[peak] - 200,
        "peak_at": t[peak],
        "settled_by": t[outside[-1] + 1],
        "steepest": max(slopes),
    }


problems = {
    "series": [series(400, memory, *where) for memory in [0, 0.5, 0.95] for where in [(180, 0.4), (1e6, 1e-3)]],
    "over_time": [over_time(1200)],
    "windows": [
        window(memory, rise, step)
        for memory in [0, 0.5, 0.9]
        for rise in [0, 0.3, 0.6, 1]
        for step in [0, 0, 0, 0.3, 1]
    ],
    "zones": [zone(places, 200) for places in [2, 9, 15, 27]],
    "evenness": [evenness(count) for count in [2, 9, 40]],
    "transients": [transient(zeta) for zeta in [0.3, 0.5, 0.7]],
}
json.dump(problems, sys.stdout, default=float)
