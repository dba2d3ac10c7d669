//! Numbers behind a finding: of thousands of findings the names take no memory of their own.

use std::borrow::Cow;
use std::collections::BTreeMap;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Numbers by name, null where unknown. In a document they are a map.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Numbers {
    /// In the order of the alphabet, each name once.
    pairs: Box<[(Cow<'static, str>, Option<f64>)]>,
}

impl Numbers {
    /// The number of a name; null where it is unknown or where there is none of that name.
    pub fn get(&self, name: &str) -> Option<f64> {
        let index = self.pairs.binary_search_by(|(known, _)| (**known).cmp(name)).ok()?;
        self.pairs.get(index).and_then(|(_, value)| *value)
    }

    /// Names in the order of the alphabet, with their numbers.
    pub fn iter(&self) -> impl Iterator<Item = (&str, Option<f64>)> {
        self.pairs.iter().map(|(name, value)| (&**name, *value))
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.pairs.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.pairs.is_empty()
    }
}

/// Of a name that comes twice the last number counts.
impl<Name: Into<Cow<'static, str>>> FromIterator<(Name, Option<f64>)> for Numbers {
    fn from_iter<Pairs: IntoIterator<Item = (Name, Option<f64>)>>(pairs: Pairs) -> Self {
        let mut all: Vec<_> = pairs.into_iter().map(|(name, value)| (name.into(), value)).collect();
        all.reverse();
        all.sort_by(|(a, _), (b, _)| a.cmp(b));
        all.dedup_by(|(later, _), (first, _)| later == first);
        Self { pairs: all.into_boxed_slice() }
    }
}

impl Serialize for Numbers {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.iter())
    }
}

impl<'de> Deserialize<'de> for Numbers {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(BTreeMap::<String, Option<f64>>::deserialize(deserializer)?.into_iter().collect())
    }
}

impl JsonSchema for Numbers {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Numbers".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        BTreeMap::<String, Option<f64>>::json_schema(generator)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_and_read_as_a_map_in_which_the_last_of_a_name_counts() {
        let numbers: Numbers =
            [("span_s", Some(2.0)), ("count", Some(7.0)), ("limit", None), ("span_s", Some(0.5))]
                .into_iter()
                .collect();
        let text = serde_json::to_string(&numbers).expect("text");
        assert_eq!(text, r#"{"count":7.0,"limit":null,"span_s":0.5}"#);
        assert_eq!(serde_json::from_str::<Numbers>(&text).expect("a map"), numbers);
        let of = |name| numbers.get(name);
        assert_eq!((of("span_s"), of("limit"), of("rate"), numbers.len()), (Some(0.5), None, None, 3));
    }
}
