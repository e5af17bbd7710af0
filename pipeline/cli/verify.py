"""`depthline verify`: the verification suite, its summary and its page."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from rich.table import Table

from pipeline.cli.output import messages, print_json, tables
from pipeline.cli.run import run_study
from pipeline.cli.study_input import read_study, results_folder
from pipeline.ending import complain
from pipeline.flow.solver.find import find_solver
from pipeline.flow.solver.path import check_solver_path
from pipeline.machine.resources import cores_allowed
from pipeline.records.tree import SUMMARY
from pipeline.study.trade_units import significant
from pipeline.validation.bench import Bench
from pipeline.validation.parts import PARTS, Part, parts
from pipeline.validation.rows import Row, merge_rows
from pipeline.validation.workflow import compute_flows
from pipeline.workflow.results_lock import locked_results

FOLDER, STUDIES = "verification", "published"
"""Folder of the suite among the results, and of the studies of published balls within it."""


def verify(names: list[str], cores: int | None, results_root: Path, as_json: bool) -> int:
    """Compute parts of the suite, write summary.csv and report.html, and print the parts' rows.

    Parameters
    ----------
    names : list of str
        Parts; the cheap ones when empty.
    cores : int, optional
        Most runs at a time; absent: as many as cores may be used here, in a container or queue job too.
    results_root : Path
        Folder of all results; the suite's are in its folder verification.
    as_json : bool
        Print one JSON object instead of tables.

    Returns
    -------
    int
        0, or 1 when some runs gave no numbers or some values are beyond their goals.

    Raises
    ------
    InputError
        There is no such part, or another process computes the suite there.
    MissingError
        There is no solver.
    """
    from pipeline.validation.page import write_verification_page

    wanted = parts(names)
    find_solver()
    results = results_root / FOLDER
    check_solver_path(results)
    results.mkdir(parents=True, exist_ok=True)
    rows: list[Row] = []
    with locked_results(results) as lock:
        bench = Bench(
            results,
            partial(compute_flows, results, cores or cores_allowed(), lock),
            partial(_study_results, results / STUDIES, cores),
        )
        for place, part in enumerate(wanted):
            left = sum(of.core_minutes for of in wanted[place:])
            where = f"part {place + 1} of {len(wanted)}"
            complain(f"{part.name} ({where}; {left:g} core minutes from here where nothing is computed yet)")
            every = merge_rows(results / SUMMARY, part.name, part.rows(bench))
            rows += [row for row in every if row.part == part.name]
            page = write_verification_page(results, every)
    for run, reason in bench.failures.items():
        complain(f"{run}: {reason}")
    if as_json:
        print_json({"rows": [row.columns() for row in rows], "failed": bench.failures, "report": str(page)})
    else:
        for part in wanted:
            _print_rows(part, [row for row in rows if row.part == part.name])
    judged = [row for row in rows if row.within_goal is not None]
    missed = sum(not row.within_goal for row in judged)
    _say_rest(wanted, page, names == [])
    if missed:
        complain(f"{missed} of {len(judged)} judged values are beyond their goals")
    return 1 if bench.failures or missed else 0


def _study_results(results_root: Path, cores: int | None, study: Path) -> Path:
    """Compute a study file, or what is left of it, by `depthline run`; its results folder."""
    complain(f"study {study.parent.name}")
    run_study(study, results_root, cores, None)
    return results_folder(study, results_root, read_study(study))[0]


def _print_rows(part: Part, rows: list[Row]) -> None:
    table = Table(title=f"{part.name}: {part.about}", title_justify="left")
    for column in ("quantity", "condition", "mesh", "ours", "published", "error, %", "goal, %", "source"):
        table.add_column(
            column, justify="right" if column in ("ours", "published", "error, %", "goal, %") else "left"
        )
    for row in rows:
        table.add_row(
            row.quantity,
            row.condition,
            row.level,
            significant(row.ours, 5) + ("" if row.ours_se is None else f" ± {significant(row.ours_se, 1)}"),
            significant(row.published, 5),
            _error(row),
            significant(row.goal_pct, 3),
            f"{row.source} [{row.mark}]" if row.mark else row.source,
        )
    tables().print(table)


def _error(row: Row) -> str:
    error = "" if row.error_pct is None else f"{row.error_pct:+.2f}"
    return f"{error} !" if row.within_goal is False else error


def _say_rest(wanted: list[Part], page: Path, by_default: bool) -> None:
    say: Callable[..., Any] = messages().print
    say(f"! marks errors beyond their goals; {page} shows them, {page.with_name(SUMMARY)} has every number")
    rest = [part for part in PARTS.values() if part not in wanted]
    if by_default and rest:
        costs = ", ".join(f"{part.name} ({part.core_minutes:g} core min)" for part in rest)
        say(f"not computed, since they cost more: {costs}; name them to compute them")
