//! Seeded chance (SplitMix64): the same seed gives the same history on every machine and in every release.

/// A stream of chance.
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D_4C95_7F2D)
    }
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// From `low` to `high`, both included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        let span = u64::try_from(high - low + 1).unwrap_or(1);
        low + i64::try_from(self.next() % span).unwrap_or(0)
    }
    /// True in so many cases of a hundred.
    pub fn percent(&mut self, cases: i64) -> bool {
        self.between(1, 100) <= cases
    }
    /// One of several; the list is never empty.
    pub fn pick<T: Clone>(&mut self, of: &[T]) -> T {
        let last = i64::try_from(of.len()).unwrap_or(1) - 1;
        of[usize::try_from(self.between(0, last)).unwrap_or(0)].clone()
    }
    /// One of several, in some cases of a hundred.
    pub fn maybe<T: Clone>(&mut self, cases: i64, of: &[T]) -> Option<T> {
        let chosen = self.pick(of);
        self.percent(cases).then_some(chosen)
    }
}
