//! Tables handed over by the Arrow C data interface: the reader gets the memory itself, not a copy
//! of it (Arrow PyCapsule interface: `__arrow_c_array__`).

use std::sync::Mutex;
use std::sync::mpsc::Receiver;

use polars_arrow::array::{Array, StructArray};
use polars_arrow::datatypes::{ArrowDataType, Field};
use polars_arrow::ffi::{ArrowSchema, export_array_to_c, export_field_to_c};
use pyo3::prelude::*;
use pyo3::types::PyCapsule;

use lostnode::table::Gathered;

use crate::failure::Failure;
use crate::waiting::{Stop, received};

/// The schema as the interface lays it out, which a capsule may carry to another thread.
#[repr(transparent)]
struct Schema(#[allow(dead_code)] ArrowSchema);

// SAFETY: its pointers lead to memory that it alone owns and frees when it is dropped, and nothing in
// it belongs to a thread. The array beside it (`ArrowArray`) is `Send` for the same reason; polars
// has only not said so of the schema.
#[allow(unsafe_code)]
unsafe impl Send for Schema {}

/// Takes the next table.
pub type Put<'p> = dyn FnMut(Batch) -> Result<(), Failure> + Send + 'p;

/// Some rows of a table.
#[pyclass(module = "lostnode._lostnode", frozen)]
pub struct Batch {
    rows: StructArray,
}

impl Batch {
    /// The rows gathered so far, of which none are left there.
    pub fn of(table: &mut Gathered) -> Self {
        let (height, fields) = (table.rows(), table.fields());
        let rows = StructArray::new(ArrowDataType::Struct(fields), height, table.take(), None);
        Batch { rows }
    }
}

#[pymethods]
impl Batch {
    fn __len__(&self) -> usize {
        self.rows.len()
    }

    /// The capsules of the schema and of the rows.
    #[pyo3(signature = (requested_schema=None))]
    fn __arrow_c_array__<'py>(
        &self,
        py: Python<'py>,
        requested_schema: Option<Bound<'py, PyAny>>,
    ) -> PyResult<(Bound<'py, PyCapsule>, Bound<'py, PyCapsule>)> {
        // A reader that wants another schema converts for itself, as the interface allows.
        let _ = requested_schema;
        let field = Field::new("".into(), self.rows.dtype().clone(), false);
        let schema = Schema(export_field_to_c(&field));
        let schema = PyCapsule::new_with_value(py, schema, c"arrow_schema")?;
        let rows = export_array_to_c(Box::new(self.rows.clone()));
        Ok((schema, PyCapsule::new_with_value(py, rows, c"arrow_array")?))
    }
}

/// Batches of rows as they are read; no more than two are held at a time.
#[pyclass(module = "lostnode._lostnode", frozen)]
pub struct Batches {
    receiver: Mutex<Option<Receiver<Result<Batch, Failure>>>>,
    stop: Stop,
}

impl Batches {
    /// What another thread sends.
    pub fn new(receiver: Receiver<Result<Batch, Failure>>, stop: Stop) -> Self {
        Batches { receiver: Mutex::new(Some(receiver)), stop }
    }
}

#[pymethods]
impl Batches {
    fn __iter__(own: PyRef<'_, Self>) -> PyRef<'_, Self> {
        own
    }

    fn __next__(&self, py: Python<'_>) -> PyResult<Option<Batch>> {
        py.detach(|| {
            let mut place = self.receiver.lock().unwrap_or_else(|broken| broken.into_inner());
            let Some(receiver) = place.as_ref() else { return Ok(None) };
            let next = received(receiver, &self.stop).transpose();
            if !matches!(next, Ok(Some(_))) {
                *place = None;
            }
            next
        })
    }

    /// Ends the reading; there are no more batches.
    fn close(&self) {
        self.stop.set();
        *self.receiver.lock().unwrap_or_else(|broken| broken.into_inner()) = None;
    }
}

impl Drop for Batches {
    fn drop(&mut self) {
        self.stop.set();
    }
}
