//! The Python module: a log file or an Arrow table in, the audit document and the flags out.

#![allow(clippy::needless_pass_by_value, reason = "the binding hands arguments over by value")]

use std::path::PathBuf;

use arrow_array::ffi_stream::{FFI_ArrowArrayStream, RecordBatchStreamReader};
use arrow_array::{RecordBatch, RecordBatchIterator, RecordBatchReader};
use arrow_pyarrow::FromPyArrow;
use pyo3::exceptions::{PyOSError, PyValueError};
use pyo3::prelude::*;
use pyo3::pybacked::PyBackedStr;
use pyo3::types::PyCapsule;

use sondeproof::log::Log;
use sondeproof::read::{self, ReadError};
use sondeproof::report::flags;
use sondeproof::rig::{self, Rig};

/// What stands behind `sondeproof.audit`.
#[pymodule]
mod _native {
    #[pymodule_export]
    use super::{Flags, audit, audit_table, schema};
}

/// Every value with its quality flag, held by the program and handed out through the Arrow C stream interface.
#[pyclass(frozen, module = "sondeproof")]
struct Flags {
    batch: RecordBatch,
}

#[pymethods]
impl Flags {
    /// A stream over the same memory: nothing is copied, and `pyarrow` is not needed.
    #[pyo3(signature = (requested_schema = None))]
    fn __arrow_c_stream__<'py>(
        &self,
        py: Python<'py>,
        requested_schema: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyCapsule>> {
        // The protocol lets a producer ignore the wish for another schema.
        drop(requested_schema);
        let batches = RecordBatchIterator::new([Ok(self.batch.clone())], self.batch.schema());
        let reader: Box<dyn RecordBatchReader + Send> = Box::new(batches);
        PyCapsule::new_with_value(py, FFI_ArrowArrayStream::new(reader), c"arrow_array_stream")
    }

    /// Rows of the log.
    fn __len__(&self) -> usize {
        self.batch.num_rows()
    }

    /// Names of the columns: `time_s`, then each channel and its `.flag`.
    #[getter]
    fn columns(&self) -> Vec<String> {
        self.batch.schema_ref().fields().iter().map(|field| field.name().clone()).collect()
    }

    fn __repr__(&self) -> String {
        format!("<sondeproof.Flags: {} rows, {} columns>", self.batch.num_rows(), self.batch.num_columns())
    }
}

/// Audits a log file.
///
/// * `path`: of any supported format
/// * `rig`: text of a rig file
/// * `rate_hz`: rows per second of a log without a time column
///
/// # Errors
/// `OSError` when the file cannot be opened, `ValueError` when it is no log or the rig is wrong.
#[pyfunction]
#[pyo3(signature = (path, rig, rig_name, rate_hz))]
fn audit(
    py: Python<'_>,
    path: PathBuf,
    rig: Option<PyBackedStr>,
    rig_name: PyBackedStr,
    rate_hz: Option<f64>,
) -> PyResult<(String, Flags)> {
    let rig = checked(rig.as_deref(), &rig_name, rate_hz)?;
    py.detach(|| {
        let options = rig.read_options();
        let table = read::open(&path, &options).map_err(|error| match error {
            ReadError::Io { .. } => PyOSError::new_err(error.to_string()),
            other => wrong(&other),
        })?;
        judge(rig::assemble(table, &rig).map_err(|error| wrong(&error))?, &rig)
    })
}

/// Audits whatever hands out its columns through the Arrow C stream interface, without copying them first.
///
/// # Errors
/// `ValueError` when the table makes no log or the rig is wrong.
#[pyfunction]
#[pyo3(signature = (table, name, rig, rig_name, rate_hz))]
fn audit_table(
    py: Python<'_>,
    table: &Bound<'_, PyAny>,
    name: PyBackedStr,
    rig: Option<PyBackedStr>,
    rig_name: PyBackedStr,
    rate_hz: Option<f64>,
) -> PyResult<(String, Flags)> {
    let rig = checked(rig.as_deref(), &rig_name, rate_hz)?;
    let reader = RecordBatchStreamReader::from_pyarrow_bound(table)?;
    let schema = reader.schema();
    let batches = reader.collect::<Result<Vec<RecordBatch>, _>>().map_err(|error| wrong(&error))?;
    py.detach(|| {
        let table = read::from_batches(&name, &schema, batches).map_err(|error| wrong(&error))?;
        judge(rig::assemble(table, &rig).map_err(|error| wrong(&error))?, &rig)
    })
}

/// JSON Schema of the document.
///
/// # Errors
/// None in practice: the schema is made of text.
#[pyfunction]
fn schema() -> PyResult<String> {
    serde_json::to_string(&sondeproof::explain::schema()).map_err(|error| wrong(&error))
}

fn checked(rig: Option<&str>, name: &str, rate_hz: Option<f64>) -> PyResult<Rig> {
    let mut rig = match rig {
        Some(text) => Rig::parse(text, name).map_err(|error| wrong(&error))?,
        None => Rig::default(),
    };
    if let Some(hz) = rate_hz {
        if !hz.is_finite() || hz <= 0.0 {
            return Err(PyValueError::new_err("rate_hz must be a number above 0"));
        }
        rig.rate_hz = Some(hz);
    }
    Ok(rig)
}

fn judge(log: Log, rig: &Rig) -> PyResult<(String, Flags)> {
    let audited = sondeproof::audit::audit(&log, rig);
    let document = serde_json::to_string(&audited.document).map_err(|error| wrong(&error))?;
    let batch = flags::table(&log, &audited.detection).map_err(|error| wrong(&error))?;
    Ok((document, Flags { batch }))
}

fn wrong(error: &dyn std::error::Error) -> PyErr {
    PyValueError::new_err(error.to_string())
}
