"""Depths of a pattern: which were studied, which its chord diameter allows, and the edge angle at each."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.arrays import FloatArray
from pipeline.geometry.dimple.cavity import edge_half_angle
from pipeline.records.tree import RUNS
from pipeline.study.matrix import variants
from pipeline.study.model import Study


@dataclass(frozen=True)
class AngleOfDepth:
    """Edge angle against depth of one pattern, both increasing, shapes (d,)."""

    depth_m: FloatArray
    edge_angle_deg: FloatArray

    def at(self, depth_m: float) -> float | None:
        """Edge angle at a depth, on straight lines between those known; None beyond them [deg]."""
        if not self.depth_m[0] - 1e-9 <= depth_m <= self.depth_m[-1] + 1e-9:
            return None
        return float(np.interp(depth_m, self.depth_m, self.edge_angle_deg))

    def slope(self, depth_m: float) -> float | None:
        """Change of the edge angle with the depth at a depth; None with one depth [deg/m]."""
        if self.depth_m.size < 2:
            return None
        return float(np.interp(depth_m, self.depth_m, np.gradient(self.edge_angle_deg, self.depth_m)))


def angle_of_depth(coefficients: pd.DataFrame, pattern: str) -> AngleOfDepth | None:
    """Read edge angles off coefficients.csv; None where no depth has one."""
    if "edge_angle_deg" not in coefficients:
        return None
    rows = coefficients[coefficients["pattern"] == pattern]
    known = rows[["depth_m", "edge_angle_deg"]].dropna().drop_duplicates("depth_m").sort_values("depth_m")
    if known.empty:
        return None
    return AngleOfDepth(known["depth_m"].to_numpy(float), known["edge_angle_deg"].to_numpy(float))


@dataclass(frozen=True)
class StudiedDepths:
    """Depths of one pattern that a study looks at [m].

    Parameters
    ----------
    depths_m : list of float
        All that are known, also those without usable runs.
    limit_m : float
        Depth that its dimples must exceed; 0 where no chord diameter is stated.
    """

    depths_m: list[float]
    limit_m: float = 0.0


def studied_depths(study: Study, coefficients: pd.DataFrame) -> dict[str, StudiedDepths]:
    """Depths of every pattern, also those without usable runs [m].

    Parameters
    ----------
    study : Study
        It states depths, or edge angles, whose depths are known from runs alone.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.

    Returns
    -------
    dict of StudiedDepths
        By pattern. A variant without any run has the depth that the study states, or none.
    """
    limits = shallowest_depths(study)
    found = {pattern.name: StudiedDepths([], limits.get(pattern.name, 0.0)) for pattern in study.patterns}
    for variant in variants(study):
        if variant.level is not None:
            continue
        of_variant = coefficients["run"].str.startswith(f"{RUNS}/{variant.pattern}/{variant.key}/")
        known = coefficients["depth_m"][of_variant].dropna()
        depth = known.iloc[0] if len(known) else variant.depth_m
        if depth is not None:
            found[variant.pattern].depths_m.append(float(depth))
    return found


def shallowest_depths(study: Study) -> dict[str, float]:
    """Depth that the dimples of each pattern must exceed, of those whose chord diameter is stated [m].

    At the rise of the phantom sphere over the chord, D sin^2(beta / 2), a dimple is flat.
    """
    diameter = study.ball.diameter_m
    return {
        pattern.name: float(diameter * np.sin(edge_half_angle(chord, diameter) / 2.0) ** 2)
        for pattern in study.patterns
        if (chord := pattern.cavity.chord_diameter_m) is not None
    }
