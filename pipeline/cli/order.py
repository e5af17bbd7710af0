"""`depthline order`: the order sheet of the prototypes that a decision asks for."""

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.cli.output import messages, print_json
from pipeline.cli.study_input import read_study, with_chosen_runs
from pipeline.decide.depths import angle_of_depth
from pipeline.decide.prototypes import WantedBall, wanted_balls
from pipeline.errors import InputError
from pipeline.files.atomic import write_text
from pipeline.records.decision import Decision
from pipeline.records.record import read
from pipeline.records.tree import COEFFICIENTS, DECISION
from pipeline.study.model import Study
from pipeline.study.trade_units import breakable, made_by

FOLDER, CSV, PAGE = "order", "order.csv", "order.html"

COLUMNS = (
    "item", "name", "pattern", "depth_m", "edge_angle_deg", "tolerance_m", "tolerance_edge_angle_deg",
    "tolerance_diameter_m", "quantity", "purpose",
)  # fmt: skip

_TEMPLATE = Path(__file__).with_name("order.html.j2")


def decided_balls(study: Study, results: Path, path: Path) -> list[WantedBall]:
    """Prototypes that the decision of a study asks for.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder.
    path : Path
        The study file, for messages.

    Raises
    ------
    InputError
        There is no decision, it was made of another state of the study, or it asks for no prototype.
    """
    from pipeline.aero.collect import read_coefficients
    from pipeline.report.inputs import check_same_study

    if not (results / DECISION).is_file():
        raise InputError(f"{results}: has no decision.json yet; depthline run {path} makes it")
    check_same_study(with_chosen_runs(study, results), results, path)
    decision = read(results / DECISION, Decision)
    coefficients = read_coefficients(results / COEFFICIENTS)
    angles = {pattern.name: angle_of_depth(coefficients, pattern.name) for pattern in study.patterns}
    found = wanted_balls(decision, angles)
    if not found:
        raise InputError(
            f'{results / DECISION}: the state of the decision is "{decision.state}", which asks for no '
            f"prototype yet; the report says what to compute (depthline next {path})"
        )
    return found


def write_order(
    path: Path,
    results_root: Path,
    quantity: int,
    order: str,
    folder: Path | None,
    as_json: bool,
    units: str | None = None,
) -> None:
    """Write order.csv and order.html: one line a prototype, what it is for, its tolerances, its quantity.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies.
    quantity : int
        Balls of each prototype.
    order : str
        Number of the order; a blank to fill in when empty.
    folder : Path or None
        Where to write; RESULTS/STUDY/order when None.
    as_json : bool
        Print the lines as one JSON object.
    units : str, optional
        Units of the page, "trade" or "SI"; those of the study when absent.

    Raises
    ------
    InputError
        As of `decided_balls`.
    """
    from pipeline.report.pictures import render

    study = read_study(path)
    results = results_root / study.name
    balls = decided_balls(study, results, path)
    rows = [
        {
            "item": item,
            "name": ball.name,
            "pattern": ball.pattern,
            "depth_m": _clean(ball.depth_m, 8),
            "edge_angle_deg": _clean(ball.edge_angle_deg, 3),
            "tolerance_m": _clean(ball.tolerance_m, 8),
            "tolerance_edge_angle_deg": _clean(ball.tolerance_edge_angle_deg, 3),
            "tolerance_diameter_m": _clean(ball.tolerance_diameter_m, 8),
            "quantity": quantity,
            "purpose": "; ".join(ball.purposes),
        }
        for item, ball in enumerate(balls, start=1)
    ]
    folder = folder or results / FOLDER
    by_angle = {pattern.name for pattern in study.patterns if pattern.edge_angles_rad}
    values = {
        "study": study,
        "headlines": [
            breakable(made_by(ball.depth_m, ball.edge_angle_deg, ball.pattern in by_angle).split(" (")[0])
            for ball in balls
        ],
        "inches": (units or study.units) == "trade",
        "rows": rows,
        "order": order,
        "date": f"{datetime.datetime.now(datetime.UTC):%Y-%m-%d}",
        "total": quantity * len(rows),
    }
    write_text(folder / CSV, _as_csv(rows))
    write_text(folder / PAGE, render(_TEMPLATE, values))
    messages().print(f"wrote {CSV}, {PAGE} in {folder}")
    if as_json:
        print_json({"study": study.name, "order": rows})


def _clean(value: float | None, digits: int) -> float | None:
    """Number without the noise of its last bits; lengths to 10 nm."""
    return None if value is None else round(value, digits)


def _as_csv(rows: Sequence[Mapping[str, object]]) -> str:
    import csv
    import io

    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()
