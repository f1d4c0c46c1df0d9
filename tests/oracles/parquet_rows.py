"""Reads a Parquet file with pyarrow and prints its types and rows as JSON; with a second name, writes it again as other programs might: other
compression, microseconds, dictionaries, identifiers as numbers, times as texts."""

import json
import sys

import pyarrow as pa
import pyarrow.parquet as pq

table = pq.read_table(sys.argv[1])
if len(sys.argv) > 2 and sys.argv[2].endswith("numbers"):
    at = table.schema.get_field_index("id")
    numbers = [None if id is None else int(id, 16) for id in table.column("id").to_pylist()]
    pq.write_table(table.set_column(at, "id", pa.array(numbers, pa.int64())), sys.argv[2])
    sys.exit()
if len(sys.argv) > 2 and sys.argv[2].endswith("texts"):
    at = table.schema.get_field_index("time")
    pq.write_table(table.set_column(at, "time", table.column("time").cast(pa.string())), sys.argv[2])
    sys.exit()
if len(sys.argv) > 2:
    fields = []
    for field in table.schema:
        kind = field.type
        if pa.types.is_timestamp(kind):
            kind = pa.timestamp("us")
        elif pa.types.is_string(kind) or pa.types.is_large_string(kind):
            kind = pa.dictionary(pa.int32(), pa.string()) if sys.argv[2].endswith("dictionary") else pa.string()
        elif pa.types.is_large_binary(kind):
            kind = pa.binary()
        elif pa.types.is_int64(kind):
            kind = pa.int32()
        fields.append(pa.field(field.name, kind))
    pq.write_table(table.cast(pa.schema(fields)), sys.argv[2], compression="snappy", row_group_size=1000)
    sys.exit()


def plain(name, value):
    if isinstance(value, bytes):
        return value.hex().upper()
    return value


types = {field.name: str(field.type) for field in table.schema}
times = [field.name for field in table.schema if pa.types.is_timestamp(field.type)]
for name in times:
    at = table.schema.get_field_index(name)
    table = table.set_column(at, name, table.column(name).cast(pa.int64()))
rows = [{name: plain(name, value) for name, value in row.items()} for row in table.to_pylist()]
json.dump({"types": types, "rows": rows}, sys.stdout)
