//! Kernels: slices in, values out. This module knows no type of the rest of the library.
