"""Cut list: every dimple's place and measures, of the finished ball and of the cavity to be cut."""

from typing import Any, TypedDict

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import FloatArray
from pipeline.geometry.ball.classes import SizeClass, class_of_dimple
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.dimple.cavity import Cavities
from pipeline.geometry.layout.seam import MOULD_PLANE

Column = NDArray[Any]

MEASURES = (
    "chord_diameter_mm",
    "surface_depth_mm",
    "chord_depth_mm",
    "edge_angle_deg",
    "bottom_radius_mm",
    "wall_radius_mm",
    "joint_diameter_mm",
    "volume_mm3",
    "edge_radius_mm",
)
"""Measures of a dimple, in the order of the cut list. A straight wall has no radius, an arc and a catenary no
joint; of a catenary the bottom radius is that at its lowest point. Of a polygon the chord diameter is that
across flats; with an edge radius measures are those of the sharp edge, but for the volume."""

CAVITY_PREFIX = "cavity_"

INCH_MM = 25.4
"""Exact by definition (international yard and pound agreement of 1959)."""

_DECIMALS = {"deg": 5, "mm3": 6, "in": 6, "in3": 9}

ClassCuts = TypedDict(
    "ClassCuts",
    {
        "class": str,
        "upper": int,
        "lower": int,
        "both": int,
        "count": int,
        "cutter_radius_mm": float | None,
    },
)
"""Cuts of a size class in the upper half, the lower one and across the seam, and the largest ball-end cutter:
the smallest hollow radius of the cavity's sections, of bottom and wall; None where they are flat."""


def cut_list(ball: DimpledBall, cavity: DimpledBall, classes: list[SizeClass]) -> dict[str, Column]:
    """Table of all dimples.

    Parameters
    ----------
    ball : DimpledBall
        The finished ball.
    cavity : DimpledBall
        The cavity that makes it (`pipeline.geometry.tooling.mould.cavity_of`); its dimples are in the same
        order.
    classes : list of SizeClass
        Classes of the ball's dimples.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        dimple (from 1), class, half (upper, lower, or both where the dimple crosses the seam),
        polar_deg (from the pole +z), azimuth_deg (from +x towards +y, 0 to 360), sides (0 for a round one),
        turn_deg (azimuth about the dimple's axis of the middle of a side, from the direction away from the
        pole +z, counter-clockwise seen from outside), `MEASURES` of the finished ball and, with ``cavity_``
        before their names, of the cavity. Sorted by polar angle, then azimuth.
    """
    x, y, z = ball.layout.directions.T
    polar = np.degrees(np.arctan2(np.hypot(x, y), z))
    azimuth = np.degrees(np.arctan2(y, x)) % 360
    # Rounding must not send a dimple on azimuth 0 to 360, nor tear a ring of equal polar angles apart.
    azimuth = np.where(azimuth > 360 - 1e-9, 0.0, azimuth)
    order = np.lexsort((np.round(azimuth, 6), np.round(polar, 6)))
    names = np.array([size_class.name for size_class in classes] or [""])
    seam = ball.layout.seam or MOULD_PLANE
    crossing = seam.clearance(ball.layout.directions)[0][:, 0] < ball.reach_rad
    half = np.where(crossing, "both", np.where(seam.above(ball.layout.directions), "upper", "lower"))
    table: dict[str, Column] = {
        "class": names[class_of_dimple(classes, len(z))],
        "half": half,
        "polar_deg": polar,
        "azimuth_deg": azimuth,
        "sides": ball.perimeters.sides,
        "turn_deg": np.where(ball.perimeters.sides > 0, np.degrees(ball.perimeters.turns_rad), np.nan),
    }
    table |= dimple_measures(ball.cavities)
    table |= {CAVITY_PREFIX + name: column for name, column in dimple_measures(cavity.cavities).items()}
    return {"dimple": np.arange(1, len(z) + 1)} | {name: column[order] for name, column in table.items()}


def dimple_measures(cavities: Cavities) -> dict[str, FloatArray]:
    """`MEASURES` of each dimple, shape (n,); NaN for what its section has not."""
    sections = cavities.sections
    bottom = cavities.bottom_radius_m
    straight = sections.catenary | (sections.curvature_ratio == 0)
    unjointed = sections.catenary | (sections.curvature_ratio == 1)
    with np.errstate(divide="ignore"):
        wall = bottom / sections.curvature_ratio
    values = (
        1e3 * cavities.chord_diameter_m,
        1e3 * cavities.depth_m,
        1e3 * cavities.chord_depth_m,
        np.degrees(cavities.edge_angle_rad),
        1e3 * bottom,
        np.where(straight, np.nan, 1e3 * wall),
        np.where(unjointed, np.nan, 1e3 * sections.joint * cavities.chord_diameter_m),
        1e9 * cavities.volume_m3,
        1e3 * sections.edge_radius_m,
    )
    return dict(zip(MEASURES, values, strict=True))


def cuts_by_class(table: dict[str, Column], classes: list[SizeClass]) -> list[ClassCuts]:
    """Number of cuts of each class in each half, and the largest ball-end cutter that fits all of them.

    Parameters
    ----------
    table : dict of ndarray
        From `cut_list`.
    classes : list of SizeClass
        Its classes.

    Returns
    -------
    list of ClassCuts
        One a class.
    """
    rows: list[ClassCuts] = []
    for size_class in classes:
        own = table["class"] == size_class.name
        radii = np.concatenate(
            [table[f"{CAVITY_PREFIX}{part}_radius_mm"][own] for part in ("bottom", "wall")]
        )
        hollow = radii[np.isfinite(radii) & (radii > 0)]
        upper, lower, both = (int((table["half"][own] == half).sum()) for half in ("upper", "lower", "both"))
        rows.append(
            {
                "class": size_class.name,
                "upper": upper,
                "lower": lower,
                "both": both,
                "count": int(own.sum()),
                "cutter_radius_mm": float(hollow.min()) if hollow.size else None,
            }
        )
    return rows


def in_inches(table: dict[str, Column]) -> dict[str, Column]:
    """Cut list with its lengths in inches, volumes in cubic inches; names end in `_in` and `_in3`."""
    found = {}
    for name, column in table.items():
        for ending, inches, size in (("_mm", "_in", INCH_MM), ("_mm3", "_in3", INCH_MM**3)):
            if name.endswith(ending):
                found[name.removesuffix(ending) + inches] = column / size
                break
        else:
            found[name] = column
    return found


def as_csv(table: dict[str, Column]) -> str:
    """Write a cut list as CSV with a header line, nothing for NaN.

    Lengths to 0.1 um or a millionth of an inch, angles to 1e-5 deg.
    """
    lines = [",".join(table)]
    for row in zip(*table.values(), strict=True):
        lines.append(",".join(_cell(name, value) for name, value in zip(table, row, strict=True)))
    return "\n".join(lines) + "\n"


def _cell(name: str, value: Any) -> str:
    if not isinstance(value, float):
        return str(value)
    if np.isnan(value):
        return ""
    return f"{value:.{_DECIMALS.get(name.rsplit('_', 1)[-1], 4)}f}"
