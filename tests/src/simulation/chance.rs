//! Chance out of one seed: everything that a simulation decides comes from here, so that a seed can be played again.

use uuid::{Builder, Uuid};

/// A stream of numbers (SplitMix64: Steele, Lea and Flood, OOPSLA 2014; constants from memory).
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    /// The stream of a seed.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }
    /// Any number.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }
    /// A number below a bound, which is not 0.
    pub fn below(&mut self, bound: usize) -> usize {
        let bound = u64::try_from(bound.max(1)).unwrap();
        usize::try_from(self.number() % bound).unwrap()
    }
    /// True once in so many times.
    pub fn one_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }
    /// True so many times of a thousand.
    pub fn permille(&mut self, parts: usize) -> bool {
        self.below(1000) < parts
    }
    /// One of several.
    pub fn pick<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }
    /// Puts them in any order.
    pub fn shuffle<T>(&mut self, all: &mut [T]) {
        for index in (1..all.len()).rev() {
            let other = self.below(index + 1);
            all.swap(index, other);
        }
    }
    /// Bytes.
    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let mut bytes = [0; N];
        for byte in &mut bytes {
            *byte = self.number().to_le_bytes()[0];
        }
        bytes
    }
    /// An id (UUID version 4).
    pub fn id(&mut self) -> Uuid {
        Builder::from_random_bytes(self.bytes()).into_uuid()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_decides_everything() {
        let mut numbers = [Chance::new(7), Chance::new(7), Chance::new(8)].map(|mut chance| {
            let mut all: Vec<usize> = (0..20).collect();
            chance.shuffle(&mut all);
            (all, chance.id(), chance.below(1000))
        });
        assert_eq!(numbers[0], numbers[1]);
        assert_ne!(numbers[1], numbers[2]);
        numbers[0].0.sort_unstable();
        assert_eq!(numbers[0].0, (0..20).collect::<Vec<_>>());
    }
}
