"""Parts of the suite about dimpled balls, on a bench whose flows are known."""

import dataclasses
import math
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from small_study import run_result

from pipeline.aero.published import smits_smith_1994
from pipeline.arrays import FloatArray
from pipeline.flow.solver.fidelity import FIDELITIES
from pipeline.validation import depth, dimpled, flown, levels, reference
from pipeline.validation.bench import Outcome
from pipeline.validation.dimpled_figures import draw_resolved
from pipeline.validation.flows import Flow
from pipeline.validation.page import write_verification_page
from pipeline.validation.rows import Row

START = 100
"""Samples of the transient that drag alone tells of."""


class KnownOutcome(Outcome):
    """A flow whose history begins with a transient and then keeps its result, but for a small cycle."""

    def history(self) -> dict[str, FloatArray]:
        time = 0.1 * np.arange(1, self.result.iterations + 1)
        cycle = 1e-4 * (-1.0) ** np.arange(time.size)
        transient = np.where(np.arange(time.size) < START, 0.2, 0.0)
        return {"iteration": time} | {
            name: self.result.coefficient(name)[0] + cycle + transient for name in ("cd", "cl")
        }


class KnownBench:
    """The fit of Smits & Smith, with an error of the mesh of order 1.5 and an effect of depth."""

    def compute(self, flows: Iterable[Flow]) -> dict[Flow, Outcome]:
        return {flow: self.outcome(flow) for flow in flows}

    def outcome(self, flow: Flow) -> Outcome:
        fit = smits_smith_1994(flow.reynolds, flow.spin_ratio)
        mesh_error = flow.mesh.level.n**-1.5
        deeper = flow.mesh.ball.totals.depth_m - dimpled.DEPTH_M
        _, turned, angle = flow.mesh.ball.name.partition("-turned")
        jitter = 0.001 * math.sin(1e3 * float(angle)) if turned else 0.0
        smooth = flow.mesh.ball.totals.depth_m == 0.0
        result = {
            "cd": 0.5 if smooth else float(fit.cd) + mesh_error + 200.0 * deeper + jitter,
            "cd_se": 1e-4,
            "cl": 0.0 if smooth else float(fit.cl) - 2.0 * mesh_error - 400.0 * deeper,
            "cl_se": 2e-4,
            "iterations": 600,
            "core_seconds": 3600.0,
            "averaged_from": {"cd": START, "cl": 0},
        }
        return KnownOutcome(flow, Path(), run_result(**result), {})


def values(rows: list[Row], quantity: str) -> list[float]:
    return [row.ours for row in rows if row.quantity == quantity]


def test_errors_against_the_published_fit() -> None:
    rows = dimpled.tripped_part(KnownBench())
    fitted = [row for row in rows if row.quantity == "cd" and "Smits" in row.source]
    # The fit is stated for spin ratios from 0.08 to 0.20.
    assert {row.spin_ratio for row in fitted} == {0.1, 0.2}
    for row in fitted:
        expected = smits_smith_1994(row.reynolds, row.spin_ratio).cd
        assert row.error_pct == pytest.approx(100 * 40**-1.5 / expected)
    errors = [row.error_pct for row in rows if row.quantity == "cl" and row.error_pct is not None]
    (rms,) = values(rows, "cl_error_rms_pct")
    assert min(map(abs, errors)) < rms < max(map(abs, errors))
    assert rms**2 == pytest.approx(np.mean(np.square(errors)))
    at_rest = [row for row in rows if row.source.startswith("Bearman") and "hexagons" not in row.source]
    assert {row.published for row in at_rest} == {0.25}
    assert all(row.spin_ratio == 0.0 for row in at_rest)


def test_three_meshes_give_back_their_order_and_limit() -> None:
    rows = levels.levels(KnownBench())
    assert values(rows, "cd_order")[0] == pytest.approx(1.5, rel=1e-3)
    extrapolated = [row for row in rows if row.level == "extrapolated" and row.quantity == "cl"]
    fitted = [row for row in extrapolated if "Smits" in row.source]
    assert fitted and all(abs(row.error_pct) < 0.01 for row in fitted)


def test_meshes_without_an_order_say_so() -> None:
    class Stuck(KnownBench):
        def outcome(self, flow: Flow) -> Outcome:
            return dataclasses.replace(
                super().outcome(flow), result=super().outcome(flow).result.changed(cd=0.25)
            )

    rows = levels.levels(Stuck())
    assert values(rows, "cd_order") == []
    (row,) = [row for row in rows if row.quantity == "cd_spread_of_meshes"]
    assert row.ours == 0.0
    assert "no extrapolation" in row.cause


def test_steps_of_depth() -> None:
    rows = depth.paired(KnownBench())
    for row in rows:
        shallow, deep = (
            float(word) for word in row.condition.split(", ")[2].removesuffix(" mm").split(" to ")
        )
        slope = 200.0 if row.quantity == "cd_step" else -400.0
        assert row.ours == pytest.approx(slope * (deep - shallow) * 1e-3)
    assert {row.level for row in rows} == {"40x40", "56x56"}
    assert {row.level for row in depth.paired_fine(KnownBench())} == {"80x80"}


def test_flows_of_all_parts_have_folders_of_their_own() -> None:
    # The bench computes a flow anew whose folder holds another one.
    flows = [
        *dimpled.tripped_flows(), *dimpled.turbulent_flows(), *levels.level_flows(), *flown.smooth_flows(),
        *flown.orientation_flows().values(), *reference.reference_flows(),
        *(flow for level in depth.DEPTHS_M for flow in depth.paired_flows(level).values()),
        *(flow for row in depth.jittered_flows().values() for flow in row),
    ]  # fmt: skip
    chains = {}
    for flow in flows:
        while flow is not None:
            assert chains.setdefault(flow.run_id, flow) == flow
            flow = flow.starts_from


def test_turned_grids_scatter() -> None:
    flows = depth.jittered_flows()
    assert all(len({flow.run_id for flow in row}) == depth.JITTERED_MESHES for row in flows.values())
    rows = depth.jittered(KnownBench())
    (scatter,) = values(rows, "cd_mesh_scatter")
    (step,) = [row for row in rows if row.quantity == "cd_step_unpaired"]
    assert step.ours_se == pytest.approx(math.sqrt(2) * scatter)
    assert values(rows, "cl_mesh_scatter")[0] == pytest.approx(0.0, abs=1e-12)


def test_smooth_and_dimpled_ball_are_flown_with_their_own_tables() -> None:
    smooth, dimpled_carry = values(flown.smooth(KnownBench()), "carry_yd")
    assert dimpled_carry > 1.5 * smooth  # Cd 0.5 against 0.25 and some lift


def test_the_same_ball_both_ways_up_flies_the_same() -> None:
    rows = flown.orientation(KnownBench())
    for name in ("cd", "cl", "carry_yd", "time_s"):
        assert values(rows, f"{name}_orientation")[0] == pytest.approx(0.0, abs=1e-9)
    (carry,) = [row for row in rows if row.quantity == "carry_yd_orientation"]
    # 1e-4 of Cd in 0.27 is some 0.04 % of drag: a carry of 270 yd feels a tenth of a yard at most.
    assert 0.0 < carry.ours_se < 0.3


def test_cost_of_proper_runs() -> None:
    rows = reference.transient(KnownBench())
    steps = 600 * FIDELITIES["transient-des"].steps_per_sample(40)
    cells = 6 * 40**2 * 40
    (rate,) = values(rows, "core_seconds_per_step_and_million_cells")
    assert rate == pytest.approx(3600.0 / steps / cells * 1e6)
    hours = {row.condition.split(":")[0]: row.ours for row in rows if row.quantity == "core_hours"}
    # The same mesh and step for 100 D / U; what was played has 600 samples, 60 D / U.
    assert hours["transient-des, coarse"] == pytest.approx(100 / 60)
    assert np.all(np.diff([hours[f"transient-les, {name}"] for name in ("coarse", "medium", "fine")]) > 0)


def test_the_flow_in_time_is_drawn_beside_the_steady_one() -> None:
    steady, resolved = KnownBench().compute(reference.reference_flows()).values()
    drag, lift = draw_resolved([steady, resolved]).axes
    assert drag.lines[0].get_xdata().tolist() == pytest.approx(np.arange(0.1, 60.05, 0.1).tolist())
    assert [float(axes.lines[1].get_xdata()[0]) for axes in (drag, lift)] == pytest.approx([10.1, 10.1])
    assert drag.lines[2].get_ydata()[0] == steady.result.cd


def test_rows_of_the_flow_in_time_are_held_against_the_steady_ones() -> None:
    rows = reference.transient(KnownBench())
    (steady, resolved) = [row for row in rows if row.quantity == "cl"]
    assert steady.published is None and resolved.published == steady.ours
    # The transient, 0.2 for a sixth of the history, is in neither mean, though lift alone would keep it.
    assert resolved.ours == pytest.approx(steady.ours, abs=1e-6)
    assert "not published" in resolved.source


def test_the_page_draws_dimpled_balls(tmp_path: Path) -> None:
    rows = [
        dataclasses.replace(row, part=name)
        for name, part in (
            ("tripped", dimpled.tripped_part),
            ("depth", depth.paired),
            ("transient", reference.transient),
        )
        for row in part(KnownBench())
    ]
    page = write_verification_page(tmp_path, rows).read_text()
    assert {path.name for path in (tmp_path / "figures").iterdir()} == {
        "verification-dimpled.png",
        "verification-steps.png",
    }
    assert "core seconds for a step of a million cells" in page
    assert "Cl, step of depth" in page
