//! Probability per cause of a lean event: of thousands of events the names are held once.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Names of causes in the order of the alphabet; events share them.
pub type Causes = Arc<[Cow<'static, str>]>;

/// Probability per cause; sums to 1. In a document it is a map.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Posterior {
    causes: Causes,
    /// One for each of them.
    shares: Box<[f64]>,
}

impl Posterior {
    /// * `causes`: in the order of the alphabet
    /// * `share`: probability of one of them
    pub fn new(causes: &Causes, share: impl Fn(&str) -> f64) -> Self {
        Self { causes: Arc::clone(causes), shares: causes.iter().map(|cause| share(cause)).collect() }
    }

    /// Probability of a cause; null for one that was not weighed.
    pub fn get(&self, cause: &str) -> Option<f64> {
        let index = self.causes.binary_search_by(|known| (**known).cmp(cause)).ok()?;
        self.shares.get(index).copied()
    }

    /// Causes in the order of the alphabet, with their probabilities.
    pub fn iter(&self) -> impl Iterator<Item = (&str, f64)> {
        self.causes.iter().map(|cause| &**cause).zip(self.shares.iter().copied())
    }

    /// How many causes were weighed.
    pub fn len(&self) -> usize {
        self.shares.len()
    }

    /// Whether none was.
    pub fn is_empty(&self) -> bool {
        self.shares.is_empty()
    }
}

impl<Name: Into<Cow<'static, str>>> FromIterator<(Name, f64)> for Posterior {
    fn from_iter<Pairs: IntoIterator<Item = (Name, f64)>>(pairs: Pairs) -> Self {
        let sorted: BTreeMap<Cow<'static, str>, f64> =
            pairs.into_iter().map(|(name, share)| (name.into(), share)).collect();
        let shares = sorted.values().copied().collect();
        Self { causes: sorted.into_keys().collect(), shares }
    }
}

impl Serialize for Posterior {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.iter())
    }
}

impl<'de> Deserialize<'de> for Posterior {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(BTreeMap::<String, f64>::deserialize(deserializer)?.into_iter().collect())
    }
}

impl JsonSchema for Posterior {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Posterior".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        BTreeMap::<String, f64>::json_schema(generator)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_posterior_is_written_and_read_as_a_map_and_shares_its_names() {
        let plain = BTreeMap::from([("spike".to_owned(), 0.25), ("fuel_supply".to_owned(), 0.75)]);
        let posterior: Posterior = plain.clone().into_iter().collect();
        let text = serde_json::to_string(&posterior).expect("text");
        assert_eq!(text, serde_json::to_string(&plain).expect("text"));
        let read: Posterior = serde_json::from_str(&text).expect("a map");
        assert_eq!(read, posterior);
        assert_eq!((read.get("spike"), read.get("tip_in"), read.len()), (Some(0.25), None, 2));
        let other = Posterior::new(&posterior.causes, |cause| cause.len() as f64);
        assert!(Arc::ptr_eq(&other.causes, &posterior.causes));
        assert_eq!(other.iter().collect::<Vec<_>>(), [("fuel_supply", 11.0), ("spike", 5.0)]);
    }
}
