"""Levels of heads: envelope, dropouts, search."""

import numpy as np
from scipy import fft, ndimage, optimize, signal

from same import GUARD, LINE_HZ, case, segments


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


@case("envelope by power, under-sampled: its shape", "cumulative sum of squares")
def power(volts, dt):
    bare = volts - volts.mean()
    sums = np.concatenate(([0.0], np.cumsum(bare * bare)))
    ends = segments(len(volts))
    levels = np.sqrt(2.0 * np.diff(sums[ends]) / np.diff(ends))
    return levels / levels.mean()


@case("dropouts, 100,000 bins", "median filter, threshold, runs")
def dropouts(levels, dt):
    low = levels < 10.0 ** (-16.0 / 20.0) * ndimage.median_filter(levels, 121)
    turns = np.flatnonzero(np.diff(np.concatenate([[0], low.astype(np.int8), [0]])))
    lengths = (turns[1::2] - turns[::2]) * dt
    return np.array([float(np.count_nonzero(lengths >= 10e-6))])


@case("dropouts, one scan of 200,000 samples", "hilbert, uniform filter, threshold, runs; ours tells lengths by bins of 7.5 us")
def dropouts_of_samples(volts, dt):
    envelope = np.abs(signal.hilbert(volts, N=fft.next_fast_len(len(volts)))[: len(volts)])
    smooth = ndimage.uniform_filter1d(envelope, int(1e-6 / dt))
    low = smooth < 10.0 ** (-16.0 / 20.0) * np.median(smooth)
    turns = np.flatnonzero(np.diff(np.concatenate([[0], low.astype(np.int8), [0]])))
    lengths = (turns[1::2] - turns[::2]) * dt
    lengths = lengths[lengths >= 15e-6]
    return np.array([float(len(lengths)), 1e6 * np.median(lengths)])


@case("envelope by pairs: its shape", "greatest of a line, cumulative sum; ours takes the lift of noise off too")
def pairs(values, dt):
    least, greatest = values.reshape(-1, 2).T
    lines = ndimage.maximum_filter1d(0.5 * (greatest - least), int(np.ceil(1.0 / (LINE_HZ * dt))))
    ends = segments(len(lines))
    levels = np.diff(np.concatenate(([0.0], np.cumsum(lines)))[ends]) / np.diff(ends)
    return levels / levels.mean()


def left(cycles, x, scans, harmonics):
    """What a wave of so many cycles a scan, of its own phase in each, does not explain."""
    turn = 2.0 * np.pi * cycles * x[:, None] * np.arange(1, harmonics + 1)
    columns = np.hstack([np.ones((len(x), 1)), np.cos(turn), np.sin(turn)])
    return np.sum((scans - columns @ np.linalg.lstsq(columns, scans)[0]) ** 2)


@case("search: noise bars in four scans", "reduceat, lstsq on a grid, minimize_scalar")
def search(volts, dt):
    scans = volts.reshape(4, -1)
    ends = np.round((GUARD + np.arange(121) * (1.0 - 2.0 * GUARD) / 120) * scans.shape[1]).astype(int)
    sums = np.add.reduceat((scans - scans.mean(axis=1, keepdims=True)) ** 2, ends, axis=1)[:, :-1]
    levels = np.sqrt(2.0 * sums / np.diff(ends)).T
    x = GUARD + (np.arange(120) + 0.5) * (1.0 - 2.0 * GUARD) / 120
    grid = np.arange(0.45, 13.0, 0.05)
    start = grid[np.argmin([left(cycles, x, levels, 1) for cycles in grid])]
    around = (start - 0.2, start + 0.2)
    return np.array([optimize.minimize_scalar(left, bounds=around, args=(x, levels, 2), method="bounded").x])
