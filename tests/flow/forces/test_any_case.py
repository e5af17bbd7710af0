"""Coefficient files of every form, with invented numbers, in cases that were not written here."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.flow.forces.any_case import find_histories

REFERENCE = "# magUInf             : {speed}\n# lRef                : 1.0\n# Aref                : 0.5\n"
ORG = "# Force coefficients\n# liftDir   : (0 0 1)\n" + REFERENCE + "# Time\tCm\tCd\tCl\tCl(f)\tCl(r)\n"
COM = (
    "# Force coefficients\n# dragDir : (1 0 0)\n" + REFERENCE + "#\n"
    "# Time\tCd\tCs\tCl\tCmRoll\tCmPitch\tCmYaw\tCd(f)\tCd(r)\tCs(f)\tCs(r)\tCl(f)\tCl(r)\n"
)
COM_SORTED = (
    "# Force coefficients\n" + REFERENCE + "#\n# Time\tCd\tCd(f)\tCd(r)\tCl\tCl(f)\tCl(r)\t"
    "CmPitch\tCmRoll\tCmYaw\tCs\tCs(f)\tCs(r)\n"
)
COM_SELECTED = "# Force coefficients\n" + REFERENCE + "#\n# Time\tCl\tCd\n"
VALUES = {"Cd": 0.27, "Cl": 0.14, "Cs": 0.01, "Cm": -0.002, "CmPitch": -0.002, "CmRoll": 0.003, "CmYaw": 4e-3}


def write(path: Path, header: str, times: range, speed: float = 20.0, factor: float = 1.0) -> None:
    names = header.rstrip("\n").split("\n")[-1].split("\t")[1:]
    rows = [
        f"{t}\t" + "\t".join(f"{VALUES.get(n, 0.5) * factor + 1e-4 * t:.6e}" for n in names) for t in times
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(header.format(speed=speed) + "\n".join(rows) + "\n")


@pytest.mark.parametrize(
    ("name", "header", "columns"),
    [
        ("forceCoeffs.dat", ORG, ["cm", "cd", "cl"]),
        ("coefficient.dat", COM, ["cd", "cs", "cl", "CmRoll", "cm", "CmYaw"]),
        ("coefficient.dat", COM_SORTED, ["cd", "cl", "cm", "CmRoll", "CmYaw", "cs"]),
        ("coefficient.dat", COM_SELECTED, ["cl", "cd"]),
    ],
)
def test_columns_are_found_by_their_names(tmp_path: Path, name: str, header: str, columns: list[str]) -> None:
    write(tmp_path / "postProcessing/coeffs/0" / name, header, range(1, 4))
    (history,) = find_histories(tmp_path)
    assert history.name == "coeffs"
    assert list(history.columns) == columns
    ours = {"cd": 0.27, "cl": 0.14, "cs": 0.01, "cm": -0.002}
    for column in set(columns) & set(ours):
        np.testing.assert_allclose(history.columns[column], ours[column] + 1e-4 * np.arange(1, 4))
    assert history.reference["magUInf"] == (20.0,)


def test_a_second_start_at_the_same_time_has_its_own_file(tmp_path: Path) -> None:
    folder = tmp_path / "postProcessing/coeffs"
    write(folder / "0/coefficient.dat", COM, range(1, 31))
    write(folder / "0/coefficient_10.dat", COM, range(11, 21), factor=2.0)
    write(folder / "0/coefficient_9.dat", COM, range(10, 13), factor=3.0)
    # Columns in another order are the same columns.
    write(folder / "15/coefficient.dat", COM_SORTED, range(16, 18), factor=4.0)
    (history,) = find_histories(tmp_path)
    assert history.time.tolist() == list(range(1, 18))
    factors = (history.columns["cd"] - 1e-4 * history.time) / 0.27
    np.testing.assert_allclose(factors, [1] * 9 + [3] + [2] * 5 + [4] * 2)


def test_every_folder_of_a_case_is_a_place_to_look(tmp_path: Path) -> None:
    write(tmp_path / "postProcessing/coeffs/0/coefficient.dat", COM, range(1, 4))
    (tmp_path / "postProcessing/probes/0").mkdir(parents=True)
    (tmp_path / "postProcessing/probes/0/p").write_text("# Time 0\n")
    for folder in (tmp_path, tmp_path / "postProcessing", tmp_path / "postProcessing/coeffs"):
        assert [history.name for history in find_histories(folder)] == ["coeffs"]


def test_forces_keep_their_units(tmp_path: Path) -> None:
    folder = tmp_path / "postProcessing/forces/0"
    folder.mkdir(parents=True)
    (folder / "forces.dat").write_text(
        "# Forces\n# CofR : (0 0 0)\n# Time forces(pressure,viscous) moments(pressure,viscous) "
        "localForces(pressure,viscous) localMoments(pressure,viscous)\n"
        "0.5 ((1 2 3) (4 5 6)) ((7 8 9) (1 1 1)) ((9 9 9) (9 9 9)) ((9 9 9) (9 9 9))\n"
    )
    (history,) = find_histories(tmp_path)
    assert {name: values.tolist() for name, values in history.columns.items()} == {
        "fx": [5.0], "fy": [7.0], "fz": [9.0], "mx": [8.0], "my": [9.0], "mz": [10.0],
    }  # fmt: skip


@pytest.mark.parametrize("mirrored", [False, True])
def test_forces_of_our_own_case_are_coefficients(tmp_path: Path, mirrored: bool) -> None:
    case = tmp_path / "case"
    (case / "postProcessing/forces/0").mkdir(parents=True)
    (case / "postProcessing/forces/0/forces.dat").write_text(
        "# Time forces(pressure viscous) moment(pressure viscous)\n"
        "1 ((0.1 0.01 0.04) (0.02 0 0.01)) ((0 0 0) (0 -0.003 0))\n"
    )
    (case / "start.json").write_text("{}")
    (case / "constant/polyMesh").mkdir(parents=True)
    (case / "constant/polyMesh/boundary").write_text("symmetryPlane" if mirrored else "patch")
    (history,) = find_histories(tmp_path)
    # Solver units: diameter, speed and density 1; half a ball has half the force and no side force to tell.
    whole = 2.0 if mirrored else 1.0
    area = np.pi / 4
    assert history.columns["cd"][0] == pytest.approx(whole * 0.12 / (0.5 * area))
    assert history.columns["cl"][0] == pytest.approx(whole * 0.05 / (0.5 * area))
    assert history.columns["cm"][0] == pytest.approx(whole * -0.003 / (0.5 * area))
    assert history.columns["cs"][0] == pytest.approx(0.0 if mirrored else 0.01 / (0.5 * area))


def test_a_finished_run_has_its_history(tmp_path: Path) -> None:
    (tmp_path / "history.csv").write_text("iteration,cd,cl,cs,cm\n1,0.3,0.1,0,-0.01\n2,0.29,0.11,0,-0.02\n")
    (history,) = find_histories(tmp_path)
    assert history.name == "history.csv"
    assert history.columns["cd"].tolist() == [0.3, 0.29]
    assert history.columns["cm"].tolist() == [-0.01, -0.02]


def test_an_unknown_header_lists_what_was_found(tmp_path: Path) -> None:
    write(tmp_path / "postProcessing/coeffs/0/coefficient.dat", "# Time\tCd\tCz\n", range(1, 3))
    with pytest.raises(InputError, match=r"unknown header; found the columns Time, Cd, Cz; expected"):
        find_histories(tmp_path)


def test_starts_with_other_reference_values_are_not_merged(tmp_path: Path) -> None:
    write(tmp_path / "postProcessing/coeffs/0/coefficient.dat", COM, range(1, 4))
    write(tmp_path / "postProcessing/coeffs/2/coefficient.dat", COM, range(3, 6), speed=25.0)
    with pytest.raises(InputError, match=r"magUInf 20, but 25 in .*2/coefficient.dat: .* cannot be merged"):
        find_histories(tmp_path)


def test_reference_values_are_compared_with_the_case(tmp_path: Path) -> None:
    write(tmp_path / "postProcessing/coeffs/0/coefficient.dat", COM, range(1, 4))
    control = tmp_path / "system/controlDict"
    control.parent.mkdir()
    text = """
        functions
        {{
            other {{ type forceCoeffs; magUInf 99; }}
            coeffs // of the ball
            {{
                type forceCoeffs;
                /* magUInf 77; */
                magUInf {speed}; lRef 1; Aref $area;
            }}
        }}
    """
    control.write_text(text.format(speed="2e1"))
    assert find_histories(tmp_path)[0].warnings == []
    control.write_text(text.format(speed="22"))
    (warning,) = find_histories(tmp_path)[0].warnings
    assert "magUInf 20, but 22 in" in warning
    assert "controlDict" in warning


def test_nothing_to_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no force histories; expected postProcessing/NAME/TIME/"):
        find_histories(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        find_histories(tmp_path / "nowhere")
