"""A ball of the shelf: its coefficients with their joint errors, what it is, and where they come from."""

import math
from dataclasses import dataclass, field
from typing import Literal, TypedDict

import numpy as np

from pipeline.aero.table import CoefficientTable
from pipeline.arrays import BoolArray, FloatArray

Kind = Literal["measured", "computed"]


class BallFacts(TypedDict, total=False):
    """What may be stated of a ball beside its coefficients: fields of `ShelfBall`."""

    pattern: str
    depth_m: float
    place: str
    source: str
    date: str
    conditions: str
    geometry: str
    note: str
    diameter_m: float
    mass_kg: float
    balls: int
    shots: int
    critical_reynolds: float
    critical_spread: float


class NamedFacts(BallFacts, total=False):
    """The same with the name of the ball and its kind."""

    name: str
    kind: Kind


@dataclass(frozen=True, eq=False)
class ShelfBall:
    """One ball of the shelf.

    Parameters
    ----------
    name : str
        Its name, which is that of its file too.
    kind : {"measured", "computed"}
        Whether its coefficients were measured on balls or computed by a flow solver.
    table : CoefficientTable
        Drag, lift and, where known, the moment.
    inside : ndarray of bool, shape (nr, ns)
        Nodes that were measured or computed; the others continue the nearest ones.
    modes : ndarray, shape (k, nr, ns, 2)
        Joint errors of Cd and Cl: their covariance is the sum over modes of the products of a mode's values.
    pattern : str
        Pattern of the dimples; empty where not known.
    depth_m : float
        Mean surface depth, as moulded for measured balls; NaN where not known [m].
    place : str
        Range, tunnel or laboratory; of computed balls the study.
    source : str
        File or report that the coefficients come from.
    date, conditions, geometry, note : str
        Free text: when, in which air or by which flow model, what is known of the dimples, anything else.
    diameter_m, mass_kg : float
        As measured; NaN where not known.
    balls, shots : int
        Balls and shots that were measured; 0 where not known.
    critical_reynolds, critical_spread : float
        Measured critical Reynolds number, not spinning, and its relative standard deviation; NaN where not
        measured [-].
    """

    name: str
    kind: Kind
    table: CoefficientTable
    inside: BoolArray
    modes: FloatArray
    pattern: str = ""
    depth_m: float = math.nan
    place: str = ""
    source: str = ""
    date: str = ""
    conditions: str = ""
    geometry: str = ""
    note: str = ""
    diameter_m: float = math.nan
    mass_kg: float = math.nan
    balls: int = 0
    shots: int = 0
    critical_reynolds: float = math.nan
    critical_spread: float = math.nan
    warnings: tuple[str, ...] = field(default=())

    @property
    def of_pattern(self) -> str:
        """Its pattern, or its name where the pattern is not known: balls of one pattern are compared."""
        return self.pattern or self.name


def level_modes(table: CoefficientTable) -> FloatArray:
    """Joint errors of a table of which only standard errors are known, shape (2, nr, ns, 2).

    They are taken for errors of level: all of Cd move together, and all of Cl. Errors that were independent
    from node to node would average out over a flight, which a table of standard errors does not promise.
    """
    found = np.zeros((2, *table.cd.shape, 2))
    found[0, ..., 0], found[1, ..., 1] = table.cd_se, table.cl_se
    return found


def modes_of(covariance: FloatArray, shape: tuple[int, int], share: float = 1e-4) -> FloatArray:
    """Modes of a covariance of Cd and Cl at the nodes of a grid.

    Parameters
    ----------
    covariance : ndarray, shape (2 n, 2 n)
        Of Cd at all n nodes, then of Cl.
    shape : tuple of int
        (nr, ns), n nodes.
    share : float
        Modes whose variance is below this share of the total are left out.

    Returns
    -------
    ndarray, shape (k, nr, ns, 2)
        The largest first.
    """
    size, vectors = np.linalg.eigh(covariance)
    kept = size > share * max(float(size.sum()), 1e-300)
    columns = (vectors[:, kept] * np.sqrt(size[kept]))[:, ::-1]
    n = shape[0] * shape[1]
    return np.stack([columns[:n].T.reshape(-1, *shape), columns[n:].T.reshape(-1, *shape)], axis=-1)
