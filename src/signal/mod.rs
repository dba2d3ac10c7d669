//! Kernels: slices in, values out. This module knows no type of the rest of the library.

pub mod outlier;
pub mod quality;
pub mod robust;
pub mod runs;
pub mod series;

#[cfg(test)]
pub(crate) mod reference;
