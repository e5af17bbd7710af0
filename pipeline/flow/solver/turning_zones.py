"""Zones of the boundary layer on a mesh that turns with the ball: they stand still in space, cells pass them.

The cells of the zones are listed for every sector of a turn, and each list holds while the mesh passes its
sector; so the solver needs no restart, and a case that was stopped goes on.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.arrays import IntArray
from pipeline.flow.solver.boundary_layer import ZONE_ENERGY, Zones

CELLS_A_SECTOR = 1.5
"""Width of a sector, in cells along the ball: zones are no finer than their cells."""


@dataclass(frozen=True)
class ZoneEntry:
    """A constraint of the solver on the cells of one zone.

    Attributes
    ----------
    name : str
        Of the constraint, unlike any other's.
    zone : str
        Cell zone; the same in every turn.
    cells : ndarray of int
        Its cells.
    energy : float
        Turbulence energy there in units of U^2.
    since, duration : float or None
        When it holds, in D / U; always for None.
    """

    name: str
    zone: str
    cells: IntArray
    energy: float
    since: float | None = None
    duration: float | None = None


def sectors(n: int) -> int:
    """Sectors of a turn on a shell of n cells along a cube edge."""
    return math.ceil(4 * n / CELLS_A_SECTOR)


def middles(n: int) -> list[float]:
    """Angle by which the mesh has turned in the middle of each sector [rad]."""
    count = sectors(n)
    return [float(angle) for angle in (np.arange(count) + 0.5) * 2.0 * math.pi / count]


def zone_entries(
    zones: Sequence[Zones], spin_ratio: float, time_step: float, end_time: float
) -> list[ZoneEntry]:
    """Constraints of a case.

    Parameters
    ----------
    zones : sequence of Zones
        One for a mesh that stands still, else one a sector of a turn.
    spin_ratio : float
        S: the mesh turns by 2 S in D / U.
    time_step, end_time : float
        Of the case, in D / U; windows begin and end midway between steps, so that one holds at every step.

    Returns
    -------
    list of ZoneEntry
        Without zones that have no cells, and without sectors that are not reached.
    """
    if len(zones) < 2:
        return _entries(zones[0], "") if zones else []
    width = math.pi / (spin_ratio * len(zones))
    found = []
    for passed in range(math.ceil(end_time / width)):
        since, until = ((round(at * width / time_step) + 0.5) * time_step for at in (passed, passed + 1))
        if passed == 0:
            since = 0.0
        if until > since:
            sector = passed % len(zones)
            turn = passed // len(zones)
            found += [
                replace(of, name=f"{of.zone}-{turn}", since=since, duration=until - since)
                for of in _entries(zones[sector], str(sector))
            ]
    return found


def _entries(zones: Zones, suffix: str) -> list[ZoneEntry]:
    return [
        ZoneEntry(name + suffix, name + suffix, cells, ZONE_ENERGY[name])
        for name, cells in vars(zones).items()
        if len(cells)
    ]
