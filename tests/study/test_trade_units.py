"""Numbers as the trade writes them. The yard is 0.9144 m by definition (international yard, 1959)."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.study import trade_units as units
from pipeline.study.model import FlightWindow


@pytest.mark.parametrize(
    ("length_m", "text"),
    [
        (91.44, "100.0\u00a0yd (91.4\u00a0m)"),
        (0.0, "0.0\u00a0yd (0.0\u00a0m)"),
        (-0.9144, "-1.0\u00a0yd (-0.9\u00a0m)"),
        (math.nan, "-"),
        (None, "-"),
    ],
)
def test_yards_with_metres(length_m: float | None, text: str) -> None:
    assert units.yards(length_m) == text


def test_yards_in_a_column() -> None:
    assert units.yards_cell(228.6, 0.9144) == "250.0 ± 1.0 (228.6)"
    assert units.yards_cell(228.6) == "250.0 (228.6)"
    assert units.yards_cell(None, 0.1) == "-"


def test_window_in_yards_with_metres() -> None:
    wanted = FlightWindow(lowest_m=18.288, highest_m=27.432)  # 20 and 30 yd
    assert units.window(wanted) == "20.0 to 30.0\u00a0yd (18.3 to 27.4\u00a0m)"


def test_small_lengths() -> None:
    assert units.millimetres(0.00025) == "0.250\u00a0mm"
    assert units.micrometres(3.14e-5) == "31\u00a0µm"
    assert units.diameter(0.04267) == "42.67\u00a0mm"


def test_shares_and_whole_numbers() -> None:
    assert units.share(0.8125) == "81.2\u00a0%"
    assert units.whole(221184.0) == "221\u202f184"
    assert units.whole(float("nan")) == "-"
    assert units.plus_minus(0.25, 0.0012, 4) == "0.2500 ± 0.0012"
    assert units.plus_minus(None, None, 4) == "-"


@given(st.floats(-1e6, 1e6), st.integers(0, 5))
def test_a_number_reads_back_within_its_last_digit_and_zero_has_no_sign(value: float, digits: int) -> None:
    text = units.number(value, digits)
    assert abs(float(text) - value) <= 0.5000001 * 10.0**-digits
    assert not (float(text) == 0.0 and text.startswith("-"))


@given(st.floats(-1e3, 1e3), st.sampled_from([units.yards, units.millimetres, units.micrometres]))
def test_units_are_tied_to_their_numbers_again(length_m: float, write: Callable[[float], str]) -> None:
    text = write(length_m)
    assert "\u00a0" in text and "\u00a0" not in units.breakable(text)
    assert units.unbroken(units.breakable(text)) == text


@pytest.mark.parametrize(
    ("depth_m", "angle_deg", "by_angle", "text"),
    [
        (0.22e-3, 12.59, False, "surface depth 0.220 mm (edge angle 12.59 deg)"),
        (0.22e-3, 12.59, True, "edge angle 12.59 deg (surface depth 0.220 mm)"),
        (0.22e-3, None, True, "surface depth 0.220 mm"),
        (None, None, False, ""),
    ],
)
def test_a_ball_is_headlined_by_what_its_study_lists(
    depth_m: float | None, angle_deg: float | None, by_angle: bool, text: str
) -> None:
    assert units.breakable(units.made_by(depth_m, angle_deg, by_angle)) == text
