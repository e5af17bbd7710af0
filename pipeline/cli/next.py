"""`depthline next`: which depths to compute next, as a study file."""

import math
from pathlib import Path
from typing import Any

import yaml
from rich.table import Table

from pipeline.cli.output import messages, print_json, tables
from pipeline.decide.next_runs import NextDepth, next_depths
from pipeline.errors import InputError
from pipeline.files import write_text
from pipeline.quantities import LENGTH, in_unit
from pipeline.study_file import load_study

WORTHLESS_M = 0.05
"""Depths whose runs are expected to gain less carry than this are not proposed [m]."""


def propose_next(path: Path, results_root: Path, count: int, out: Path | None, as_json: bool) -> None:
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
        Study file to write; STUDY-next.yaml beside the study when None, so that its relative paths hold.
    as_json : bool
        Print one JSON object instead of a table.

    Raises
    ------
    InputError
        The study is wrong, has no coefficients yet, or nothing can be chosen from them.
    """
    from pipeline.aero.collect import read_coefficients

    study = load_study(path)
    table = results_root / study.name / "coefficients.csv"
    if not table.is_file():
        raise InputError(f"{table}: there is none yet; depthline run {path} makes it")
    ranked = next_depths(study, read_coefficients(table))
    chosen = [offer for offer in ranked if offer.gain_m >= WORTHLESS_M][:count]
    target = out if out is not None else path.with_name(f"{path.stem}-next.yaml")
    if chosen:
        write_text(target, study_with(path, chosen))
    if as_json:
        print_json(
            {
                "depths": [
                    vars(offer)
                    | {"gain_per_core_hour_m": offer.gain_per_core_hour, "chosen": offer in chosen}
                    for offer in ranked
                ],
                "study_file": str(target) if chosen else None,
            }
        )
    else:
        _print_table(ranked, chosen)
    if chosen:
        messages().print(
            f"wrote {target}; depthline run {target} computes what is new in it and decides anew"
        )
    else:
        messages().print(f"no depth is expected to gain {WORTHLESS_M:g} m of carry; nothing was written")


def study_with(path: Path, chosen: list[NextDepth]) -> str:
    """Return a study file with depths added to it; its name, and so its results folder, stays the same."""
    given: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    by_name = {pattern["name"]: pattern for pattern in given["patterns"]}
    for offer in chosen:
        pattern = by_name[offer.pattern]
        if offer.edge_angle_rad is None:
            pattern["depths"] = [*pattern["depths"], f"{offer.depth_m * 1e3:.3f} mm"]
        else:
            pattern["edge_angles"] = [
                *pattern["edge_angles"],
                f"{math.degrees(offer.edge_angle_rad):.2f} deg",
            ]
    head = (
        f"# {path.name} with the depths that `depthline next` added; runs that are there already are kept.\n"
    )
    return head + yaml.safe_dump(given, sort_keys=False, allow_unicode=True, width=110)


def _print_table(ranked: list[NextDepth], chosen: list[NextDepth]) -> None:
    table = Table(title="Depths to compute next (all Reynolds numbers and spin ratios of the study)")
    for column in ("pattern", "depth, mm", "expected gain, yd", "core hours", "yd a core hour", "added"):
        table.add_column(column, justify="left" if column == "pattern" else "right")
    for offer in ranked:
        table.add_row(
            offer.pattern,
            f"{offer.depth_m * 1e3:.3f}",
            f"{in_unit(offer.gain_m, LENGTH, 'yd'):.2f}",
            f"{offer.core_hours:.2f}",
            f"{in_unit(offer.gain_per_core_hour, LENGTH, 'yd'):.2f}",
            "yes" if offer in chosen else "",
        )
    tables().print(table)
