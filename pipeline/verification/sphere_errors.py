"""Numerical errors of smooth spheres in steady laminar flow: mesh, far field."""

import numpy as np

from pipeline.flow.fidelity import FIDELITIES
from pipeline.geometry.shell import FAR_RADIUS, PHANTOM_RADIUS, Level, growth_ratio
from pipeline.verification.flows import SPHERE, Flow, Mesh
from pipeline.verification.sphere import COARSE

REYNOLDS = 100.0
SPIN_RATIO = 0.5

LEVELS = (Level(32, 80), Level(24, 60), COARSE)
"""Fine, medium, coarse: in the same ratio in every direction, as the levels of studies are only roughly."""

TIGHT = {"standard_error": {"cd": 1e-5, "cl": 1e-5}, "iterations": 1000}
"""Far below the differences between the meshes."""


def _stretching() -> tuple[float, float]:
    """Constants A and B of the radii R + A (exp(B s) - 1), s = 0..1, of the coarse level."""
    first = FIDELITIES["laminar"].first_cell(REYNOLDS)
    growth = growth_ratio(first, FAR_RADIUS - PHANTOM_RADIUS, COARSE.layers)
    return first / (growth - 1.0), COARSE.layers * float(np.log(growth))


def similar_mesh(level: Level) -> Mesh:
    """Half a sphere's mesh that is the coarse one refined: the same stretching, split into more layers."""
    scale, rate = _stretching()
    return Mesh(SPHERE, level, float(scale * np.expm1(rate / level.layers)), mirrored=True)


def longer_mesh(layers: int) -> Mesh:
    """Half a sphere's coarse mesh with layers added or left out at its far end."""
    scale, rate = _stretching()
    first = FIDELITIES["laminar"].first_cell(REYNOLDS)
    far = PHANTOM_RADIUS + float(scale * np.expm1(rate * layers / COARSE.layers))
    return Mesh(SPHERE, Level(COARSE.n, layers), first, mirrored=True, far_radius=far)


def _rest_and_spin(mesh: Mesh) -> tuple[Flow, Flow]:
    rest = Flow(mesh, "laminar", REYNOLDS, 0.0, None, TIGHT)
    return rest, Flow(mesh, "laminar", REYNOLDS, SPIN_RATIO, rest, TIGHT)


def order_flows() -> list[tuple[Flow, Flow]]:
    """Flows at rest and with spin on the meshes of `LEVELS`."""
    return [_rest_and_spin(similar_mesh(level)) for level in LEVELS]


def domain_flows() -> list[tuple[Flow, Flow]]:
    """Flows at rest and with spin with the far boundary nearer, as usual, and farther away."""
    return [_rest_and_spin(longer_mesh(COARSE.layers + more)) for more in (-5, 0, 5)]
