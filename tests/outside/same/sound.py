"""Sound, pilots and supply."""

import numpy as np
from scipy import fft, optimize, signal

from same import LINE_HZ, LINES, case, segments


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


def harmonics(t, hz, mean, *parts):
    turn = 2.0 * np.pi * hz * t
    return mean + sum(
        parts[2 * h] * np.cos((h + 1) * turn) + parts[2 * h + 1] * np.sin((h + 1) * turn) for h in range(len(parts) // 2)
    )


@case("supply ripple, two records", "rfft of both, the largest line of each, curve_fit of the first with harmonics")
def ripple(volts, dt):
    found = []
    for part, step in zip(np.split(volts, 2), (dt, 1.3 * dt)):
        size = 1 << int(np.ceil(np.log2(2 * len(part))))
        lines = np.abs(fft.rfft((part - part.mean()) * np.hanning(len(part)), size))
        found.append(np.argmax(lines[: int(3000.0 * size * step)]) / (size * step))
    first = volts[: len(volts) // 2]
    start = [found[0], first.mean(), 0.03, 0.03, *([0.01] * 10)]
    fit, _ = optimize.curve_fit(harmonics, np.arange(len(first)) * dt, first, p0=start)
    return np.array([fit[0], np.ptp(harmonics(np.arange(720) / (720 * fit[0]), *fit))])


def tone_hz(volts, dt, low, high):
    """The strongest line between two frequencies: a parabola through the logarithms of a padded spectrum."""
    size = 4 * len(volts)
    lines = np.abs(fft.rfft(volts * np.hanning(len(volts)), size))
    first = int(low * size * dt)
    k = first + np.argmax(lines[first : int(high * size * dt)])
    left, top, right = np.log(lines[k - 1 : k + 2])
    return (k + 0.5 * (left - right) / (left - 2.0 * top + right)) / (size * dt)


def phasors(rows, dt, hz):
    """Complex amplitude of a tone in each row, on a constant and a straight line."""
    t = np.arange(rows.shape[1]) * dt
    turn = 2.0 * np.pi * hz * t
    columns = np.column_stack([np.cos(turn), np.sin(turn), np.ones_like(t), t])
    cosine, sine, *_ = np.linalg.lstsq(columns, rows.T)[0]
    return cosine - 1j * sine


@case("azimuth: phase at two tones, 32 captures", "rfft, lstsq, angle, turns by the low tone")
def azimuth(values, dt):
    lags = []
    for tone, captures in zip((1000.0, 6000.0), values.reshape(2, 16, 2, -1)):
        pairs = [phasors(both, dt, tone_hz(both[0], dt, 0.96 * tone, 1.04 * tone)) for both in captures]
        lags.append(np.angle(np.mean([left * np.conj(right) / np.abs(left * right) for left, right in pairs])))
    turns = np.round((6.0 * lags[0] - lags[1]) / (2.0 * np.pi))
    return np.array([60.0 * np.degrees(np.arctan((lags[1] / (2.0 * np.pi) + turns) * 33.35 / (6000.0 * 0.65)))])


@case("azimuth: level of one channel, six angles", "rfft, lstsq, mean")
def peak(values, dt):
    rows = values.reshape(24, -1)
    levels = [np.abs(phasors(row[None, :], dt, tone_hz(row, dt, 5760.0, 6240.0)))[0] for row in rows]
    return np.mean(np.reshape(levels, (6, 4)), axis=1) / np.sqrt(2.0)


@case("FM sound: both carriers, 32 captures", "mixed, firwin, fftconvolve, unwrap, polyfit")
def fm_sound(values, dt):
    rows = values.reshape(32, -1)
    band = signal.firwin(101, 180e3, fs=1.0 / dt)[None, :]
    out = []
    for hz in (1.3e6, 1.7e6):
        mixed = rows * np.exp(-2j * np.pi * hz * np.arange(rows.shape[1]) * dt)
        slow = 2.0 * signal.fftconvolve(mixed, band, mode="valid", axes=1)
        slopes = np.polyfit(np.arange(slow.shape[1]) * dt, np.unwrap(np.angle(slow), axis=1).T, 1)[0]
        out += [hz + slopes.mean() / (2.0 * np.pi), np.sqrt(np.mean(np.abs(slow) ** 2))]
    return np.array(out)


@case("FM sound: envelope of eight scans", "reduceat, median")
def fm_envelope(values, dt):
    rows = values.reshape(8, -1)
    ends = segments(1.0 / (LINE_HZ / LINES * dt))
    sums = np.add.reduceat((rows - rows.mean()) ** 2, ends, axis=1)[:, :-1]
    # Noise of 3 mV, and steps of the converter.
    power = 2.0 * (sums / np.diff(ends) - 0.003**2 - (0.8 / 255.0) ** 2 / 12.0)
    return np.sqrt(np.median(power, axis=0))


PILOTS_HZ = 378.0 * LINE_HZ / np.array([58.0, 50.0, 36.0, 40.0])


@case("pilots: two beats a head, 64 captures", "firwin, fftconvolve, lstsq, mean of ratios")
def pilots(values, dt):
    rows = values.reshape(64, -1)
    slow = signal.fftconvolve(rows, signal.firwin(151, 300e3, fs=1.0 / dt)[None, :], mode="valid", axes=1)
    turn = 2.0 * np.pi * PILOTS_HZ * np.arange(slow.shape[1])[:, None] * dt
    columns = np.hstack([np.cos(turn), np.sin(turn), np.ones((len(turn), 1))])
    parts = np.linalg.lstsq(columns, slow.T)[0]
    levels = np.hypot(parts[:4], parts[4:8])
    own = np.argmax(levels, axis=0)
    at = np.arange(64)
    after, before = (levels[(own + by) % 4, at] / levels[own, at] for by in (1, 3))
    a, b = own % 2 == 0, own % 2 == 1
    return np.array([after[a].mean(), before[a].mean(), before[b].mean(), after[b].mean()])
