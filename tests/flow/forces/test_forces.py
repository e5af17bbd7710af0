"""Force files of every form, read by their headers. Rows invented, forms as the solvers write them."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.flow.forces.histories import FRONTAL_AREA, read_history

PARENTHESES = (
    "# Time        \t(total_x total_y total_z)\t(pressure_x pressure_y pressure_z)"
    "\t(viscous_x viscous_y viscous_z)\n"
)
PLAIN = "# Time total_x total_y total_z pressure_x pressure_y pressure_z viscous_x viscous_y viscous_z\n"
LEGACY = "# Time       \tforces(pressure viscous) moment(pressure viscous)\n"
LEGACY_POROUS = "# Time       \tforces(pressure viscous porous) moment(pressure viscous porous)\n"


def rows(times: range, bracketed: bool = True, scale: float = 1.0) -> str:
    text = ""
    for t in times:
        p, v = np.array([0.1, 0.01, 0.05]) * scale * t, np.array([0.02, 0.0, 0.01]) * scale * t
        vectors = [p + v, p, v]
        parts = [" ".join(f"{x:.6e}" for x in vector) for vector in vectors]
        text += (
            f"{t}\t" + ("\t".join(f"({part})" for part in parts) if bracketed else "\t".join(parts)) + "\n"
        )
    return text


def write(folder: Path, start: str, header: str, body: str) -> None:
    (folder / start).mkdir(parents=True)
    for name in ("force", "moment"):
        (folder / start / f"{name}.dat").write_text(f"# {name}\n# CofR : (0 0 0)\n#\n{header}{body}")


@pytest.mark.parametrize(("header", "bracketed"), [(PARENTHESES, True), (PLAIN, False)])
def test_total_pressure_viscous(tmp_path: Path, header: str, bracketed: bool) -> None:
    write(tmp_path, "0", header, rows(range(1, 4), bracketed))
    history = read_history(tmp_path)
    np.testing.assert_allclose(history.iteration, [1, 2, 3])
    np.testing.assert_allclose(history.force[1], [0.24, 0.02, 0.12])
    coefficients = history.coefficients()
    # Cd = F / (rho U^2 A / 2) with rho = U = D = 1.
    assert coefficients["cd"][0] == pytest.approx(0.12 / (0.5 * np.pi / 4))
    assert coefficients["cl"][0] == pytest.approx(0.06 / (0.5 * FRONTAL_AREA))
    assert coefficients["cs"][0] == pytest.approx(0.01 / (0.5 * FRONTAL_AREA))


@pytest.mark.parametrize("porous", [False, True])
def test_nested_tuples(tmp_path: Path, porous: bool) -> None:
    (tmp_path / "0").mkdir()
    extra = " (0 0 0)" if porous else ""
    line = f"1\t((0.1 0 0.05) (0.02 0 0.01){extra}) ((0 0.3 0) (0 -0.1 0){extra})\n"
    (tmp_path / "0/forces.dat").write_text("# Forces\n" + (LEGACY_POROUS if porous else LEGACY) + line)
    history = read_history(tmp_path)
    np.testing.assert_allclose(history.force, [[0.12, 0.0, 0.06]])
    np.testing.assert_allclose(history.moment, [[0.0, 0.2, 0.0]])


def test_restarts_are_merged_as_numbers_and_the_later_wins(tmp_path: Path) -> None:
    write(tmp_path, "0", PARENTHESES, rows(range(1, 121)))
    write(tmp_path, "100", PARENTHESES, rows(range(101, 131), scale=2.0))
    write(tmp_path, "20", PARENTHESES, rows(range(21, 61), scale=3.0))
    history = read_history(tmp_path)
    # By name "100" < "20"; by number 20 comes first, and its rows end what the start at 0 wrote after it.
    np.testing.assert_allclose(history.iteration, [*range(1, 61), *range(101, 131)])
    assert history.force[19, 0] == pytest.approx(0.12 * 20)
    assert history.force[20, 0] == pytest.approx(0.36 * 21)
    assert history.force[-1, 0] == pytest.approx(0.24 * 130)


def test_a_line_still_being_written_is_left_out(tmp_path: Path) -> None:
    write(tmp_path, "0", PARENTHESES, rows(range(1, 4)) + "4\t(0.1 0.2")
    assert len(read_history(tmp_path).iteration) == 3


def test_a_truncated_line_is_named(tmp_path: Path) -> None:
    write(tmp_path, "0", PARENTHESES, rows(range(1, 3)) + "3\t(0.1 0.2\n" + rows(range(4, 6)))
    with pytest.raises(InputError, match=r"force.dat:7: 3 numbers where the header names 10"):
        read_history(tmp_path)


def test_an_unknown_header_lists_what_was_found(tmp_path: Path) -> None:
    write(tmp_path, "0", "# Time lift drag\n", "1 2 3\n")
    with pytest.raises(InputError, match="unknown header; found the columns Time, lift, drag"):
        read_history(tmp_path)


def test_a_total_that_is_not_the_sum_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "0", PARENTHESES, "1 (1 0 0) (0.5 0 0) (0.4 0 0)\n")
    with pytest.raises(InputError, match="time 1: total is not pressure plus viscous"):
        read_history(tmp_path)


def test_no_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no force files"):
        read_history(tmp_path)


def test_a_diverging_history_is_read_as_it_is(tmp_path: Path) -> None:
    write(tmp_path, "0", PARENTHESES, rows(range(1, 3)) + "3 (inf 0 0) (inf 0 0) (nan 0 0)\n")
    assert not np.isfinite(read_history(tmp_path).force).all()
