//! Random numbers that depend on nothing but seed, stream and position.
//!
//! Every block of the simulator draws from a stream of its own, and every draw is addressed by its position.
//! A fault that draws a number therefore moves no other number, so that the healthy twin of a run differs
//! from it in the fault alone; and the order of threads cannot matter.

/// Increment of the counter: the golden ratio in 64 bits.
const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;

/// Finaliser of the `SplitMix64` generator.
///
/// # Source
/// Steele, Lea, Flood: Fast splittable pseudorandom number generators, OOPSLA 2014 (constants from memory,
/// checked against its published output in the tests).
const fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// One stream of random numbers, addressed by position.
#[derive(Clone, Copy, Debug)]
pub struct Stream {
    key: u64,
}

impl Stream {
    /// The stream of a seed with a name; names of different streams give unrelated numbers.
    pub fn new(seed: u64, name: &str) -> Self {
        // FNV-1a of the name; `mix` afterwards removes what structure it leaves.
        let hash = name.bytes().fold(0xCBF2_9CE4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3)
        });
        Self { key: mix(mix(seed.wrapping_add(GOLDEN)) ^ hash) }
    }

    /// 64 random bits at a position.
    pub const fn bits(self, position: u64) -> u64 {
        mix(self.key.wrapping_add(position.wrapping_add(1).wrapping_mul(GOLDEN)))
    }

    /// A number in [0, 1) at a position.
    pub fn uniform(self, position: u64) -> f64 {
        (self.bits(position) >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    /// A standard normal number at a position (Box and Muller).
    pub fn normal(self, position: u64) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.uniform(position.wrapping_mul(2)))).sqrt();
        let angle = std::f64::consts::TAU * self.uniform(position.wrapping_mul(2).wrapping_add(1));
        radius * libm::cos(angle)
    }
}

/// Draws one number after the other from a stream: for parameters of scenarios.
#[derive(Clone, Debug)]
pub struct Draw {
    stream: Stream,
    position: u64,
}

impl Draw {
    /// Draws from the named stream of a seed.
    pub fn new(seed: u64, name: &str) -> Self {
        Self { stream: Stream::new(seed, name), position: 0 }
    }

    /// The next number in [0, 1).
    pub fn unit(&mut self) -> f64 {
        self.position += 1;
        self.stream.uniform(self.position)
    }

    /// Evenly between two bounds.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        (high - low).mul_add(self.unit(), low)
    }

    /// Evenly in the logarithm between two positive bounds.
    pub fn log_uniform(&mut self, low: f64, high: f64) -> f64 {
        libm::exp(self.uniform(libm::log(low), libm::log(high)))
    }

    /// Lognormal with a median and a standard deviation of the logarithm.
    pub fn lognormal(&mut self, median: f64, sigma: f64) -> f64 {
        self.position += 1;
        median * libm::exp(sigma * self.stream.normal(self.position.wrapping_add(1 << 40)))
    }

    /// True with a probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// One of a list; null for an empty one.
    pub fn pick<T: Copy>(&mut self, list: &[T]) -> Option<T> {
        let index = (self.unit() * list.len() as f64) as usize;
        list.get(index.min(list.len().saturating_sub(1))).copied()
    }

    /// A whole number from `low` up to and including `high`.
    pub fn whole(&mut self, low: u32, high: u32) -> u32 {
        let span = f64::from(high.saturating_sub(low)) + 1.0;
        low + (self.unit() * span) as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_give_the_published_sequence() {
        // SplitMix64 from state 1234567 (widely reproduced reference output; from memory).
        let stream = Stream { key: 1_234_567 };
        let expected = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        for (position, value) in expected.into_iter().enumerate() {
            assert_eq!(stream.bits(position as u64), value);
        }
    }

    #[test]
    fn moments_are_those_of_the_distributions() {
        let stream = Stream::new(7, "moments");
        let n = 200_000_u64;
        let (mut sum, mut square, mut flat) = (0.0, 0.0, 0.0);
        for position in 0..n {
            let x = stream.normal(position);
            sum += x;
            square += x * x;
            flat += stream.uniform(position + n * 4);
        }
        let n = n as f64;
        // Five standard errors.
        assert!((sum / n).abs() < 5.0 / n.sqrt());
        assert!((square / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!((flat / n - 0.5).abs() < 5.0 * (1.0 / 12.0 / n).sqrt());
    }

    #[test]
    fn streams_and_seeds_are_unrelated() {
        let same = (0..1000).filter(|&i| Stream::new(1, "a").bits(i) == Stream::new(1, "b").bits(i)).count();
        assert_eq!(same, 0);
        assert_ne!(Stream::new(1, "a").bits(0), Stream::new(2, "a").bits(0));
    }

    #[test]
    fn draws_stay_inside_their_bounds() {
        let mut draw = Draw::new(3, "bounds");
        for _ in 0..10_000 {
            let x = draw.log_uniform(0.3, 8.0);
            assert!((0.3..=8.0 + 1e-12).contains(&x));
            assert!((2..=5).contains(&draw.whole(2, 5)));
            assert!(draw.pick(&[1, 2, 3]).is_some());
        }
        assert_eq!(draw.pick::<u8>(&[]), None);
    }
}
