"""Files as the format has them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq


def write_csv(path: Path, table: pd.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    table.to_csv(path, index=False, lineterminator="\n")


def write_parquet(path: Path, table: pd.DataFrame) -> None:
    """Without the writing library's own notes, and with 32-bit numbers: more than any logger resolves."""
    path.parent.mkdir(parents=True, exist_ok=True)
    arrays, names = [], []
    for name in table.columns:
        values = pa.Array.from_pandas(table[name])
        if pa.types.is_floating(values.type):
            values = values.cast(pa.float32())
        elif pa.types.is_timestamp(values.type):
            values = values.cast(pa.timestamp("us", "UTC"))
        elif pa.types.is_large_string(values.type):
            values = values.cast(pa.string())
        arrays.append(values)
        names.append(name)
    pq.write_table(pa.table(arrays, names=names), path, compression="zstd", compression_level=15)
