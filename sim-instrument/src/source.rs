//! The seam between the simulated machine and the simulated scope.
//!
//! The machine answers for the volts at its test points at any instant that is asked for; the scope
//! knows nothing of tape, and the machine knows nothing of screens. All times are seconds on the
//! bench's timeline.

use tapewright_formats::Signal;

/// What a probe touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Point {
    /// A test point of the machine.
    Signal(Signal),
    /// The scope's own test output: 1 kHz, 0 V to 3 V square.
    TestOutput,
    /// Nothing: the probe lies on the bench.
    Open,
}

/// Edge direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Slope {
    /// Upwards through the level.
    Rising,
    /// Downwards through the level.
    Falling,
}

/// Bins of a record, of which a part is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Bins {
    /// Start of the record's first bin.
    pub t0_s: f64,
    /// Length of a bin.
    pub dt_s: f64,
    /// From sample to sample in a bin.
    pub underlying_s: f64,
    /// Bins of the record.
    pub total: usize,
    /// The first that is asked for.
    pub first: usize,
    /// White noise that the front end adds to every sample, at the test point: RMS, in volts. Powers add, and what is
    /// greatest is greatest of the sum.
    pub noise_v: f64,
}

/// Volts at test points, computed at the instants asked for. The same question gets the same answer.
pub trait Source {
    /// Volts at `out.len()` instants `t0_s + i * dt_s`, seen through `bandwidth_hz`.
    fn samples(&mut self, point: Point, t0_s: f64, dt_s: f64, bandwidth_hz: f64, out: &mut [f64]);

    /// Least and greatest of the underlying samples (every `underlying_s`) in each bin
    /// `[t0_s + i * dt_s, t0_s + (i + 1) * dt_s)`.
    ///
    /// Where a bin holds more underlying samples than can be computed one by one, the extremes are
    /// drawn from their exact distribution given the carrier's amplitude in the bin.
    fn extremes(
        &mut self,
        point: Point,
        t0_s: f64,
        dt_s: f64,
        underlying_s: f64,
        bandwidth_hz: f64,
        out: &mut [(f64, f64)],
    );

    /// Of the bins of a record, those from the first asked for on, the same as [`Self::extremes`] gives them of the
    /// whole record. Whether this source can; where it cannot, nothing was written.
    ///
    /// With this a scope can take in what it sees while it still acquires.
    fn some_extremes(&mut self, _point: Point, _bins: &Bins, _bandwidth_hz: f64, _out: &mut [(f64, f64)]) -> bool {
        false
    }

    /// The first crossing of `level_v` after `after_s`, before `until_s`.
    fn next_crossing(&mut self, point: Point, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64>;

    /// The next start of the asked field (1, 2, or any) or line of composite video.
    fn next_video(
        &mut self,
        point: Point,
        field: Option<u8>,
        line: Option<u32>,
        after_s: f64,
        until_s: f64,
    ) -> Option<f64>;
}
