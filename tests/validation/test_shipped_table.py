"""The shipped validation table: its published values are the sources', the model errors are its own."""

import csv
import math

import pytest

from pipeline.flow.solver.fidelity import fidelity
from pipeline.flow.solver.model_error import VALIDATION_TABLE, dimpled_model_error
from pipeline.validation.dimpled import TRUTH
from pipeline.validation.published_dimpled import BANDS, FITS

ROWS = list(csv.DictReader(VALIDATION_TABLE.open(newline="", encoding="utf-8")))


@pytest.mark.parametrize("state", ["tripped", "turbulent"])
def test_it_has_every_published_value_of_every_flow(state: str) -> None:
    expected = {
        (reynolds, s, quantity, fit.source): fit.value(quantity, reynolds, s)
        for reynolds, s in TRUTH
        for quantity in ("cd", "cl")
        for fit in FITS
        if fit.value(quantity, reynolds, s) is not None
    } | {
        (reynolds, s, "cd", band.source): band.value
        for reynolds, s in TRUTH
        for band in BANDS
        if s == 0.0 and band.lowest <= reynolds <= band.highest
    }
    found = {
        (float(row["reynolds"]), float(row["spin_ratio"]), row["quantity"], row["source"]): float(
            row["published"]
        )
        for row in ROWS
        if row["boundary_layer"] == state
    }
    assert found == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize("state", ["tripped", "turbulent"])
@pytest.mark.parametrize(("place", "quantity"), [(0, "cd"), (1, "cl")])
def test_the_model_error_of_studies_is_that_of_the_table(state: str, place: int, quantity: str) -> None:
    errors = [
        (float(row["computed"]) - float(row["published"])) / float(row["published"])
        for row in ROWS
        if (row["boundary_layer"], row["quantity"]) == (state, quantity)
    ]
    rms = math.sqrt(sum(error**2 for error in errors) / len(errors))
    used = fidelity("steady-rans").model_error[state][place]
    assert rms <= used < rms + 0.01


def test_the_error_follows_the_table(tmp_path) -> None:
    path = tmp_path / "table.csv"
    # sqrt((0.1^2 + 0.3^2) / 2) = 0.2236; a lift of half the published one.
    path.write_text(
        "boundary_layer,quantity,computed,published\n"
        "tripped,cd,0.11,0.10\ntripped,cd,0.07,0.10\ntripped,cl,0.1,0.2\n"
    )
    assert dimpled_model_error(path) == {"tripped": (0.23, 0.5)}
