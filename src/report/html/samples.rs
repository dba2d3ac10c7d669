//! The samples themselves inside the page, for zooming: whole numbers, packed, and as many channels as the
//! size allows.
//!
//! One channel is `presence bits | low bytes | high bytes` of zigzag differences between values that are present,
//! deflated. Values are counted in the channel's own resolution where 16 bits reach, so nothing is lost that the
//! log has; else in 65,535 steps of its range.

use std::io::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::write::DeflateEncoder;
use serde::Serialize;

use crate::flag::Flag;

/// A channel's samples, packed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Packed {
    /// Value of the whole number 0.
    pub base: f64,
    /// Value of one whole number.
    pub step: f64,
    /// Base64 of the deflated bytes.
    pub data: String,
    /// Base64 of the deflated flags, one byte per row.
    pub flags: String,
}

impl Packed {
    /// Bytes in the page.
    pub(super) fn size(&self) -> usize {
        self.data.len() + self.flags.len() + 80
    }
}

/// The largest whole number.
const LARGEST: f64 = 65_535.0;

/// Packs one channel.
///
/// * `value`: NaN where there is none
/// * `resolution`: smallest step of the channel, where known
pub(super) fn pack(value: &[f64], resolution: Option<f64>, flags: &[Flag]) -> Packed {
    let finite = value.iter().filter(|v| v.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let (base, step) = if low > high { (0.0, 1.0) } else { (low, step_of(value, low, high, resolution)) };
    let mut present = vec![0_u8; value.len().div_ceil(8)];
    let mut low_bytes = Vec::with_capacity(value.len());
    let mut high_bytes = Vec::with_capacity(value.len());
    let mut before = 0_u16;
    for (row, v) in value.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        if let Some(bits) = present.get_mut(row / 8) {
            *bits |= 1 << (row % 8);
        }
        let whole = ((v - base) / step).round().clamp(0.0, LARGEST) as u16;
        let zigzag = zigzag(whole.wrapping_sub(before));
        let [low_byte, high_byte] = zigzag.to_le_bytes();
        low_bytes.push(low_byte);
        high_bytes.push(high_byte);
        before = whole;
    }
    present.extend_from_slice(&low_bytes);
    present.extend_from_slice(&high_bytes);
    let codes: Vec<u8> = flags.iter().map(|flag| flag.code()).collect();
    Packed { base, step, data: deflate(&present), flags: deflate(&codes) }
}

/// Times as whole numbers of a step, as four planes of the differences of differences.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct PackedTime {
    /// Seconds of one whole number.
    pub step: f64,
    /// Base64 of the deflated bytes.
    pub data: String,
}

/// Packs the time axis.
///
/// * `resolution_s`: step of the time stamps; 0 where not known
pub(super) fn pack_time(time_s: &[f64], resolution_s: f64) -> PackedTime {
    let length_s = time_s.last().copied().unwrap_or(0.0).max(0.0);
    // Thirty bits always hold the whole log; a tenth of a millisecond is finer than any page shows.
    let step = resolution_s.max(1e-4).max(length_s / f64::from(1_u32 << 30));
    let mut planes: [Vec<u8>; 4] = Default::default();
    let (mut before, mut change) = (0_u32, 0_u32);
    for time in time_s {
        let whole = (time / step).round().clamp(0.0, f64::from(u32::MAX)) as u32;
        let now = whole.wrapping_sub(before);
        let bend = now.wrapping_sub(change);
        let code = (bend << 1) ^ (bend.cast_signed() >> 31).cast_unsigned();
        for (plane, byte) in planes.iter_mut().zip(code.to_le_bytes()) {
            plane.push(byte);
        }
        (before, change) = (whole, now);
    }
    PackedTime { step, data: deflate(&planes.concat()) }
}

/// The step in which values are counted.
fn step_of(value: &[f64], low: f64, high: f64, resolution: Option<f64>) -> f64 {
    let by_range = if high > low { (high - low) / LARGEST } else { 1.0 };
    match resolution {
        Some(step) if step > 0.0 && (high - low) / step <= LARGEST => {
            // The measured resolution must really carry the values, or rounding to it would move them.
            let off = |v: &f64| {
                let whole = (v - low) / step;
                (whole - whole.round()).abs() > 0.05
            };
            if value.iter().any(|v| v.is_finite() && off(v)) { by_range } else { step }
        }
        _ => by_range,
    }
}

const fn zigzag(change: u16) -> u16 {
    (change << 1) ^ (change.cast_signed() >> 15).cast_unsigned()
}

fn deflate(bytes: &[u8]) -> String {
    let mut encoder = DeflateEncoder::new(Vec::new(), Compression::new(6));
    // Writing to memory cannot fail.
    encoder.write_all(bytes).ok();
    STANDARD.encode(encoder.finish().unwrap_or_default())
}

#[cfg(test)]
pub(super) mod tests {
    use std::io::Read;

    use super::*;

    fn inflate(data: &str) -> Vec<u8> {
        let bytes = STANDARD.decode(data).expect("base64");
        let mut out = Vec::new();
        flate2::read::DeflateDecoder::new(&bytes[..]).read_to_end(&mut out).expect("deflate");
        out
    }

    /// What the page's script does.
    pub(in super::super) fn unpack(packed: &Packed, rows: usize) -> Vec<f64> {
        let bytes = inflate(&packed.data);
        let bits = rows.div_ceil(8);
        let count = (bytes.len() - bits) / 2;
        let (mut k, mut whole) = (0, 0_u16);
        (0..rows)
            .map(|row| {
                if bytes[row / 8] >> (row % 8) & 1 == 0 {
                    return f64::NAN;
                }
                let code = u16::from_le_bytes([bytes[bits + k], bytes[bits + count + k]]);
                k += 1;
                whole = whole.wrapping_add((code >> 1) ^ (code & 1).wrapping_neg());
                packed.base + f64::from(whole) * packed.step
            })
            .collect()
    }

    #[test]
    fn values_come_back_to_the_resolution_of_the_log() {
        let value: Vec<f64> = (0..1_000)
            .map(|i| if i % 7 == 3 { f64::NAN } else { 0.7 + f64::from((i * 7_919) % 661) * 0.001 })
            .collect();
        let back = unpack(&pack(&value, Some(0.001), &[]), value.len());
        for (a, b) in value.iter().zip(&back) {
            assert!(a.is_nan() == b.is_nan() && (a.is_nan() || (a - b).abs() < 1e-9), "{a} {b}");
        }
    }

    #[test]
    fn a_range_beyond_sixteen_bits_keeps_its_extremes() {
        let value = [1e9, -1e9, 0.123, f64::NAN];
        let back = unpack(&pack(&value, Some(0.001), &[]), 4);
        assert!((back[0] - 1e9).abs() < 1e-3 && (back[1] + 1e9).abs() < 1e-3, "{back:?}");
        assert!(back[2].abs() < 2e9 / LARGEST);
    }

    #[test]
    fn a_resolution_that_does_not_carry_the_values_is_not_used() {
        let value = [0.0, 0.5, 1.0, 0.37];
        assert!(pack(&value, Some(0.5), &[]).step < 0.001);
        assert_eq!(pack(&[f64::NAN; 9], Some(0.5), &[]).base, 0.0);
        assert_eq!(unpack(&pack(&[], None, &[]), 0).len(), 0);
    }

    #[test]
    fn times_come_back() {
        let time_s = [0.0, 0.02, 0.04, 0.061, 5.0, 5.02, 3_600.0];
        let packed = pack_time(&time_s, 0.001);
        let bytes = inflate(&packed.data);
        let n = time_s.len();
        let (mut before, mut change) = (0_u32, 0_u32);
        for (row, time) in time_s.iter().enumerate() {
            let code =
                u32::from_le_bytes([bytes[row], bytes[n + row], bytes[2 * n + row], bytes[3 * n + row]]);
            change = change.wrapping_add((code >> 1) ^ (code & 1).wrapping_neg());
            before = before.wrapping_add(change);
            assert!((f64::from(before) * packed.step - time).abs() < 1e-6);
        }
    }
}
