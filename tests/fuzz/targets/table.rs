//! Arbitrary tables, audited: every role, any values, any clock.
#![no_main]

use std::collections::HashMap;
use std::sync::Arc;

use arbitrary::{Arbitrary, Unstructured};
use arrow_array::{ArrayRef, Float64Array, RecordBatch};
use arrow_schema::{DataType, Field, Schema};
use libfuzzer_sys::fuzz_target;
use sondeproof::log::Role;
use sondeproof::read::{ROLE_KEY, from_batches};
use sondeproof::report::flags;
use sondeproof::rig::{Rig, assemble};

/// How a column runs: most logs are smooth, most faults are not.
#[derive(Arbitrary, Debug)]
enum Run {
    Constant(f64),
    Ramp(f64, f64),
    Steps(f64, f64, u8),
    Wave(f64, f64, f64),
    Any(Vec<f64>),
}

impl Run {
    fn at(&self, row: usize) -> Option<f64> {
        let x = row as f64;
        match self {
            Self::Constant(value) => Some(*value),
            Self::Ramp(start, step) => Some(start + step * x),
            Self::Steps(low, high, every) => {
                Some(if row / (usize::from(*every) + 1) % 2 == 0 { *low } else { *high })
            }
            Self::Wave(middle, size, period) => Some(middle + size * (x / period).sin()),
            Self::Any(values) if values.is_empty() => None,
            // A number in eight is missing.
            Self::Any(values) => (row % 8 != 7).then(|| values[row % values.len()]),
        }
    }
}

#[derive(Arbitrary, Debug)]
struct Input {
    rows: u16,
    clock: Run,
    columns: Vec<(u8, Run)>,
}

fuzz_target!(|bytes: &[u8]| {
    let Ok(input) = Input::arbitrary(&mut Unstructured::new(bytes)) else { return };
    let rows = usize::from(input.rows) % 3_000;
    let mut fields = vec![Field::new("Time (s)", DataType::Float64, true)];
    let column = |run: &Run| Arc::new((0..rows).map(|row| run.at(row)).collect::<Float64Array>()) as ArrayRef;
    let mut columns = vec![column(&input.clock)];
    for (number, (role, run)) in input.columns.iter().take(40).enumerate() {
        let role = Role::ALL[usize::from(*role) % Role::ALL.len()];
        let meta = [(ROLE_KEY.to_owned(), role.name().to_owned())];
        fields.push(Field::new(format!("c{number}"), DataType::Float64, true).with_metadata(HashMap::from(meta)));
        columns.push(column(run));
    }
    let schema = Arc::new(Schema::new(fields));
    let batch = RecordBatch::try_new(Arc::clone(&schema), columns).expect("like lengths");
    let rig = Rig { rate_hz: Some(25.0), ..Rig::default() };
    let Ok(table) = from_batches("fuzz", &schema, vec![batch]) else { return };
    let Ok(log) = assemble(table, &rig) else { return };
    let audited = sondeproof::audit::audit(&log, &rig);
    serde_json::to_string(&audited.document).expect("no NaN in the document");
    let flags = flags::table(&log, &audited.detection).expect("flags");
    assert_eq!(flags.num_rows(), log.rows());
});
