"""Coefficient model of a pattern: drag, lift, moment over depth, Reynolds number and spin ratio."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipeline.aero.collect import USABLE
from pipeline.aero.moment import moments_to_fly
from pipeline.aero.process import PRIORS, Points, Process
from pipeline.aero.table import BOUNDS, CoefficientTable, TableBatch, padded
from pipeline.errors import InputError

FloatArray = NDArray[np.float64]

NEEDED = (
    "pattern", "depth_m", "reynolds", "spin_ratio", "cd", "cd_se", "cl", "cl_se", "cm", "cm_se", "verdict", ""
    "run",
)  # fmt: skip
"""Columns of coefficients.csv that models are made of."""

STEPS_BETWEEN_NODES = 5
"""Steps of the sampling grid between neighbouring Reynolds numbers or spin ratios studied, at least."""

LONGEST_STEP = (0.08, 0.0125)
"""Longest steps of the sampling grid, in ln Re and in S: with them the error of interpolating bilinearly is,
root mean square over a table, below a tenth of the posterior's standard deviation
(tests/aero/test_model.py)."""

CLAIM_TOO_SMALL = 1.5
"""Leave-one-out residuals this many times their claimed size are worth a note."""

_FEWEST_FOR_A_VERDICT = 8


@dataclass(frozen=True)
class StatedError:
    """Error of the coefficients beyond the runs' own standard errors: of a mesh, of a flow model.

    Parameters
    ----------
    cd, cl : float
        Its standard deviation [-].
    shared : float
        Share of its variance that is the same for all depths and patterns, 0 to 1; the rest differs from
        pattern to pattern and changes slowly with depth. An error that is wholly shared (1, that of a flow
        model) widens every carry and hardly any difference between depths [-].
    cd_relative, cl_relative : float
        The same as shares of the coefficient; both parts of an error are drawn together [-].
    """

    cd: float = 0.0
    cl: float = 0.0
    shared: float = 0.9
    cd_relative: float = 0.0
    cl_relative: float = 0.0


class CoefficientModel:
    """Posterior of a pattern's coefficients, given its usable runs.

    Parameters
    ----------
    pattern : str
        Name.
    runs : DataFrame
        Its usable runs, columns as in coefficients.csv; at least one.

    Attributes
    ----------
    depth_m : ndarray, shape (d,)
        Depths with a usable run, increasing [m].
    reynolds, spin_ratio : ndarray
        Nodes of the sampling grid, from the lowest to the highest studied [-].
    processes : dict
        From "cd", "cl" and, when the moments can be flown (`pipeline.aero.moment`), "cm" to the `Process`.
    """

    def __init__(self, pattern: str, runs: pd.DataFrame) -> None:
        columns = [runs[name].to_numpy(float) for name in ("depth_m", "reynolds", "spin_ratio")]
        self.pattern = pattern
        self.runs = runs
        self.depth_m: FloatArray = np.unique(columns[0])
        self.reynolds = np.exp(_refined(np.log(np.unique(columns[1])), LONGEST_STEP[0]))
        self.reynolds[[0, -1]] = columns[1].min(), columns[1].max()  # free of the rounding of exp(log(...))
        self.spin_ratio = _refined(np.unique(columns[2]), LONGEST_STEP[1])
        names = ("cd", "cl", "cm") if moments_to_fly(runs)[0] else ("cd", "cl")
        self.processes = {
            name: Process(
                PRIORS[name], Points(*columns), runs[name].to_numpy(float), runs[f"{name}_se"].to_numpy(float)
            )
            for name in names
        }

    def tables(self, depth_m: ArrayLike) -> list[CoefficientTable]:
        """Sample the model at depths, with the posterior's standard deviations at the nodes.

        Parameters
        ----------
        depth_m : array_like, shape (d,)
            Depths; outside those studied the model extrapolates, and its errors say so [m].

        Returns
        -------
        list of CoefficientTable
            One a depth.
        """
        points, shape = self._points(np.asarray(depth_m, float))
        values: dict[str, FloatArray] = {}
        for name, process in self.processes.items():
            values[name] = process.mean(points).reshape(shape)
            values[f"{name}_se"] = np.sqrt(process.variance(points)).reshape(shape)
        values["cd"] = np.maximum(values["cd"], 0.0)
        if "cm" in values:
            values["cm"] = np.minimum(values["cm"], 0.0)
        return [
            CoefficientTable(self.reynolds, self.spin_ratio, **{name: v[d] for name, v in values.items()})
            for d in range(shape[0])
        ]

    def draws(self, depth_m: ArrayLike, n: int, seed: int, stated: Sequence[StatedError] = ()) -> TableBatch:
        """Draw tables at several depths jointly, so that differences between depths keep their correlation.

        Models of several patterns that are given the same seed share what none of them knows between the
        Reynolds numbers and spin ratios studied (see `Process.draws`).

        Parameters
        ----------
        depth_m : array_like, shape (d,)
            Depths [m].
        n : int
            Number of draws.
        seed : int
            Seed. The part of a stated error that all patterns share depends on nothing else.
        stated : sequence of StatedError
            Added to the draws, independent of each other.

        Returns
        -------
        TableBatch
            d x n tables, all draws of the first depth first. Drag is cut off at zero, a moment where it would
            speed the spin up.
        """
        depth = np.asarray(depth_m, float)
        rng = np.random.default_rng([seed, *self.pattern.encode()])
        common = np.random.default_rng([seed, 1])
        drawn = []
        for name, process in self.processes.items():
            values = process.draws(depth, self.reynolds, self.spin_ratio, n, rng, common)
            for number, error in enumerate(stated if name != "cm" else ()):
                size = getattr(error, name) + getattr(error, f"{name}_relative") * np.abs(values)
                source = np.random.default_rng([seed, 2 + number, *name.encode()])
                values = values + size * _stated_draws(error.shared, depth, n, source, rng)[:, :, None, None]
            low, high = BOUNDS[name] if name != "cl" else (-np.inf, np.inf)
            drawn.append(np.clip(values, low, high))
        if "cm" not in self.processes:
            drawn.append(np.zeros_like(drawn[0]))
        values = np.moveaxis(np.stack(drawn, axis=-1), 0, 1).reshape(
            depth.size * n, self.reynolds.size, self.spin_ratio.size, 3
        )
        return padded(self.reynolds, self.spin_ratio, values, has_cm="cm" in self.processes)

    def leave_one_out(self) -> pd.DataFrame:
        """Predict every run from all the others.

        Returns
        -------
        DataFrame
            One row a run and coefficient: run, coefficient, depth_m, reynolds, spin_ratio, residual (run less
            prediction), claimed (its claimed standard deviation), ratio of the two.
        """
        frames = []
        for name, process in self.processes.items():
            residual, claimed = process.leave_one_out()
            frame = self.runs[["run", "depth_m", "reynolds", "spin_ratio"]].copy()
            frame.insert(1, "coefficient", name)
            frames.append(frame.assign(residual=residual, claimed=claimed, ratio=residual / claimed))
        return pd.concat(frames, ignore_index=True)

    def frame(self, depth_m: ArrayLike) -> pd.DataFrame:
        """Sample the model as a tidy table: a row a node, each coefficient with its error (_se)."""
        parts = []
        for depth, table in zip(np.asarray(depth_m, float), self.tables(depth_m), strict=True):
            re, s = np.meshgrid(table.reynolds, table.spin_ratio, indexing="ij")
            columns: dict[str, Any] = {"pattern": self.pattern, "depth_m": depth}
            columns |= {"reynolds": re.ravel(), "spin_ratio": s.ravel()}
            for name in ("cd", "cl", "cm"):
                for column in (name, f"{name}_se"):
                    values = getattr(table, column) if name in self.processes else None
                    columns[column] = np.nan if values is None else values.ravel()
            parts.append(pd.DataFrame(columns))
        return pd.concat(parts, ignore_index=True)

    def summary(self) -> dict[str, Any]:
        """JSON-ready account of the fit: by coefficient the hyper-parameters, and how leave-one-out went."""
        left_out = self.leave_one_out()
        found: dict[str, Any] = {"pattern": self.pattern, "runs": len(self.runs)}
        for name, process in self.processes.items():
            of_name = left_out[left_out["coefficient"] == name]
            worst = of_name.iloc[int(np.abs(of_name["ratio"].to_numpy(float)).argmax())]
            found[name] = {
                "hyperparameters": process.hyperparameters,
                "leave_one_out_ratio": float(np.sqrt(np.mean(of_name["ratio"] ** 2))),
                "worst_run": str(worst["run"]),
                "worst_ratio": float(worst["ratio"]),
            }
        return found

    def notes(self) -> list[str]:
        """Sentences on runs that do not fit their claimed errors."""
        if len(self.runs) < _FEWEST_FOR_A_VERDICT:
            return []
        found, account = [], self.summary()
        for name in self.processes:
            scatter = account[name]["hyperparameters"]["scatter"]
            claimed = float(np.median(self.runs[f"{name}_se"]))
            ratio = account[name]["leave_one_out_ratio"]
            if scatter > CLAIM_TOO_SMALL * claimed:
                found.append(
                    f"{self.pattern}: {name.capitalize()} of the runs scatters by {scatter:.1g} beyond a "
                    "smooth function of depth, Reynolds number and spin ratio, against standard errors of "
                    f"{claimed:.1g}; the scatter is included in the intervals."
                )
            if ratio > CLAIM_TOO_SMALL:
                found.append(
                    f"{self.pattern}: {name.capitalize()} of runs left out differs from its prediction by "
                    f"{ratio:.1f} times the claimed size, {account[name]['worst_run']} most; its intervals "
                    "are too narrow."
                )
        return found

    def _points(self, depth_m: FloatArray) -> tuple[Points, tuple[int, int, int]]:
        shape = (depth_m.size, self.reynolds.size, self.spin_ratio.size)
        return Points.grid(depth_m, self.reynolds, self.spin_ratio), shape


def models_from_coefficients(frame: pd.DataFrame) -> tuple[dict[str, CoefficientModel], list[str]]:
    """Fit a model to the usable runs of every pattern.

    Parameters
    ----------
    frame : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    models : dict
        By pattern, in the order of the frame; patterns without a usable run are left out.
    notes : list of str
        What is missing or does not fit, a sentence each.

    Raises
    ------
    InputError
        A column is missing.
    """
    absent = [name for name in NEEDED if name not in frame]
    if absent:
        raise InputError(f'coefficients: column "{absent[0]}" is missing; {", ".join(NEEDED)} are needed')
    models, notes = {}, []
    key = ["depth_m", "reynolds", "spin_ratio"]
    for pattern in map(str, frame["pattern"].unique()):
        rows = frame[frame["pattern"] == pattern]
        twice = (rows[key].notna().all(axis=1) & rows.duplicated(key, keep=False)).to_numpy(bool)
        if twice.any():
            row = rows[twice].iloc[0]
            notes.append(
                f"{pattern}: depth {row['depth_m'] * 1e3:.3f} mm, reynolds {row['reynolds']:g}, spin_ratio "
                f"{row['spin_ratio']:g}: has two rows; which one is right is not known, so all such rows are "
                f"left out ({int(twice.sum())} of {len(rows)}); keep one of each."
            )
            rows = rows[~twice]
        numbers = rows[[*key, "cd", "cl", "cd_se", "cl_se"]].to_numpy(float)
        usable = rows["verdict"].isin(USABLE).to_numpy(bool) & np.isfinite(numbers).all(axis=1)
        if not usable.any():
            notes.append(f"{pattern}: no run is usable, so that nothing can be said of this pattern.")
            continue
        if not usable.all():
            lost = rows[~usable].iloc[0]
            notes.append(
                f"{pattern}: {int((~usable).sum())} of {len(rows)} runs are not usable ({lost['run']}: "
                f"{lost['verdict']}); the others bridge the gap, with wider intervals there."
            )
        kept = rows[usable]
        if moment_note := moments_to_fly(kept)[1]:
            notes.append(moment_note)
        model = CoefficientModel(pattern, kept)
        models[pattern] = model
        notes += model.notes()
    with_moment = [name for name, model in models.items() if "cm" in model.processes]
    if with_moment and len(with_moment) < len(models):
        notes.append(
            f"{', '.join(with_moment)}: the spin decays by the computed moment, that of the other patterns "
            "at the published rate; that alone can be 2 m of carry between them."
        )
    return models, notes


def _refined(nodes: FloatArray, longest: float) -> FloatArray:
    """Put nodes between the nodes; the first ones stay among them."""
    parts = [nodes[:1]]
    for low, high in itertools.pairwise(nodes):
        steps = max(STEPS_BETWEEN_NODES, int(np.ceil((high - low) / longest - 1e-9)))
        parts.append(np.linspace(low, high, steps + 1)[1:])
    return np.concatenate(parts)


def _stated_draws(
    shared: float, depth_m: FloatArray, n: int, common: np.random.Generator, rng: np.random.Generator
) -> FloatArray:
    """Draws of a stated error of unit size, shape (n, d)."""
    from pipeline.aero.process import DEPTH_UNIT_M, matern

    apart = np.abs(depth_m[:, None] - depth_m) / DEPTH_UNIT_M
    size, vectors = np.linalg.eigh(matern(apart / 1.5)[0])
    own = rng.standard_normal((n, depth_m.size)) @ (vectors * np.sqrt(np.maximum(size, 0.0))).T
    return np.asarray(np.sqrt(shared) * common.standard_normal((n, 1)) + np.sqrt(1.0 - shared) * own)
