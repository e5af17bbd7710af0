"""Copies of the CSV files of results in the trade's units: yards, mph, millimetres, beside those in SI."""

from pathlib import Path

from pipeline.files.atomic import write_text
from pipeline.records import tree
from pipeline.study.units import LENGTH, SPEED, in_unit

COPIED = (tree.COEFFICIENTS, tree.FLIGHTS, tree.DECISION_TABLE)
"""Files that are copied, where they are there."""

_OF_BALL = ("depth", "tolerance", "diameter")
"""Words of columns whose lengths are of the ball or its dimples: millimetres."""


def write_trade_copies(results: Path) -> list[Path]:
    """Write trade/NAME.csv for every file of `COPIED`.

    Parameters
    ----------
    results : Path
        Results folder of a study.

    Returns
    -------
    list of Path
        The copies: the same rows and columns, lengths of flights in yards (`carry_yd`), of the ball in
        millimetres (`depth_mm`), speeds in miles an hour (`ball_speed_mph`), to seven digits.
    """
    import pandas as pd

    written = []
    for name in COPIED:
        path = results / name
        if not path.is_file():
            continue
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in map(str, list(frame)):
            renamed, values = _converted(column, frame[column].tolist())
            frame[column] = values
            frame = frame.rename(columns={column: renamed})
        target = results / tree.TRADE / name
        write_text(target, frame.to_csv(index=False, lineterminator="\n"))
        written.append(target)
    return written


def _converted(column: str, cells: list[str]) -> tuple[str, list[str]]:
    """Name and cells of a column in the trade's unit; as they are where it has none."""
    if column.endswith("_m_s"):
        kind, unit, renamed = SPEED, "mph", column.removesuffix("_m_s") + "_mph"
    elif column.endswith("_m") and any(word in column for word in _OF_BALL):
        kind, unit, renamed = LENGTH, "mm", column.removesuffix("_m") + "_mm"
    elif column.endswith("_m"):
        kind, unit, renamed = LENGTH, "yd", column.removesuffix("_m") + "_yd"
    else:
        return column, cells
    return renamed, [
        f"{in_unit(float(cell), kind, unit):.7g}" if cell not in ("", "nan") else cell for cell in cells
    ]
