"""Pulse trains: edges, rate, and servos."""

import numpy as np
from scipy import fft, optimize

from same import FRAME_HZ, case


def states(volts):
    """Low and high state: the modes of a histogram of 100 bins, one in each half (IEEE 181)."""
    counts, edges = np.histogram(volts, bins=100)
    middle = 0.5 * (edges[:-1] + edges[1:])
    return middle[np.argmax(counts[:50])], middle[50 + np.argmax(counts[50:])]


def crossings(volts, dt, low, high):
    """Times at which the middle is crossed, with a hysteresis of half the step, and which way."""
    below, above = low + 0.25 * (high - low), low + 0.75 * (high - low)
    middle = 0.5 * (low + high)
    side = np.where(volts > above, 1, np.where(volts < below, -1, 0))
    told = np.flatnonzero(side)
    turns = np.flatnonzero(np.diff(side[told]))
    out = []
    for first, last in zip(told[turns], told[turns + 1]):
        part = volts[first : last + 1] - middle
        k = np.flatnonzero(part[:-1] * part[1:] <= 0.0)[0]
        out.append((first + k + part[k] / (part[k] - part[k + 1])) * dt)
    return np.array(out), side[told[turns + 1]]


@case("edge crossings, 2 s of control pulses", "where, diff, interpolation", states)
def edge_times(volts, dt, both):
    return crossings(volts, dt, *both)[0]


@case("pulses: rate and duty", "histogram, where, diff, interpolation")
def pulses(volts, dt):
    times, way = crossings(volts, dt, *states(volts))
    rising, falling = times[way > 0], times[way < 0]
    period = (rising[-1] - rising[0]) / (len(rising) - 1)
    after = falling[np.searchsorted(falling, rising[:-1])]
    duty = 100.0 * np.median((after - rising[:-1]) / np.diff(rising))
    return np.array([1.0 / period, duty])


@case("control pulses: delay, jitter, missing", "histogram, where, diff, interpolation, std")
def control(volts, dt):
    times, way = crossings(volts, dt, *states(volts))
    rising = times[way > 0]
    numbers = np.round((rising - rising[0]) * FRAME_HZ)
    periods = np.diff(rising)[np.diff(numbers) == 1.0]
    expected = np.round(len(volts) * dt * FRAME_HZ)
    return np.array([np.mean(-rising % (1.0 / FRAME_HZ)), periods.std(ddof=1), expected - len(rising)])


def looks(values, dt):
    """Times of the triggers, and the phase at each: how long ago the nearest rising edge was."""
    rows = values.reshape(-1, 2502)
    at, t0, volts = rows[:, 0], rows[:, 1:2], rows[:, 2:]
    middle = 0.5 * (np.percentile(volts, 5.0) + np.percentile(volts, 95.0))
    before, after = volts[:, :-1] - middle, volts[:, 1:] - middle
    row, column = np.nonzero((before < 0.0) & (after >= 0.0))
    share = before[row, column] / (before[row, column] - after[row, column])
    times = np.full(before.shape, np.inf)
    times[row, column] = t0[row, 0] + (column + share) * dt
    return at, -times[np.arange(len(at)), np.argmin(np.abs(times), axis=1)]


@case("capstan: rate error, 60 looks", "nonzero, interpolation, unwrap, polyfit")
def walking(values, dt):
    at, phase = looks(values, dt)
    slope = 0.0
    # Phases go round by the train's own period, which the slope tells.
    for _ in range(3):
        slope = np.polyfit(at, np.unwrap(phase, period=(1.0 - slope) / FRAME_HZ), 1)[0]
    return np.array([slope / (1.0 - slope)])


@case("drum: rate error, 48 looks", "nonzero, interpolation, unwrap, polyfit")
def off_rate(values, dt):
    at, phase = looks(values, dt)
    return -np.polyfit(at, np.unwrap(phase, period=1.0 / FRAME_HZ), 1)[:1]


@case("capstan: phase and jitter, 240 looks", "nonzero, interpolation, mean, std; ours tells jitter between neighbours, blind to a slow course")
def locked(values, dt):
    _, phase = looks(values, dt)
    return np.array([phase.mean(), phase.std(ddof=1)])


def swing(t, mean, hz, cosine, sine):
    return mean + cosine * np.cos(2.0 * np.pi * hz * t) + sine * np.sin(2.0 * np.pi * hz * t)


@case("drum: phase, jitter and swing, 240 looks", "nonzero, interpolation, rfft, curve_fit of a sine; ours knows no sine")
def hunting(values, dt):
    at, phase = looks(values, dt)
    lines = np.abs(fft.rfft(phase - phase.mean(), 4 * len(phase)))
    start = np.argmax(lines) / (4 * len(phase) * (at[1] - at[0]))
    found, _ = optimize.curve_fit(swing, at, phase, p0=[phase.mean(), start, 3e-5, 3e-5])
    jitter = (phase - swing(at, *found)).std(ddof=4)
    return np.array([found[0], jitter, np.hypot(found[2], found[3])])
