"""Computed balls: every pattern and depth of a study's results, from its tables.csv."""

import itertools
from pathlib import Path

import numpy as np

from pipeline.aero.export import CORRECTED
from pipeline.aero.tables_of_file import read_tables
from pipeline.errors import InputError
from pipeline.files.delimited import COMMENT
from pipeline.records import tree
from pipeline.records.geometry import BallTotals
from pipeline.records.record import read
from pipeline.shelf.ball import ShelfBall, level_modes
from pipeline.study.model import Study


def is_study_results(folder: Path) -> bool:
    """Whether a folder holds the results of a study."""
    return (Path(folder) / tree.STUDY).is_file()


def balls_of_study(folder: Path) -> list[ShelfBall]:
    """Make balls of the shelf from a study's results.

    Parameters
    ----------
    folder : Path
        Results of a study, with study.json and tables.csv.

    Returns
    -------
    list of ShelfBall
        STUDY-PATTERN-DEPTHum, one a pattern and depth, with the model's standard errors and what the head of
        tables.csv says of flow and mesh.

    Raises
    ------
    InputError
        The study has no tables yet, or a file is broken.
    """
    folder = Path(folder)
    path = folder / tree.TABLES
    if not path.is_file():
        raise InputError(f"{path}: missing; compute the study first (depthline run)")
    study = Study.from_json(folder / tree.STUDY)
    head = _head(path)
    if CORRECTED in head:
        raise InputError(
            f"{path}: has coefficients that measured balls have corrected; put on the shelf, they would be "
            "measured twice. Add the study as it is without `measured`"
        )
    found, _ = read_tables(path)
    geometry = _geometry(folder)
    balls = []
    for of in found:
        assert of.pattern is not None and of.depth_m is not None  # tables.csv has both
        balls.append(
            ShelfBall(
                f"{study.name}-{of.pattern}-{1e6 * of.depth_m:.0f}um",
                "computed",
                of.table,
                np.ones(of.table.cd.shape, bool),
                level_modes(of.table),
                pattern=of.pattern,
                depth_m=of.depth_m,
                place=study.name,
                source=head.get("runs", ""),
                date=_day(head.get("written", "")),
                conditions="; ".join(head[key] for key in ("fidelity", "mesh") if key in head),
                geometry=geometry.get((of.pattern, round(1e6 * of.depth_m)), ""),
                diameter_m=study.ball.diameter_m,
                mass_kg=study.ball.mass_kg,
            )
        )
    return balls


def _head(path: Path) -> dict[str, str]:
    """Comments "KEY: VALUE" above a study's tables."""
    with open(path, encoding="utf-8") as stream:
        lines = list(itertools.takewhile(lambda line: line.startswith(COMMENT), stream))
    pairs = (line.lstrip(f"{COMMENT} ").rstrip().partition(": ") for line in lines)
    return {key: value for key, colon, value in pairs if colon}


def _day(written: str) -> str:
    return written.split(" ")[0]


def _geometry(folder: Path) -> dict[tuple[str, int], str]:
    """Geometry in words, by pattern and depth in um."""
    found = {}
    for path in sorted(folder.glob(f"{tree.GEOMETRY}/*/*/{tree.TOTALS}")):
        totals = read(path, BallTotals)
        if totals.depth_m is None:
            continue
        angle = "" if totals.edge_angle_deg is None else f", edge angle {totals.edge_angle_deg:.2f} deg"
        found[path.parent.parent.name, round(1e6 * totals.depth_m)] = (
            f"{totals.count} dimples, {totals.symmetry}, coverage {100 * totals.coverage:.1f} %{angle}, "
            f"volume {100 * totals.dimple_volume_share:.2f} %"
        )
    return found
