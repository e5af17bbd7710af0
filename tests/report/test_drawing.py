"""Colours, labels and figures: laws that they keep, and that nothing breaks them when data are missing."""

import io
import re

import matplotlib.image
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.report.colours import DepthColours, pattern_style
from pipeline.report.drawing import inline_svg, new_figure, settle, spread_labels, style
from pipeline.report.figures import draw_coefficients, draw_depth_chart, draw_path_chart
from pipeline.report.series import CoefficientChart, DepthChart, DepthLine, ModelCurve, PathChart, SidePath
from pipeline.study.model import FlightWindow

COLOURS = DepthColours([1e-4, 3e-4])
WINDOW = FlightWindow(lowest_m=20.0, highest_m=30.0)


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (Web Content Accessibility Guidelines 2.2, section 6) [source]."""
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_deeper_is_darker_and_even_the_lightest_shows_on_white() -> None:
    shades = [luminance(COLOURS.of(depth)) for depth in np.linspace(1e-4, 3e-4, 21)]
    assert (np.diff(shades) < 0).all()
    assert shades[0] < 0.6  # white is 1


def test_colours_outside_the_study_and_of_a_single_depth() -> None:
    assert COLOURS.of(0.0) == COLOURS.of(1e-4)
    assert re.fullmatch("#[0-9a-f]{6}", DepthColours([2e-4]).of(2e-4))
    assert re.fullmatch("#[0-9a-f]{6}", DepthColours([]).of(2e-4))


def test_patterns_differ() -> None:
    names = [f"p{i}" for i in range(8)]
    assert len({pattern_style(name, names) for name in names[:6]}) == 6
    assert pattern_style("p7", names) == pattern_style("p1", names)


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=12), st.floats(0.01, 5))
def test_labels_keep_their_order_and_distance_and_move_as_a_whole_by_nothing(
    positions: list[float], gap: float
) -> None:
    at, moved = np.array(positions), spread_labels(positions, gap)
    order = np.argsort(at, kind="stable")
    assert (np.diff(moved[order]) >= gap * (1 - 1e-9) - 1e-9).all()
    assert moved.mean() == pytest.approx(at.mean(), abs=1e-9)


def test_labels_that_are_apart_stay() -> None:
    np.testing.assert_allclose(spread_labels([3.0, 0.0, 1.5], 1.0), [3.0, 0.0, 1.5])


def line(pattern: str, depths: list[float]) -> DepthLine:
    depth = np.array(depths)
    carry = 200.0 - (depth / 1e-4 - 2) ** 2
    runs = np.where(depth > 1.5e-4, carry, np.nan)
    return DepthLine(
        pattern, depth, carry, carry - 1, carry + 1, 0.1 * carry, depth, carry, 0.1 * carry, runs, 0.1 * runs,
        2e-4, 1.8e-4, 2.3e-4,
    )  # fmt: skip


def grid(fill: float, shape: tuple[int, int, int] = (2, 2, 2)) -> CoefficientChart:
    values = {name: np.full(shape, fill) for name in ("cd", "cl", "cm")}
    errors = {name: np.full(shape, 0.01) for name in values}
    return CoefficientChart(
        "p$1$", np.linspace(1e-4, 3e-4, shape[0]), np.linspace(9e4, 2e5, shape[1]),
        np.linspace(0.1, 0.3, shape[2]), values, errors, np.full(shape, "settled", dtype=object), curves(),
    )  # fmt: skip


def curves() -> list[ModelCurve]:
    """A curve that is not tripped all round at its lowest Reynolds number."""
    re, s = np.linspace(9e4, 2e5, 5), np.linspace(0.1, 0.3, 6)
    shape = (re.size, s.size)
    values = {name: np.full(shape, 0.26) for name in ("cd", "cl")}
    tripped = np.ones(shape)
    tripped[0] = 0.4
    return [ModelCurve(1e-4, re, s, values, {name: np.full(shape, 0.01) for name in values}, tripped)]


ARC = SidePath(1e-4, np.array([0.0, 100.0, 180.0]), np.array([0.0, 30.0, 0.0]))

FIGURES = {
    "two patterns": lambda: draw_depth_chart(
        DepthChart("one & only", WINDOW, [line("a", [1e-4, 2e-4, 3e-4]), line("b", [1e-4, 3e-4])]),
        ["a", "b"],
        COLOURS,
    ),
    "one depth, no window": lambda: draw_depth_chart(
        DepthChart("$x$", None, [line("a", [2e-4])]), ["a"], COLOURS
    ),
    "no usable depth": lambda: draw_depth_chart(DepthChart("one", WINDOW, []), ["a"], COLOURS),
    "paths": lambda: draw_path_chart(PathChart("one", WINDOW, {"a": [ARC], "b": [ARC]}), COLOURS),
    "no path": lambda: draw_path_chart(PathChart("one", WINDOW, {}), COLOURS),
    "over spin": lambda: draw_coefficients(grid(0.25), "spin_ratio", COLOURS),
    "over Reynolds": lambda: draw_coefficients(grid(0.25, (2, 2, 6)), "reynolds", COLOURS),
    "one flow": lambda: draw_coefficients(grid(0.25, (1, 1, 1)), "reynolds", COLOURS),
    "nothing usable": lambda: draw_coefficients(grid(np.nan), "spin_ratio", COLOURS),
}


@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_draws_also_when_data_are_missing(name: str) -> None:
    with style():
        figure = FIGURES[name]()
        settle(figure)
        stream = io.BytesIO()
        figure.savefig(stream, format="png", dpi=60)
    stream.seek(0)
    picture = matplotlib.image.imread(stream)[..., :3]
    assert 0.003 < (picture.min(axis=2) < 0.95).mean() < 0.95


def test_flight_paths_have_heights_at_twice_their_scale() -> None:
    with style():
        figure = FIGURES["paths"]()
        settle(figure)
        figure.draw_without_rendering()
    axes = figure.axes[0]
    (x0, y0), (x1, y1) = axes.transData.transform([(0.0, 0.0), (1.0, 1.0)])
    assert (y1 - y0) / (x1 - x0) == pytest.approx(2.0, rel=1e-6)


def test_svg_has_its_own_identifiers_and_no_address() -> None:
    with style():
        figure = new_figure(2, 1)
        figure.subplots().plot([0, 1], [0, 1], marker="o")
        first, second = (inline_svg(figure, prefix, 'say "hi" <now>') for prefix in ("a", "b"))
    ids = [set(re.findall(r'\sid="([^"]+)"', svg)) for svg in (first, second)]
    assert ids[0] and not ids[0] & ids[1]
    assert set(re.findall(r'href="#([^"]+)"', first)) <= ids[0]
    assert "http" not in first
    assert 'aria-label="say &#34;hi&#34; &lt;now&gt;"' in first
    assert re.match(r"<svg [^>]*viewBox=", first)
