"""Coefficient tables: drag, lift and moment of one ball over Reynolds number and spin ratio."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.arrays import BoolArray, FloatArray
from pipeline.errors import InputError
from pipeline.records.flow import CD_BOUNDS, CL_BOUNDS

BOUNDS = {"cd": CD_BOUNDS, "cl": CL_BOUNDS, "cm": (-1.0, 0.0)}
"""What a coefficient of a ball that flies through air can be, generously: drag of a sphere is below 10 at
Reynolds numbers above 4 (24 / Re and more below that), lift below 2 S, and the moment slows the spin. Beyond
them a number is in other units, or of another quantity."""


def out_of_bounds(name: str, value: float) -> str | None:
    """What a coefficient would have to be; None where it is that.

    Parameters
    ----------
    name : str
        "cd", "cl", "cm", or the name of a standard error (cd_se ...).
    value : float
        Its value [-].
    """
    if name.endswith("_se"):
        return None if 0.0 <= value < np.inf else "a standard error from 0 up"
    low, high = BOUNDS[name]
    if low <= value <= high:
        return None
    why = " (negative: it slows the spin)" if name == "cm" else ""
    return f"a number from {low:g} to {high:g}{why}"


class Coefficients(NamedTuple):
    """Coefficients at some conditions, arrays of one shape.

    `cd` and `cl` are on the frontal area pi D^2/4; `cm`, on area times diameter, is the moment about the axis
    of the backspin (negative: it slows the spin), NaN where the table has none; `outside` marks conditions
    outside the grid, where the nearest value inside it is used.
    """

    cd: FloatArray
    cl: FloatArray
    cm: FloatArray
    outside: BoolArray


@dataclass(frozen=True, eq=False)
class CoefficientTable:
    """Coefficients of one ball on a full grid of Reynolds numbers and spin ratios.

    Between the nodes they are bilinear in the logarithm of the Reynolds number and in the spin ratio; at the
    nodes they are the given values. Below the lowest spin ratio Cl and Cm fall linearly to zero at S = 0
    (both are odd in S) and Cd (even in S) stays as it is; elsewhere outside the grid the value at its edge is
    used. Both count as outside.

    Parameters
    ----------
    reynolds : array_like, shape (nr,)
        Reynolds numbers U D / nu of the nodes, positive and increasing; one is enough [-].
    spin_ratio : array_like, shape (ns,)
        Spin ratios omega D / (2 U) of the nodes, not negative and increasing; one is enough [-].
    cd, cl : array_like, shape (nr, ns)
        Drag and lift on the frontal area [-].
    cm : array_like, shape (nr, ns), optional
        Moment about the backspin axis on area times diameter, negative where it slows the spin [-].
    cd_se, cl_se, cm_se : array_like, shape (nr, ns), optional
        Standard errors, zero when absent [-].

    Raises
    ------
    InputError
        Shapes that do not fit, nodes that do not increase, or numbers outside `BOUNDS`.
    """

    reynolds: FloatArray
    spin_ratio: FloatArray
    cd: FloatArray
    cl: FloatArray
    cm: FloatArray | None = None
    cd_se: FloatArray = None  # type: ignore[assignment]  # zeros are put in its place
    cl_se: FloatArray = None  # type: ignore[assignment]
    cm_se: FloatArray = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        _set_nodes(self, "reynolds", self.reynolds, lowest=np.finfo(float).tiny)
        _set_nodes(self, "spin_ratio", self.spin_ratio, lowest=0.0)
        shape = (self.reynolds.size, self.spin_ratio.size)
        for name in ("cd", "cl", "cm"):
            _set_values(self, name, getattr(self, name), shape)
            errors = getattr(self, f"{name}_se")
            _set_values(self, f"{name}_se", np.zeros(shape) if errors is None else errors, shape)

    @cached_property
    def _batch(self) -> "TableBatch":
        return TableBatch.of([self])

    def at(self, reynolds: ArrayLike, spin_ratio: ArrayLike) -> Coefficients:
        """Interpolate.

        Parameters
        ----------
        reynolds, spin_ratio : array_like
            Conditions, broadcast against each other [-].

        Returns
        -------
        Coefficients
            Arrays of the broadcast shape.
        """
        batch = self._batch
        re, s = np.broadcast_arrays(np.asarray(reynolds, float), np.asarray(spin_ratio, float))
        i, u = _cell(batch.log_reynolds, np.log(re))
        j, v = _cell(batch.spin_ratio, s)
        values = batch.values[0]
        u, v = u[..., None], v[..., None]
        low = values[i, j] * (1 - v) + values[i, j + 1] * v
        high = values[i + 1, j] * (1 - v) + values[i + 1, j + 1] * v
        cd, cl, cm = np.moveaxis(low * (1 - u) + high * u, -1, 0)
        if not batch.has_cm[0]:
            cm = np.full(re.shape, np.nan)
        (re_low, re_high), (s_low, s_high) = batch.reynolds_range, batch.spin_ratio_range
        return Coefficients(cd, cl, cm, (re < re_low) | (re > re_high) | (s < s_low) | (s > s_high))

    def at_draws(self, rng: np.random.Generator, n: int) -> "TableBatch":
        """Draw tables with Gaussian noise of the standard errors, independent from node to node.

        Drag that a large standard error would make negative is cut off at zero: air gives a ball no energy.

        Parameters
        ----------
        rng : numpy.random.Generator
            Source of the noise.
        n : int
            Number of tables.

        Returns
        -------
        TableBatch
            n tables on this table's grid.
        """
        parts = [(self.cd, self.cd_se), (self.cl, self.cl_se)]
        if self.cm is not None:
            parts.append((self.cm, self.cm_se))
        drawn = [mean + error * rng.standard_normal((n, *self.cd.shape)) for mean, error in parts]
        drawn[0] = np.maximum(drawn[0], 0.0)
        if self.cm is None:
            drawn.append(np.zeros_like(drawn[0]))
        return padded(self.reynolds, self.spin_ratio, np.stack(drawn, axis=-1), self.cm is not None)


@dataclass(frozen=True, eq=False)
class TableBatch:
    """Tables on one grid, laid out for the flight kernel.

    Parameters
    ----------
    log_reynolds : ndarray, shape (mr,)
        Nodes, at least two.
    spin_ratio : ndarray, shape (ms,)
        Nodes, at least two; a node at zero is there even when the tables have none.
    values : ndarray, shape (n, mr, ms, 3)
        cd, cl, cm (zero where a table has no cm).
    has_cm : ndarray of bool, shape (n,)
        Whether a table has cm.
    reynolds_range, spin_ratio_range : tuple of float
        Lowest and highest of the tables' own nodes.
    """

    log_reynolds: FloatArray
    spin_ratio: FloatArray
    values: FloatArray
    has_cm: BoolArray
    reynolds_range: tuple[float, float]
    spin_ratio_range: tuple[float, float]

    def __len__(self) -> int:
        return int(self.values.shape[0])

    def rows(self, which: slice) -> "TableBatch":
        """Keep some of the tables."""
        return TableBatch(
            self.log_reynolds,
            self.spin_ratio,
            self.values[which],
            self.has_cm[which],
            self.reynolds_range,
            self.spin_ratio_range,
        )

    def at_nodes(self, reynolds: FloatArray, spin_ratio: FloatArray) -> "TableBatch":
        """Keep only some of the nodes, which the tables have: plain interpolation between those."""
        r = np.abs(self.log_reynolds[:, None] - np.log(reynolds)).argmin(axis=0)
        s = np.abs(self.spin_ratio[:, None] - spin_ratio).argmin(axis=0)
        return padded(
            np.exp(self.log_reynolds[r]), self.spin_ratio[s], self.values[:, r][:, :, s], bool(self.has_cm[0])
        )

    @staticmethod
    def of(tables: Sequence[CoefficientTable]) -> "TableBatch":
        """Put tables of one grid side by side.

        Raises
        ------
        InputError
            The grids differ, or there is no table.
        """
        batches = []
        for table in tables:
            cm = np.zeros_like(table.cd) if table.cm is None else table.cm
            values = np.stack([table.cd, table.cl, cm], axis=-1)[None]
            batches.append(padded(table.reynolds, table.spin_ratio, values, table.cm is not None))
        return TableBatch.join(batches)

    @staticmethod
    def join(batches: "Sequence[TableBatch]") -> "TableBatch":
        """Put batches of one grid one after the other.

        Raises
        ------
        InputError
            The grids differ, or there is no batch.
        """
        if not batches:
            raise InputError("no coefficient table is given: at least one is needed")
        first = batches[0]
        for other in batches[1:]:
            same = np.array_equal(first.log_reynolds, other.log_reynolds)
            same = same and np.array_equal(first.spin_ratio, other.spin_ratio)
            if not (same and first.spin_ratio_range == other.spin_ratio_range):
                raise InputError(
                    "coefficient tables of one batch need the same Reynolds numbers and spin ratios"
                )
        return TableBatch(
            first.log_reynolds,
            first.spin_ratio,
            np.concatenate([batch.values for batch in batches]),
            np.concatenate([batch.has_cm for batch in batches]),
            first.reynolds_range,
            first.spin_ratio_range,
        )


def padded(reynolds: FloatArray, spin_ratio: FloatArray, values: FloatArray, has_cm: bool) -> TableBatch:
    """Lay tables of one grid out for the flight kernel, from S = 0 up and with at least one cell each way.

    Parameters
    ----------
    reynolds, spin_ratio : ndarray, shapes (nr,) and (ns,)
        Nodes, increasing [-].
    values : ndarray, shape (n, nr, ns, 3)
        cd, cl and cm of n tables [-].
    has_cm : bool
        Whether their cm is known; zeros stand for it otherwise.

    Returns
    -------
    TableBatch
        n tables.
    """
    log_re, s = np.log(reynolds), spin_ratio
    if s[0] > 0.0:
        at_rest = values[:, :, :1] * np.array([1.0, 0.0, 0.0])
        values, s = np.concatenate([at_rest, values], axis=2), np.concatenate([[0.0], s])
    if s.size == 1:
        values, s = np.repeat(values, 2, axis=2), np.array([s[0], s[0] + 1.0])
    if log_re.size == 1:
        values, log_re = np.repeat(values, 2, axis=1), np.array([log_re[0], log_re[0] + 1.0])
    return TableBatch(
        log_re,
        s,
        np.ascontiguousarray(values),
        np.full(values.shape[0], has_cm),
        (float(reynolds[0]), float(reynolds[-1])),
        (float(spin_ratio[0]), float(spin_ratio[-1])),
    )


def _cell(nodes: FloatArray, at: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the cell of each value and its place in it, 0 to 1, clamped to the grid."""
    i = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, nodes.size - 2)
    return i, np.clip((at - nodes[i]) / (nodes[i + 1] - nodes[i]), 0.0, 1.0)


def _set_nodes(table: CoefficientTable, name: str, given: ArrayLike, lowest: float) -> None:
    nodes = np.array(given, dtype=float)
    if nodes.ndim != 1 or nodes.size == 0:
        raise InputError(f"coefficient table: {name}: needs a list of at least one number")
    if not (np.isfinite(nodes).all() and nodes[0] >= lowest and (np.diff(nodes) > 0).all()):
        wanted = "positive" if lowest > 0 else "not negative"
        raise InputError(f"coefficient table: {name}: must be finite, {wanted} and increasing, not {nodes}")
    object.__setattr__(table, name, nodes)


def _set_values(table: CoefficientTable, name: str, given: ArrayLike | None, shape: tuple[int, int]) -> None:
    if given is None:
        return
    values = np.array(given, dtype=float)
    if values.shape != shape:
        raise InputError(
            f"coefficient table: {name}: has shape {values.shape}; {shape[0]} Reynolds numbers and "
            f"{shape[1]} spin ratios need {shape}"
        )
    low, high = BOUNDS.get(name, (0.0, np.finfo(float).max))
    if not ((values >= low) & (values <= high)).all():
        i, j = np.argwhere(~((values >= low) & (values <= high)))[0]
        raise InputError(
            f"coefficient table: {name} at reynolds {table.reynolds[i]:g}, spin_ratio "
            f"{table.spin_ratio[j]:g}: is {values[i, j]:g}; {out_of_bounds(name, values[i, j])} is needed"
        )
    object.__setattr__(table, name, values)
