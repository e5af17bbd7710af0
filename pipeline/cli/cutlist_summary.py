"""Summary of a cut list, typed: the ball and its cavity, size classes, cuts, tolerances, check measures."""

from typing import TypedDict

from pipeline.geometry.tooling.cutlist import ClassCuts

ClassRow = TypedDict(
    "ClassRow",
    {
        "class": str,
        "count": int,
        "area_share": float,
        "chord_diameter_mm": float,
        "surface_depth_mm": float,
        "chord_depth_mm": float,
        "edge_angle_deg": float,
        "bottom_radius_mm": float | None,
        "wall_radius_mm": float | None,
        "joint_diameter_mm": float | None,
        "volume_mm3": float,
        "edge_radius_mm": float,
        "cavity_chord_diameter_mm": float,
        "cavity_surface_depth_mm": float,
        "cavity_chord_depth_mm": float,
        "cavity_edge_angle_deg": float,
        "cavity_bottom_radius_mm": float | None,
        "cavity_wall_radius_mm": float | None,
        "cavity_joint_diameter_mm": float | None,
        "cavity_volume_mm3": float,
        "cavity_edge_radius_mm": float,
    },
)
"""A size class: count, share of the dimples' area and mean measures; None for what its section has not."""


class ToleranceRow(TypedDict):
    """Best depth of the pattern for a golfer, and the changes that cost a yard."""

    golfer: str
    best_depth_m: float
    best_depth_lo_m: float | None
    best_depth_hi_m: float | None
    tolerance_m: float | None
    tolerance_edge_angle_deg: float | None
    tolerance_diameter_m: float | None


class CheckMeasure(TypedDict):
    """A measure of the first ball moulded; no tolerance where the decision knows none."""

    measure: str
    nominal: str
    tolerance: str


class CutListSummary(TypedDict):
    """What `depthline cutlist --json` prints and the page shows."""

    study: str
    number: str
    revision: str
    date: str
    pattern: str
    variant: str
    ball_diameter_mm: float
    cavity_diameter_mm: float
    shrinkage: float
    land_finish_mm: float
    dimple_finish_mm: float
    totals: dict[str, object]
    classes: list[ClassRow]
    cuts: list[ClassCuts]
    tolerances: list[ToleranceRow]
    checks: list[CheckMeasure]
