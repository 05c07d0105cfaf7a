//! What each measured quantity is: one written formula, implemented twice.
//!
//! The simulator computes these from its own state, without noise; `measure` estimates them from
//! sampled volts. Neither uses the other. Where a definition here changes, both change.
//!
//! # Scan and position
//! A *scan* of head A runs from the head-switch edge that selects A to the edge that selects B, and
//! the other way round for head B. Position `x` runs linearly in time from 0 (entrance) to 1 (exit).
//! The *guard* at each end is [`GUARD_LINES`] line periods, that is `g = GUARD_LINES / n` of a scan of
//! `n` lines (262.5 or 312.5). The rest is cut into [`SEGMENTS`] equal *segments*.
//!
//! # Level
//! The *level* of a segment, in volts, is the root mean square over the segment's time of the FM
//! carrier's amplitude (the peak of the sine, at the test point, before scope and probe), as it would
//! be with the carrier at its sync-tip frequency: `L_k = sqrt(mean(a(t)^2))`. It holds what the
//! head's own track and its neighbours deliver at that frequency, added as powers; noise and the colour-under signal
//! are not part of it.
//! The *curve* of a head is `M_k`, the median of `L_k` over the frames of the measurement.
//!
//! # From the curve
//! * flatness `= min_k M_k / max_k M_k` (unit 1);
//! * entrance `= mean(M_0..M_2) / mean(M_8..M_11)`, exit `= mean(M_17..M_19) / mean(M_8..M_11)`
//!   (unit 1); middle level `= mean(M_8..M_11)` in volts;
//! * balance `= 20 log10(mean_k M_k of B / mean_k M_k of A)` in dB;
//! * modulation: `s / m` of the scan's mean level over frames of one head, `s` the sample standard
//!   deviation, `m` the mean (unit 1).
//!
//! # Level against time
//! The *course* is the level of each frame of a gap-free record, both heads together: the mean of `a(t)` over the frame, in
//! volts. Its *swing* is `(greatest - least) / greatest` after a twentieth was cut off at either end of its sorted values, its
//! *modulation* `s / m` over frames. What is *left* of the RF after stop is its mean then over that in play.
//!
//! # Still
//! The *best level* of a head is the greatest segment of its curves over all stops. *Modulation in still* is that of the scans
//! of one stop, over the stops `sqrt(mean(modulation^2))`: from stop to stop the level differs by nature.
//!
//! # Guides
//! Let `e(x)` be how far the head's centre lies beside the place that it would have on a true path, in
//! micrometres across the track, positive towards the track recorded next, less its mean over segments 8 to 11.
//! The *height error* of the entrance is the mean of `e` over segments 0 to 2, that of the exit over segments 17
//! to 19. Against the recording's own path, so only a tape with a true path judges the machine's.
//!
//! Which way is up: the track recorded next lies upstream on the tape. Where heads run from the lower to the upper
//! edge the way the tape runs (from memory), that is above at the same place of the tape: a tape that
//! stands too low moves the head towards it. So a positive height error means that the guide is low.
//!
//! *Contact* of a segment: what the level of the segment keeps of that of segments 8 to 11, the head's place
//! on the track apart (unit 1): dirt, tension, a worn drum. The contact that is judged is the least over the
//! segments of the mean with the neighbours (of the first and the last: the one neighbour).
//!
//! Three tracking positions tell both. Let `a` and `b` be the level of a segment with tracking moved so that the
//! head lies `d` towards the next and towards the former track, over the level of the middle at centre, and `o(x)` the
//! overlap of a head `x` beside its track, in pitches. Then `a = g o(e + d)`, `b = g o(e - d)` with the contact `g`.
//!
//! # Slip
//! Let `p(t)` be the place of the head against its track, counted in frames of tape (two pitches).
//! Slip frequency `f = |dp/dt|` averaged over the record, in hertz; speed error `= f / frame rate`,
//! without sign, in per cent.
//!
//! # Pulses
//! * rate: pulses a second, the mean over the observed time, by `(n - 1) / (t_last - t_first)` with the missing ones counted as if there;
//! * period jitter: sample standard deviation of the intervals between neighbouring pulses, without
//!   the intervals that hold a missing pulse, in seconds;
//! * level: high state less low state (IEEE 181) for square pulses; positive peak less negative peak,
//!   each the median over pulses, for spike pairs; in volts at the test point;
//! * duty: time above the middle of the two states, over the period, in per cent, median over pulses;
//! * missing: pulses that should have come in the observed time and did not, over those that should;
//! * delay: time from a control pulse's timing edge (rising edge of the square, positive spike's
//!   peak) to the next head-switch edge that selects head A, mean over pulses, modulo the frame.
//!
//! # Head-switch point
//! *Vertical sync starts* at the leading edge (middle between sync tip and blanking) of the first broad
//! pulse. The *point* of a switching edge is the time from the edge's middle to the start of vertical sync
//! that follows, in seconds; a switching at most [`LATE_LINES`] after a start counts from that start, as
//! negative, with the heads over the middle of their tracks: a head `p` pitches beside its track, towards the one recorded
//! next, shows it `p` times R6 lines longer. In lines it is times the standard's line rate, in drum degrees that times
//! `360 f_d / f_H` (R14). For each head (the one that the edge selects) it is the mean over edges;
//! *difference* is B less A, so that a positive one says that the switching to B lies earlier;
//! *jitter* is the standard deviation of one head's edges.
//!
//! # Servo lock
//! The *phase* of a pulse train at a head-switch edge that selects head A is the time from the train's
//! timing edge to that edge, modulo the train's period (of the reference and of control pulses: a frame).
//! *Drift* is the slope `s` of its straight line by least squares; the drum's *rate error* against a reference is
//! `-s`, the tape's *speed error* against the drum `s / (1 - s)`, in per cent, both over the time watched. *Jitter* is the
//! standard deviation of the phase about its slow course. *Swing* is the amplitude of a sine with the mean square that
//! the slow course has about the straight line, over the time watched. *Walk* is drift times the time watched. *Lock time* is the
//! time from the key to where the phase, jitter apart, stays within four jitters of where it stands at the end.
//! *Tracking wander* is the standard deviation of the phase about its straight line, jitter and all, in pitches.
//!
//! # Tracking centre
//! `L(d)`: mean over both heads of the curve's mean level at the delay `d` from control pulse to head
//! switch. *Centre* is the delay about which `L` is even: the middle of the two delays at which it has the same
//! level, as the fit `L(d) = T - s max(0, |d - c| - a)` gives it. *Offset* is the centre less
//! the delay at the control's own centre, in milliseconds, in pitches (times the field rate), and by R13 in
//! millimetres of the audio and control head's place (times the tape speed). *Evenness* is the slope of the
//! side of longer delays over that of the other, 1 where it falls evenly. *Heads apart* is the centre of head A's own level
//! less that of head B's, in pitches: by so much head B stands nearer to the track recorded next than head A. *Offset share* is the offset over the range from the
//! shortest delay to the longest that the control gave, in per cent.
//!
//! # Video
//! *Sync* is blanking less sync tip, in millivolts, blanking being the mean of the back porch outside the burst; *burst* the
//! burst's peak-to-peak at the subcarrier; *white* and *black* the greatest and the least level above blanking that holds for
//! [`PATCH_US`] at least; each the median over lines that have it. *Line period*: mean distance of leading edges; *line jitter*: standard deviation of single line periods.
//! *Time-base error*: standard deviation of leading edges about evenly spaced ones, over the lines of one record.
//!
//! # Search
//! At `n` times play speed a head crosses `n - 1` pitches a scan and finds its own azimuth every [`pitches_a_bar`], `m`:
//! every second one, or without azimuth every one. That makes `|n - 1| / m` *bars a scan*. They are counted as cycles of the
//! level over the time of a nominal field, by the best fitting cosine: with the drum at `r` times its nominal rate that is
//! `|n - r| / m`. *Speed* is `n = r + m bars` in cue, `r - m bars` in review, where a machine that corrects its line rate has
//! `r = 1 / (1 - (n - 1) s)`, `s` the shift of R6 over the lines of a scan.
//!
//! *Places off*. At a switching the head's place jumps by one pitch, and the other head's own tracks lie one pitch from
//! this one's: in time the bars go on over the switching without a step, wherever it lies. By how much of the distance between
//! bars head B's come later than that, within half of it, is `(r - n) / |r - n| (h_B - h_A) / (m P)`: `h` the heights of the heads
//! towards tracks recorded later, against those of the heads that recorded, `P` the pitch.
//!
//! *Balance* is `20 log10` of head B's mean level over head A's, over all scans of the mode that a capture begins with. The level of
//! a scan is here the root of the mean square of the level against position over whole bars up to the second guard, as many as fit
//! between field blanking and there, so that it matters nothing where the bars lie ([`whole_bars`]).

use crate::format::Format;

/// A switching this many lines after the start of vertical sync, or fewer, is late: it counts as negative.
pub const LATE_LINES: f64 = 20.0;

/// A patch of even brightness must last so long to count as white or black.
pub const PATCH_US: f64 = 1.0;

pub mod sound;

/// Lines cut off at each end of a scan: both heads are in contact there, and the switched signal has a
/// transient. Larger than the overlap of a few lines, smaller than the sag that is looked for.
pub const GUARD_LINES: f64 = 6.0;

/// Segments of a scan between the guards.
pub const SEGMENTS: usize = 20;

/// Segments that make the entrance level.
pub const ENTRANCE: core::ops::Range<usize> = 0..3;

/// Segments that make the middle level.
pub const MIDDLE: core::ops::Range<usize> = 8..12;

/// Segments that make the exit level.
pub const EXIT: core::ops::Range<usize> = 17..20;

/// Lines after its switching by which the picture has begun: the switching lies up to eight lines before vertical sync
/// ([`crate::video`]), and field blanking ends at most 22.5 lines after the start of it.
pub const PICTURE_LINES: f64 = 31.0;

/// Pitches from bar to bar in search: from a head's own track to its next.
///
/// ```
/// use tapewright_formats::{definitions::pitches_a_bar, format_named};
/// assert_eq!(format_named("vhs-625-sp").map(pitches_a_bar), Some(2.0));
/// // Without azimuth a head reads every track.
/// assert_eq!(format_named("u-625").map(pitches_a_bar), Some(1.0));
/// ```
#[must_use]
pub fn pitches_a_bar(format: &Format) -> f64 {
    if format.azimuth_deg.value > 0.0 { 2.0 } else { 1.0 }
}

/// Positions between which the level of a scan of so many lines that holds so many bars is taken: whole bars up to an end, which is
/// the second guard where all of the scan is to be had. In field blanking there is neither colour nor brightness, and one bar
/// that falls there would look lower than the others: it is left out where a bar fits beside it. With less than a whole bar
/// it is all from the first guard on.
///
/// ```
/// use tapewright_formats::definitions::{GUARD_LINES, whole_bars};
/// let guard = GUARD_LINES / 312.5;
/// let held = |bars: f64| whole_bars(bars, 312.5, 1.0 - guard);
/// assert!((held(2.5).1 - (1.0 - guard)).abs() < 1e-9);
/// assert!((held(2.5).1 - held(2.5).0 - 2.0 / 2.5).abs() < 1e-9);
/// // Two bars would reach into blanking; the only one does.
/// assert!((held(2.1).1 - held(2.1).0 - 1.0 / 2.1).abs() < 1e-9);
/// assert!((held(1.1).1 - held(1.1).0 - 1.0 / 1.1).abs() < 1e-9);
/// assert_eq!(held(0.7), (guard, 1.0 - guard));
/// ```
#[must_use]
pub fn whole_bars(bars: f64, lines_a_scan: f64, end: f64) -> (f64, f64) {
    let guard = GUARD_LINES / lines_a_scan;
    // Two bars but for the rounding of the arithmetic are two.
    let fit = |from: f64| (bars * (end - from) + 1e-9).floor();
    let whole = [PICTURE_LINES / lines_a_scan, guard].into_iter().map(fit).find(|whole| *whole >= 1.0);
    (whole.map_or(guard, |whole| (end - whole / bars).max(guard)), end)
}

/// Position of a segment's start: `g + k (1 - 2 g) / SEGMENTS`, with the guard `g` as a share of the scan.
///
/// ```
/// use tapewright_formats::definitions::{GUARD_LINES, SEGMENTS, segment_start};
/// let guard = GUARD_LINES / 262.5;
/// assert!((segment_start(0, guard) - guard).abs() < 1e-12);
/// assert!((segment_start(SEGMENTS, guard) - (1.0 - guard)).abs() < 1e-12);
/// ```
#[must_use]
pub fn segment_start(segment: usize, guard: f64) -> f64 {
    guard + segment as f64 * (1.0 - 2.0 * guard) / SEGMENTS as f64
}
