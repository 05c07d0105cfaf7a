"""Makes, or checks, the envelope vectors: samples of an RF scan and their envelope by an outside library.

One scan of head A of a 525-line machine, sampled at 20 MS/s by an 8-bit converter: an FM carrier whose
frequency follows a picture, whose amplitude sags towards the exit, with colour-under and noise. The
envelope is that of the analytic signal (scipy.signal.hilbert) in the carrier's band, gated at the sync
tips, root mean square over the segments of the written definition.

    make_vectors.py FOLDER           writes rf-scan.i8 and rf-scan.json
    make_vectors.py FOLDER --check   makes them again and compares
"""

import json
import sys
from pathlib import Path

import numpy as np
import scipy
from scipy import signal

RATE_HZ = 20e6
LINE_HZ = 4.5e6 / 286.0
LINES = 262.5
SYNC_HZ, WHITE_HZ = 3.4e6, 4.4e6
COLOUR_HZ = 40.0 * LINE_HZ
GUARD = 6.0 / LINES
SEGMENTS = 20
STEP_V = 0.004


def samples():
    rng = np.random.default_rng(19)
    count = int(LINES / LINE_HZ * RATE_HZ)
    t = np.arange(count) / RATE_HZ
    x = t * LINE_HZ / LINES
    in_line = (t * LINE_HZ) % 1.0
    # Sync tip for 4.7 us, blanking to 10.9 us, then a picture of eight steps from white to black.
    us = in_line / LINE_HZ * 1e6
    picture = (1.0 - np.floor((us - 10.9) / 52.7 * 8.0) / 8.0) * 0.714 + 0.286
    luma = np.where(us < 4.7, 0.0, np.where(us < 10.9, 0.286, np.clip(picture, 0.286, 1.0)))
    frequency_hz = SYNC_HZ + (WHITE_HZ - SYNC_HZ) * luma
    phase = 2.0 * np.pi * np.cumsum(frequency_hz) / RATE_HZ
    amplitude_v = 0.2 * (1.0 - 0.35 * np.clip((x - 0.6) / 0.4, 0.0, 1.0) ** 2)
    # The output falls with frequency, as after gap and spacing loss.
    response = 1.0 - 0.15 * (frequency_hz - SYNC_HZ) / (WHITE_HZ - SYNC_HZ)
    colour = np.where(us > 10.9, 0.1, 0.0) * np.cos(2.0 * np.pi * COLOUR_HZ * t)
    volts = amplitude_v * (response * np.cos(phase) + colour) + 0.002 * rng.standard_normal(count)
    return np.clip(np.round(volts / STEP_V), -128, 127).astype(np.int8), us


def levels_v(codes, us):
    volts = codes.astype(float) * STEP_V
    band = signal.firwin(401, [1.6e6, 6.4e6], pass_zero=False, fs=RATE_HZ)
    envelope = np.abs(signal.hilbert(signal.fftconvolve(volts, band, mode="same")))
    tips = (us > 1.0) & (us < 4.0)
    x = np.arange(len(codes)) / len(codes)
    levels = []
    for k in range(SEGMENTS):
        start = GUARD + k * (1.0 - 2.0 * GUARD) / SEGMENTS
        end = GUARD + (k + 1) * (1.0 - 2.0 * GUARD) / SEGMENTS
        levels.append(float(np.sqrt(np.mean(envelope[tips & (x >= start) & (x < end)] ** 2))))
    return levels


def main():
    folder = Path(sys.argv[1])
    codes, us = samples()
    made = {
        "made_by": {"numpy": np.__version__, "scipy": scipy.__version__},
        "rate_hz": RATE_HZ,
        "step_v": STEP_V,
        "samples": len(codes),
        "levels_v": levels_v(codes, us),
    }
    if "--check" not in sys.argv:
        (folder / "rf-scan.i8").write_bytes(codes.tobytes())
        (folder / "rf-scan.json").write_text(json.dumps(made, indent=1) + "\n")
        return
    there = json.loads((folder / "rf-scan.json").read_text())
    stored = np.frombuffer((folder / "rf-scan.i8").read_bytes(), dtype=np.int8)
    # A last bit of a sine may round a code otherwise on another processor.
    assert len(stored) == len(codes) and np.abs(stored.astype(int) - codes).max() <= 1, "the samples differ"
    assert np.mean(stored != codes) < 1e-4, "too many samples differ"
    np.testing.assert_allclose(there["levels_v"], levels_v(stored, us), rtol=1e-9)
    print(f"envelope vectors: {len(there['levels_v'])} levels agree within 1e-9")


main()
