"""Points on a sphere, repeated by a rotation group, with the smallest spacing made as large as possible."""

from collections.abc import Callable, Iterable

import numpy as np
from scipy.sparse import csr_array, hstack, vstack

from pipeline.arrays import FloatArray
from pipeline.geometry.layout.seam import Seam

# Riesz energies of rising exponent lead from an even spread to the largest smallest spacing.
RIESZ_EXPONENTS = (4.0, 16.0, 64.0, 256.0)
ITERATIONS_PER_EXPONENT = 150
POLISHING_STEPS = 60
# A ten-millionth of the spacing is a few nanometres on a golf ball.
SETTLED_SHARE = 1e-7
# Starts that end in the same arrangement differ by less; the first of them must win on any machine.
SAME_SPACING_RAD = 1e-6


def orbit_points(group: FloatArray, fixed: FloatArray, representatives: FloatArray) -> FloatArray:
    """All points: the fixed ones, then the orbit of each representative.

    Parameters
    ----------
    group : ndarray, shape (order, 3, 3)
        Rotation matrices, the identity first.
    fixed : ndarray, shape (f, 3)
        Unit vectors that do not move, closed under the group.
    representatives : ndarray, shape (k, 3)
        One unit vector for each general orbit.

    Returns
    -------
    ndarray, shape (f + k order, 3)
        Unit vectors, orbit by orbit.
    """
    images = np.einsum("gab,kb->kga", group, representatives)
    return np.concatenate([fixed, images.reshape(-1, 3)])


def smallest_spacing(points: FloatArray) -> float:
    """Smallest angle between two of the points [rad]; pi for fewer than two.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Unit vectors.
    """
    if len(points) < 2:
        return float(np.pi)
    cosines = points @ points.T
    np.fill_diagonal(cosines, -1.0)
    return float(np.arccos(np.clip(cosines.max(), -1.0, 1.0)))


def largest_spacing(
    group: FloatArray,
    fixed: FloatArray,
    starts: Iterable[FloatArray],
    report: Callable[[float], None] = lambda share: None,
    tied: FloatArray | None = None,
    seam: Seam | None = None,
) -> FloatArray:
    """Find representatives whose orbits have the largest smallest spacing, from several starts.

    Each start descends the Riesz energies sum |x - y|^-s (Saff & Kuijlaars 1997, Math. Intelligencer
    19(1):5-11) of rising s by L-BFGS, then maximises the smallest spacing itself by sequential linear
    programming with a trust region. Both work on the representatives alone, so the cost falls with the
    group's order.

    Parameters
    ----------
    group, fixed
        As for `orbit_points`.
    starts : iterable of ndarray, shape (k, 3)
        First guesses of the representatives, unit vectors.
    report : callable
        Called with the share of the present start that is done, 1 at its end.
    tied : ndarray, shape (3 k, 3 k), optional
        Orthogonal projection onto the representatives' positions that are allowed, for instance mirror images
        of each other; all are without it.
    seam : Seam, optional
        Kept half as far away as points are from each other.

    Returns
    -------
    ndarray, shape (k, 3)
        The best representatives, unit vectors.

    Raises
    ------
    ValueError
        If there is no start.
    """
    best: FloatArray | None = None
    best_spacing = -1.0
    for start in starts:
        if len(fixed) + len(start) * len(group) == 1:
            return start  # a single point has no spacing
        spread = descend(group, fixed, start, tied, seam=seam, report=lambda share: report(0.4 * share))
        representatives = _polish(group, fixed, spread, tied, seam, lambda share: report(0.4 + 0.6 * share))
        spacing = float(np.arccos(np.clip(_largest_cosine(group, fixed, representatives, seam), -1, 1)))
        if spacing > best_spacing + SAME_SPACING_RAD:
            best, best_spacing = representatives, spacing
        report(1.0)
    if best is None:
        raise ValueError("largest_spacing needs at least one start")
    return best


def descend(
    group: FloatArray,
    fixed: FloatArray,
    start: FloatArray,
    tied: FloatArray | None,
    exponents: tuple[float, ...] = RIESZ_EXPONENTS,
    seam: Seam | None = None,
    report: Callable[[float], None] = lambda share: None,
) -> FloatArray:
    """Local minimum of the Riesz energies, one exponent after the other, as for `largest_spacing`.

    `report` is called with the share of the iterations allowed.
    """
    from scipy.optimize import minimize  # half a second, only where a layout is made

    representatives = project(start, tied)
    done = 0

    def step(_: FloatArray) -> None:
        nonlocal done
        done += 1
        report(done / (ITERATIONS_PER_EXPONENT * len(exponents)))

    for place, exponent in enumerate(exponents):
        done = place * ITERATIONS_PER_EXPONENT
        found = minimize(
            _log_energy,
            representatives.ravel(),
            args=(group, fixed, exponent, tied, seam),
            jac=True,
            method="L-BFGS-B",
            callback=step,
            options={"maxiter": ITERATIONS_PER_EXPONENT, "maxcor": 20},
        )
        representatives = project(found.x.reshape(-1, 3), tied)
    return representatives


def _log_energy(
    flat: FloatArray,
    group: FloatArray,
    fixed: FloatArray,
    exponent: float,
    tied: FloatArray | None,
    seam: Seam | None = None,
) -> tuple[float, FloatArray]:
    """Logarithm of the Riesz energy for each group element, times 2/s, and its gradient.

    The logarithm keeps the problem well scaled: as s grows it tends to -log of the squared smallest spacing.
    A seam at the angle c acts as the point's image beyond it does, at the distance 2 sin(c).
    """
    vectors = (flat if tied is None else tied @ flat).reshape(-1, 3)
    lengths = np.linalg.norm(vectors, axis=1, keepdims=True)
    representatives = vectors / lengths
    points = orbit_points(group, fixed, representatives)
    square = np.maximum(2 - 2 * representatives @ points.T, 1e-12)
    itself = np.arange(len(representatives))
    square[itself, len(fixed) + itself * len(group)] = np.inf
    nearest = square.min()
    if seam is not None:
        angle, away = seam.clearance(representatives)
        image = np.maximum(4 * np.sin(angle) ** 2, 1e-12)
        nearest = min(nearest, image.min())
    power = np.exp(-exponent / 2 * np.log(square / nearest))
    # A pair inside the general orbits is met from both of its ends, a pair with a fixed point from one.
    total = power[:, : len(fixed)].sum() + power[:, len(fixed) :].sum() / 2
    slope = (power / square) @ points
    if seam is not None:
        pushed = np.exp(-exponent / 2 * np.log(image / nearest))
        total += pushed.sum() / 2
        # Half of each pair with its image; the squared distance grows as 8 sin cos along `away`.
        slope -= np.einsum("kp,kpd->kd", pushed / image * 2 * np.sin(angle) * np.cos(angle), away)
    value = 2 / exponent * np.log(total) - np.log(nearest)
    slope *= 2 / total
    slope -= np.sum(slope * representatives, axis=1, keepdims=True) * representatives
    gradient = (slope / lengths).ravel()
    return float(value), gradient if tied is None else tied @ gradient


def _polish(
    group: FloatArray,
    fixed: FloatArray,
    representatives: FloatArray,
    tied: FloatArray | None,
    seam: Seam | None,
    report: Callable[[float], None],
) -> FloatArray:
    """Maximise the smallest spacing by sequential linear programming.

    The unknowns are the displacements in the tangent planes and the largest cosine between two points; the
    cosines of all pairs that a step could make the closest are linearised.
    """
    cosine = _largest_cosine(group, fixed, representatives, seam)
    trust = 0.1 * float(np.arccos(np.clip(cosine, -1, 1)))
    settled = SETTLED_SHARE * (1 - cosine)
    for done in range(POLISHING_STEPS):
        report(done / POLISHING_STEPS)
        step, promised = _linear_step(group, fixed, representatives, trust, tied, seam)
        moved = project(representatives + step, tied)
        reached = _largest_cosine(group, fixed, moved, seam)
        if reached < cosine:
            representatives = moved
        if promised < settled:
            break
        gain = (cosine - reached) / promised
        cosine = min(cosine, reached)
        trust *= 2.0 if gain > 0.75 else 0.25 if gain < 0.25 else 1.0
    return representatives


def _linear_step(
    group: FloatArray,
    fixed: FloatArray,
    representatives: FloatArray,
    trust: float,
    tied: FloatArray | None,
    seam: Seam | None,
) -> tuple[FloatArray, float]:
    """Displacements, shape (k, 3), by the linearised problem, and its fall of the largest cosine."""
    from scipy.optimize import linprog  # half a second, only where a layout is made

    k, order = len(representatives), len(group)
    points = orbit_points(group, fixed, representatives)
    cosines = representatives @ points.T
    itself = np.arange(k)
    cosines[itself, len(fixed) + itself * order] = -1.0
    largest = _largest_cosine(group, fixed, representatives, seam)
    # Two points approach by at most 2 sqrt(2) trust in a step; farther pairs cannot become the closest.
    reach = np.cos(np.minimum(np.arccos(np.clip(largest, -1, 1)) + 4 * np.sqrt(2) * trust, np.pi))
    i, p = np.nonzero(cosines >= reach)
    j, g = np.divmod(p - len(fixed), order)
    keep = (p < len(fixed)) | (i <= j)  # the pair (j, i) is the same as (i, j)
    i, p, j, g = i[keep], p[keep], j[keep], g[keep]
    moving = p >= len(fixed)

    first, second = tangents(representatives)
    frames = np.stack([first, second], axis=1)  # (k, 2, 3)
    rows = np.arange(len(i))
    # d(x_i . g x_j) = dx_i . g x_j + (g^T x_i) . dx_j
    own = np.einsum("mab,mb->ma", frames[i], points[p])
    back = np.einsum("mba,mb->ma", group[g[moving]], representatives[i[moving]])
    other = np.einsum("mab,mb->ma", frames[j[moving]], back)
    values = np.concatenate([own.ravel(), other.ravel(), -np.ones(len(i))])
    row = np.concatenate([np.repeat(rows, 2), np.repeat(rows[moving], 2), rows])
    column = np.concatenate(
        [
            (2 * i[:, None] + [0, 1]).ravel(),
            (2 * j[moving][:, None] + [0, 1]).ravel(),
            np.full(len(i), 2 * k),
        ]
    )
    matrix = csr_array((values, (row, column)), shape=(len(i), 2 * k + 1))
    bound = (largest - cosines[i, p]) / trust
    if seam is not None:
        # The cosine of twice the angle c to a seam changes by -2 sin(2 c) for a step away from it.
        angle, away = seam.clearance(representatives)
        near, which = np.nonzero(np.cos(2 * angle) >= reach)
        push = -2 * np.sin(2 * angle[near, which])[:, None]
        push = push * np.einsum("mab,mb->ma", frames[near], away[near, which])
        line = np.arange(len(near))
        rows_of_seam = csr_array(
            (
                np.concatenate([push.ravel(), -np.ones(len(near))]),
                (
                    np.concatenate([np.repeat(line, 2), line]),
                    np.concatenate([(2 * near[:, None] + [0, 1]).ravel(), np.full(len(near), 2 * k)]),
                ),
            ),
            shape=(len(near), 2 * k + 1),
        )
        matrix = vstack([matrix, rows_of_seam])
        bound = np.concatenate([bound, (largest - np.cos(2 * angle[near, which])) / trust])
    cost = np.zeros(2 * k + 1)
    cost[-1] = 1.0
    # In units of the trust radius, and with the last unknown counted from the present largest cosine, the
    # solver's absolute tolerances stay harmless down to the smallest steps.
    solution = linprog(
        cost,
        A_ub=matrix,
        b_ub=bound,
        A_eq=None if tied is None else hstack([tie_rows(frames, tied), csr_array((3 * k, 1))]),
        b_eq=None if tied is None else np.zeros(3 * k),
        bounds=[(-1.0, 1.0)] * (2 * k) + [(None, None)],
        method="highs",
    )
    if solution.x is None:
        return np.zeros((k, 3)), 0.0
    offsets = solution.x[:-1].reshape(k, 2) * trust
    step = offsets[:, :1] * first + offsets[:, 1:] * second
    return step, float(-solution.x[-1] * trust)


def tie_rows(frames: FloatArray, tied: FloatArray) -> csr_array:
    """Rows, shape (3 k, 2 k), that vanish for steps in the tangent planes' frames which the ties allow."""
    k = len(frames)
    steps = np.zeros((3 * k, 2 * k))
    for point in range(k):
        steps[3 * point : 3 * point + 3, 2 * point : 2 * point + 2] = frames[point].T
    return csr_array(steps - tied @ steps)


def project(points: FloatArray, tied: FloatArray | None) -> FloatArray:
    """Unit vectors at the allowed positions nearest to the points."""
    return _unit(points if tied is None else (tied @ points.ravel()).reshape(-1, 3))


def _largest_cosine(
    group: FloatArray, fixed: FloatArray, representatives: FloatArray, seam: Seam | None
) -> float:
    """Cosine of the smallest angle between a representative and any other point, or its image in a seam."""
    cosines = representatives @ orbit_points(group, fixed, representatives).T
    itself = np.arange(len(representatives))
    cosines[itself, len(fixed) + itself * len(group)] = -1.0
    if seam is None:
        return float(cosines.max())
    return max(float(cosines.max()), float(np.cos(2 * seam.clearance(representatives)[0].min())))


def tangents(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors at right angles in the tangent plane of each point."""
    away = np.eye(3)[np.argmin(np.abs(points), axis=1)]
    first = _unit(np.cross(points, away))
    return first, np.cross(points, first)


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))
