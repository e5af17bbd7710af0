"""`depthline search`: the patterns of a family that can be made, ranked where some have been computed."""

import csv
import io
from pathlib import Path
from typing import Any

import yaml
from rich.table import Table

from pipeline.cli.output import messages, print_json, shown_progress, tables
from pipeline.cli.study_input import check_launches, resolved, results_folder
from pipeline.decide.search.candidates import Candidate, Candidates, make_candidates
from pipeline.decide.search.ranking import Rank, rank_candidates
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.geometry.build import find_layout
from pipeline.records.tree import COEFFICIENTS, SEARCH, SEARCH_FIGURE
from pipeline.study.file import load_study
from pipeline.study.model import Study
from pipeline.study.patterns import Pattern
from pipeline.study.points import RunPoint
from pipeline.study.trade_units import breakable, flight_m, flight_unit, millimetres, number, shown_in

MOST_SHOWN = 20
"""Candidates that the terminal shows; the file has all."""


def search_patterns(
    path: Path, results_root: Path, show: str | None, as_json: bool, units: str | None = None
) -> None:
    """List the candidates of a study's family, ranked where some have runs, and write search.csv.

    Parameters
    ----------
    path : Path
        Study file with `patterns: search:`.
    results_root : Path
        Folder of all results; layouts that were found are kept there. Runs are those of coefficients.csv in
        the folder of the study's name.
    show : str, optional
        Name of a candidate to print as an entry of a study's list of patterns, instead of the list.
    as_json : bool
        Print one JSON object instead of a table.
    units : str, optional
        "trade" or "SI"; those of the study when absent.

    Raises
    ------
    InputError
        The study is wrong or lists its patterns; none can be made; there is no candidate of that name.
    """
    study = load_study(path, searched=True)
    if study.family is None:
        raise InputError(
            f"{path}: patterns: is a list, which depthline check shows; a family has search: in its place "
            "(docs/guide/search.md)"
        )
    results, _ = results_folder(path, results_root, study)
    with shown_progress("laying out the family's patterns") as progress:
        candidates = make_candidates(study, lambda spec: find_layout(spec, results.parent), progress)
    if show is not None:
        print(_entry(candidates, show))
        return
    ranked, following = _ranks(study, candidates, results)
    rows = [_row(one) for one in candidates.found]
    if ranked:
        of = {row["pattern"]: row for row in rows}
        rows = [of[one.pattern] | {"rank": place, **vars(one)} for place, one in enumerate(ranked, start=1)]
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    results.mkdir(parents=True, exist_ok=True)
    write_text(results / SEARCH, text.getvalue())
    if ranked:
        _draw(ranked, results / SEARCH_FIGURE)
    if as_json:
        print_json(
            {
                "candidates": rows,
                "refused": dict(candidates.refused),
                "next": [point.content() for point in following],
                "file": str(results / SEARCH),
            }
        )
    else:
        with shown_in(units or study.units):
            if ranked:
                _print_ranks(ranked)
            else:
                _print_table(candidates)
        if len(rows) > MOST_SHOWN:
            print(f"and {len(rows) - MOST_SHOWN} more in {results / SEARCH}")
        print(_sentence(candidates, study.family.candidates))
        for point in following:
            print(
                f"compute next: {point.pattern} at {breakable(millimetres(point.depth_m))}, "
                f"Re {point.reynolds:g}, S {point.spin_ratio:g}"
            )


def _ranks(study: Study, candidates: Candidates, results: Path) -> tuple[list[Rank], list[RunPoint]]:
    """Candidates ranked by the runs that are there, and the next ones; empty where no candidate has one."""
    table = results / COEFFICIENTS
    if not table.is_file():
        return [], []
    from pipeline.aero.collect import read_coefficients

    frame = read_coefficients(table)
    if not frame["pattern"].isin([one.pattern.name for one in candidates.found]).any():
        return [], []
    check_launches(study)
    with shown_progress("ranking the patterns"):
        return rank_candidates(resolved(study), candidates, frame)


def _draw(ranked: list[Rank], path: Path) -> None:
    """Picture of the front of carry against peak height."""
    from pipeline.report.drawing import save_png, style
    from pipeline.report.search_figure import search_figure

    with style():
        save_png(search_figure(ranked), path)


def _print_ranks(ranked: list[Rank]) -> None:
    unit = flight_unit()
    table = Table(title="Patterns of the family, the greatest expected carry first, each at its best depth")
    for column in (
        "rank", "pattern", "runs", "depth, mm", f"carry, {unit}", f"error, {unit}", f"peak height, {unit}",
        "best with a probability of", "runs to compute next",
    ):  # fmt: skip
        table.add_column(column, justify="left" if column == "pattern" else "right")
    for place, one in enumerate(ranked, start=1):
        if place > MOST_SHOWN and not one.next_runs:
            continue
        table.add_row(
            str(place),
            one.pattern,
            str(one.runs),
            f"{1e3 * one.best_depth_m:.3f}",
            number(one.carry_m / flight_m(), 1),
            number(one.carry_se_m / flight_m(), 1),
            number(one.peak_height_m / flight_m(), 1),
            number(one.p_best, 2),
            str(one.next_runs or ""),
        )
    tables().print(table)


def _sentence(candidates: Candidates, wanted: int) -> str:
    """How many there are, and why others were refused."""
    found, refused = len(candidates.found), candidates.refused
    said = f"{found} patterns can be made"
    if found < wanted:
        said += f" ({wanted} were wanted: widen the ranges)"
    if not refused:
        return f"{said}; none was refused"
    reasons = ", ".join(f"{reason} {n}" for reason, n in sorted(refused.items(), key=lambda of: (-of[1], of)))
    return f"{said}; refused {refused.total()}: {reasons}"


def _row(one: Candidate) -> dict[str, Any]:
    """Row of search.csv: SI, units in the names."""
    layout, cavity = one.pattern.layout, one.pattern.cavity
    low, high = one.depth_m
    chosen = {
        "pattern": one.pattern.name,
        "symmetry": layout.symmetry,
        "classes": layout.classes or 1,
        "seam": layout.seam,
        "profile": cavity.profile,
        "joint": cavity.joint,
        "radius_ratio": cavity.radius_ratio,
        "depth_lo_m": low,
        "depth_hi_m": high,
    }
    numbers = {name: float(f"{value:.6g}") for name, value in one.features.items()}
    return chosen | numbers | {"count": int(one.features["count"])}


def _print_table(candidates: Candidates) -> None:
    table = Table(title="Patterns of the family; edge angle and volume at the middle of its depths")
    for column in (
        "pattern", "profile", "sizes", "seam", "depths, mm", "coverage, %", "chord, mm", "edge angle, deg",
        "volume, %", "land, mm",
    ):  # fmt: skip
        table.add_column(column, justify="left" if column in ("pattern", "profile", "seam") else "right")
    for one in candidates.found[:MOST_SHOWN]:
        of, layout = one.features, one.pattern.layout
        low, high = one.depth_m
        table.add_row(
            one.pattern.name,
            one.pattern.cavity.profile,
            str(layout.classes or 1),
            layout.seam or "-",
            f"{1e3 * low:.3f} to {1e3 * high:.3f}",
            f"{100 * of['coverage']:.1f}",
            f"{1e3 * of['chord_diameter_m']:.2f}",
            f"{of['edge_angle_deg']:.1f}",
            f"{100 * of['dimple_volume_share']:.2f}",
            f"{1e3 * of['land_m']:.2f}",
        )
    tables().print(table)


def _entry(candidates: Candidates, name: str) -> str:
    """A candidate in the words of a study file."""
    for one in candidates.found:
        if one.pattern.name == name:
            messages().print("an entry of patterns: in a study file; add depths between the two")
            return yaml.safe_dump([in_words(one.pattern)], sort_keys=False, default_flow_style=None).rstrip()
    raise InputError(f"--show: {name}: is no candidate of the family; depthline search lists them")


def in_words(pattern: Pattern) -> dict[str, Any]:
    """Keys and values of a study file that make a pattern of a family."""
    layout, cavity = pattern.layout, pattern.cavity
    places: dict[str, Any] = {
        "symmetry": layout.symmetry,
        "count": layout.count,
        "seed": layout.seed,
        "starts": layout.starts,
        "narrowest_land": _mm(layout.narrowest_land_m),
        "classes": layout.classes,
        "shares": None if layout.shares is None else [f"{100 * share:g} %" for share in layout.shares],
        "seam": layout.seam,
        "seam_amplitude": None if layout.seam_amplitude_m is None else _mm(layout.seam_amplitude_m),
        "seam_waves": layout.seam_waves,
        "mirror": layout.mirror or None,
    }
    section: dict[str, Any] = {
        "profile": cavity.profile,
        "chord_diameter": None if cavity.chord_diameter_m is None else _mm(cavity.chord_diameter_m),
        "joint": None if cavity.joint is None else f"{100 * cavity.joint:g} %",
        "radius_ratio": cavity.radius_ratio,
        "edge_radius": _mm(cavity.edge_radius_m) if cavity.edge_radius_m else None,
    }
    return {
        "name": pattern.name,
        "layout": {key: value for key, value in places.items() if value is not None},
        "cavity": {key: value for key, value in section.items() if value is not None},
        "depths": [_mm(depth) for depth in pattern.depths_m or []],
    }


def _mm(length_m: float) -> str:
    return f"{1e3 * length_m:.6g} mm"
