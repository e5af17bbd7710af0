"""Sampled coefficient models as tidy tables (CSV or Parquet) and as plain grids for other flight codes."""

import datetime
import itertools
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.aero.model import CoefficientModel
from pipeline.aero.table_file import EXTRA_COLUMNS, comments, write_table
from pipeline.errors import InputError
from pipeline.files.atomic import atomic_open, write_text
from pipeline.files.delimited import COMMENT
from pipeline.records.flow import USABLE
from pipeline.records.tree import TABLES
from pipeline.study.model import Study

COLUMNS = (
    "pattern", "depth_m", "reynolds", "spin_ratio", "cd", "cd_se", "cl", "cl_se", "cm", "cm_se",
    "tripped_share",
)  # fmt: skip
"""Columns of a tidy table, in their order."""


CORRECTED = "corrected"
"""Key of the line in a table's head that says which measured balls have corrected it."""

UNITS = (
    "units: depth_m in m; all others without: reynolds U D / nu, spin_ratio omega D / (2 U), cd and cl on "
    "pi D^2 / 4, cm on pi D^2 / 4 times D about the axis of backspin (negative: it slows the spin)"
)
ERRORS = (
    "errors: _se is one standard deviation of the model of the coefficients given the runs; errors of mesh "
    "and flow model are not in it"
)
TRIPPED = (
    "tripped_share: share of the meridians on which the boundary layer is tripped, 0 to 1, at the depth's "
    "critical Reynolds number"
)
"""What the columns mean, for the head of a file."""


def origin_lines(study: Study, coefficients: pd.DataFrame) -> list[str]:
    """Return what a study's tables are made of, for their heads: study, flow, mesh, solver, version, date.

    Parameters
    ----------
    study : Study
        The study.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    list of str
        Lines "KEY: VALUE".
    """
    flow = study.flow
    usable = coefficients[coefficients["verdict"].isin(USABLE)]
    cells = sorted({int(count) for count in usable["cells"].dropna()})
    solvers = sorted(set(usable["solver"].dropna())) or ["none"]
    state = f"{flow.boundary_layer} boundary layer"
    return [
        f"study: {study.name}",
        f"ball: {study.ball.diameter_m * 1e3:.2f} mm, {study.ball.mass_kg * 1e3:.2f} g",
        f"fidelity: {flow.fidelity}, {state}",
        f"mesh: {flow.level}, {' or '.join(f'{count} cells' for count in cells) or 'no cells'}",
        f"runs: {len(usable)} usable of {len(coefficients)}, by {', '.join(solvers)}",
        f"written: {datetime.datetime.now(datetime.UTC):%Y-%m-%d} (UTC) by Depthline {__version__}",
        "status: a screening estimate; conformance is the governing body's to decide",
    ]


def write_tidy(frame: pd.DataFrame, path: Path, header: Sequence[str] = ()) -> None:
    """Write a tidy table (`CoefficientModel.frame`), atomically.

    Parameters
    ----------
    frame : DataFrame
        The table.
    path : Path
        Ends in .csv or .parquet.
    header : sequence of str
        Lines on what the table is: comments (`# `) above the columns of a CSV, the metadata "depthline" of a
        Parquet file.

    Raises
    ------
    InputError
        The name ends in something else, or Parquet is wanted and fastparquet is not installed.
    """
    if _is_parquet(path):
        parquet = _fastparquet(path)
        with tempfile.TemporaryDirectory(prefix="depthline-") as folder:
            whole = Path(folder) / "table.parquet"
            parquet.write(
                str(whole),
                frame,
                write_index=False,
                object_encoding="utf8",
                custom_metadata={"depthline": "\n".join(header)},
            )
            with atomic_open(path) as stream:
                stream.write(whole.read_bytes())
    else:
        write_text(path, comments(header) + frame.to_csv(index=False, lineterminator="\n"))


def read_tidy(path: Path) -> pd.DataFrame:
    """Read a tidy table back.

    Parameters
    ----------
    path : Path
        CSV or Parquet with the columns `COLUMNS` (more are kept), from `write_tidy` or from anywhere.

    Returns
    -------
    DataFrame
        Numbers as floats, patterns as text; `pipeline.aero.table_file.table_of` makes a table of the rows of
        one pattern and depth.

    Raises
    ------
    InputError
        The file is missing, cannot be read, or lacks a column.
    """
    if not Path(path).is_file():
        raise InputError(f"{path}: there is no such file; a tidy table (CSV or Parquet) is needed")
    try:
        if _is_parquet(path):
            frame = _fastparquet(path).ParquetFile(str(path)).to_pandas()
        else:
            with open(path, encoding="utf-8") as stream:
                head = sum(1 for _ in itertools.takewhile(lambda line: line.startswith(COMMENT), stream))
            frame = pd.read_csv(
                path, dtype={"pattern": str}, keep_default_na=False, skiprows=head,
                na_values={name: ["", "nan", "NaN"] for name in COLUMNS[1:]},
            )  # fmt: skip
        absent = [name for name in COLUMNS if name not in frame]
        if absent:
            raise InputError(f'{path}: column "{absent[0]}" is missing; {", ".join(COLUMNS)} are needed')
        typed: pd.DataFrame = frame.astype(dict.fromkeys(COLUMNS[1:], float))
        return typed
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read as a tidy table ({error})") from None


def write_tables(models: Mapping[str, CoefficientModel], folder: Path, origin: Sequence[str] = ()) -> None:
    """Write what other flight codes need of a study.

    Parameters
    ----------
    models : mapping
        By pattern.
    folder : Path
        Takes tables.csv (tidy, every pattern and depth studied) and tables/PATTERN/DEPTHmm.csv, a grid for
        each; `depthline fly` reads both. All have standard errors and, where the model knows it, the share of
        the meridians that is tripped.
    origin : sequence of str
        From `origin_lines`; it stands in the head of every file, with what the columns mean.
    """
    folder = Path(folder)
    frames = {pattern: model.frame(model.shown_m) for pattern, model in models.items()}
    empty = pd.DataFrame(columns=list(COLUMNS))
    tidy = pd.concat(frames.values(), ignore_index=True) if frames else empty
    notes = [UNITS, ERRORS, *([TRIPPED] if EXTRA_COLUMNS[0] in tidy else [])]
    write_tidy(tidy, folder / TABLES, [*origin, *notes])
    for pattern, model in models.items():
        for depth, table in zip(model.shown_m, model.tables(model.shown_m), strict=True):
            rows = frames[pattern][frames[pattern]["depth_m"] == depth]
            more = {
                name: rows[name].to_numpy(float).reshape(table.cd.shape)
                for name in EXTRA_COLUMNS
                if name in rows and np.isfinite(rows[name]).all()
            }
            target = folder / "tables" / pattern / f"{depth * 1e3:.4g}mm.csv"
            target.parent.mkdir(parents=True, exist_ok=True)
            own = [f"pattern: {pattern}", f"surface depth: {depth * 1e3:.4g} mm"]
            write_table(table, target, [*origin, *own, *notes], more)


def _is_parquet(path: Path) -> bool:
    suffix = Path(path).suffix.lower()
    if suffix not in (".csv", ".parquet"):
        raise InputError(f"{path}: a tidy table ends in .csv or .parquet")
    return suffix == ".parquet"


def _fastparquet(path: Path):  # type: ignore[no-untyped-def]
    try:
        import fastparquet
    except ImportError:
        raise InputError(
            f"{path}: Parquet needs fastparquet (pip install fastparquet); or use .csv"
        ) from None
    return fastparquet
