"""Measures of a sphere's wake: separation angle, recirculation length, shedding frequency, regime.

Solver units throughout: diameter 1, free stream 1 along +x.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.flow.forces.averaging import mean_of
from pipeline.flow.solver.surface import wall_friction
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Shell

NEIGHBOURHOOD = 1.5
"""Half the width of the window in which the friction is fitted, in angular sizes of a face."""

NEAR_AXIS = 2
"""Rings of columns about the axis that the axial velocity on it is extrapolated from."""

STEADY = 1e-3
"""A lift whose standard deviation is less than this is steady: under 2 % of the mean lift at Re 300."""

PADDING = 8
"""Factor of the length to which a history is padded with zeros: the spectrum's lines then lie dense enough
for a parabola through the highest three."""


@dataclass(frozen=True)
class Frequency:
    """Dominant frequency of a history.

    Attributes
    ----------
    value : float
        In the inverse of the time's unit: with time in D / U, a Strouhal number.
    standard_error : float
        Half of the difference between the frequencies of the history's halves, the standard error of the mean
        of two.
    """

    value: float
    standard_error: float


def wake_measures(
    shell: Shell, velocity: FloatArray, reynolds: float, spin_ratio: float
) -> dict[str, float | None]:
    """Measure the final state of a run.

    Parameters
    ----------
    shell : Shell
        The mesh.
    velocity : ndarray, shape (cells, 3)
        Of each cell.
    reynolds, spin_ratio : float
        The flow.

    Returns
    -------
    dict
        separation_deg, averaged around the axis: None where the flow stays attached, and with spin, since the
        friction on a moving wall turns elsewhere than the flow leaves it; and wake_length, None without a
        wake.
    """
    friction, _ = wall_friction(shell, velocity, reynolds, spin_ratio)
    centres, _ = shell.ball_faces()
    return {
        "separation_deg": separation_angle(centres, friction) if spin_ratio == 0 else None,
        "wake_length": wake_length(shell, velocity[:, 0]),
    }


def separation_angle(centres: FloatArray, friction: FloatArray) -> float | None:
    """Angle from the front stagnation point at which the wall friction, averaged around the axis, turns back.

    The meridional friction is fitted by a parabola in the angle over the faces near its change of sign.

    Parameters
    ----------
    centres : ndarray, shape (q, 3)
        Of the faces on the ball.
    friction : ndarray, shape (q, 3)
        Shear stress on them, or anything proportional to it.

    Returns
    -------
    float or None
        In degrees; None when the friction points downstream everywhere.
    """
    direction = centres / np.linalg.norm(centres, axis=1, keepdims=True)
    angle = np.arccos(np.clip(-direction[:, 0], -1.0, 1.0))
    # Unit vector of growing angle: the free stream's direction without its part along the radius.
    meridian = np.array([1.0, 0.0, 0.0]) - direction[:, :1] * direction
    meridian /= np.maximum(np.linalg.norm(meridian, axis=1, keepdims=True), 1e-12)
    along = np.sum(friction * meridian, axis=1)
    # A face of the cubed sphere spans about this angle; bins as wide hold a ring of faces each.
    size = float(np.sqrt(4.0 * np.pi / (len(centres) if _is_whole(centres) else 2 * len(centres))))
    bins = np.floor(angle / size).astype(int)
    count = np.bincount(bins)
    means = np.bincount(bins, along)[count > 0] / count[count > 0]
    middles = np.bincount(bins, angle)[count > 0] / count[count > 0]
    turns = np.flatnonzero((means[:-1] > 0) & (means[1:] <= 0))
    if len(turns) == 0:
        return None
    last = int(turns[-1])
    low, high = middles[last], middles[last + 1]
    guess = low + (high - low) * means[last] / (means[last] - means[last + 1])
    near = np.abs(angle - guess) < NEIGHBOURHOOD * size
    bend, slope, level = np.polyfit(angle[near] - guess, along[near], 2)
    roots = np.roots([bend, slope, level])
    offset = float(np.real(roots[np.argmin(np.abs(roots))])) if len(roots) else 0.0
    return float(np.degrees(guess + offset))


def wake_length(shell: Shell, axial: FloatArray) -> float | None:
    """Length of the recirculating wake: from the ball's rear to where the axial velocity on the axis turns.

    In every layer the velocity on the axis is that of a parabola in the distance from it, fitted to the cells
    nearest to it.

    Parameters
    ----------
    shell : Shell
        The mesh.
    axial : ndarray, shape (cells,)
        Velocity along the free stream.

    Returns
    -------
    float or None
        In diameters; None when nothing flows back on the axis.
    """
    centres, _ = shell.ball_faces()
    off = np.hypot(centres[:, 1], centres[:, 2])
    spacing = np.sqrt(off[centres[:, 0] > 0].min() ** 2 / 2.0)  # half a face: four faces meet on the axis
    middle = shell.cell_centres()
    radius, on_axis = np.empty(shell.layers), np.empty(shell.layers)
    for block in shell.blocks:
        reach = (2 * NEAR_AXIS - 1) * 1.5 * spacing * (shell.quads.shape[0] / block.quads.shape[0]) ** 0.5
        near = np.flatnonzero((centres[:, 0] > 0) & (off < reach))
        for layer in range(block.first_layer, block.first_layer + block.layers):
            cells = np.unique(shell.cells_over(layer)[near])
            place, values = middle[cells], axial[cells]
            # Cells of a layer lie on a sphere: along the axis they are moved to its pole with the parabola.
            radius[layer] = np.linalg.norm(place, axis=1).mean()
            distance = np.hypot(place[:, 1], place[:, 2]) ** 2
            centred = distance - distance.mean()
            slope = np.sum(centred * values) / np.sum(centred**2)
            on_axis[layer] = values.mean() - slope * distance.mean()
    turns = np.flatnonzero((on_axis[:-1] < 0) & (on_axis[1:] >= 0))
    if len(turns) == 0:
        return None
    last = int(turns[-1])
    share = on_axis[last] / (on_axis[last] - on_axis[last + 1])
    return float(radius[last] + share * (radius[last + 1] - radius[last]) - PHANTOM_RADIUS)


def frequency(times: FloatArray, values: FloatArray) -> Frequency:
    """Dominant frequency of an evenly sampled history: the highest line of its spectrum.

    The mean is removed, a Hann window applied, and a parabola laid through the logarithms of the highest line
    and its neighbours.

    Parameters
    ----------
    times, values : ndarray, shape (n,)
        At least 16 samples, at least two periods.

    Raises
    ------
    ValueError
        If there are fewer samples, or the history is constant.
    """
    if len(values) < 16:
        raise ValueError(f"a frequency needs at least 16 samples, not {len(values)}")
    half = len(values) // 2
    parts = [_peak(times[part], values[part]) for part in (slice(None), slice(0, half), slice(half, None))]
    return Frequency(parts[0], 0.5 * abs(parts[1] - parts[2]))


def spectrum(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Frequencies and amplitudes of an evenly sampled history without its mean, under a Hann window.

    Returns
    -------
    frequencies, amplitudes : ndarray, shape (m,)
        A sine of amplitude a has the amplitude a at its frequency.
    """
    window = np.hanning(len(values) + 2)[1:-1]
    weighted = (values - np.average(values, weights=window)) * window
    amplitudes = 2.0 * np.abs(np.fft.rfft(weighted, PADDING * len(values))) / window.sum()
    step = (times[-1] - times[0]) / (len(times) - 1)
    return np.fft.rfftfreq(PADDING * len(values), step), amplitudes


def _peak(times: FloatArray, values: FloatArray) -> float:
    frequencies, amplitudes = spectrum(times, values)
    # Lines below one and a half periods are the window's and the drift's.
    first = int(np.ceil(1.5 * PADDING))
    top = first + int(np.argmax(amplitudes[first:-1]))
    if amplitudes[top] <= 1e-12 * max(1.0, float(np.abs(values).max())):
        raise ValueError("a constant history has no frequency")
    left, middle, right = np.log(np.maximum(amplitudes[top - 1 : top + 2], 1e-300))
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(frequencies[top] + shift * (frequencies[1] - frequencies[0]))


def regime(lift: FloatArray) -> str:
    """Name the regime of a lift history.

    Parameters
    ----------
    lift : ndarray, shape (n,)
        Without the start of the run.

    Returns
    -------
    str
        "steady": it hardly moves; "shedding": one cycle has most of its variance; "irregular": neither.
    """
    mean = mean_of(lift)
    if float(np.std(lift[mean.cut :])) < STEADY:
        return "steady"
    return "irregular" if mean.period is None else "shedding"


def _is_whole(centres: FloatArray) -> bool:
    """Whether faces cover the whole ball and not only y > 0."""
    return bool((centres[:, 1] < 0).any())
