"""Samples from NumPy files: a table, a table with named fields, or an archive of named arrays."""

import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from station.exit_codes import BadInput
from station.scope_text import Table


def read_numpy(path: Path) -> Table:
    """Read a .npy or .npz file.

    Raises
    ------
    BadInput
        It cannot be read, or holds no columns of numbers of one length.
    """
    try:
        # Opened here, since the library leaves a damaged archive open.
        with path.open("rb") as file:
            columns = _columns(np.load(file, allow_pickle=False))
    except OSError as error:
        raise BadInput(f"{path} cannot be read: {error.strerror or error}; allowed: a NumPy file") from None
    except (ValueError, EOFError, KeyError, zipfile.BadZipFile) as error:
        raise BadInput(
            f"{path} is no NumPy file of samples: {error}; allowed: columns of numbers of one length"
        ) from None
    data = np.column_stack([np.asarray(c, dtype=np.float64) for c in columns.values()])
    if not np.isfinite(data).all():
        row = int(np.argmax(~np.isfinite(data).all(axis=1))) + 1
        raise BadInput(f"{path}, sample {row}: not a finite number; allowed: finite numbers throughout")
    names = tuple(columns)
    return Table(names, ("",) * len(names), data)


def _columns(loaded: Any) -> Mapping[str, Any]:
    """Return columns by name, an empty name for none; every one of one dimension and all of one length."""
    if isinstance(loaded, np.ndarray):
        columns = _of_array(loaded)
    else:
        with loaded:
            columns = {name: loaded[name] for name in loaded.files}
    sizes = {name: np.shape(c) for name, c in columns.items()}
    wrong = next((n for n, s in sizes.items() if len(s) != 1 or s != next(iter(sizes.values()))), None)
    if wrong is not None or not columns:
        raise ValueError(f"{wrong or 'it'} has the shape {sizes.get(wrong or '', ())}")
    other = next((n for n, c in columns.items() if not np.issubdtype(np.asarray(c).dtype, np.number)), None)
    if other is not None or any(np.iscomplexobj(c) for c in columns.values()):
        raise ValueError(f"{other or 'a column'} holds no real numbers")
    return columns


def _of_array(array: np.ndarray[Any, Any]) -> Mapping[str, Any]:
    if array.dtype.names:
        return {name: array[name] for name in array.dtype.names}
    if array.ndim != 2:
        raise ValueError(f"its array has {array.ndim} dimensions")
    # Samples are always more than channels, whichever way round they were saved.
    table = array if array.shape[0] >= array.shape[1] else array.T
    return {str(i + 1): table[:, i] for i in range(table.shape[1])}
