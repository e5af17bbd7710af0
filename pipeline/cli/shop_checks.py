"""Check measures of the first ball moulded: what a cut list asks the shop to measure, with tolerances."""

from collections.abc import Sequence

from pipeline.cli.cutlist_summary import CheckMeasure, ClassRow, ToleranceRow
from pipeline.cli.one_ball import OneBall
from pipeline.geometry.tooling.cutlist import ClassCuts


def check_measures(
    found: OneBall, classes: Sequence[ClassRow], cuts: Sequence[ClassCuts], tolerances: Sequence[ToleranceRow]
) -> list[CheckMeasure]:
    """Return the measures of a finished ball that show whether it is the ball ordered.

    Parameters
    ----------
    found : OneBall
        The ball.
    classes, cuts, tolerances : sequence
        Of its cut list.

    Returns
    -------
    list of CheckMeasure
        What to measure.
    """
    several = len(classes) > 1
    depth = _smallest([row["tolerance_m"] for row in tolerances], 1e3, 3, "mm")
    angle = _smallest([row["tolerance_edge_angle_deg"] for row in tolerances], 1.0, 2, "deg")
    rows: list[CheckMeasure] = [
        {
            "measure": "diameter over the land, mean of three directions",
            "nominal": f"{1e3 * found.ball.ball_diameter_m:.3f} mm",
            "tolerance": _smallest([row["tolerance_diameter_m"] for row in tolerances], 1e3, 3, "mm"),
        },
        {
            "measure": "mass",
            "nominal": f"{1e3 * found.study.ball.mass_kg:.2f} g",
            "tolerance": "",
        },
    ]
    for row, of_class in zip(classes, cuts, strict=True):
        of = f", class {row['class']}" if several else ""
        rows += [
            {
                "measure": f"surface depth{of}, mean of six dimples in each half",
                "nominal": f"{row['surface_depth_mm']:.4f} mm",
                "tolerance": depth,
            },
            {
                "measure": f"edge angle{of}",
                "nominal": f"{row['edge_angle_deg']:.2f} deg",
                "tolerance": angle,
            },
            {
                "measure": f"chord diameter{of}",
                "nominal": f"{row['chord_diameter_mm']:.3f} mm",
                "tolerance": "",
            },
            {
                "measure": f"dimples{of}: upper, lower half, across the seam",
                "nominal": f"{of_class['upper']}, {of_class['lower']}, {of_class['both']}",
                "tolerance": "exact",
            },
        ]
    rows.append(
        {"measure": "place of a dimple from its polar angle and azimuth", "nominal": "list", "tolerance": ""}
    )
    return rows


def _smallest(tolerances: Sequence[float | None], factor: float, digits: int, unit: str) -> str:
    values = [value for value in tolerances if value is not None]
    return f"± {factor * min(values):.{digits}f} {unit}" if values else ""
