"""What runs are planned to cost."""

import csv
from pathlib import Path

import pytest

from pipeline.flow.campaign.cost import PLANNED_SAMPLES, cells, core_seconds
from pipeline.flow.solver.fidelity import FIDELITIES, SAMPLE_TIME


def test_a_mirrored_ball_costs_half_where_the_flow_has_the_plane_too() -> None:
    assert cells("steady-rans", "coarse", mirrored=True) == 192_000
    assert cells("transient-des", "coarse", mirrored=True) == 384_000


def measured() -> list[tuple[str, int, float]]:
    """Level, cells and core seconds a run, as measured in benchmarks/results/40_campaign.csv."""
    path = Path(__file__).parents[3] / "benchmarks" / "results" / "40_campaign.csv"
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return [
        (row["level"], int(row["cells"]), float(row["core seconds a run"]))
        for row in csv.DictReader(lines)
        if row["measured"] == "yes"
    ]


def test_prices_are_what_was_measured() -> None:
    found = measured()
    assert {level for level, _, _ in found} == {"coarse", "medium", "fine"}
    for level, count, seconds in found:
        # One run in twelve of those campaigns started from rest (the matrix of cases/crisis).
        cold, warm = (core_seconds("steady-rans", level, count, warm) for warm in (False, True))
        assert (cold + 11.0 * warm) / 12.0 == pytest.approx(seconds, rel=0.10)


def test_time_accurate_prices_are_what_was_measured() -> None:
    # docs/validation.md, "The dimpled ball in time":
    # 75 D / U of transient-des on the whole coarse shell took 3.9 core hours.
    samples = 75.0 / SAMPLE_TIME
    price = core_seconds("transient-des", "coarse", 384_000, False) / PLANNED_SAMPLES * samples
    assert price / 3600.0 == pytest.approx(3.9, rel=0.10)


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
