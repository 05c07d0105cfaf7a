"""Where heads lie on their tracks: slip, swing, tracking centre, the curve of a head, guides."""

import numpy as np
from scipy import fft, optimize

from same import case


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


@case("swing of a level, record of 10 s", "percentile; ours takes the reach of noise off too")
def swing(levels, _):
    least, greatest = np.percentile(levels, [5.0, 95.0])
    return np.array([(greatest - least) / greatest])


def overlap(delay, centre, flat, top, slope):
    return top - slope * np.maximum(np.abs(delay - centre) - flat, 0.0)


@case("tracking centre, nine places", "curve_fit of centre, flat top, height and slope, with their covariance")
def centre(values, _):
    delay, level = values.reshape(2, -1)
    found, _ = optimize.curve_fit(overlap, delay, level, p0=[delay[np.argmax(level)], 1e-3, level.max(), 10.0])
    return found[:1]


@case("flatness, entrance, exit, eight frames", "median, min, max, mean; ours corrects the extremes of noisy levels")
def curve(values, _):
    levels = np.median(values.reshape(-1, 20), axis=0)
    middle = levels[8:12].mean()
    return np.array([levels.min() / levels.max(), levels[:3].mean() / middle, levels[17:].mean() / middle])


@case("guides: heights from three places", "median, ratio of both sides solved for the place")
def guides(values, _):
    middle, plus, minus = np.median(values.reshape(3, -1, 20), axis=1)
    plus, minus = plus / middle[8:12].mean(), minus / middle[8:12].mean()
    ratio = plus / minus
    # A head as wide as its track keeps 1 less what it lies aside.
    place = (plus[8:12].mean() - ratio * minus[8:12].mean()) / (1.0 + ratio)
    return 58.0 * np.array([place[:3].mean() - place[8:12].mean(), place[17:].mean() - place[8:12].mean()])
