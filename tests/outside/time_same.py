"""Times an outside numerical library on the samples that `cargo bench --bench ratios` measures.

    time_same.py FOLDER TRIES

FOLDER holds NAME.f64 files: the sampling interval in seconds, then the samples, as 64-bit floats. Prints one JSON
object a line: the case, by which functions, the best time of TRIES, and what came out. Each case is written as
somebody at home in numpy and scipy would write it, vectorised, without checks of its input and without an
uncertainty, both of which the other side includes.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np
from scipy import fft, ndimage, optimize, signal

LINE_HZ = 4.5e6 / 286.0
LINES = 262.5
GUARD = 6.0 / LINES
SEGMENTS = 20
FRAME_HZ = 30000.0 / 1001.0
CASES = {}


def case(name, how):
    """Registers a way of doing a case."""

    def register(function):
        CASES.setdefault(name, []).append((how, function))
        return function

    return register


def segments(count):
    """First and last sample of each segment of a scan that fills the record."""
    ends = GUARD + np.arange(SEGMENTS + 1) * (1.0 - 2.0 * GUARD) / SEGMENTS
    return np.round(ends * count).astype(int)


def tips(count, dt):
    """Where the sync tips are, away from their edges: known to whoever made the samples."""
    us = (np.arange(count) * dt * LINE_HZ) % 1.0 / LINE_HZ * 1e6
    return (us > 1.0) & (us < 4.0)


def levels_at_tips(envelope, dt):
    """Root mean square of an envelope at the sync tips of each segment."""
    count = len(envelope)
    gate = tips(count, dt)
    square = np.where(gate, envelope**2, 0.0)
    ends = segments(count)
    total = np.add.reduceat(square, ends)[:-1]
    number = np.add.reduceat(gate.astype(int), ends)[:-1]
    return np.sqrt(total / number)


for NAME in ("envelope, 2,000,000 samples a scan", "envelope, 20 samples a microsecond"):

    @case(NAME, "firwin, fftconvolve, hilbert")
    def analytic(volts, dt):
        # As long in time as the steps from carrier to colour-under allow; odd, so that it has a middle.
        taps = int(20e-6 / dt) | 1
        band = signal.firwin(taps, [1.6e6, 6.4e6], pass_zero=False, fs=1.0 / dt)
        filtered = signal.fftconvolve(volts, band, mode="same")
        length = fft.next_fast_len(len(volts))
        envelope = np.abs(signal.hilbert(filtered, N=length)[: len(volts)])
        return levels_at_tips(envelope, dt)

    @case(NAME, "rfft, band cut out, ifft")
    def one_transform(volts, dt):
        length = fft.next_fast_len(len(volts))
        spectrum = fft.rfft(volts, length)
        hz = np.arange(len(spectrum)) / (length * dt)
        analytic = np.zeros(length, dtype=complex)
        keep = (hz > 1.6e6) & (hz < 6.4e6)
        analytic[: len(spectrum)][keep] = 2.0 * spectrum[keep]
        envelope = np.abs(fft.ifft(analytic, overwrite_x=True)[: len(volts)])
        return levels_at_tips(envelope, dt)


@case("envelope by power, under-sampled", "cumulative sum of squares; ours takes picture and colour off too")
def power(volts, dt):
    bare = volts - volts.mean()
    sums = np.concatenate(([0.0], np.cumsum(bare * bare)))
    ends = segments(len(volts))
    return np.sqrt(2.0 * np.diff(sums[ends]) / np.diff(ends))


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


@case("edge crossings, 2 s of control pulses", "where, diff, interpolation")
def edge_times(volts, dt):
    return crossings(volts, dt, *edge_times.states)[0]


@case("pulses: rate and duty", "histogram, where, diff, interpolation")
def pulses(volts, dt):
    times, way = crossings(volts, dt, *states(volts))
    rising, falling = times[way > 0], times[way < 0]
    period = (rising[-1] - rising[0]) / (len(rising) - 1)
    after = falling[np.searchsorted(falling, rising[:-1])]
    duty = 100.0 * np.median((after - rising[:-1]) / np.diff(rising))
    return np.array([1.0 / period, duty])


def harmonics(t, mean, hz, *parts):
    out = np.full_like(t, mean)
    for h in range(3):
        turn = 2.0 * np.pi * hz * (h + 1) * t
        out += parts[2 * h] * np.cos(turn) + parts[2 * h + 1] * np.sin(turn)
    return out


@case("slip: fit of a record of 10 s", "rfft, curve_fit of three harmonics")
def slip(levels, dt):
    t = np.arange(len(levels)) * dt
    bare = levels - levels.mean()
    padded = 8 * len(levels)
    spectrum = np.abs(fft.rfft(bare, padded))
    start = fft.rfftfreq(padded, dt)[8 + np.argmax(spectrum[8:])]
    found, _ = optimize.curve_fit(harmonics, t, levels, p0=[levels.mean(), start, *([0.01] * 6)])
    return np.array([found[1]])


@case("sync separator, one field", "running mean, percentile, diff")
def sync(volts, dt):
    width = int(0.4e-6 / dt) | 1
    smooth = np.convolve(volts, np.ones(width) / width, mode="same")
    tip, blanking = np.percentile(smooth, 2.0), np.median(smooth[smooth < np.percentile(smooth, 30.0)])
    low = smooth < 0.5 * (tip + blanking)
    turns = np.flatnonzero(np.diff(low.astype(np.int8)))
    starts, ends = turns[low[turns + 1]], turns[~low[turns + 1]]
    ends = ends[ends > starts[0]]
    lengths = (ends[: len(starts)] - starts[: len(ends)]) * dt
    return np.array([blanking - tip, float(np.count_nonzero(lengths > 1e-6))])


def model(t, hz, cosine, sine, offset):
    turn = 2.0 * np.pi * hz * t
    return cosine * np.cos(turn) + sine * np.sin(turn) + offset


@case("sine fit with its frequency, 0.1 s", "curve_fit of four parameters")
def sine(volts, dt):
    found, _ = optimize.curve_fit(model, np.arange(len(volts)) * dt, volts, p0=[3149.0, 0.3, 0.3, 0.0])
    return np.array([found[0], np.hypot(found[1], found[2])])


@case("spectrum, 10 s of a tone", "rfft twice as long, parabola through logarithms")
def spectrum(volts, dt):
    size = 1 << int(np.ceil(np.log2(2 * len(volts))))
    lines = np.abs(fft.rfft((volts - volts.mean()) * np.hanning(len(volts)), size))
    k = np.argmax(lines)
    left, top, right = np.log(lines[k - 1 : k + 2])
    return np.array([(k + 0.5 * (left - right) / (left - 2.0 * top + right)) / (size * dt)])


# Weighting of IEC 60386 in decibels, at these frequencies (every point from memory, unverified).
WEIGHT_HZ = [0.1, 0.2, 0.315, 0.4, 0.63, 0.8, 1.0, 1.6, 2.0, 4.0, 6.3, 10.0, 20.0, 40.0, 63.0, 100.0, 200.0]
WEIGHT_DB = [-48.0, -30.6, -19.7, -15.0, -8.4, -6.0, -4.2, -1.8, -0.9, 0.0, -0.9, -2.1, -5.9, -10.4, -14.2, -17.3, -23.0]


@case("weighted flutter, 10 s of a tone", "hilbert, unwrap, gradient, weighting by rfft, percentile")
def flutter(volts, dt):
    phase = np.unwrap(np.angle(signal.hilbert(volts, N=fft.next_fast_len(len(volts)))[: len(volts)]))
    hz = signal.decimate(np.gradient(phase, dt), 10, ftype="fir") / (2.0 * np.pi)
    percent = 100.0 * (hz / hz.mean() - 1.0)
    lines = fft.rfft(percent)
    at = fft.rfftfreq(len(percent), 10.0 * dt)
    gain = 10.0 ** (np.interp(np.log(np.maximum(at, 1e-3)), np.log(WEIGHT_HZ), WEIGHT_DB) / 20.0)
    weighted = fft.irfft(lines * gain, len(percent))
    cut = int(1.0 / (10.0 * dt))
    return np.array([np.percentile(np.abs(weighted[cut:-cut]), 95.45)])


@case("dropouts, 100,000 bins", "median filter, threshold, runs")
def dropouts(levels, dt):
    low = levels < 10.0 ** (-16.0 / 20.0) * ndimage.median_filter(levels, 121)
    turns = np.flatnonzero(np.diff(np.concatenate([[0], low.astype(np.int8), [0]])))
    lengths = (turns[1::2] - turns[::2]) * dt
    return np.array([float(np.count_nonzero(lengths >= 10e-6))])


@case("supply ripple, two records", "rfft of both, the largest line of each, curve_fit of the first, percentiles")
def ripple(volts, dt):
    found = []
    for part, step in zip(np.split(volts, 2), (dt, 1.3 * dt)):
        size = 1 << int(np.ceil(np.log2(2 * len(part))))
        lines = np.abs(fft.rfft((part - part.mean()) * np.hanning(len(part)), size))
        found.append(np.argmax(lines[: int(3000.0 * size * step)]) / (size * step))
    first = volts[: len(volts) // 2]
    fit, _ = optimize.curve_fit(model, np.arange(len(first)) * dt, first, p0=[found[0], 0.03, 0.03, first.mean()])
    np.percentile(first, [0.5, 99.5])
    return np.array([fit[0]])


def main():
    folder, tries = Path(sys.argv[1]), int(sys.argv[2])
    for path in sorted(folder.glob("*.f64")):
        data = np.frombuffer(path.read_bytes(), dtype="<f8")
        dt, values = float(data[0]), data[1:].copy()
        if path.stem.startswith("edge"):
            edge_times.states = states(values)
        for how, function in CASES.get(path.stem, []):
            times = []
            for _ in range(tries):
                start = time.perf_counter()
                result = function(values, dt)
                times.append(time.perf_counter() - start)
            row = {"of": path.stem, "how": how, "best_s": min(times), "result": [float(v) for v in result]}
            print(json.dumps(row))


main()
