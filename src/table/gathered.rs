//! Rows gathered as columns in memory: the arrays of Apache Arrow, as polars has them.

use std::io;

use lostnode_parsers::Timestamp;
use polars_arrow::array::{
    Array, BinaryViewArray, BooleanArray, ListArray, PrimitiveArray, Utf8ViewArray,
};
use polars_arrow::bitmap::Bitmap;
use polars_arrow::datatypes::{ArrowDataType, Field, TimeUnit};
use polars_arrow::offset::OffsetsBuffer;

use super::{Cell, Column, Kind, Sink};

/// Takes rows and gives them back as columns, in one piece each. Time stamps are nanoseconds
/// without a zone; numbers are 64 bits wide; text and bytes are views.
///
/// ```
/// use lostnode::table::{Cell, Gathered, Kind, Sink, column};
/// let mut table = Gathered::new(&[column("node", Kind::Text, "name")]);
/// table.row(&[Cell::text("door")]).unwrap();
/// assert_eq!((table.rows(), table.take()[0].len(), table.rows()), (1, 1, 0));
/// assert_eq!(table.fields()[0].name, "node");
/// ```
pub struct Gathered {
    columns: Vec<Values>,
    names: Vec<&'static str>,
    rows: usize,
}

impl Gathered {
    /// A table without rows.
    pub fn new(columns: &[Column]) -> Self {
        Gathered {
            columns: columns.iter().map(|column| Values::new(column.kind)).collect(),
            names: columns.iter().map(|column| column.name).collect(),
            rows: 0,
        }
    }

    /// Rows gathered since the last were taken.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// The columns: their names and types. For the Python package: the types are those of a library
    /// whose version may change with any release.
    #[doc(hidden)]
    pub fn fields(&self) -> Vec<Field> {
        let columns = self.names.iter().zip(&self.columns);
        columns.map(|(name, values)| field(name, values.kind())).collect()
    }

    /// The rows gathered, column by column; none are left. For the Python package, as above.
    #[doc(hidden)]
    pub fn take(&mut self) -> Vec<Box<dyn Array>> {
        self.rows = 0;
        self.columns.iter_mut().map(Values::take).collect()
    }
}

impl Sink for Gathered {
    fn row(&mut self, cells: &[Cell<'_>]) -> io::Result<()> {
        debug_assert_eq!(cells.len(), self.columns.len());
        for (values, cell) in self.columns.iter_mut().zip(cells) {
            values.push(cell);
        }
        self.rows += 1;
        Ok(())
    }

    fn finish(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What has been gathered of a column.
enum Values {
    Time(Vec<Option<i64>>),
    Text(Vec<Option<String>>),
    Whole(Vec<Option<i64>>),
    Real(Vec<Option<f64>>),
    Flag(Vec<Option<bool>>),
    Bytes(Vec<Option<Vec<u8>>>),
    Texts(Vec<Option<Vec<String>>>),
}

/// A column as other readers are told of it.
pub(crate) fn field(name: &str, kind: Kind) -> Field {
    Field::new(name.into(), data_type(kind), true)
}

/// The type of a column in Arrow.
pub(crate) fn data_type(kind: Kind) -> ArrowDataType {
    match kind {
        Kind::Time => ArrowDataType::Timestamp(TimeUnit::Nanosecond, None),
        Kind::Text => ArrowDataType::Utf8View,
        Kind::Whole => ArrowDataType::Int64,
        Kind::Real => ArrowDataType::Float64,
        Kind::Flag => ArrowDataType::Boolean,
        Kind::Bytes => ArrowDataType::BinaryView,
        Kind::Texts => ArrowDataType::LargeList(Box::new(field("item", Kind::Text))),
    }
}

impl Values {
    fn new(kind: Kind) -> Self {
        match kind {
            Kind::Time => Values::Time(Vec::new()),
            Kind::Text => Values::Text(Vec::new()),
            Kind::Whole => Values::Whole(Vec::new()),
            Kind::Real => Values::Real(Vec::new()),
            Kind::Flag => Values::Flag(Vec::new()),
            Kind::Bytes => Values::Bytes(Vec::new()),
            Kind::Texts => Values::Texts(Vec::new()),
        }
    }

    /// A cell of another kind than its column's is an empty one; the tests of every table would
    /// show it.
    fn push(&mut self, cell: &Cell<'_>) {
        match (self, cell) {
            (Values::Time(values), Cell::Time(time)) => {
                values.push(Some(Timestamp::nanoseconds(*time)))
            }
            (Values::Text(values), Cell::Text(text)) => {
                values.push(Some(text.clone().into_owned()))
            }
            (Values::Whole(values), Cell::Whole(number)) => {
                values.push(i64::try_from(*number).ok())
            }
            (Values::Real(values), Cell::Real(number)) => values.push(Some(*number)),
            (Values::Flag(values), Cell::Flag(flag)) => values.push(Some(*flag)),
            (Values::Bytes(values), Cell::Bytes(bytes)) => values.push(Some(bytes.to_vec())),
            (Values::Texts(values), Cell::Texts(texts)) => {
                values.push(Some(texts.clone().into_owned()))
            }
            (Values::Time(values) | Values::Whole(values), _) => values.push(None),
            (Values::Text(values), _) => values.push(None),
            (Values::Real(values), _) => values.push(None),
            (Values::Flag(values), _) => values.push(None),
            (Values::Bytes(values), _) => values.push(None),
            (Values::Texts(values), _) => values.push(None),
        }
    }

    fn kind(&self) -> Kind {
        match self {
            Values::Time(_) => Kind::Time,
            Values::Text(_) => Kind::Text,
            Values::Whole(_) => Kind::Whole,
            Values::Real(_) => Kind::Real,
            Values::Flag(_) => Kind::Flag,
            Values::Bytes(_) => Kind::Bytes,
            Values::Texts(_) => Kind::Texts,
        }
    }

    /// The values, of which none are left. The room they had is kept for those of the next group.
    fn take(&mut self) -> Box<dyn Array> {
        match self {
            Values::Time(values) => {
                let numbers: PrimitiveArray<i64> = values.drain(..).collect();
                Box::new(numbers.to(data_type(Kind::Time)))
            }
            Values::Text(values) => {
                let array = Utf8ViewArray::from_slice(&*values);
                values.clear();
                Box::new(array)
            }
            Values::Whole(values) => Box::new(values.drain(..).collect::<PrimitiveArray<i64>>()),
            Values::Real(values) => Box::new(values.drain(..).collect::<PrimitiveArray<f64>>()),
            Values::Flag(values) => Box::new(values.drain(..).collect::<BooleanArray>()),
            Values::Bytes(values) => {
                let array = BinaryViewArray::from_slice(&*values);
                values.clear();
                Box::new(array)
            }
            Values::Texts(values) => Box::new(lists(std::mem::take(values))),
        }
    }
}

/// Lists of texts: all texts one after the other, and where each list ends.
fn lists(values: Vec<Option<Vec<String>>>) -> ListArray<i64> {
    let present: Bitmap = values.iter().map(Option::is_some).collect();
    let mut ends = vec![0];
    let mut texts: Vec<Option<String>> = Vec::new();
    for list in values {
        texts.extend(list.into_iter().flatten().map(Some));
        ends.push(texts.len() as i64);
    }
    // Each end is a length, so none is smaller than the one before.
    let offsets = OffsetsBuffer::try_from(ends).unwrap_or_default();
    let texts = Box::new(Utf8ViewArray::from_slice(&texts));
    ListArray::new(data_type(Kind::Texts), offsets, texts, Some(present))
}
