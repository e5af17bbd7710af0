"""Colours of depths, patterns and surfaces, the same in every figure of a report."""

from collections.abc import Iterable, Sequence

_PATTERN_COLOURS = ("#404040", "#0072b2", "#d55e00", "#009e73", "#cc79a7", "#8c6d1f")
_PATTERN_MARKERS = ("o", "s", "^", "D", "v", "P")

SURFACE_MAP = "Blues"
"""Matplotlib's name of the map for the depth of a point below the phantom sphere: land light, deep dark."""

_LIGHTEST, _DARKEST = 0.20, 0.97


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
        import matplotlib
        from matplotlib.colors import to_hex

        span = self._high - self._low
        place = min(max((depth_m - self._low) / span, 0.0), 1.0) if span > 0 else 0.6
        return to_hex(matplotlib.colormaps["viridis_r"](_LIGHTEST + (_DARKEST - _LIGHTEST) * place))


def pattern_style(pattern: str, patterns: Sequence[str]) -> tuple[str, str]:
    """Colour (#rrggbb) and marker of a pattern, by its place in the study (Okabe and Ito's colours)."""
    place = list(patterns).index(pattern)
    return _PATTERN_COLOURS[place % 6], _PATTERN_MARKERS[place % 6]
