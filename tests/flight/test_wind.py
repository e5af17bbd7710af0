"""The wind's profile: its closed form, the compiled one, and flights through it."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.aero.published import smits_smith_table
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.flight.air import Air
from pipeline.flight.surroundings import wind_share
from pipeline.flight.trajectory import Conditions, Launches, fly, path
from pipeline.flight.wind import WindProfile

AIR = Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0)
HEADWIND = Conditions(0.0427, 0.0459, AIR, 6.0, 0.0)


def test_shares_by_their_formulas():
    # ln(1 + z/z0) / ln(1 + 10/z0) at z0 = 0.03 m, and (z/10)^(1/7) [computed].
    log = WindProfile("logarithmic", roughness_m=0.03)
    assert log.share([0.0, 2.0, 10.0, 30.0]) == pytest.approx([0.0, 0.72514, 1.0, 1.18868], abs=2e-5)
    assert WindProfile("power").share([0.0, 10.0, 30.0]) == pytest.approx([0.0, 1.0, 3 ** (1 / 7)])
    assert WindProfile().share([0.0, 50.0]).tolist() == [1.0, 1.0]
    # Rougher ground slows the wind below the reference height.
    assert WindProfile("logarithmic", roughness_m=0.5).share(2.0) < log.share(2.0)


@pytest.mark.parametrize("kind", ["uniform", "logarithmic", "power"])
def test_the_compiled_profile_is_the_same(kind):
    profile = WindProfile(kind, reference_height_m=8.0, roughness_m=0.1, exponent=0.2)
    world = replace(HEADWIND, wind_profile=profile).world()
    heights = np.array([-1.0, 0.0, 0.3, 8.0, 40.0])
    assert [wind_share(world, z) for z in heights] == pytest.approx(profile.share(heights))


def test_a_power_law_without_slope_is_a_uniform_wind():
    table, shot = TableBatch.of([smits_smith_table([8e4, 2e5], [0.05, 0.3])]), Launches(70.0, 0.2, 270.0)
    flat = replace(HEADWIND, wind_profile=WindProfile("power", exponent=1e-12))
    assert fly(table, 0, shot, flat, 1e-3).carry_m == pytest.approx(
        fly(table, 0, shot, HEADWIND, 1e-3).carry_m, abs=1e-3
    )


def test_a_high_shot_meets_more_of_a_profiled_wind_than_a_low_one():
    table = TableBatch.of([CoefficientTable([1e5], [0.0], [[0.25]], [[0.0]])])
    low, high = Launches(60.0, np.radians(6.0), 0.0), Launches(60.0, np.radians(45.0), 0.0)
    profiled = replace(HEADWIND, wind_profile=WindProfile("logarithmic"))
    lost = {
        shot: [fly(table, 0, shot, where).carry_m[0] for where in (HEADWIND, profiled)]
        for shot in (low, high)
    }
    assert lost[low][1] > lost[low][0]  # flies below the reference height of 10 m
    assert lost[high][1] < lost[high][0]  # flies above it


def test_rates_at_a_height_are_those_of_the_wind_there():
    # The acceleration along the wind half-way through a flight against the force written out with it.
    profile = WindProfile("logarithmic", roughness_m=0.1)
    table = CoefficientTable([1e5], [0.0], [[0.3]], [[0.0]])
    track = path(table, Launches(60.0, 0.5, 0.0), replace(HEADWIND, wind_profile=profile), 1e-3, 1e-3)
    n = len(track.time_s) // 3
    u = track.velocity_m_s[n] + np.array([6.0 * profile.share(track.height_m[n]), 0.0, 0.0])
    area = np.pi * 0.0427**2 / 4
    expected = -0.5 * 1.2 * area * 0.3 * np.linalg.norm(u) * u[0] / 0.0459
    found = (track.velocity_m_s[n + 1, 0] - track.velocity_m_s[n - 1, 0]) / 2e-3
    assert found == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("name", ["reference_height_m", "roughness_m", "exponent"])
def test_what_cannot_be_is_refused(name):
    with pytest.raises(ValueError, match=f"{name} must be above 0"):
        WindProfile("power", **{name: 0.0})
