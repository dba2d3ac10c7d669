//! Kernels: slices in, values out. This module knows no type of the rest of the library.

pub mod align;
pub mod calibration;
pub mod chemistry;
pub mod extent;
pub mod frame;
pub mod fresh;
pub mod lag;
pub mod outlier;
pub mod principal;
pub mod quality;
pub mod quantum;
pub mod rail;
pub mod regression;
pub mod response;
pub mod robust;
pub mod runs;
pub mod search;
pub mod series;
pub mod slew;
pub mod step;
pub mod trend;
pub mod uncertainty;
pub mod wire;

#[cfg(test)]
pub(crate) mod reference;
