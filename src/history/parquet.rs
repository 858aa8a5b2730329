//! Rows of the history as Parquet: one column a quantity, absent where nothing was measured, one row group a piece.
//!
//! Must never hold more than one piece in memory, nor end a file well whose rows could not all be read.

use std::io::Write;
use std::sync::Arc;

use ::parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical};
use ::parquet::data_type::{DoubleType, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::metadata::KeyValue;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::types::{Type, TypePtr};

use super::quantity::{QUANTITIES, Quantity};
use super::store::{Query, Rows, Source, Tier};

/// Name of the column of times.
const AT: &str = "at";

/// A file being written.
pub struct ParquetFile<W: Write + Send> {
    writer: SerializedFileWriter<W>,
}

impl<W: Write + Send> ParquetFile<W> {
    /// Begins a file for the rows of a query. It says of what they are, and each column's unit.
    pub fn begin(out: W, source: &Source, query: &Query) -> Result<ParquetFile<W>, ParquetError> {
        let quantities: Vec<Quantity> = query.quantities.iter().filter_map(|at| QUANTITIES.get(*at)).copied().collect();
        let properties = WriterProperties::builder()
            .set_created_by(concat!("wattassay ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_compression(Compression::SNAPPY)
            .set_key_value_metadata(Some(about(source, query, &quantities)))
            .build();
        let writer = SerializedFileWriter::new(out, schema(&quantities)?, Arc::new(properties))?;
        Ok(ParquetFile { writer })
    }

    /// Writes a piece as a row group.
    pub fn write(&mut self, rows: &Rows) -> Result<(), ParquetError> {
        let mut group = self.writer.next_row_group()?;
        if let Some(mut column) = group.next_column()? {
            column.typed::<Int64Type>().write_batch(&rows.at_ms, None, None)?;
            column.close()?;
        }
        let mut place = 0;
        while let Some(mut column) = group.next_column()? {
            let all = rows.iter().filter_map(|(_, values)| values.get(place).copied());
            // A definition level of 1 says that there is a value, of 0 that there is none.
            let (levels, present): (Vec<i16>, Vec<Option<f64>>) =
                all.map(|value| if value.is_nan() { (0, None) } else { (1, Some(value)) }).unzip();
            let present: Vec<f64> = present.into_iter().flatten().collect();
            column.typed::<DoubleType>().write_batch(&present, Some(&levels), None)?;
            column.close()?;
            place += 1;
        }
        group.close()?;
        Ok(())
    }

    /// Ends the file; without this no reader takes it for a whole one.
    pub fn end(self) -> Result<(), ParquetError> {
        self.writer.close().map(|_| ())
    }
}

fn schema(quantities: &[Quantity]) -> Result<TypePtr, ParquetError> {
    let at = Type::primitive_type_builder(AT, Physical::INT64)
        .with_repetition(Repetition::REQUIRED)
        .with_logical_type(Some(LogicalType::timestamp(true, TimeUnit::MILLIS)))
        .build()?;
    let mut fields = vec![Arc::new(at)];
    for quantity in quantities {
        let column = Type::primitive_type_builder(quantity.key, Physical::DOUBLE)
            .with_repetition(Repetition::OPTIONAL)
            .build()?;
        fields.push(Arc::new(column));
    }
    Ok(Arc::new(Type::group_type_builder("history").with_fields(fields).build()?))
}

fn about(source: &Source, query: &Query, quantities: &[Quantity]) -> Vec<KeyValue> {
    let pair = |key: &str, value: &str| KeyValue::new(key.to_owned(), value.to_owned());
    let mut pairs = vec![
        pair("station", &source.station),
        pair(if source.is_monitor { "monitor" } else { "circuit" }, &source.name),
        pair("tier", query.tier.key()),
    ];
    if query.tier != Tier::Detail {
        pairs.push(pair("statistic", query.statistic.key()));
    }
    pairs.extend(quantities.iter().map(|quantity| pair(&format!("unit.{}", quantity.key), quantity.unit())));
    pairs
}

#[cfg(test)]
mod tests {
    use ::parquet::file::reader::{FileReader, SerializedFileReader};
    use ::parquet::record::RowAccessor;

    use super::*;
    use crate::history::quantity::place;
    use crate::history::store::{SourceId, Statistic};

    #[test]
    fn pieces_come_back_with_gaps_units_and_source() {
        let quantities = vec![place::FREQUENCY_HZ, place::ENERGY_IMPORT_WH];
        let query = Query {
            source: SourceId(1),
            tier: Tier::Minute,
            statistic: Statistic::Lowest,
            from_ms: 0,
            to_ms: i64::MAX,
            quantities: quantities.clone(),
        };
        let source = Source { station: "Alder Creek Lift".into(), is_monitor: false, name: "Pump 1".into() };
        let piece = |at_ms: Vec<i64>, values: Vec<f64>| Rows {
            quantities: quantities.clone(),
            at_ms,
            values,
            samples: Vec::new(),
        };
        let handle = tempfile::tempfile().unwrap();
        let mut file = ParquetFile::begin(handle.try_clone().unwrap(), &source, &query).unwrap();
        file.write(&piece(vec![1_795_000_000_000, 1_795_000_060_000], vec![59.98, f64::NAN, f64::NAN, 1e9])).unwrap();
        file.write(&piece(vec![1_795_000_120_000], vec![60.0, -0.5])).unwrap();
        file.end().unwrap();

        let reader = SerializedFileReader::new(handle).unwrap();
        let metadata = reader.metadata();
        assert_eq!(metadata.num_row_groups(), 2);
        let said = metadata.file_metadata().key_value_metadata().unwrap();
        let said = |key: &str| said.iter().find(|pair| pair.key == key).and_then(|pair| pair.value.as_deref());
        let keys = ["station", "circuit", "tier", "statistic", "unit.frequency_hz", "unit.energy_import_wh"];
        let values = ["Alder Creek Lift", "Pump 1", "minute", "lowest", "Hz", "Wh"];
        assert_eq!(keys.map(said), values.map(Some));
        let rows: Vec<_> = reader.get_row_iter(None).unwrap().map(Result::unwrap).collect();
        let read = |row: usize, column: usize| rows[row].get_double(column).ok();
        assert_eq!(rows.len(), 3);
        assert_eq!(rows[2].get_timestamp_millis(0).unwrap(), 1_795_000_120_000);
        assert_eq!([read(0, 1), read(0, 2)], [Some(59.98), None]);
        assert_eq!([read(1, 1), read(1, 2)], [None, Some(1e9)]);
        assert_eq!([read(2, 1), read(2, 2)], [Some(60.0), Some(-0.5)]);
    }
}
