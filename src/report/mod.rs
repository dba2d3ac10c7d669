//! Renderers of the audit document. None recomputes a number.
