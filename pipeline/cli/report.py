"""`depthline report`: writes the report of a study again from its results."""

from pathlib import Path

from pipeline.cli.output import messages
from pipeline.cli.study_input import keep_study_file, read_study, with_chosen_runs
from pipeline.errors import InputError
from pipeline.records.tree import DECISION


def write_study_report(path: Path, results_root: Path, units: str | None = None) -> None:
    """Write the report of a study from the results that are there.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies.
    units : str, optional
        "trade" or "SI"; those of the study when absent.

    Raises
    ------
    InputError
        The study file is wrong, there are no results yet, or they were computed before the study was changed.
    """
    asked = read_study(path)
    results = results_root / asked.name
    study = with_chosen_runs(asked, results)
    if not (results / DECISION).is_file():
        raise InputError(f"{results}: has no decision.json yet; depthline run {path} makes it")
    from pipeline.report.inputs import check_same_study
    from pipeline.report.page import write_report

    check_same_study(study, results, path)
    keep_study_file(path, results)
    write_report(study, results, units)
    messages().print(f"wrote {results / 'report.html'}")
