"""Names of variants and runs as they stand in paths: "d0.250mm", "e14.00deg", "re90000", "s0.080"."""

import math


def depth_key(depth_m: float, level: str | None = None) -> str:
    """Folder name of a surface depth in m: "d0.250mm", with a mesh level of its own "d0.250mm-medium"."""
    return f"d{depth_m * 1e3:.3f}mm" + ("" if level is None else f"-{level}")


def edge_angle_key(edge_angle_rad: float, level: str | None = None) -> str:
    """Folder name of an edge angle in rad: "e14.00deg", with a mesh level of its own "e14.00deg-medium"."""
    return f"e{math.degrees(edge_angle_rad):.2f}deg" + ("" if level is None else f"-{level}")


def level_of(variant_key: str) -> str | None:
    """Mesh level in the folder name of a variant; None where it is the study's own."""
    return variant_key.partition("-")[2] or None


def without_level(variant_key: str) -> str:
    """Folder name of the same variant on the study's own mesh level."""
    return variant_key.partition("-")[0]


def reynolds_key(reynolds: float) -> str:
    """Return the folder name of a Reynolds number, for instance "re90000"."""
    return f"re{reynolds:.0f}"


def spin_ratio_key(spin_ratio: float) -> str:
    """Return the folder name of a spin ratio, for instance "s0.080"."""
    return f"s{spin_ratio:.3f}"
