import numpy as np
import pytest

from pipeline.geometry.layout.rotation_groups import rotation_group, special_orbits
from pipeline.geometry.layout.spacing import _log_energy, largest_spacing, orbit_points, smallest_spacing

NO_POINTS = np.empty((0, 3))


def _starts(count, number, seed=0):
    points = np.random.default_rng(seed).normal(size=(number, count, 3))
    return list(points / np.linalg.norm(points, axis=2, keepdims=True))


def _best(symmetry, count, fixed=NO_POINTS, starts=6):
    group = rotation_group(symmetry)
    return smallest_spacing(orbit_points(group, fixed, largest_spacing(group, fixed, _starts(count, starts))))


# The solved cases of the Tammes problem, as Musin & Tarasov 2014 (arXiv:1410.2536) list them [quoted]: the
# regular solids for 4, 6 and 12 (Fejes Toth 1943), the snub cube for 24 (Robinson 1961).
# Vertices of the snub cube: permutations of (1, 1/t, t) with signs, t the tribonacci constant, real root of
# t^3 = t^2 + t + 1; four of them around a square face share the largest coordinate, so that neighbours make
# arccos(t^2 / (1 + 1/t^2 + t^2)) = 43.69077 deg [memory].
TRIBONACCI = 1.839286755214161
SNUB_CUBE_ANGLE = np.arccos(TRIBONACCI**2 / (1 + TRIBONACCI**-2 + TRIBONACCI**2))


@pytest.mark.parametrize(
    ("count", "angle"),
    [(2, np.pi), (3, 2 * np.pi / 3), (4, np.arccos(-1 / 3)), (6, np.pi / 2), (12, np.arctan(2))],
)
def test_finds_the_solved_arrangements_without_symmetry(count, angle):
    assert _best("none", count) == pytest.approx(angle, abs=1e-5)


def test_finds_the_snub_cube_as_one_octahedral_orbit():
    assert _best("octahedral", 1) == pytest.approx(SNUB_CUBE_ANGLE, abs=1e-6)


def test_finds_the_snub_dodecahedron_as_one_icosahedral_orbit():
    # Circumradius for edge 1: R = sqrt((2 - x)/(1 - x))/2 with x^3 + 2 x^2 = phi^2; R = 2.155837375 [quoted,
    # encyclopaedia article on the snub dodecahedron].
    golden = (1 + np.sqrt(5)) / 2
    roots = np.roots([1.0, 2.0, 0.0, -(golden**2)])
    x = roots[np.isreal(roots)].real[0]
    circumradius = np.sqrt((2 - x) / (1 - x)) / 2
    assert circumradius == pytest.approx(2.155837375, abs=1e-9)
    assert _best("icosahedral", 1) == pytest.approx(2 * np.arcsin(1 / (2 * circumradius)), abs=1e-6)


def test_fixed_points_keep_their_distance():
    # One general orbit beside the twelve vertices, 72 points. Fejes Toth's bound (1943) on the smallest
    # distance of n points, d <= sqrt(4 - csc^2(pi n / (6 (n - 2)))) [quoted], holds for any of them.
    fixed = special_orbits("icosahedral")[0]
    group = rotation_group("icosahedral")
    found = largest_spacing(group, fixed, _starts(1, 6))
    points = orbit_points(group, fixed, found)
    assert np.array_equal(points[:12], fixed)
    spacing = smallest_spacing(points)
    bound = np.sqrt(4 - 1 / np.sin(np.pi * 72 / (6 * 70)) ** 2)
    assert 2 * np.sin(spacing / 2) <= bound
    # at an optimum over the two coordinates of one point, at least two kinds of pair are the closest
    cosines = found @ points.T
    assert np.sum(np.abs(np.arccos(np.clip(cosines, -1, 1)) - spacing) < 1e-6) >= 2


def test_gradient_of_the_energy_is_its_derivative():
    group = rotation_group("octahedral")
    fixed = special_orbits("octahedral")[1]
    x = 1.3 * _starts(3, 1, seed=4)[0].ravel()
    for exponent in (4.0, 64.0):
        gradient = _log_energy(x, group, fixed, exponent, None)[1]
        for i in range(len(x)):
            step = np.zeros_like(x)
            step[i] = 1e-6
            above, below = (_log_energy(x + s, group, fixed, exponent, None)[0] for s in (step, -step))
            assert gradient[i] == pytest.approx((above - below) / 2e-6, abs=1e-6)


def test_a_single_point_and_no_start():
    group = rotation_group("none")
    start = np.array([[0.0, 0.6, 0.8]])
    assert np.array_equal(largest_spacing(group, NO_POINTS, [start]), start)
    with pytest.raises(ValueError, match="at least one start"):
        largest_spacing(group, NO_POINTS, [])


def test_reports_how_far_each_start_is():
    shares = []
    largest_spacing(rotation_group("octahedral"), NO_POINTS, _starts(1, 3), shares.append)
    assert shares.count(1.0) == 3 and shares[-1] == 1.0
    ends = [place for place, share in enumerate(shares) if share == 1.0]
    for begin, end in zip([0, *(place + 1 for place in ends)], ends, strict=False):
        one = shares[begin : end + 1]
        assert len(one) > 10 and one == sorted(one) and 0 <= one[0] < 0.1


def test_smallest_spacing_of_one_point_is_the_whole_half_turn():
    assert smallest_spacing(np.array([[0.0, 0.0, 1.0]])) == np.pi
