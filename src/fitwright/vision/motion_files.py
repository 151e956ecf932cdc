"""Motion out: columns of numbers with names, units and meaning, as CSV or Parquet."""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.over_time import Channel

DECIMALS = {"s": 6}
USUAL_DECIMALS = 4


def write_csv(channels: Sequence[Channel], about: Mapping[str, str]) -> bytes:
    """Comma-separated, decimal points, UTF-8: comments (`# key: value`), the columns' meaning, their names, the rows.

    A value that was not seen is an empty cell.
    """
    lines = [f"# {key}: {one_line(text)}" for key, text in about.items()]
    lines += [f"# column {c.header}: {c.unit or '1'}, {one_line(c.about)}" for c in channels]
    lines.append(",".join(c.header for c in channels))
    columns = [_cells(c) for c in channels]
    lines += [",".join(row) for row in zip(*columns, strict=True)]
    return ("\n".join(lines) + "\n").encode()


def _cells(channel: Channel) -> list[str]:
    places = DECIMALS.get(channel.unit, USUAL_DECIMALS)
    return [f"{v:.{places}f}" if np.isfinite(v) else "" for v in channel.values.tolist()]


def has_parquet() -> bool:
    """Whether the optional part that writes Parquet is installed."""
    return importlib.util.find_spec("pyarrow") is not None


def write_parquet(channels: Sequence[Channel], about: Mapping[str, str]) -> bytes:
    """Parquet with 64-bit columns, null where not seen; unit and meaning stand in each field's metadata.

    Raises:
        InputError: the optional part `parquet` is not installed.
    """
    if not has_parquet():
        raise InputError("format", "Parquet needs a part that is not installed", allowed="csv, c3d",
                         hint="Install fitwright[parquet], or choose CSV")  # fmt: skip
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields = [
        pa.field(c.header, pa.float64(), metadata={"unit": c.unit or "1", "about": c.about}) for c in channels
    ]
    schema = pa.schema(fields, metadata={k: one_line(v) for k, v in about.items()})
    arrays: list[Any] = [pa.array(c.values, from_pandas=True) for c in channels]
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), out)
    return out.getvalue()


def one_line(text: str) -> str:
    """Without line ends, so that it stays a comment."""
    return " ".join(text.split())
