"""Runs on a finer mesh in the study file and in its matrix."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_study import SMALL

from pipeline.errors import InputError
from pipeline.files.atomic import write_json
from pipeline.flow.campaign.prepare import prepare
from pipeline.flow.campaign.request import prices
from pipeline.records.flow import RunInputs
from pipeline.records.geometry import VariantInputs
from pipeline.records.record import read
from pipeline.study.file import load_study
from pipeline.study.matrix import own_variants, runs, variants
from pipeline.study.model import Study
from pipeline.study.points import spread_out


def study_with(folder: Path, finer: str, change: tuple[str, str] = ("", "")) -> Study:
    path = folder / "study.yaml"
    path.write_text(SMALL.replace("level: coarse", f"level: coarse, finer: {finer}").replace(*change))
    return load_study(path)


@pytest.mark.parametrize(
    ("finer", "change", "said"),
    [
        ("{level: medium}", ("level: coarse,", "level: fine,"), "medium is no finer mesh than fine"),
        ("{level: coarse}", ("", ""), "graded, medium, fine"),
        ("{level: graded, runs: 1}", ("", ""), "2 to 100"),
        ("{level: graded}", ("steady-rans", "laminar"), "laminar has no mesh graded"),
        (
            "{level: graded}",
            ("name: small", "name: small\nbudget: 1 core hours"),
            "does not go with flow.finer",
        ),
    ],
)
def test_what_cannot_be_is_one_line(
    tmp_path: Path, finer: str, change: tuple[str, str], said: str
) -> None:  # fmt: skip
    with pytest.raises(InputError) as error:
        study_with(tmp_path, finer, change)
    assert said in str(error.value) and "\n" not in str(error.value)


def test_specs_and_prices_are_those_of_the_finer_level(tmp_path: Path) -> None:
    of = study_with(tmp_path, "{level: graded, runs: 3}")
    prepare(of, tmp_path / "results")
    plan = [run for run in runs(of) if run.level is not None]
    assert len(plan) == 3 and len(runs(of)) == 3 + 2 * 2 * 2
    price = prices(of)
    for run in plan:
        spec = read(tmp_path / "results" / run.run_id / "spec.json", RunInputs)
        assert (spec.level, spec.geometry) == ("graded", f"geometry/{run.pattern}/{run.variant_key}")
        mesh = read(tmp_path / "results" / spec.geometry / "spec.json", VariantInputs)
        own = mesh.key.removesuffix("-graded")
        coarse = read(tmp_path / f"results/geometry/{run.pattern}/{own}/spec.json", VariantInputs)
        assert mesh.n > coarse.n and mesh.depth_m == coarse.depth_m
        assert price[run.run_id] > 1.5 * price[run.run_id.replace("-graded", "")]
    assert len(variants(of)) == len(own_variants(of)) + len({run.variant_key for run in plan})


def test_studies_without_stay_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "study.yaml"
    path.write_text(SMALL)
    of = load_study(path)
    assert "finer" not in str(of.to_json())
    finer = study_with(tmp_path, "{level: graded, runs: 3}")
    write_json(tmp_path / "study.json", finer.to_json())
    again = Study.from_json(tmp_path / "study.json")
    assert again.flow.finer == finer.flow.finer and runs(again) == runs(finer)


@given(
    st.lists(st.floats(1e-4, 4e-4), min_size=1, max_size=6, unique=True).map(sorted),
    st.lists(st.floats(6e4, 3e5), min_size=1, max_size=4, unique=True),
    st.lists(st.floats(0.0, 0.4), min_size=1, max_size=4, unique=True),
    st.integers(2, 12),
)
def test_conditions_are_of_the_matrix_and_told_apart(
    depths: list[float], reynolds: list[float], spins: list[float], most: int
) -> None:
    found, nearest = spread_out(depths, reynolds, spins, most)
    above = sorted(reynolds)[1:] or reynolds
    assert len(set(found)) == len(found) == min(most, len(depths) * len(above) * len(spins))
    assert all(re in above and s in spins and 0 <= at < len(depths) for at, re, s in found)
    assert nearest[0] is None and all(of is not None and of < at for at, of in list(enumerate(nearest))[1:])


def test_four_conditions_tell_level_and_three_slopes() -> None:
    """Half fraction of a two-level design (Box, Hunter & Hunter, Statistics for Experimenters [memory])."""
    found, _ = spread_out([1e-4, 2e-4, 3e-4], [7e4, 1e5, 2e5], [0.1, 0.2, 0.3], 4)
    rows = [[1, at - 1, 2 * (re > 1.5e5) - 1, round(10 * s) - 2] for at, re, s in found]
    assert np.array_equal(np.array(rows).T @ np.array(rows), 4 * np.eye(4, dtype=int))
