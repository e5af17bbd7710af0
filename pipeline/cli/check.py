"""`depthline check`: what a study asks for and what it costs, before any of it is computed."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, NotRequired, TypedDict

from rich.table import Table

from pipeline.aero.published import published_tables
from pipeline.cli.golfer_tables import (
    GolferRow,
    PassageRow,
    golfer_row,
    golfer_table,
    passage_row,
    passage_tables,
)
from pipeline.cli.output import print_json, shown_progress, tables, warn
from pipeline.cli.plausible_geometry import pattern_warnings
from pipeline.cli.rounds import price_of
from pipeline.cli.study_input import check_balls, check_launches, resolved, results_folder
from pipeline.decide.flights.passage import outside_warnings, passages
from pipeline.decide.judged import space_of
from pipeline.decide.policy import first_round
from pipeline.errors import InputError, MissingError
from pipeline.flow.campaign.at_hand import FINISHED, REUSED, at_hand
from pipeline.flow.campaign.cost import cells
from pipeline.flow.campaign.prepare import check_cavities, layout_spec, variant_spec
from pipeline.flow.campaign.request import prices
from pipeline.flow.campaign.unresolved import unresolved_patterns
from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.find import find_solver
from pipeline.geometry import build
from pipeline.geometry.ball.plausible import measures_of_totals
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.layout.layout import Layout
from pipeline.records import tree
from pipeline.records.geometry import BallTotals
from pipeline.records.tree import pattern_folder
from pipeline.study.file import line_of, load_study
from pipeline.study.matrix import Variant, own_variants, runs
from pipeline.study.model import Pattern, Study
from pipeline.study.trade_units import shown, shown_in


class PatternRow(TypedDict):
    """Runs of a pattern, and cells of each."""

    pattern: str
    variants: int
    reynolds: list[float]
    spin_ratios: list[float]
    runs: int
    cells: int


class Summary(TypedDict):
    """What `depthline check --json` prints.

    Core hours are those of runs that are neither finished nor reused; `variants` are totals of the geometry,
    `passages` where in Reynolds number and spin ratio the golfers' flights with published balls spend their
    time, `unresolved` pairs of patterns that the mesh does not resolve, as in decision.json, and `auto` the
    flow conditions that were left to be chosen; of the runs `finer_runs` are on a finer mesh. A study with a
    budget has that, and runs and price of its first design.
    """

    study: str
    fidelity: str
    level: str
    cells: int
    runs: int
    cold_runs: int
    finer_runs: int
    runs_finished: int
    runs_reused: int
    core_hours: float
    core_hours_of_all: float
    budget_core_hours: NotRequired[float]
    first_runs: NotRequired[int]
    first_core_hours: NotRequired[float]
    patterns: list[PatternRow]
    variants: list[dict[str, object]]
    golfers: list[GolferRow]
    passages: list[PassageRow]
    unresolved: list[dict[str, object]]
    results: str
    warnings: list[str]
    auto: list[str]


def check_study(path: Path, results_root: Path, as_json: bool, units: str | None = None) -> None:
    """Validate a study; print its run matrix, geometry totals and price.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies; a layout that is there already is used. Nothing is
        written but layouts that were found, so that the next check need not look for them.
    as_json : bool
        Print one JSON object instead of tables.
    units : str, optional
        "trade" or "SI"; those of the study when absent.

    Raises
    ------
    InputError
        The study file or a file of measured launches is wrong, or a pattern's geometry is impossible (every
        such pattern is reported).
    """
    asked = load_study(path)
    check_launches(asked)
    check_balls(asked)
    study = resolved(asked)
    check_cavities(study, path)
    results, elsewhere = results_folder(path, results_root, study)
    geometry, layouts = _geometry(study, results, path)
    found = _summary(study, results, geometry, layouts)
    found["auto"] = [key for key in ("reynolds", "spin_ratios") if not getattr(asked.flow, key)]
    found["warnings"] += elsewhere
    if study.budget_core_s is not None:
        first = first_round(space_of(study), price_of(study), study.budget_core_s)
        found["budget_core_hours"] = study.budget_core_s / 3600.0
        found["first_runs"] = len(first)
        found["first_core_hours"] = sum(choice.price_s for choice in first) / 3600.0
    with shown_in(units or study.units, study):
        warn([shown(line) for line in found["warnings"]])
        if as_json:
            print_json(found)
        else:
            _print_tables(found, geometry)


def _summary(study: Study, results: Path, geometry: "list[_Built]", layouts: dict[str, Layout]) -> Summary:
    model = fidelity(study.flow.fidelity)
    plan = runs(study)
    warm = sum(run.starts_from is not None for run in plan)
    apart = unresolved_patterns(study, layouts)
    known, price = at_hand(study, results, _solver()), prices(study)
    with shown_progress("flying the golfers") as progress:
        flights = passages(study, published_tables(), progress)
    return {
        "study": study.name,
        "fidelity": model.name,
        "level": study.flow.level,
        "cells": cells(model.name, study.flow.level),
        "runs": len(plan),
        "cold_runs": len(plan) - warm,
        "finer_runs": sum(run.level is not None for run in plan),
        "runs_finished": sum(state == FINISHED for state in known.values()),
        "runs_reused": sum(state == REUSED for state in known.values()),
        "core_hours": sum(seconds for run, seconds in price.items() if run not in known) / 3600.0,
        "core_hours_of_all": sum(price.values()) / 3600.0,
        "patterns": [
            {
                "pattern": pattern.name,
                "variants": sum(variant.pattern == pattern.name for variant in own_variants(study)),
                "reynolds": sorted(study.flow.reynolds),
                "spin_ratios": sorted(study.flow.spin_ratios),
                "runs": sum(run.pattern == pattern.name for run in plan),
                "cells": cells(model.name, study.flow.level, pattern.layout.mirror),
            }
            for pattern in study.patterns
        ],
        "variants": [{"pattern": of.pattern, "variant": of.variant} | of.totals.content() for of in geometry],
        "golfers": [golfer_row(golfer) for golfer in study.golfers],
        "passages": [passage_row(study, of) for of in flights],
        "unresolved": [pair.model_dump() for pair in apart],
        "results": str(results),
        "warnings": study.warnings()
        + [
            warning
            for index, pattern in enumerate(study.patterns)
            for warning in pattern_warnings(
                index,
                pattern,
                [measures_of_totals(of.totals, of.variant) for of in geometry if of.pattern == pattern.name],
            )
        ]
        + [warning for reynolds in sorted(study.flow.reynolds) for warning in model.warnings(reynolds)]
        + outside_warnings(study, flights)
        + [pair.sentence.rstrip(".") for pair in apart],
        "auto": [],
    }


def _solver() -> str | None:
    """Name and version of the solver; None where there is none, which is no bar to planning."""
    try:
        return find_solver().label
    except MissingError:
        return None


class _Built(NamedTuple):
    """A variant that was made, and its totals."""

    pattern: str
    variant: str
    totals: BallTotals


def _geometry(study: Study, results: Path, path: Path) -> tuple[list[_Built], dict[str, Layout]]:
    """Totals of every variant, and the layout of every pattern; all impossible ones are reported at once."""
    built: list[_Built] = []
    layouts: dict[str, Layout] = {}
    problems: list[str] = []
    everything = own_variants(study)
    for index, pattern in enumerate(study.patterns):
        try:
            with shown_progress(f"laying out {pattern.name}") as progress:
                layout = layouts[pattern.name] = laid_out(study, pattern, results, progress)
        except InputError as error:
            line = line_of(path, ("patterns", index, "layout"))
            said = str(error) if str(error).startswith("layout.") else f"layout: {error}"
            problems.append(f"{path}:{line}: patterns[{index}].{said}")
            continue
        for variant in everything:
            if variant.pattern != pattern.name:
                continue
            try:
                ball = build.make_ball(layout, variant_spec(study, variant))
                built.append(_Built(pattern.name, variant.key, totals(ball)))
            except InputError as error:
                problems.append(f"{_place(path, study, index, variant)}: {error}")
    if problems:
        raise InputError("\n".join(problems))
    return built, layouts


def _place(path: Path, study: Study, index: int, variant: Variant) -> str:
    """File, line and key of a variant in its study file."""
    pattern = study.patterns[index]
    key, values, value = "edge_angles", pattern.edge_angles_rad, variant.edge_angle_rad
    if variant.depth_m is not None:
        key, values, value = "depths", pattern.depths_m, variant.depth_m
    entry = [given == value for given in values or ()].index(True)
    line = line_of(path, ("patterns", index, key, entry))
    return f"{path}:{line}: patterns[{index}].{key}[{entry}]"


def laid_out(study: Study, pattern: Pattern, results: Path, progress: Callable[[float], None]) -> Layout:
    """Return a pattern's layout: that in its results when it fits the study, one kept, or a new one."""
    spec = layout_spec(study, pattern)
    folder = pattern_folder(results, pattern.name)
    made, asked = folder / tree.LAYOUT, folder / tree.LAYOUT_SPEC
    try:
        there = made.is_file() and asked.is_file() and build.read_layout_spec(folder) == spec
        if there and made.stat().st_mtime >= asked.stat().st_mtime:
            return build.load_layout(folder)
    except InputError:
        pass  # broken: `depthline run` sets it aside
    return build.find_layout(spec, results.parent, progress)


def _print_tables(found: Summary, built: list[_Built]) -> None:
    console = tables()
    matrix = Table("pattern", "variants", "Re", "S", "runs", "cells", title=f"Study {found['study']}: runs")
    for row in found["patterns"]:
        matrix.add_row(
            row["pattern"],
            str(row["variants"]),
            ", ".join(f"{value:g}" for value in row["reynolds"]),
            ", ".join(f"{value:g}" for value in row["spin_ratios"]),
            str(row["runs"]),
            f"{row['cells']:,}",
        )
    console.print(matrix)
    geometry = Table(
        "pattern", "variant", "dimples", "coverage", "depth", "edge angle", "dimple volume", "narrowest land",
        title="Geometry",
    )  # fmt: skip
    for pattern, variant, of in built:
        geometry.add_row(
            pattern,
            variant,
            str(of.count),
            f"{100 * of.coverage:.1f} %",
            _range(of.depth_min_m, of.depth_max_m, 1e3, "mm", 3),
            _range(of.edge_angle_min_deg, of.edge_angle_max_deg, 1.0, "deg", 2),
            f"{100 * of.dimple_volume_share:.3f} %",
            _range(of.narrowest_land_m, of.narrowest_land_m, 1e3, "mm", 3),
        )
    console.print(geometry)
    console.print(golfer_table(found["golfers"]))
    for table in passage_tables(found["passages"]):
        console.print(table)
    if found["auto"]:
        console.print(f"{' and '.join(found['auto'])}: chosen to hold the golfers' flights (auto)")
    console.print(f"results: {found['results']}", soft_wrap=True)
    finer = f"{found['finer_runs']} of them on a finer mesh, " if found["finer_runs"] else ""
    console.print(
        f"{found['runs']} runs ({found['cold_runs']} from rest, the others from a neighbour's field), {finer}"
        f"{found['fidelity']}, {found['level']} mesh: "
        f"about {found['core_hours_of_all']:.3g} core hours"
    )
    if "budget_core_hours" in found:
        console.print(
            f"with its budget of {found['budget_core_hours']:.3g} core hours the study chooses its runs "
            f"itself instead: {found['first_runs']} in the first design, about "
            f"{found['first_core_hours']:.3g} core hours, then rounds"
        )
    finished, reused = found["runs_finished"], found["runs_reused"]
    if finished + reused:
        console.print(
            f"{finished + reused} of them are there already ({finished} finished, {reused} with the inputs "
            f"of a run of another study); what is left: about {found['core_hours']:.3g} core hours"
        )


def _range(low: float | None, high: float | None, factor: float, unit: str, digits: int) -> str:
    """Return "LOW UNIT" or "LOW to HIGH UNIT"; "-" where a ball has none."""
    if low is None or high is None:
        return "-"
    first, last = f"{low * factor:.{digits}f}", f"{high * factor:.{digits}f}"
    return f"{first} {unit}" if first == last else f"{first} to {last} {unit}"
