"""Colours of depths, patterns and surfaces, the same in every figure of a report."""

from collections.abc import Iterable, Sequence

_PATTERN_COLOURS = ("#404040", "#0072b2", "#d55e00", "#009e73", "#cc79a7", "#8c6d1f")
_PATTERN_MARKERS = ("o", "s", "^", "D", "v", "P")

SURFACE_MAP = "Blues"
"""Matplotlib's name of the map for the depth of a point below the phantom sphere: land light, deep dark."""

_LIGHTEST, _DARKEST = 0.20, 0.97

_ON_DARK = (0.0, 0.68)
"""Part of the map that shows on a dark page: its dark end is left out instead."""

_GREY_ON_DARK = "#d0d0d0"


class DepthColours:
    """Colour of each depth: shallow light, deep dark, on a perceptually uniform map.

    The light end of the map (viridis, readable with every common colour blindness) is left out, since it
    does not show on white.

    Parameters
    ----------
    depths_m : iterable of float
        Depths of the study; the shallowest and the deepest span the map.
    """

    def __init__(self, depths_m: Iterable[float]) -> None:
        known = sorted(depths_m)
        self._low, self._high = (known[0], known[-1]) if known else (0.0, 0.0)

    def of(self, depth_m: float) -> str:
        """Colour of a depth as #rrggbb."""
        return self._between(_LIGHTEST, _DARKEST, depth_m)

    def on_dark(self, depth_m: float) -> str:
        """Colour of a depth on a dark page as #rrggbb."""
        return self._between(*_ON_DARK, depth_m)

    def _between(self, shallow: float, deep: float, depth_m: float) -> str:
        import matplotlib
        from matplotlib.colors import to_hex

        span = self._high - self._low
        place = min(max((depth_m - self._low) / span, 0.0), 1.0) if span > 0 else 0.6
        return to_hex(matplotlib.colormaps["viridis_r"](shallow + (deep - shallow) * place))


def pattern_style(pattern: str, patterns: Sequence[str]) -> tuple[str, str]:
    """Colour (#rrggbb) and marker of a pattern, by its place in the study (Okabe and Ito's colours)."""
    place = list(patterns).index(pattern)
    return _PATTERN_COLOURS[place % 6], _PATTERN_MARKERS[place % 6]


def pattern_colours(pattern: str, patterns: Sequence[str]) -> tuple[str, str]:
    """Colours of a pattern on a light and on a dark page."""
    colour, _ = pattern_style(pattern, patterns)
    return colour, _GREY_ON_DARK if colour == _PATTERN_COLOURS[0] else colour
