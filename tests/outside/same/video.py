"""Video: sync, levels, times."""

import numpy as np
from scipy import ndimage

from same import LINE_HZ, case


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


def pulses(volts, dt):
    """Leading edges and widths of sync pulses, in seconds from the first sample, and the level half way up."""
    width = int(0.25e-6 / dt) | 1
    smooth = ndimage.uniform_filter1d(volts, width) if width > 1 else volts
    tip = np.percentile(smooth, 2.0)
    picture = np.percentile(smooth, 97.0)
    # The porch is the level that is held most often below the picture's lower quarter.
    counts, edges = np.histogram(smooth, bins=100, range=(tip + 0.1 * (picture - tip), tip + 0.5 * (picture - tip)))
    middle = 0.5 * (tip + edges[np.argmax(counts)])
    low = smooth < middle
    turns = np.flatnonzero(np.diff(low.astype(np.int8)))
    places = turns + (smooth[turns] - middle) / (smooth[turns] - smooth[turns + 1])
    falls, rises = places[low[turns + 1]], places[~low[turns + 1]]
    rises = rises[rises > falls[0]]
    return falls[: len(rises)] * dt, (rises - falls[: len(rises)]) * dt


def line_leads(volts, dt):
    leads, widths = pulses(volts, dt)
    return leads[(widths > 3.5e-6) & (widths < 7e-6)]


SUBCARRIER_HZ = 315e6 / 88.0


@case("video: sync, burst, white, 24 captures", "thresholds, means, lstsq, uniform filter, median")
def line_levels(values, dt):
    found = []
    for volts in values.reshape(24, -1):
        patch = ndimage.uniform_filter1d(volts, int(np.round(4.0 / (SUBCARRIER_HZ * dt))))
        for lead in line_leads(volts, dt):
            part = lambda low, high: slice(int(np.ceil((lead + low) / dt)), int((lead + high) / dt))  # noqa: E731
            if lead + 62e-6 > (len(volts) - 1) * dt:
                continue
            tip, porch = volts[part(1e-6, 3.8e-6)].mean(), volts[part(8.1e-6, 9.1e-6)].mean()
            burst = volts[part(5.6e-6, 7.5e-6)]
            turn = 2.0 * np.pi * SUBCARRIER_HZ * dt * np.arange(len(burst))
            columns = np.column_stack([np.cos(turn), np.sin(turn), np.ones_like(turn)])
            cosine, sine, _ = np.linalg.lstsq(columns, burst)[0]
            white = patch[part(10.3e-6, 61.2e-6)].max()
            found.append([porch - tip, 2.0 * np.hypot(cosine, sine), white - porch])
    return np.median(found, axis=0)


@case("video: line period, jitter, 24 captures", "thresholds, interpolation, mean, std")
def line_periods(values, dt):
    periods = [np.diff(line_leads(volts, dt))[0] for volts in values.reshape(24, -1)]
    return np.array([np.mean(periods), np.std(periods, ddof=1)])


def broad(volts, dt):
    """Leading edges of the first broad pulses."""
    leads, widths = pulses(volts, dt)
    leads = leads[widths > 15e-6]
    return leads[np.concatenate([[True], np.diff(leads) > 10.0 / LINE_HZ])]


@case("video: time-base error, two fields", "thresholds, interpolation, polyfit, std")
def time_base(volts, dt):
    leads = line_leads(volts, dt)
    numbers = np.round((leads - leads[0]) * 2.0 * LINE_HZ) / 2.0
    errors = leads - np.polyval(np.polyfit(numbers, leads, 1), numbers)
    return np.array([1e6 * errors.std(ddof=1), np.diff(broad(volts, dt))[0] * LINE_HZ])


@case("head switch to vertical sync, 16 edges", "thresholds, interpolation, mean")
def switch(values, dt):
    return np.array([np.mean([broad(volts, dt)[0] * LINE_HZ - 6.0 for volts in values.reshape(16, -1)])])
