"""Zones that stand still in space while the mesh turns: which cells, and when."""

import dataclasses
import math

import numpy as np
import pytest
from tunnel import Tunnel

from pipeline.errors import MissingError
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.run import run
from pipeline.flow.solver.boundary_layer import Zones, boundary_layer_zones, polar_angle
from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.dialect import dialect_of
from pipeline.flow.solver.fidelity import FIDELITIES, fidelity
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.flow.solver.turning_zones import middles, sectors, zone_entries
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, Shell, build_shell, rotated_about_y
from pipeline.records.tree import HISTORY, MESH
from pipeline.validation.flows import run_spec


@pytest.fixture(scope="module")
def shell() -> Shell:
    return build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(8, 30), 1e-3)


def zones(shell: Shell, turned: float) -> Zones:
    return boundary_layer_zones(shell, "tripped", 1.1e5, 0.2, 7e4, turned=turned)


def test_zones_stand_still_in_space(shell: Shell) -> None:
    # Wherever the mesh has turned to, the laminar zone lies in front: its cells' places say so, not the code
    # that chose them.
    first = shell.cells_over(0)
    directions = shell.ball_faces()[0] / np.linalg.norm(shell.ball_faces()[0], axis=1, keepdims=True)
    for turned in (0.0, 1.0, 4.0):
        found = zones(shell, turned)
        on_wall = np.isin(first, found.laminar)
        angle = polar_angle(rotated_about_y(directions, turned))
        assert on_wall[angle < np.radians(40.0)].all()
        assert not on_wall[angle > np.radians(112.0)].any()
    assert not np.array_equal(zones(shell, 0.0).laminar, zones(shell, 1.0).laminar)
    whole_turn = zones(shell, 2.0 * math.pi)
    np.testing.assert_array_equal(whole_turn.laminar, zones(shell, 0.0).laminar)


@pytest.mark.parametrize(("n", "spin_ratio", "step"), [(8, 0.3, 0.05), (40, 0.08, 0.02), (8, 2.0, 0.05)])
def test_one_constraint_a_zone_holds_at_every_step(n: int, spin_ratio: float, step: float) -> None:
    some = [Zones(np.array([sector]), np.array([sector + 1])) for sector in range(sectors(n))]
    end = 1.3 * math.pi / spin_ratio  # more than a turn
    entries = zone_entries(some, spin_ratio, step, end)
    assert len({entry.name for entry in entries}) == len(entries)
    for time in np.arange(1, int(end / step)) * step:
        held = [of for of in entries if of.since <= time <= of.since + of.duration]
        assert sorted(of.energy for of in held) == [1e-10, 0.02]
        # The sector whose middle is nearest to what the mesh has turned by, or one beside it by rounding.
        sector = int(held[0].zone.removeprefix("laminar").removeprefix("trip"))
        off = (2.0 * spin_ratio * time - middles(n)[sector] + math.pi) % (2.0 * math.pi) - math.pi
        assert abs(off) <= math.pi / sectors(n) + 2.0 * spin_ratio * step


def test_a_mesh_that_stands_still_has_its_zones_always() -> None:
    (laminar, trip) = zone_entries([Zones(np.array([1]), np.array([2]))], 0.2, 1.0, 100.0)
    assert (laminar.zone, laminar.since, trip.zone) == ("laminar", None, "trip")
    assert zone_entries([], 0.2, 1.0, 100.0) == []
    assert zone_entries([Zones(np.array([], int), np.array([], int))], 0.2, 1.0, 100.0) == []


def test_written_for_the_solver(tmp_path, shell: Shell) -> None:
    write_shell(tmp_path, shell)
    some = [zones(shell, turned) for turned in middles(shell.n)]
    model, flow = fidelity("transient-rans"), (1.1e5, 0.2, shell.n, 40)
    CaseWriter(model, tmp_path / "case", *flow).write(tmp_path / MESH, wall_velocity(shell, 0.2), zones=some)
    options = (tmp_path / "case/constant/fvOptions").read_text()
    assert options.count("timeStart       ") == options.count("duration        ") > 4
    names = (tmp_path / "case/constant/polyMesh/cellZones").read_text()
    # 4 D / U at S 0.2 are 1.6 rad of 2 pi.
    assert names.count("laminar") == math.ceil(1.6 / (2.0 * math.pi) * len(some))
    with pytest.raises(MissingError, match="spans of time, which OpenFOAM 12 cannot; use OpenCFD's"):
        CaseWriter(model, tmp_path / "other", *flow, dialect=dialect_of("12")).write(
            tmp_path / MESH, wall_velocity(shell, 0.2), zones=some
        )


@pytest.mark.solver
def test_a_smooth_ball_does_not_feel_that_its_mesh_turns(tmp_path, monkeypatch) -> None:
    # It has no dimples to move, so that a mesh that turns and one that stands still give one flow, to what
    # cells as wide as the trip allow; the solver takes the zones of every sector, span by span.
    reynolds, spin_ratio, model = 1.1e5, 0.3, fidelity("transient-rans")
    tunnel = Tunnel(tmp_path, model.name, Level(14, 30), reynolds)
    tunnel.add("half", lambda u: np.full(len(u), PHANTOM_RADIUS), mirrored=True)
    found = {}
    for name in ("still", "turning"):
        monkeypatch.setitem(FIDELITIES, model.name, dataclasses.replace(model, turning=name == "turning"))
        spec = run_spec(f"runs/{name}", "geometry/half", model.name, reynolds, spin_ratio).changed(
            boundary_layer="tripped", trip_angle_rad=np.radians(60.0), iterations=12,
            standard_error={"cd": -1.0, "cl": -1.0},
        )  # fmt: skip
        write_json(tmp_path / spec.run / "spec.json", spec.content())
        run(tmp_path, spec.run, keep="all")
        found[name] = np.loadtxt(tmp_path / spec.run / HISTORY, delimiter=",", skiprows=1)[:, 1:3]
    np.testing.assert_allclose(found["turning"][4:], found["still"][4:], atol=0.03)
    assert found["still"][-1, 1] > 0.1
    names = (tmp_path / "runs/turning/case/constant/polyMesh/cellZones").read_text()
    assert names.count("laminar") > 3
