//! How well a line that has no checksum carries bytes, and how often something must be read to be believed.
//!
//! Let a share `p` of the bytes be garbled, each in one of eight bits. Two readings of `n` bytes are wrong in
//! the same way by `n p^2 / 8`, `k` readings by `n p^k / 8^(k-1)` (our own estimate: independent bytes, one
//! bit each). `p` is judged from what was seen: faults over bytes, with a start that takes a line for good
//! until it shows otherwise. A bad line is read more often; it is never simply believed.

/// Greatest chance that a reading is wrong and believed.
const MOST_CHANCE: f64 = 3e-8;
/// Most readings that can be asked for.
const MOST_READINGS: u32 = 5;
/// What a line is credited with at the start: so many faults in so many bytes.
const START: (f64, f64) = (0.05, 2e4);
/// Bytes after which the past counts half: a line may get worse.
const HALF_AFTER: f64 = 5e4;

/// What a line has shown so far.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Evidence {
    bytes: f64,
    faults: f64,
}

impl Evidence {
    /// So many bytes came.
    pub(crate) fn received(&mut self, bytes: usize) {
        self.bytes += bytes as f64;
        if self.bytes > HALF_AFTER {
            self.bytes /= 2.0;
            self.faults /= 2.0;
        }
    }

    /// Something came wrong, or did not come.
    pub(crate) fn fault(&mut self) {
        self.faults += 1.0;
    }

    /// Share of bytes that are taken to be garbled.
    fn share(self) -> f64 {
        // One fault seen may stand for another not seen.
        ((2.0 * self.faults + START.0) / (self.bytes + START.1)).min(0.5)
    }

    /// How many readings of so many bytes must agree: at least 2.
    pub(crate) fn readings(self, bytes: usize) -> u32 {
        let share = self.share();
        let alike = |k: u32| bytes as f64 * share * (share / 8.0).powi(k as i32 - 1);
        (2..MOST_READINGS).find(|&k| alike(k) <= MOST_CHANCE).unwrap_or(MOST_READINGS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(bytes_before: usize, faults: u32, bytes: usize, expected: u32) {
        let mut line = Evidence::default();
        line.received(bytes_before);
        (0..faults).for_each(|_| line.fault());
        assert_eq!(line.readings(bytes), expected, "{faults} faults in {bytes_before} bytes, {bytes} to read");
    }

    #[test]
    fn a_bad_line_is_read_more_often() {
        check(0, 0, 80, 2);
        check(0, 0, 2_500, 2);
        check(0, 0, 250_000, 3);
        check(40_000, 0, 250_000, 2);
        check(2_000, 1, 500, 3);
        check(2_000, 1, 20, 2);
        check(2_000, 20, 500, 4);
        check(1_000, 200, 2_500, 5);
    }

    #[test]
    fn the_past_fades() {
        let mut line = Evidence::default();
        (0..20).for_each(|_| line.fault());
        assert!(line.readings(500) > 2);
        (0..40).for_each(|_| line.received(10_000));
        assert_eq!(line.readings(500), 2);
    }
}
