"""Cases as written, and states as read back."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.flow.solver.case import CaseWriter, templates_digest
from pipeline.flow.solver.decomposition import cell_ranks
from pipeline.flow.solver.fidelity import FIDELITIES, fidelity
from pipeline.flow.solver.state import complete, load_state, read_state, save_state, written_times
from pipeline.flow.solver.surface_motion import wall_velocity
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, Shell, build_shell
from pipeline.records.tree import MESH


@pytest.fixture(params=[False, True], ids=["whole", "half"])
def shell(request: pytest.FixtureRequest) -> Shell:
    return build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(4, 30), 1e-3, request.param)


@pytest.mark.parametrize("name", list(FIDELITIES))
def test_a_case_holds_what_the_solver_reads(tmp_path: Path, shell: Shell, name: str) -> None:
    write_shell(tmp_path, shell)
    model = fidelity(name)
    state = {"U": np.random.default_rng(0).normal(size=(shell.cells, 3))}
    state |= {field: np.random.default_rng(1).uniform(size=shell.cells) for field in model.free_stream}
    writer = CaseWriter(model, tmp_path / "case", 1.1e5, 0.1, shell.n, 500, shell.mirrored)
    writer.write(tmp_path / MESH, wall_velocity(shell, 0.15), state, ranks=cell_ranks(shell, 2))
    for path in (tmp_path / "case").rglob("*"):
        if path.is_file() and "polyMesh" not in str(path):
            content = path.read_bytes()
            assert b"{{" not in content
            assert b"@" not in content.split(b"internalField")[0]
            assert (b"symmetryPlane" in content) is (shell.mirrored and path.parent.name == "0")
    assert (tmp_path / "case/constant/polyMesh/boundary").is_file()
    # The fields written are read back by the reader of the solver's own files.
    (tmp_path / "case/0").rename(tmp_path / "case/1")
    back = read_state(tmp_path / "case", "1", ("U", *model.free_stream), shell.cells)
    for field, values in state.items():
        np.testing.assert_array_equal(back[field], values)


def test_solver_units(tmp_path: Path, shell: Shell) -> None:
    write_shell(tmp_path, shell)
    writer = CaseWriter(fidelity("laminar"), tmp_path / "case", 100.0, 0.0, shell.n, 500, shell.mirrored)
    writer.write(tmp_path / MESH, wall_velocity(shell, 0.0))
    # D = U = 1, so nu = 1 / Re.
    assert (
        "nu              [0 2 -1 0 0 0 0] 0.01;"
        in (tmp_path / "case/constant/transportProperties").read_text()
    )
    assert b"internalField   uniform (1 0 0);" in (tmp_path / "case/0/U").read_bytes()


def test_stop_and_start_again(tmp_path: Path, shell: Shell) -> None:
    write_shell(tmp_path, shell)
    writer = CaseWriter(fidelity("laminar"), tmp_path / "case", 100.0, 0.0, 8, 500)
    writer.write(tmp_path / MESH, wall_velocity(shell, 0.0))
    control = tmp_path / "case/system/controlDict"
    writer.request_stop()
    assert "stopAt          writeNow;" in control.read_text()
    writer.permit_start()
    assert "stopAt          endTime;" in control.read_text()


def test_templates_are_part_of_a_runs_identity() -> None:
    assert templates_digest(fidelity("laminar")) != templates_digest(fidelity("steady-rans"))


def test_unknown_fidelity_and_level() -> None:
    with pytest.raises(InputError, match=r"flow.fidelity: turbulent: no such fidelity; use one of laminar"):
        fidelity("turbulent")
    with pytest.raises(InputError, match=r"flow.level: huge: no such level; use one of coarse, medium, fine"):
        fidelity("laminar").level("huge")


@pytest.mark.parametrize("name", list(FIDELITIES))
def test_levels_are_finer_by_about_1_4(name: str) -> None:
    levels = [fidelity(name).level(level) for level in ("coarse", "medium", "fine")]
    for coarse, fine in pairwise(levels):
        assert fine.n / coarse.n == pytest.approx(1.4, abs=0.06)
        assert fine.layers / coarse.layers == pytest.approx(1.4, abs=0.06)


def field_file(path: Path, values: np.ndarray, ended: bool = True) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    kind = "vector" if values.ndim == 2 else "scalar"
    path.write_bytes(
        b"/* banner */\nFoamFile\n{\n    format      binary;\n}\ndimensions [0 0 0 0 0 0 0];\n"
        + f"internalField   nonuniform List<{kind}> \n{len(values)}\n(".encode()
        + values.tobytes()
        + b")\n;\nboundaryField { }\n"
        + b" " * 200
        + (b"// ****** //\n" if ended else b"")
    )


def test_states_of_ranks_are_joined_in_order(tmp_path: Path) -> None:
    for rank in (0, 1):
        field_file(tmp_path / f"processor{rank}/50/p", np.arange(3.0) + 10 * rank)
    (tmp_path / "constant").mkdir()
    (tmp_path / "constant/cellRanks").write_text("FoamFile\n{\n}\n6\n(\n0\n1\n1\n0\n1\n0\n)\n")
    assert written_times(tmp_path, 2) == ["50"]
    assert complete(tmp_path, "50", ("p",), 2)
    np.testing.assert_array_equal(read_state(tmp_path, "50", ("p",), 6, 2)["p"], [0, 10, 11, 1, 12, 2])


def test_half_written_states_are_noticed(tmp_path: Path) -> None:
    field_file(tmp_path / "50/p", np.arange(3.0), ended=False)
    assert not complete(tmp_path, "50", ("p",))
    assert not complete(tmp_path, "50", ("U",))
    with pytest.raises(InputError, match="3 values, where the mesh has 4 cells"):
        read_state(tmp_path, "50", ("p",), 4)
    content = (tmp_path / "50/p").read_bytes()
    (tmp_path / "50/p").write_bytes(content[: content.index(b"(") + 10])
    with pytest.raises(InputError, match="cut off inside its internalField"):
        read_state(tmp_path, "50", ("p",), 3)


def test_written_times_sort_as_numbers(tmp_path: Path) -> None:
    for name in ("0", "50", "100", "1000", "postProcessing", "constant"):
        (tmp_path / name).mkdir()
    assert written_times(tmp_path) == ["50", "100", "1000"]


def test_a_kept_state_has_single_precision(tmp_path: Path) -> None:
    values = np.random.default_rng(0).normal(size=(10, 3))
    save_state(tmp_path / "state.npz", {"U": values})
    np.testing.assert_allclose(load_state(tmp_path / "state.npz")["U"], values, rtol=1e-6)
