"""Check measures of the first ball moulded: what a cut list asks the shop to measure, with tolerances."""

from typing import Any

from pipeline.cli.one_ball import OneBall


def check_measures(found: OneBall, summary: dict[str, Any]) -> list[dict[str, str]]:
    """Return the measures of a finished ball that show whether it is the ball ordered.

    Parameters
    ----------
    found : OneBall
        The ball.
    summary : dict
        What its cut list says: `classes`, `cuts` and `tolerances` are used.

    Returns
    -------
    list of dict
        `measure`, `nominal` and `tolerance` as texts; no tolerance where the decision knows none.
    """
    classes = summary["classes"]
    several = len(classes) > 1
    depth = _smallest(summary, "tolerance_m", 1e3, 3, "mm")
    angle = _smallest(summary, "tolerance_edge_angle_deg", 1.0, 2, "deg")
    rows = [
        {
            "measure": "diameter over the land, mean of three directions",
            "nominal": f"{summary['ball_diameter_mm']:.3f} mm",
            "tolerance": _smallest(summary, "tolerance_diameter_m", 1e3, 3, "mm"),
        },
        {
            "measure": "mass",
            "nominal": f"{1e3 * found.study.ball.mass_kg:.2f} g",
            "tolerance": "",
        },
    ]
    for row, cuts in zip(classes, summary["cuts"], strict=True):
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
                "nominal": f"{cuts['upper']}, {cuts['lower']}, {cuts['both']}",
                "tolerance": "exact",
            },
        ]
    rows.append(
        {"measure": "place of a dimple from its polar angle and azimuth", "nominal": "list", "tolerance": ""}
    )
    return rows


def _smallest(summary: dict[str, Any], key: str, factor: float, digits: int, unit: str) -> str:
    values = [row[key] for row in summary["tolerances"] if row[key] is not None]
    return f"± {factor * min(values):.{digits}f} {unit}" if values else ""
