//! Random numbers that are the same on every version of every library.

/// A small generator of random numbers (xorshift64*, constants by Vigna 2016), so that one seed gives
/// the same machines on every version of every library.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// Of a seed and a place, well mixed.
    #[must_use]
    pub fn new(seed: u64, place: u64) -> Self {
        let mut random = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ place.wrapping_mul(0xD1B5_4A32_D192_ED03) | 1);
        for _ in 0..8 {
            random.next();
        }
        random
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// Evenly from `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// One of a list.
    ///
    /// # Panics
    /// If the list is empty.
    pub fn one_of<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[(self.next() % list.len() as u64) as usize]
    }

    /// True with a probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.between(0.0, 1.0) < probability
    }
}
