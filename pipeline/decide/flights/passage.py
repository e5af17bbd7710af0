"""Reynolds numbers and spin ratios of flights by time spent, and the matrix of runs that covers them."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.aero.published import published_tables
from pipeline.aero.table import CoefficientTable
from pipeline.arrays import FloatArray
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.population import SHOTS
from pipeline.errors import InputError
from pipeline.flight.trajectory import Conditions, Launches, along_path, path
from pipeline.study.model import Study

OUTSIDE_WORTH_A_WARNING = 0.05
"""Share of a golfer's flight time outside the matrix of runs that is worth a warning: the coefficients there
are those of the matrix's edge."""

TAIL = 0.005
"""Share of the flight time that `auto` leaves out below and above, in Reynolds number and in spin ratio. That
is 2 % at most with published balls; the balls computed fly a little faster or slower."""

LONGEST_STEP = (0.40, 0.10)
"""Longest steps of `auto` in ln Re and in S: a fast swing gets 4 x 4 nodes, the smallest matrix whose carries
the coefficient model was found to know within 0.5 m (docs/decisions/011)."""

FEWEST_NODES = 3

SHOTS_OF_A_PASSAGE = 32
"""Shots of a golfer with one table in one scenario; fewer where there are many of those."""

FEWEST_SHOTS = 4
MOST_PATHS = 4000

_EVERY_S = 0.05
_WIDEST = {"reynolds": (1.0, 1e6), "spin_ratio": (0.0, 2.0)}


class Outside(NamedTuple):
    """Shares of the flight time outside a matrix of runs, by side, and on any side."""

    reynolds_below: float
    reynolds_above: float
    spin_ratio_below: float
    spin_ratio_above: float
    outside: float


@dataclass(frozen=True, eq=False)
class Passage:
    """Where in the coefficient table the flights of a golfer spend their time.

    Parameters
    ----------
    golfer, scenario, table : str
        Whose, in which weather ("" for the study's air), and with which coefficients.
    reynolds, spin_ratio : ndarray, shape (m,)
        Points of the flights [-].
    time_share : ndarray, shape (m,)
        Share of the flight time at each point; they sum to 1.
    """

    golfer: str
    scenario: str
    table: str
    reynolds: FloatArray
    spin_ratio: FloatArray
    time_share: FloatArray

    def quantile(self, name: str, share: float) -> float:
        """Value of "reynolds" or "spin_ratio" below which the flights spend a share of their time."""
        values: FloatArray = getattr(self, name)
        order = np.argsort(values)
        time = np.cumsum(self.time_share[order])
        return float(values[order][min(int(np.searchsorted(time, share)), values.size - 1)])

    def shares(self, name: str, edges: ArrayLike) -> FloatArray:
        """Shares of the time between `edges`, shape (n,), and beyond the outermost two, shape (n + 1,)."""
        edges = np.asarray(edges, float)
        place = np.searchsorted(edges, getattr(self, name), side="right")
        return np.bincount(place, self.time_share, minlength=edges.size + 1).astype(float)

    def beyond(self, reynolds: Sequence[float], spin_ratios: Sequence[float]) -> Outside:
        """Share of the time outside a matrix of runs, by side."""
        sides = np.array(
            [
                self.reynolds < min(reynolds),
                self.reynolds > max(reynolds),
                self.spin_ratio < min(spin_ratios),
                self.spin_ratio > max(spin_ratios),
            ]
        )
        below_re, above_re, below_s, above_s = (sides @ self.time_share).tolist()
        return Outside(
            reynolds_below=below_re,
            reynolds_above=above_re,
            spin_ratio_below=below_s,
            spin_ratio_above=above_s,
            outside=float(self.time_share[sides.any(axis=0)].sum()),
        )


def passage(
    table: CoefficientTable,
    shots: Launches,
    conditions: Conditions,
    names: tuple[str, str, str] = ("", "", ""),
) -> Passage:
    """Fly shots with one table and return where they pass through it.

    Parameters
    ----------
    table : CoefficientTable
        Coefficients of the ball.
    shots : Launches
        Launches, each as often as any other.
    conditions : Conditions
        Ball, air, wind.
    names : tuple of str
        Golfer, scenario and table.

    Returns
    -------
    Passage
        Speeds are those through the air, wind and its profile taken off. A ball that is struck into the
        ground counts with its launch.

    Raises
    ------
    InputError
        None of the balls lands within a minute.
    """
    reynolds, spin_ratio, time = [], [], []
    for launch in shots.as_array():
        try:
            flown = path(table, Launches(*launch), conditions, _EVERY_S)
        except ValueError:  # has not landed after a minute
            continue
        at = along_path(flown, conditions)
        reynolds.append(at[0])
        spin_ratio.append(at[1])
        steps = np.diff(flown.time_s)
        time.append(0.5 * (np.append(steps, 0.0) + np.append(0.0, steps)))
    if not time:
        raise InputError(
            f"{names[0]}: no ball lands within a minute with the coefficients of {names[2]}; check the launch"
        )
    spent = np.concatenate(time)
    share = spent / spent.sum() if spent.sum() > 0 else np.full(spent.size, 1.0 / spent.size)
    return Passage(*names, np.concatenate(reynolds), np.concatenate(spin_ratio), share)


def passages(
    study: Study,
    tables: Mapping[str, CoefficientTable],
    progress: Callable[[float], None] = lambda _share: None,
) -> list[Passage]:
    """Fly every golfer in every scenario with every table.

    Parameters
    ----------
    study : Study
        Golfers, ball, air, scenarios.
    tables : mapping
        Coefficient tables by name.
    progress : callable
        Is given the share that is done.

    Returns
    -------
    list of Passage
        Golfers in the study's order, within them scenarios, within them tables.

    Raises
    ------
    InputError
        Measured launches are wrong, or a golfer's balls do not land.
    """
    scenarios = scenarios_of(study)
    groups = len(study.golfers) * len(scenarios) * len(tables)
    few = min(max(MOST_PATHS // max(groups, 1), FEWEST_SHOTS), SHOTS_OF_A_PASSAGE)
    found: list[Passage] = []
    for golfer in study.golfers:
        shots = Launches(*draw_shots(golfer, SHOTS, SEED).as_array()[:few].T)
        for scenario in scenarios:
            for name, table in tables.items():
                found.append(passage(table, shots, scenario.conditions, (golfer.name, scenario.name, name)))
                progress(len(found) / groups)
    return found


def pooled(found: Sequence[Passage]) -> Passage:
    """Return several passages as one, each of the same weight; names are those of the first."""
    first = found[0]
    return Passage(
        first.golfer,
        first.scenario,
        first.table,
        np.concatenate([of.reynolds for of in found]),
        np.concatenate([of.spin_ratio for of in found]),
        np.concatenate([of.time_share for of in found]) / len(found),
    )


def outside_warnings(study: Study, found: Sequence[Passage]) -> list[str]:
    """Warn of golfers who fly outside the matrix of runs.

    Parameters
    ----------
    study : Study
        With numbers in place of `auto`.
    found : sequence of Passage
        From `passages`.

    Returns
    -------
    list of str
        A sentence for each golfer who spends more than 5 % of his time outside with one of the tables, the
        worst, and one that says what matrix would hold them; none when all is well.
    """
    flow, lines = study.flow, []
    for golfer in study.golfers:
        sides, worst = max(
            ((of.beyond(flow.reynolds, flow.spin_ratios), of) for of in found if of.golfer == golfer.name),
            key=lambda pair: pair[0].outside,
        )
        if sides.outside <= OUTSIDE_WORTH_A_WARNING:
            continue
        named = (
            (sides.reynolds_below, f"below Re {min(flow.reynolds):g}"),
            (sides.reynolds_above, f"above Re {max(flow.reynolds):g}"),
            (sides.spin_ratio_below, f"below S {min(flow.spin_ratios):g}"),
            (sides.spin_ratio_above, f"above S {max(flow.spin_ratios):g}"),
        )
        where = ", ".join(f"{100 * side:.0f} % {words}" for side, words in named if side >= 0.005)
        weather = f" in {worst.scenario}" if worst.scenario else ""
        lines.append(
            f"flow: the flights of {golfer.name}{weather} spend {100 * sides.outside:.0f} % of their time "
            f"outside the matrix of runs ({where}; flown with {worst.table}); the coefficients of its edge "
            "are used there"
        )
    if lines:
        reynolds, spin_ratios = covering(found)
        lines.append(
            f"flow: reynolds: {_list(reynolds)} and spin_ratios: {_list(spin_ratios)} would hold "
            "these flights; without the two keys they are chosen so (auto)"
        )
    return lines


def _list(values: Sequence[float]) -> str:
    return f"[{', '.join(f'{value:g}' for value in values)}]"


def covering(found: Sequence[Passage]) -> tuple[list[float], list[float]]:
    """Reynolds numbers and spin ratios of a matrix of runs that flights stay inside of.

    Parameters
    ----------
    found : sequence of Passage
        At least one.

    Returns
    -------
    reynolds, spin_ratios : list of float
        From the lowest to the highest that any of them needs, so that each spends at least 98 % of its time
        inside (less where spin ratios above 2 would be needed); even in ln Re and in S, no step longer than
        `LONGEST_STEP`; two significant digits, the ends rounded outwards.
    """
    lows, highs = {}, {}
    for name, (lowest, highest) in _WIDEST.items():
        low = min(of.quantile(name, TAIL) for of in found)
        high = max(of.quantile(name, 1.0 - TAIL) for of in found)
        lows[name] = _rounded(min(max(low, lowest), highest), math.floor)
        highs[name] = _rounded(min(max(high, lowest), highest), math.ceil)
    low, high = lows["reynolds"], max(highs["reynolds"], _rounded(1.2 * lows["reynolds"], math.ceil))
    nodes = max(math.ceil(math.log(high / low) / LONGEST_STEP[0] - 1e-9) + 1, FEWEST_NODES)
    reynolds = _nodes(np.geomspace(low, high, nodes))
    low, high = lows["spin_ratio"], min(max(highs["spin_ratio"], lows["spin_ratio"] + 0.04), 2.0)
    nodes = max(math.ceil((high - low) / LONGEST_STEP[1] - 1e-9) + 1, FEWEST_NODES)
    return reynolds, _nodes(np.linspace(min(low, high - 0.04), high, nodes))


def with_conditions(study: Study, progress: Callable[[float], None] = lambda _share: None) -> Study:
    """Return a study whose Reynolds numbers and spin ratios are numbers, those left to `auto` worked out.

    The golfers are flown with published tables (`pipeline.aero.published`), which do not depend on the runs:
    the matrix of runs, and with it the keys of runs, changes only with the golfers, the ball and the air.

    Parameters
    ----------
    study : Study
        As its file says.
    progress : callable
        Is given the share that is done.

    Returns
    -------
    Study
        The same when it has numbers already.

    Raises
    ------
    InputError
        Measured launches are wrong, or a golfer's balls do not land.
    """
    if study.flow.resolved:
        return study
    reynolds, spin_ratios = covering(passages(study, published_tables(), progress))
    flow = study.flow.model_copy(
        update={
            "reynolds": study.flow.reynolds or reynolds,
            "spin_ratios": study.flow.spin_ratios or spin_ratios,
        }
    )
    return study.model_copy(update={"flow": flow})


def _nodes(values: FloatArray) -> list[float]:
    """Round nodes to two significant digits; the ends are so already."""
    return sorted({_rounded(float(value), round) for value in values})


def _rounded(value: float, to_whole: Callable[[float], int]) -> float:
    """Round to two significant digits, down, up or to the nearest."""
    if value <= 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    # A value that has two digits already keeps them, whatever its last binary digit says.
    digits = round(value / unit, 9)
    return float(f"{to_whole(digits)}e{round(math.log10(unit))}")
