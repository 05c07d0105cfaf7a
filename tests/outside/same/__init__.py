"""The cases of `cargo bench --bench ratios`, done by an outside numerical library. Each is written as somebody at home in
numpy and scipy would write it, vectorised, without checks of its input and without an uncertainty, both of which the
other side includes."""

import numpy as np

LINE_HZ = 4.5e6 / 286.0
FRAME_HZ = 30000.0 / 1001.0
LINES = 262.5
GUARD = 6.0 / LINES
SEGMENTS = 20
CASES = {}


def segments(count):
    """First and last sample of each segment of a scan that fills the record."""
    ends = GUARD + np.arange(SEGMENTS + 1) * (1.0 - 2.0 * GUARD) / SEGMENTS
    return np.round(ends * count).astype(int)


def case(name, how, prepare=None):
    """Registers a way of doing a case; what `prepare` makes of the samples, untimed, is its last argument."""

    def register(function):
        CASES.setdefault(name, []).append((how, function, prepare))
        return function

    return register
