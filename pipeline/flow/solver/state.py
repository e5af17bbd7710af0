"""Converged fields of a run: read from the solver's files, kept small, given to the next run as its start."""

import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import MADE_AGAIN, Broken, InputError
from pipeline.files.arrays import read_archive
from pipeline.files.atomic import atomic_open


def written_times(case: Path, ranks: int = 1) -> list[str]:
    """Folder names of the states that the solver has written, earliest first, the start excluded."""
    root = case / "processor0" if ranks > 1 else case
    names = [
        entry.name for entry in root.glob("*") if entry.is_dir() and re.fullmatch(r"\d+(\.\d+)?", entry.name)
    ]
    return sorted((name for name in names if float(name) > 0), key=float)


def complete(case: Path, time: str, fields: tuple[str, ...], ranks: int = 1) -> bool:
    """Whether a written state has all its fields in full; a killed solver leaves halves behind."""
    return all(_ended(part / time / name) for part in _parts(case, ranks) for name in fields)


def read_state(
    case: Path, time: str, fields: tuple[str, ...], cells: int, ranks: int = 1
) -> dict[str, FloatArray]:
    """Cell values of a written state.

    Parameters
    ----------
    case : Path
        Case folder.
    time : str
        Name of the time folder.
    fields : tuple of str
        Fields to read.
    cells : int
        Cells of the whole mesh.
    ranks : int
        Ranks that wrote it; constant/cellRanks of the case says which cells each has, in their order.

    Returns
    -------
    dict of ndarray
        By field, shape (cells,) or (cells, 3).

    Raises
    ------
    InputError
        If a file is broken or the number of values is not that of the mesh.
    """
    state = {}
    order = None if ranks == 1 else np.argsort(_cell_ranks(case), kind="stable")
    for name in fields:
        parts = [_internal_field(part / time / name) for part in _parts(case, ranks)]
        if len(parts) == 1 and parts[0].shape[0] == 1:
            parts = [np.repeat(parts[0], cells, axis=0)]
        values = np.concatenate(parts)
        if len(values) != cells:
            raise InputError(f"{case}: {time}/{name}: {len(values)} values, where the mesh has {cells} cells")
        if order is not None:
            values[order] = values.copy()
        state[name] = values
    return state


def _cell_ranks(case: Path) -> IntArray:
    """Rank of each cell, as `CaseWriter` left it."""
    content = (case / "constant/cellRanks").read_bytes()
    return np.array(content.split(b"(\n", 1)[1].split(b")", 1)[0].split(), dtype=np.int64)


def save_state(path: Path, state: dict[str, FloatArray]) -> None:
    """Keep a state in single precision: a start needs no more.

    The four bytes of the numbers are stored apart, since the first two of neighbouring cells resemble each
    other and are then compressed well: 21 bytes a cell for seven numbers, measured.
    """
    planes = {
        name: np.moveaxis(values.astype("<f4")[..., None].view(np.uint8), -1, 0)
        for name, values in state.items()
    }
    with atomic_open(path) as stream:
        np.savez_compressed(stream, **planes)  # type: ignore[arg-type]


def load_state(path: Path) -> dict[str, FloatArray]:
    """Read what `save_state` wrote, now or before it stored bytes apart.

    Raises
    ------
    InputError
        If it is missing.
    Broken
        If it is not that.
    """
    try:
        state = {name: _from_planes(stored).astype(np.float64) for name, stored in read_archive(path).items()}
    except (ValueError, TypeError):
        raise Broken(path, "its arrays are not those of a state", MADE_AGAIN) from None
    if not all(np.isfinite(values).all() for values in state.values()):
        raise Broken(path, "numbers that are not finite", MADE_AGAIN)
    return state


def _from_planes(stored: NDArray[Any]) -> NDArray[Any]:
    if stored.dtype != np.uint8:
        return stored
    if stored.ndim < 2 or len(stored) != 4:
        raise ValueError("four planes of bytes are needed")
    return np.ascontiguousarray(np.moveaxis(stored, 0, -1)).view("<f4")[..., 0]


def _parts(case: Path, ranks: int) -> list[Path]:
    return [case] if ranks == 1 else [case / f"processor{rank}" for rank in range(ranks)]


def _ended(path: Path) -> bool:
    """Whether a field file carries the solver's closing comment."""
    if not path.is_file() or path.stat().st_size < 200:
        return False
    with path.open("rb") as stream:
        stream.seek(-120, 2)
        return stream.read().rstrip().endswith(b"//")


def _internal_field(path: Path) -> FloatArray:
    content = path.read_bytes()
    if re.search(rb"format\s+binary", content[:2000]) is None:
        raise InputError(f"{path}: not a binary field file")
    uniform = re.search(rb"internalField\s+uniform\s+\(?([-+\d.eE ]+)\)?\s*;", content[:2000])
    if uniform:
        values = np.array(uniform.group(1).split(), dtype=np.float64)
        return values if values.size == 1 else values.reshape(1, 3)
    listed = re.search(rb"internalField\s+nonuniform\s+List<(scalar|vector)>\s+(\d+)\s*\(", content[:2000])
    if listed is None:
        raise InputError(f"{path}: no internalField list found")
    width = 3 if listed.group(1) == b"vector" else 1
    count = int(listed.group(2)) * width
    if len(content) < listed.end() + 8 * count:
        raise InputError(f"{path}: cut off inside its internalField")
    values = np.frombuffer(content, dtype="<f8", count=count, offset=listed.end())
    return values.reshape(-1, 3) if width == 3 else values
