"""Sampled coefficient models as tidy tables (CSV or Parquet) and as plain grids for other flight codes."""

import tempfile
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.table_file import write_table
from pipeline.errors import InputError
from pipeline.files import atomic_open, write_text

COLUMNS = (
    "pattern", "depth_m", "reynolds", "spin_ratio", "cd", "cd_se", "cl", "cl_se", "cm", "cm_se",
    "tripped_share",
)  # fmt: skip
"""Columns of a tidy table, in their order."""


def write_tidy(frame: pd.DataFrame, path: Path) -> None:
    """Write a tidy table (`CoefficientModel.frame`), atomically.

    Parameters
    ----------
    frame : DataFrame
        The table.
    path : Path
        Ends in .csv or .parquet.

    Raises
    ------
    InputError
        The name ends in something else, or Parquet is wanted and fastparquet is not installed.
    """
    if _is_parquet(path):
        parquet = _fastparquet(path)
        with tempfile.TemporaryDirectory(prefix="depthline-") as folder:
            whole = Path(folder) / "table.parquet"
            parquet.write(str(whole), frame, write_index=False, object_encoding="utf8")
            with atomic_open(path) as stream:
                stream.write(whole.read_bytes())
    else:
        write_text(path, frame.to_csv(index=False, lineterminator="\n"))


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
            frame = pd.read_csv(
                path, dtype={"pattern": str}, keep_default_na=False,
                na_values={name: ["", "nan", "NaN"] for name in COLUMNS[1:]},
            )  # fmt: skip
        absent = [name for name in COLUMNS if name not in frame]
        if absent:
            raise InputError(f'{path}: column "{absent[0]}" is missing; {", ".join(COLUMNS)} are needed')
        return frame.astype(dict.fromkeys(COLUMNS[1:], float))
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read as a tidy table ({error})") from None


def write_tables(models: Mapping[str, CoefficientModel], folder: Path) -> None:
    """Write what other flight codes need of a study.

    Parameters
    ----------
    models : mapping
        By pattern.
    folder : Path
        Takes tables.csv (tidy, every pattern and depth studied, with standard errors) and
        tables/PATTERN/DEPTHmm.csv, a plain grid for each, as `depthline fly` reads it.
    """
    frames = [model.frame(model.depth_m) for model in models.values()]
    tidy = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(COLUMNS))
    write_tidy(tidy, Path(folder) / "tables.csv")
    for pattern, model in models.items():
        for depth, table in zip(model.depth_m, model.tables(model.depth_m), strict=True):
            target = Path(folder) / "tables" / pattern / f"{depth * 1e3:.4g}mm.csv"
            target.parent.mkdir(parents=True, exist_ok=True)
            write_table(table, target)


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
