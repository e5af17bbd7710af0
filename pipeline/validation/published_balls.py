"""Computed drag and lift of published balls (cases/published) beside published values, and their ranking."""

import csv
import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline.aero.collect import read_coefficients
from pipeline.errors import InputError
from pipeline.flow.solver.boundary_layer import critical_reynolds, tripped_share
from pipeline.records.flow import USABLE
from pipeline.records.tree import COEFFICIENTS
from pipeline.study.file import load_study
from pipeline.study.trade_units import breakable, millimetres
from pipeline.validation.bench import Bench
from pipeline.validation.rows import Row

CASES = Path(__file__).resolve().parents[2] / "cases" / "published"

STUDY, PUBLISHED = "study.yaml", "published.csv"
COLUMNS = ("reynolds", "spin_ratio", "regime", "cd", "cd_se", "cl", "cl_se", "mark")

GOALS = {"cd": 0.06, "cl": 0.10}
"""Largest difference from a published value that counts as agreement, as a share of it; for lift the larger
of that and two published standard errors."""

REGIMES = ("above", "inside")
"""Of a published flow: above the drag crisis, or inside it."""

RANKED_APART = 3.0
"""Published values of two balls are ranked where they differ by more than so many joint standard errors."""

LIKE_SPIN = 0.0301
"""Spin ratios of two balls that are ranked differ by no more."""


@dataclass(frozen=True)
class PublishedValue:
    """A published coefficient of a ball at one condition.

    Parameters
    ----------
    ball : str
        Name of its case.
    quantity : {"cd", "cl"}
        Which coefficient.
    reynolds, spin_ratio : float
        The flow [-].
    regime : {"above", "inside"}
        Whether the published flow is above the drag crisis or inside it.
    value, standard_error : float
        As published, or as the case's file says where none is [-].
    source, mark : str
        First line of the case's file, and how well it is known.
    """

    ball: str
    quantity: str
    reynolds: float
    spin_ratio: float
    regime: str
    value: float
    standard_error: float
    source: str
    mark: str


@dataclass(frozen=True)
class Comparison:
    """A computed coefficient of a ball at one reading of its depth, beside the published one."""

    published: PublishedValue
    depth_m: float
    computed: float
    computed_se: float
    tripped: float

    @property
    def above_crisis(self) -> bool:
        """Whether the ball is above its crisis, as published and as computed."""
        return self.tripped == 1.0 and self.published.regime == "above"

    @property
    def deviations(self) -> float:
        """Difference in joint standard errors."""
        joint = math.hypot(self.computed_se, self.published.standard_error)
        return (self.computed - self.published.value) / joint


def published(bench: Bench) -> list[Row]:
    """Compute every published ball and compare it; their ranking, and the depth of least drag."""
    comparisons: list[Comparison] = []
    rows: list[Row] = []
    trends: list[Row] = []
    for folder in published_cases():
        study = load_study(folder / STUDY)
        coefficients = read_coefficients(bench.run_study(folder / STUDY) / COEFFICIENTS)
        for run in coefficients[~coefficients["verdict"].isin(USABLE)].itertuples():
            bench.failures[f"{folder.name}/{run.run}"] = str(run.verdict)
        of_ball = compare(published_values(folder), coefficients, study.ball.diameter_m)
        comparisons += of_ball
        rows += rows_of(of_ball, study.flow.level)
        trends += least_drag(folder.name, coefficients)
    return [*rows, *ranking(comparisons), *trends]


def published_cases(root: Path = CASES) -> list[Path]:
    """Folders of the published balls, in the order of their names."""
    return sorted(path.parent for path in root.glob(f"*/{STUDY}"))


def published_values(folder: Path) -> list[PublishedValue]:
    """Read what is published of a ball.

    Parameters
    ----------
    folder : Path
        Of its case, with published.csv: lines of comment (#, the first one the source), then the columns
        `COLUMNS`; a coefficient that is not published is left empty.

    Raises
    ------
    InputError
        The file is missing, lacks its source or a column, or a line has no number where one belongs.
    """
    path = folder / PUBLISHED
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None
    comments = [line[1:].strip() for line in lines if line.startswith("#")]
    if not comments:
        raise InputError(f"{path}:1: the source is missing; write it as a first line that starts with #")
    reader = csv.DictReader(line for line in lines if not line.startswith("#"))
    missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        raise InputError(f"{path}: column {missing[0]} is missing; the columns are {', '.join(COLUMNS)}")
    found = []
    for row in reader:
        where = f"{path}:{len(comments) + reader.line_num}"
        if row["regime"] not in REGIMES:
            raise InputError(f"{where}: regime: {row['regime']!r} must be one of {', '.join(REGIMES)}")
        for quantity in GOALS:
            if row[quantity]:
                reynolds, spin_ratio, value, value_se = (
                    _number(row[name], name, where)
                    for name in ("reynolds", "spin_ratio", quantity, f"{quantity}_se")
                )
                found.append(
                    PublishedValue(
                        folder.name, quantity, reynolds, spin_ratio, row["regime"], value, value_se,
                        comments[0], row["mark"],
                    )
                )  # fmt: skip
    return found


def compare(values: list[PublishedValue], coefficients: pd.DataFrame, diameter_m: float) -> list[Comparison]:
    """Put the computed coefficients of a ball beside the published ones.

    Parameters
    ----------
    values : list of PublishedValue
        Of one ball.
    coefficients : DataFrame
        Of its study, as from `pipeline.aero.collect.read_coefficients`.
    diameter_m : float
        Of the ball [m].

    Returns
    -------
    list of Comparison
        One a value and depth with a usable run at its Reynolds number and spin ratio.
    """
    usable = coefficients[coefficients["verdict"].isin(USABLE)]
    found = []
    for of in values:
        at = usable[
            (usable["reynolds"] / of.reynolds - 1.0).abs().lt(1e-6)
            & (usable["spin_ratio"] - of.spin_ratio).abs().lt(1e-6)
        ]
        for run in at.sort_values("depth_m").itertuples():
            depth = float(run.depth_m)  # type: ignore[arg-type]
            critical = critical_reynolds(depth, diameter_m)
            found.append(
                Comparison(
                    of,
                    depth,
                    float(getattr(run, of.quantity)),
                    float(getattr(run, f"{of.quantity}_se")),
                    float(tripped_share(of.reynolds, of.spin_ratio, critical)),
                )
            )
    return found


def rows_of(comparisons: list[Comparison], level: str) -> list[Row]:
    """Rows of the summary: every comparison; goals hold above the crisis."""
    found = []
    for of in comparisons:
        value = of.published
        text = f"{of.deviations:+.1f} joint standard errors"
        if not of.above_crisis:
            share = f"{100.0 * of.tripped:.0f} % of the meridians tripped"
            text += f"; {value.regime} the crisis as published, {share}"
        goal = None
        if of.above_crisis and value.value:
            goal = 100.0 * GOALS[value.quantity]
            if value.quantity == "cl":
                goal = max(goal, 200.0 * value.standard_error / abs(value.value))
        found.append(
            Row(
                value.quantity, condition_of(value, of.depth_m),
                of.computed, of.computed_se, value.value, value.source, value.mark, goal, level,
                text, reynolds=value.reynolds, spin_ratio=value.spin_ratio,
                published_se=value.standard_error, ball=value.ball, depth_m=of.depth_m,
            )
        )  # fmt: skip
    return found


def condition_of(value: PublishedValue, depth_m: float) -> str:
    """Ball, depth and flow in words."""
    return f"{value.ball}, {breakable(millimetres(depth_m))}, Re {value.reynolds:g}, S {value.spin_ratio:g}"


def ranking(comparisons: list[Comparison]) -> list[Row]:
    """Rank every two published balls at like conditions, as published and as computed.

    Parameters
    ----------
    comparisons : list of Comparison
        Of all balls.

    Returns
    -------
    list of Row
        One a coefficient and pair of balls, both above the crisis at spin ratios within `LIKE_SPIN`, whose
        published values differ by more than `RANKED_APART` joint standard errors: 1 where the computed
        difference (mean over the readings of depth) has the sign of the published one, else -1.
    """
    means: dict[PublishedValue, list[float]] = {}
    for of in comparisons:
        if of.above_crisis:
            means.setdefault(of.published, []).append(of.computed)
    found = []
    for one, other in itertools.combinations(means, 2):
        if one.quantity != other.quantity or one.ball == other.ball:
            continue
        apart = one.value - other.value
        joint = math.hypot(one.standard_error, other.standard_error)
        if abs(one.spin_ratio - other.spin_ratio) > LIKE_SPIN or abs(apart) <= RANKED_APART * joint:
            continue
        computed = sum(means[one]) / len(means[one]) - sum(means[other]) / len(means[other])
        found.append(
            Row(
                f"{one.quantity}_ranking",
                f"{one.ball} less {other.ball}, S {one.spin_ratio:g} and {other.spin_ratio:g}",
                1.0 if computed * apart > 0.0 else -1.0, None, 1.0, "both publications", "", 0.0, "",
                f"published {apart:+.3f}, computed {computed:+.3f}",
            )
        )  # fmt: skip
    return found


def least_drag(name: str, coefficients: pd.DataFrame) -> list[Row]:
    """Depth of least drag [mm] at each Reynolds number without spin, of at least three usable depths."""
    usable = coefficients[coefficients["verdict"].isin(USABLE) & coefficients["spin_ratio"].eq(0.0)]
    found = []
    for reynolds in usable["reynolds"].unique():
        rows = usable[usable["reynolds"] == reynolds]
        if rows["depth_m"].nunique() >= 3:
            best_mm = 1e3 * float(rows["depth_m"].to_numpy()[rows["cd"].to_numpy().argmin()])
            condition = f"{name}, Re {reynolds:g}"
            found.append(Row("depth_of_least_drag_mm", condition, best_mm, reynolds=float(reynolds)))
    return found


def _number(text: str, name: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{where}: {name}: {text!r} is not a number") from None
