"""A results folder with one ball in it, in which the real solver computes flows one after the other."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.files.atomic import write_json
from pipeline.flow.campaign.run import run
from pipeline.flow.solver.fidelity import fidelity
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import solver_shell
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, Shell, build_shell
from pipeline.records.tree import TOTALS
from pipeline.validation.flows import run_spec


def smooth(directions: np.ndarray) -> np.ndarray:
    return np.full(len(directions), PHANTOM_RADIUS)


class Tunnel:
    """Smooth spheres by default; other balls are added by their radius function in diameters."""

    def __init__(self, results: Path, fidelity_name: str, level: Level, reynolds: float) -> None:
        self.results, self.model, self.level, self.reynolds = (
            results,
            fidelity(fidelity_name),
            level,
            reynolds,
        )
        self.add("smooth", smooth)

    def add(
        self, name: str, radius: Callable[[np.ndarray], np.ndarray], mirrored: bool = False, **totals: float
    ) -> None:
        shell = build_shell(radius, self.level, self.model.first_cell(self.reynolds), mirrored)
        self._write(name, shell, **totals)

    def add_ball(self, name: str, ball: DimpledBall, **totals: float) -> None:
        """The shell as the geometry station makes it."""
        self._write(name, solver_shell(ball, self.level, self.model.first_cell(self.reynolds)), **totals)

    def _write(self, name: str, shell: Shell, **totals: float) -> None:
        write_shell(self.results / "geometry" / name, shell)
        write_json(
            self.results / "geometry" / name / TOTALS, {"depth_m": 0.0, "edge_angle_deg": 0.0} | totals
        )

    def prepare(self, ball: str, reynolds: float, spin_ratio: float, **options: Any) -> str:
        run_id = f"runs/{ball}/re{reynolds:g}/s{spin_ratio:g}"
        spec = run_spec(run_id, f"geometry/{ball}", self.model.name, reynolds, spin_ratio)
        write_json(self.results / run_id / "spec.json", spec.changed(**options).content())
        return run_id

    def run(
        self, ball: str, reynolds: float, spin_ratio: float, ranks: int = 1, **options: Any
    ) -> dict[str, Any]:
        return run(self.results, self.prepare(ball, reynolds, spin_ratio, **options), ranks).content()
