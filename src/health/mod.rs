//! Health of the mixture sensor, measured from one ordinary log.

use crate::detect::{Detection, View};
use crate::document::HealthMetric;

/// Every metric, measurable or not.
pub fn measure(_view: &View<'_>, _detection: &Detection) -> Vec<HealthMetric> {
    Vec::new()
}
