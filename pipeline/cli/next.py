"""`depthline next`: which depths to compute next, as a study file."""

import math
from pathlib import Path

from rich.table import Table

from pipeline.cli.output import messages, print_json, tables
from pipeline.cli.study_input import read_study
from pipeline.decide.next_runs import WORTHLESS_M, next_depths, worth_computing
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.flow.campaign.unresolved import unresolved_results
from pipeline.records.decision import NextDepth
from pipeline.records.tree import COEFFICIENTS
from pipeline.study.edit import Addition, with_values
from pipeline.study.file import read_study_text
from pipeline.study.model import Study
from pipeline.study.trade_units import (
    breakable,
    flight_m,
    flight_unit,
    millimetres,
    number,
    shown_in,
    yards_only,
)


def propose_next(
    path: Path, results_root: Path, count: int, out: Path | None, as_json: bool, units: str | None = None
) -> None:
    """Rank the depths that could be computed next and write a study that adds the best of them.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies; coefficients.csv is needed.
    count : int
        Depths to add, at most.
    out : Path or None
        Study file to write, the user's own with depths added; STUDY-next.yaml beside the study when None, so
        that its relative paths hold.
    as_json : bool
        Print one JSON object instead of a table.
    units : str, optional
        "trade" or "SI"; those of the study when absent.

    Raises
    ------
    InputError
        The study is wrong, has no coefficients yet, or nothing can be chosen from them.
    """
    from pipeline.aero.collect import read_coefficients

    study = read_study(path)
    table = results_root / study.name / COEFFICIENTS
    if not table.is_file():
        raise InputError(f"{table}: there is none yet; depthline run {path} makes it")
    ranked = next_depths(study, read_coefficients(table), unresolved_results(study, table.parent))
    chosen = [offer for offer in ranked if worth_computing(offer)][:count]
    target = out if out is not None else path.with_name(f"{path.stem}-next.yaml")
    if chosen:
        write_text(target, study_with(path, study, chosen, target))
    if as_json:
        print_json(
            {
                "depths": [
                    offer.model_dump()
                    | {"gain_per_core_hour_m": offer.gain_per_core_hour, "chosen": offer in chosen}
                    for offer in ranked
                ],
                "study_file": str(target) if chosen else None,
            }
        )
    else:
        with shown_in(units or study.units, study):
            _print_table(ranked, chosen)
    if chosen:
        messages().print(
            f"wrote {target}; depthline run {target} computes what is new in it and decides anew"
        )
    else:
        with shown_in(units or study.units, study):
            least = breakable(yards_only(WORTHLESS_M, 2))
        messages().print(f"no depth is expected to gain {least} of carry; nothing was written")


def study_with(path: Path, study: Study, chosen: list[NextDepth], target: Path) -> str:
    """Return a study file's text with depths added to it; its name, and so its results folder, stays."""
    places = {pattern.name: place for place, pattern in enumerate(study.patterns)}
    additions: dict[tuple[int, str], list[Addition]] = {}
    for offer in chosen:
        if offer.edge_angle_rad is None:
            key, value = "depths", (offer.depth_m, breakable(millimetres(offer.depth_m)))
        else:
            angle = offer.edge_angle_rad
            key, value = "edge_angles", (angle, f"{math.degrees(angle):.2f} deg")
        additions.setdefault((places[offer.pattern], key), []).append(value)
    return with_values(path, read_study_text(path), additions, target)


def _print_table(ranked: list[NextDepth], chosen: list[NextDepth]) -> None:
    table = Table(title="Depths to compute next (all Reynolds numbers and spin ratios of the study)")
    unit = flight_unit()
    for column in (
        "pattern", "depth, mm", f"expected gain, {unit}", "core hours", f"{unit} a core hour", "added",
    ):  # fmt: skip
        table.add_column(column, justify="left" if column == "pattern" else "right")
    for offer in ranked:
        table.add_row(
            offer.pattern,
            _cut(offer),
            number(offer.gain_m / flight_m(), 2),
            number(offer.core_hours, 2),
            number(offer.gain_per_core_hour / flight_m(), 2),
            "yes" if offer in chosen else "",
        )
    tables().print(table)


def _cut(offer: NextDepth) -> str:
    """Depth in mm, with the edge angle first where the study states that."""
    depth = number(1e3 * offer.depth_m, 3)
    if offer.edge_angle_rad is None:
        return depth
    return f"{math.degrees(offer.edge_angle_rad):.2f} deg ({depth})"
