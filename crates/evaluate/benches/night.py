"""What `night.rs` does, by numpy and pandas: the same samples, means, uniformity and steadiness.

Prints its time and memory to stderr and its figures to stdout. The samples are made beforehand and do not count.
"""

import resource
import sys
import time

import numpy as np
import pandas as pd

CHANNELS, SCANS = 64, 12 * 3600 * 10
WINDOW, BLOCKS, END, NOISE = 6000, 32, 4, 8


def samples():
    """splitmix64 of the sample's number, a row of scans at a time so as not to hold it twice."""
    made = np.empty((SCANS, CHANNELS))
    channel = np.arange(CHANNELS, dtype=np.uint64)
    for start in range(0, SCANS, 10_000):
        scans = np.arange(start, min(start + 10_000, SCANS), dtype=np.uint64)[:, None]
        number = scans * np.uint64(CHANNELS) + channel + np.uint64(1)
        bits = number * np.uint64(0x9E3779B97F4A7C15)
        bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        bits = (bits ^ (bits >> np.uint64(31))) >> np.uint64(32)
        made[start : start + len(scans)] = 180 + 0.01 * channel + bits / 2**32
    return made


def cosines(n):
    k = np.arange(1, NOISE + 3)[:, None]
    return np.sqrt(2 / n) * np.cos(np.pi * k * (np.arange(n) + 0.5) / n)


def steadiness(frame):
    """Block means, their slopes, and F and t of every window of every channel."""
    blocks = frame.groupby(np.arange(SCANS) * BLOCKS // WINDOW).mean().to_numpy()
    rows = np.lib.stride_tricks.sliding_window_view(blocks, BLOCKS, axis=0)
    rows = rows - rows.mean(axis=2, keepdims=True)
    power = (rows @ cosines(BLOCKS).T) ** 2
    noise = np.sqrt(power[..., 2:].mean(axis=2))
    fisher = power[..., :2].mean(axis=2) / noise**2
    student = []
    for end, rest in [(rows[..., :END], rows[..., END:]), (rows[..., -END:], rows[..., :-END])]:
        part = rest - rest.mean(axis=2, keepdims=True)
        scatter = np.sqrt(((part @ cosines(BLOCKS - END).T)[..., 2:] ** 2).mean(axis=2))
        weight = np.sqrt(1 / END + 1 / (BLOCKS - END))
        student.append((end.mean(axis=2) - rest.mean(axis=2)) / (scatter * weight))
    lever = BLOCKS * (BLOCKS**2 - 1) / 12
    climb = BLOCKS * rows @ (np.arange(BLOCKS) - (BLOCKS - 1) / 2) / lever
    u_climb = BLOCKS * noise / np.sqrt(lever)
    last = blocks[-BLOCKS:, 0].mean(), climb[-1, 0], u_climb[-1, 0]
    return last, fisher, student


def main():
    values = samples()
    start = time.process_time()
    frame = pd.DataFrame(values, copy=False)
    means, sds = frame.mean(), frame.std()
    centred = values - means.to_numpy()
    lag_one = (centred[1:] * centred[:-1]).sum(axis=0) / (centred**2).sum(axis=0)
    spread = values.max(axis=1) - values.min(axis=1)
    fluctuation = (values.max(axis=0) - values.min(axis=0)).max()
    within = ((values >= 180) & (values <= 182)).all(axis=1).sum()
    last, fisher, student = steadiness(frame)
    took = time.process_time() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(
        f"numpy {np.__version__}, pandas {pd.__version__}: {values.size} samples in {took:.2f} s of one core, "
        f"making them not included; at most {peak} MiB",
        file=sys.stderr,
    )
    assert fluctuation > 0 and within >= 0 and fisher.shape == student[0].shape
    figures = [means[0], sds[0], lag_one[0], spread.max(), spread.mean(), means.std(), *last]
    print(*[repr(float(x)) for x in figures])


main()
