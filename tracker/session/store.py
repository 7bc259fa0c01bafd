"""Tables in an HDF5 file that anybody can read: the only door to h5py.

A table is a group; each column is one 1-D dataset; the columns of a group share one dimension scale of row numbers.
No compound types, no booleans (int8 with flag_values and flag_meanings), text as variable-length UTF-8, NaN for
missing numbers, gzip 4 with shuffle: what xarray, h5dump and R's readers take as it is. Layout: docs/files.md.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from tracker.session.tables import Field

MISSING_FLAG = -1  # a yes or no that is not known
_DTYPES = {"number": np.float64, "integer": np.int64, "boolean": np.int8}
_UCUM = {"px": "{pixel}", "px2": "{pixel}2", "mph": "[mi_i]/h"}  # units as the UCUM standard writes them
_PACKED = {"compression": "gzip", "compression_opts": 4, "shuffle": True}


@dataclass(frozen=True, eq=False)
class Table:
    """A table: its columns' meaning and their values.

    title    one sentence
    fields   one a column
    columns  by name; arrays or lists of one length
    """

    title: str
    fields: Sequence[Field]
    columns: Mapping[str, Any]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()))) if self.columns else 0


def write_store(path: Path, tables: Mapping[str, Table], facts: Mapping[str, str | int]) -> None:
    """Write tables and facts (root attributes) into a new HDF5 file."""
    with h5py.File(path, "w") as file:
        for name, value in facts.items():
            file.attrs[name] = value
        for name, table in tables.items():
            _write_table(file.create_group(name), f"{name}_row", table)


def _write_table(group: Any, dimension: str, table: Table) -> None:
    group.attrs["title"] = table.title
    packed = _PACKED if len(table) else {}  # HDF5 has no empty chunks
    row = group.create_dataset(dimension, data=np.arange(len(table), dtype=np.int64), **packed)
    row.attrs["long_name"] = "row, counted from 0"
    row.make_scale(dimension)
    names = [field.name for field in table.fields]
    if set(names) != set(table.columns):
        raise ValueError(f"{group.name}: columns {set(names) ^ set(table.columns)} are described or given, not both")
    for field in table.fields:
        values = table.columns[field.name]
        if len(values) != len(table):
            raise ValueError(f"{group.name}/{field.name} has {len(values)} rows, expected {len(table)}")
        column = _write_column(group, field, values, packed)
        column.dims[0].attach_scale(row)
        if f"{field.name}_sd" in names:
            column.attrs["ancillary_variables"] = f"{field.name}_sd"


def _write_column(group: Any, field: Field, values: Any, packed: Mapping[str, Any]) -> Any:
    if field.type in _DTYPES:
        column = group.create_dataset(field.name, data=np.asarray(values, _DTYPES[field.type]), **packed)
    else:
        text = np.array([str(value) for value in values], object)
        column = group.create_dataset(field.name, data=text, dtype=h5py.string_dtype("utf-8"), **packed)
    column.attrs["long_name"] = field.meaning or field.name
    if field.unit:
        column.attrs["units"] = _UCUM.get(field.unit, field.unit)
    if field.type == "boolean":
        column.attrs["flag_values"] = np.array([0, 1, MISSING_FLAG], np.int8)
        column.attrs["flag_meanings"] = "no yes not_known"
    elif field.type == "integer" and field.words:
        column.attrs["flag_values"] = np.arange(len(field.words), dtype=np.int64)
        column.attrs["flag_meanings"] = " ".join(word.replace(" ", "_") for word in field.words)
    return column


def read_store(path: Path) -> tuple[dict[str, dict[str, NDArray[Any]]], dict[str, Any]]:
    """Every table's columns by table and name (text as objects of str), and the facts.

    Raises
    ------
    InputError
        If there is no such file or it is not HDF5.
    """
    if not path.exists():
        raise InputError(path, "no such file", "give the folder that `lanepair track --out` wrote")
    try:
        with h5py.File(path, "r") as file:
            return {name: _read_table(name, group) for name, group in file.items()}, dict(file.attrs)
    except OSError as e:
        raise InputError(path, f"is not a readable HDF5 file ({str(e).splitlines()[0]})", "track again") from None


def _read_table(name: str, group: Any) -> dict[str, NDArray[Any]]:
    return {
        column: values.asstr()[:] if h5py.check_string_dtype(values.dtype) else values[:]
        for column, values in group.items()
        if column != f"{name}_row"
    }
