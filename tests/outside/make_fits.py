"""Makes, or checks, vectors of a tone's fit and spectrum, of edge times and of a straight line, by an outside library.

The tone: 3,150 Hz with a weaker one at 1,000 Hz beside it, a constant and noise, 5,000 samples at 50 kHz by an 8-bit
converter. Its fit is scipy.optimize.curve_fit's, its spectrum scipy.fft's. The pulses: 29.97 Hz, high for 60 % of the
time, with edges of 200 us, 20,000 samples at 20 kHz; edges cross half way between the medians of either state. The
line: the pulses' rising edges over their number, numpy.linalg.lstsq.

    make_fits.py FOLDER           writes tone.i8, pulses.i8 and fits.json
    make_fits.py FOLDER --check   makes them again and compares
"""

import json
import sys
from pathlib import Path

import numpy as np
import scipy
from scipy import fft, optimize

TONE_RATE_HZ, TONE_STEP_V = 50e3, 0.004
PULSE_RATE_HZ, PULSE_STEP_V = 20e3, 0.04
SIZE = 16384
PLACES = [0, 1, 300, 327, 328, 329, 700, 1030, 1031, 1032, 1033, 1034, 4000, 8191]


def codes(volts, step_v):
    return np.clip(np.round(volts / step_v), -128, 127).astype(np.int8)


def tone():
    rng = np.random.default_rng(41)
    t = np.arange(5000) / TONE_RATE_HZ
    volts = 0.4 * np.cos(2 * np.pi * 3150.3 * t + 0.7) + 0.05 * np.cos(2 * np.pi * 1000.0 * t) + 0.02
    return codes(volts + 0.003 * rng.standard_normal(len(t)), TONE_STEP_V)


def pulses():
    rng = np.random.default_rng(43)
    t = np.arange(20000) / PULSE_RATE_HZ
    phase = (t * 29.97 + 0.25) % 1.0
    rise = 200e-6 * 29.97
    up = np.clip(phase / rise, 0.0, 1.0)
    down = np.clip((phase - 0.6) / rise, 0.0, 1.0)
    return codes(4.8 * (up - down) + 0.1 + 0.02 * rng.standard_normal(len(t)), PULSE_STEP_V)


def four_parameters(volts):
    t = np.arange(len(volts)) / TONE_RATE_HZ

    def model(t, hz, cosine, sine, offset):
        turn = 2 * np.pi * hz * t
        return cosine * np.cos(turn) + sine * np.sin(turn) + offset

    found, covariance = optimize.curve_fit(model, t, volts, p0=[3150.0, 0.3, -0.2, 0.0], xtol=1e-15, ftol=1e-15)
    left = volts - model(t, *found)
    residual = np.sqrt(np.sum(left**2) / (len(volts) - 4))
    return [*map(float, found), float(residual), float(np.sqrt(covariance[0, 0]))]


def spectrum(volts):
    n = len(volts)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
    return 2.0 * np.abs(fft.rfft((volts - volts.mean()) * window, SIZE)) / window.sum()


def edge_times(volts):
    middle = 0.5 * (volts.min() + volts.max())
    middle = 0.5 * (np.median(volts[volts < middle]) + np.median(volts[volts > middle]))
    crossed = np.flatnonzero(np.diff(np.sign(volts - middle)))
    share = (middle - volts[crossed]) / (volts[crossed + 1] - volts[crossed])
    return (crossed + share) / PULSE_RATE_HZ, volts[crossed + 1] > volts[crossed]


def straight_line(y):
    """Intercept, slope, their standard errors, and the share explained."""
    design = np.column_stack([np.ones(len(y)), np.arange(len(y))])
    found = np.linalg.lstsq(design, y, rcond=None)[0]
    # linregress takes the residual from 1 - r^2, which has no digits left where r is almost 1.
    rest = float(np.sum((y - design @ found) ** 2))
    errors = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * rest / (len(y) - 2))
    return [*map(float, found), *map(float, errors), 1.0 - rest / float(np.sum((y - y.mean()) ** 2))]


def results(tone_codes, pulse_codes):
    tone_v, pulse_v = tone_codes.astype(float) * TONE_STEP_V, pulse_codes.astype(float) * PULSE_STEP_V
    times, rising = edge_times(pulse_v)
    starts = times[rising]
    return {
        "tone": four_parameters(tone_v),
        "spectrum": [float(spectrum(tone_v)[k]) for k in PLACES],
        "edges_s": [float(t) for t in times],
        "line": straight_line(starts),
    }


def main():
    folder = Path(sys.argv[1])
    made = {"tone": tone(), "pulses": pulses()}
    about = {
        "made_by": {"numpy": np.__version__, "scipy": scipy.__version__},
        "tone_rate_hz": TONE_RATE_HZ,
        "tone_step_v": TONE_STEP_V,
        "pulse_rate_hz": PULSE_RATE_HZ,
        "pulse_step_v": PULSE_STEP_V,
        "places": PLACES,
    }
    if "--check" not in sys.argv:
        for name, values in made.items():
            (folder / f"{name}.i8").write_bytes(values.tobytes())
        about |= results(made["tone"], made["pulses"])
        (folder / "fits.json").write_text(json.dumps(about, indent=1) + "\n")
        return
    there = json.loads((folder / "fits.json").read_text())
    stored = {name: np.frombuffer((folder / f"{name}.i8").read_bytes(), dtype=np.int8) for name in made}
    for name, values in made.items():
        # A last bit of a sine may round a code otherwise on another processor.
        apart = np.abs(stored[name].astype(int) - values)
        assert apart.max() <= 1 and np.mean(apart != 0) < 1e-3, f"the samples of {name} differ"
    for name, values in results(stored["tone"], stored["pulses"]).items():
        np.testing.assert_allclose(there[name], values, rtol=1e-6, atol=1e-9, err_msg=name)
    print(f"fit vectors: {', '.join(results(stored['tone'], stored['pulses']))} agree")


main()
