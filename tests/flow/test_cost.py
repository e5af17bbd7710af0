"""What runs are planned to cost."""

import pytest

from pipeline.flow.cost import cells, core_seconds
from pipeline.flow.fidelity import FIDELITIES


def test_a_mirrored_ball_costs_half_where_the_flow_has_the_plane_too() -> None:
    assert cells("steady-rans", "coarse", mirrored=True) == 192_000
    assert cells("transient-des", "coarse", mirrored=True) == 384_000


def test_a_neighbours_field_saves_iterations() -> None:
    cold, warm = (core_seconds("steady-rans", "coarse", 192_000, warm) for warm in (False, True))
    assert warm < cold


@pytest.mark.parametrize("name", [name for name, model in FIDELITIES.items() if model.courant is not None])
def test_time_accurate_runs_cost_more_with_every_level_by_cells_and_steps(name: str) -> None:
    model = FIDELITIES[name]
    coarse, fine = (
        core_seconds(name, level, model.level(level).cells, False) for level in ("coarse", "fine")
    )
    # Twice as fine: eight times the cells, twice the steps but for whole steps a sample.
    assert fine / coarse == pytest.approx(16.0, rel=0.15)
    steady = core_seconds("steady-rans", "coarse", model.level("coarse").cells, False)
    assert coarse > 5.0 * steady
