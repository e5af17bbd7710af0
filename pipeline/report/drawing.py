"""Style of all figures, and their files: SVG for the page, PNG for other documents."""

import io
import re
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import FloatArray
from pipeline.files.atomic import atomic_open
from pipeline.study.trade_units import in_si
from pipeline.study.units import YARD_M

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#222222"
SOFT_INK = "#666666"
WINDOW_COLOUR = "#dfeedd"

_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.edgecolor": "#888888",
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.titlesize": 10.0,
    "axes.titlelocation": "left",
    "grid.color": "#e3e3e3",
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.6,
    "text.color": INK,
    "text.parse_math": False,  # names in a study may contain dollar signs
    "xtick.color": SOFT_INK,
    "ytick.color": SOFT_INK,
    "legend.frameon": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "depthline",
    "savefig.facecolor": "white",
}

_PNG_DPI = 170


@contextmanager
def style() -> Iterator[None]:
    """Draw and save figures in the report's style inside the block."""
    import matplotlib

    with matplotlib.rc_context(_STYLE):
        yield


def new_figure(width_in: float, height_in: float) -> "Figure":
    """Return an empty figure that no window system knows of (saved by the Agg and SVG backends)."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def lay_out(figure: "Figure") -> None:
    """Place axes, titles and legends of a figure as they stand now, without drawing it."""
    engine = figure.get_layout_engine()
    assert engine is not None  # of `new_figure`
    engine.execute(figure)


def settle(figure: "Figure") -> None:
    """Lay a complete figure out and keep it so: both its files get the same layout, and it is found once.

    Without a layout engine ("none" would leave a placeholder) a figure is drawn once a file, else twice.
    """
    lay_out(figure)
    figure.set_layout_engine(None)


def save_png(figure: "Figure", path: Path) -> None:
    """Write a figure as PNG, atomically."""
    with atomic_open(path) as stream:
        figure.savefig(stream, format="png", dpi=_PNG_DPI)


def inline_svg(figure: "Figure", prefix: str, description: str) -> str:
    """Return a figure as an SVG element that can stand inside HTML.

    Parameters
    ----------
    figure : Figure
        The figure.
    prefix : str
        Put before every identifier, so that the elements of one page do not share any.
    description : str
        What the picture shows, for screen readers.

    Returns
    -------
    str
        Without XML declaration, metadata or namespace addresses, which HTML does not need.
    """
    from markupsafe import escape

    stream = io.StringIO()
    figure.savefig(stream, format="svg")
    svg = stream.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\sxmlns(:xlink)?="[^"]*"', "", svg)
    svg = re.sub(r'(\sid="|url\(#|href="#)', rf"\g<1>{_short(prefix)}-", _without_what_is_not_seen(svg))
    svg = re.sub(r'(<svg[^>]*?)\swidth="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?)\sheight="[^"]*"', r"\1", svg, count=1)
    return svg.replace("<svg", f'<svg role="img" aria-label="{escape(description)}"', 1)


def _short(prefix: str) -> str:
    """Eight letters that stand for a prefix, which is repeated thousands of times in a page."""
    return f"p{zlib.crc32(prefix.encode()):08x}"


def _without_what_is_not_seen(svg: str) -> str:
    """Leave out what a picture does not need: a page holds dozens of them, and a browser builds every node.

    Spaces between elements, identifiers that nothing names, and digits beyond a hundredth of a point.
    """
    svg = re.sub(r">\s+<", "><", re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL))
    named = set(re.findall(r'(?:url\(#|href="#)([^")]+)', svg))
    svg = re.sub(r'\sid="([^"]*)"', lambda found: found[0] if found[1] in named else "", svg)
    places = r'\s(?:d|x|y|points)="[^"]*"|translate\([^)]*\)'
    return re.sub(places, lambda found: re.sub(r"(\.\d\d)\d+", r"\1", found[0]), svg)


def spread_labels(positions: ArrayLike, gap: float) -> FloatArray:
    """Move labels apart as little as possible, keeping their order.

    Parameters
    ----------
    positions : array_like, shape (n,)
        Where they would stand.
    gap : float
        Least distance between two.

    Returns
    -------
    ndarray, shape (n,)
        Least squares of the moves under the gaps: an isotonic regression of the positions less the gaps.
    """
    from scipy.optimize import isotonic_regression

    at = np.asarray(positions, float)
    if at.size < 2:
        return at.copy()
    order = np.argsort(at, kind="stable")
    steps = gap * np.arange(at.size)
    moved = np.empty_like(at)
    moved[order] = isotonic_regression(at[order] - steps).x + steps
    return moved


def end_labels(
    axes: "Axes", x: float, positions: Sequence[float], texts: Sequence[str], colours: Sequence[str]
) -> None:
    """Write labels beside the ends of lines, at the right of the axes, each with a dash of its line's colour.

    Parameters
    ----------
    axes : Axes
        Drawn completely, since the labels are kept apart by the scale that it has now.
    x : float
        Where the lines end, in data.
    positions : sequence of float
        Heights of the ends, in data.
    texts, colours : sequence of str
        One a line.
    """
    low, high = axes.get_ylim()
    height_pt = axes.bbox.height * 72.0 / axes.figure.dpi
    gap = 10.5 * (high - low) / height_pt
    places = spread_labels(positions, gap)
    for place, text, colour in zip(places, texts, colours, strict=True):
        axes.annotate(
            "━ ", (x, place), xytext=(7, 0), textcoords="offset points", va="center", color=colour,
            annotation_clip=False, fontsize=8.0, fontweight="bold",
        )  # fmt: skip
        axes.annotate(
            text, (x, place), xytext=(20, 0), textcoords="offset points", va="center", fontsize=8.0,
            annotation_clip=False,
        )  # fmt: skip


def add_metres(axes: "Axes", which: Literal["x", "y"]) -> None:
    """Put a scale in metres opposite an axis whose data are yards; none where SI units are shown."""
    if in_si():
        return
    to_metres = (lambda yd: yd * YARD_M, lambda m: m / YARD_M)
    if which == "y":
        other = axes.secondary_yaxis("right", functions=to_metres)
        other.set_ylabel("m", color=SOFT_INK)
    else:
        other = axes.secondary_xaxis("top", functions=to_metres)
        other.set_xlabel("m", color=SOFT_INK)
    other.spines[:].set_visible(False)
    other.tick_params(length=0, labelsize=8)
