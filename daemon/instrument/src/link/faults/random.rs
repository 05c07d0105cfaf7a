//! The generator behind the faults: they must repeat from a seed, not be unguessable.

/// A small seeded generator (splitmix64, public domain).
#[derive(Debug, Clone)]
pub(super) struct Random(u64);

impl Random {
    pub(super) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(super) const fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to just under 1.
    pub(super) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Whether something of this chance happens. A chance of nothing draws nothing, so that one fault's
    /// numbers do not move another's.
    pub(super) fn strikes(&mut self, chance: f64) -> bool {
        chance > 0.0 && self.share() < chance
    }
}
