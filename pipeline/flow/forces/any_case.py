"""Force histories of any OpenFOAM case, also one that was not written here, by the names in their headers.

Besides the forms of `pipeline.flow.forces.histories`: `forceCoeffs.dat` (Foundation), `coefficient.dat`
(OpenCFD; all coefficients or the selected ones, in any order) and the `history.csv` of a finished run.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.flow.forces.histories import FORCE, FORCES, read_history
from pipeline.flow.forces.number_table import NumberTable, read_table, shown_names
from pipeline.flow.forces.restarts import Start, merged_rows, starts

COEFFICIENT_FILES = ("forceCoeffs", "coefficient")

COEFFICIENT = re.compile(r"C[dsl]|Cm(Roll|Pitch|Yaw)?")
"""Names of coefficients: of drag, side force, lift and moments."""

PART = re.compile(r"C[dsl]\([fr]\)")
"""Front and rear parts are half the coefficient plus and minus one of a moment: nothing new, so not read."""

OUR_NAMES = {"Cd": "cd", "Cl": "cl", "Cs": "cs", "Cm": "cm", "CmPitch": "cm"}
"""Names of the coefficients that a table of ours has."""

RUN_HISTORY, RUN_CASE = "history.csv", "case"
"""What a run's folder holds: the history of a finished one, the case of one that goes on."""

OUR_CASE = "start.json"
"""A case with this file was written here: its forces are in solver units."""

SAME_VALUE = 1e-5
"""Relative difference up to which two reference values are the same; headers carry seven digits."""


@dataclass(frozen=True)
class NamedHistory:
    """Histories that one function object wrote.

    Attributes
    ----------
    name : str
        Folder of the function object, or the file's name for a run's own history.
    time : ndarray, shape (n,)
        Time, or iteration of a steady case.
    columns : dict of ndarray, shape (n,)
        By name: cd, cl, cs, cm, CmRoll, CmYaw as far as they are there, or fx to fz and mx to mz.
    reference : dict of tuple
        Reference values of the header, such as magUInf, lRef and Aref.
    warnings : list of str
        What the reader should know, one line each.
    """

    name: str
    time: FloatArray
    columns: dict[str, FloatArray]
    reference: dict[str, tuple[float, ...]]
    warnings: list[str]


def find_histories(folder: str | Path) -> list[NamedHistory]:
    """Read all force histories of a case.

    Parameters
    ----------
    folder : str or Path
        A case, its postProcessing folder, the folder of one function object, or that of a run.

    Returns
    -------
    list of NamedHistory
        By name.

    Raises
    ------
    InputError
        If the folder has none, or one of them cannot be read (see `read_history`); also where two starts
        have different columns or reference values, since their coefficients cannot be merged.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; expected a case with a postProcessing folder")
    names = (FORCE, FORCES, *COEFFICIENT_FILES)
    case = folder / RUN_CASE if (folder / RUN_CASE).is_dir() else folder
    root = case / "postProcessing" if (case / "postProcessing").is_dir() else case
    candidates = [root, *sorted(entry for entry in root.iterdir() if entry.is_dir())]
    found = [_read(entry, names) for entry in candidates if starts(entry, names)]
    if (folder / RUN_HISTORY).is_file():
        table = read_table(folder / RUN_HISTORY)
        columns = dict(zip(table.names[1:], table.columns[1:], strict=True))
        found.append(NamedHistory(RUN_HISTORY, table.columns[0], columns, {}, []))
    if not found:
        files = ", ".join(f"{name}.dat" for name in names)
        raise InputError(
            f"{folder}: no force histories; expected postProcessing/NAME/TIME/ with one of {files} in it"
        )
    return found


def _read(folder: Path, names: tuple[str, ...]) -> NamedHistory:
    kinds = {start.name for start in starts(folder, names)}
    # A folder can hold forces and coefficients: the coefficients say more.
    wanted = [name for name in COEFFICIENT_FILES if name in kinds]
    if wanted:
        return _coefficients(folder, starts(folder, wanted))
    history = read_history(folder)
    case = folder.parent.parent
    if (case / OUR_CASE).is_file():
        boundary = case / "constant/polyMesh/boundary"
        mirrored = boundary.is_file() and b"symmetryPlane" in boundary.read_bytes()
        return NamedHistory(folder.name, history.iteration, history.coefficients(mirrored), {}, [])
    columns = {f"f{axis}": history.force[:, index] for index, axis in enumerate("xyz")}
    columns |= {f"m{axis}": history.moment[:, index] for index, axis in enumerate("xyz")}
    return NamedHistory(folder.name, history.iteration, columns, {}, [])


def _coefficients(folder: Path, found: list[Start]) -> NamedHistory:
    tables = [_coefficient_table(start.path()) for start in found]
    newest = tables[-1]
    for table in tables[:-1]:
        if sorted(table.names) != sorted(newest.names):
            raise InputError(
                f"{table.path}: columns {shown_names(table.names)}, but {shown_names(newest.names)} in "
                f"{newest.path}; expected the same in all starts"
            )
        for name, value in newest.reference.items():
            if name in table.reference and not _same(table.reference[name], value):
                raise InputError(
                    f"{table.path}: {name} {_shown(table.reference[name])}, but {_shown(value)} in "
                    f"{newest.path}: coefficients on different reference values cannot be merged"
                )
    rows = merged_rows([table.columns[0] for table in tables])

    def merged(name: str) -> FloatArray:
        pairs = zip(tables, rows, strict=True)
        return np.concatenate([table.columns[table.names.index(name)][kept] for table, kept in pairs])

    columns = {OUR_NAMES.get(name, name): merged(name) for name in newest.names[1:]}
    warnings = _compare_with_case(folder, newest)
    return NamedHistory(folder.name, merged("Time"), columns, newest.reference, warnings)


def _coefficient_table(path: Path) -> NumberTable:
    table = read_table(path, lambda name: PART.fullmatch(name) is None)
    if not all(COEFFICIENT.fullmatch(name) for name in table.names[1:]):
        raise table.unknown_header("coefficients such as Cd, Cl, Cs, Cm, CmPitch")
    return table


def _compare_with_case(folder: Path, table: NumberTable) -> list[str]:
    """Say which reference values of the header are not those of the case as it is now."""
    case = folder.parent.parent
    warnings = []
    for path in sorted((case / "system").glob("*")) if (case / "system").is_dir() else []:
        if not path.is_file() or path.stat().st_size > 1_000_000:
            continue
        text = re.sub(r"//[^\n]*|/\*.*?\*/", "", path.read_text(errors="replace"), flags=re.DOTALL)
        block = _block(text, folder.name) or (text if path.name == folder.name else "")
        for name in ("magUInf", "lRef", "Aref"):
            given = re.search(rf"(?<![\w$]){name}\s+([-+.\deE]+)\s*;", block)
            if given is None or name not in table.reference:
                continue
            value = (float(given[1]),)
            if not _same(value, table.reference[name]):
                warnings.append(
                    f"{table.path}: {name} {_shown(table.reference[name])}, but {_shown(value)} in {path}: "
                    "the coefficients are those of the former"
                )
    return warnings


def _block(text: str, name: str) -> str:
    """Return the dictionary of that name, without the brackets around it; empty when there is none."""
    opened = re.search(rf'(?<![\w$]){re.escape(name)}"?\s*\{{', text)
    if opened is None:
        return ""
    depth = 1
    for place in range(opened.end(), len(text)):
        depth += (text[place] == "{") - (text[place] == "}")
        if depth == 0:
            return text[opened.end() : place]
    return ""


def _same(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return len(one) == len(other) and bool(np.allclose(one, other, rtol=SAME_VALUE, atol=1e-12))


def _shown(value: tuple[float, ...]) -> str:
    return " ".join(f"{number:g}" for number in value)
