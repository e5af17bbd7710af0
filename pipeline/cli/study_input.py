"""Reading a study for a command: its file, measured launches, flow conditions that were left to `auto`."""

import math
import sys
from pathlib import Path

from rich.progress import Progress

from pipeline.cli.output import messages
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.records.tree import REUSE, STUDY, STUDY_FILE
from pipeline.study.file import load_study, read_study_text
from pipeline.study.model import Study

REPOSITORY = Path(__file__).parents[2]
"""The checkout that the command runs from, or the folder of an installed package."""


def read_study(path: Path) -> Study:
    """Read a study and everything that it names, so that what is wrong comes before any flow is computed.

    Parameters
    ----------
    path : Path
        Study file.

    Returns
    -------
    Study
        With numbers in place of `auto`.

    Raises
    ------
    InputError
        The study file, a file of measured launches or a ball of the shelf is wrong (every such file is
        reported).
    """
    study = load_study(path)
    check_launches(study)
    check_balls(study)
    return resolved(study)


def keep_study_file(path: Path, results: Path) -> None:
    """Copy a study file into its results folder, so that the report can show it with its comments."""
    copy = results / STUDY_FILE
    if not (copy.exists() and copy.samefile(path)):
        write_text(copy, read_study_text(path))


def with_chosen_runs(study: Study, results: Path) -> Study:
    """Give a study the runs that it chose itself, where its results were computed so last.

    Parameters
    ----------
    study : Study
        As its file says.
    results : Path
        Its results folder, which need not exist.
    """
    try:
        points = Study.from_json(results / STUDY).points
    except InputError:  # not there yet, or broken
        return study
    return study if points is None else study.with_points(points)


def resolved(study: Study) -> Study:
    """Put numbers in place of `auto`, with a bar that shows how far it is; see `with_conditions`."""
    if study.flow.resolved:
        return study
    from pipeline.decide.flights.passage import with_conditions

    with Progress(console=messages(), transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("flying the golfers for the Reynolds numbers", total=1.0)
        return with_conditions(study, lambda share: progress.update(task, completed=share))


def check_launches(study: Study) -> None:
    """Read every file of measured launches.

    Raises
    ------
    InputError
        Some are wrong; each golfer's faults are reported.
    """
    if all(golfer.measured is None for golfer in study.golfers):
        return
    from pipeline.decide.flights.golfer import as_flown

    problems: list[str] = []
    for index, golfer in enumerate(study.golfers):
        try:
            as_flown(golfer)
        except InputError as error:
            problems += [f"golfers[{index}] ({golfer.name}): {line}" for line in str(error).splitlines()]
    if problems:
        raise InputError("\n".join(problems))


def check_balls(study: Study) -> None:
    """Read the balls of the shelf that a study names.

    Raises
    ------
    InputError
        Files are wrong, or a measured ball is none that could correct this study; all such are reported.
    """
    if study.shelf is None or not study.balls_named:
        return
    from pipeline.shelf.folder import ball_path, read_shelf

    balls = {ball.name: ball for ball in read_shelf(study.shelf, study.balls_named)}
    patterns = [pattern.name for pattern in study.patterns]
    problems = []
    for name in study.measured:
        ball, file = balls[name], ball_path(study.shelf, name)
        if ball.kind != "measured":
            problems.append(f"{file}: kind: is {ball.kind}; `measured` of a study takes measured balls alone")
        if ball.pattern not in patterns:
            problems.append(
                f'{file}: pattern: "{ball.pattern}" is none of the study, which has {", ".join(patterns)}; '
                "name the ball under `references`, or correct its pattern"
            )
        if math.isnan(ball.depth_m):
            problems.append(f"{file}: depth_mm: is missing; a measured ball corrects by its depth")
    if problems:
        raise InputError("\n".join(problems))


def results_folder(path: Path, results_root: Path, study: Study) -> tuple[Path, list[str]]:
    """Say where a study's results are, and whether runs of other studies are found again there.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder of all results, relative to the current one or not.
    study : Study
        The study.

    Returns
    -------
    results : Path
        The study's own folder, absolute; it need not exist.
    warnings : list of str
        Not empty when `results_root` has no store of runs yet while the repository's results, or those beside
        the study file, have one: the same runs would be computed anew.
    """
    root = Path(results_root).resolve()
    if (root / REUSE).is_dir():
        return root / study.name, []
    others = dict.fromkeys(folder / "results" for folder in (REPOSITORY, Path(path).resolve().parent))
    warnings = [
        f"results go to {root}, where no run of another study is found again; finished runs are in {other}: "
        f"--results {other} uses them"
        for other in others
        if other != root and (other / REUSE).is_dir()
    ]
    return root / study.name, warnings[:1]
