"""Separation, wake length, frequency and regime on fields and histories that are known in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, Shell, build_shell
from pipeline.validation.wake import (
    frequency,
    regime,
    separation_angle,
    spectrum,
    wake_length,
    wake_measures,
)


def sphere(mirrored: bool) -> Shell:
    return build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(16, 40), 0.01, mirrored)


def meridional(positions: np.ndarray, turn_deg: float) -> np.ndarray:
    """Vectors along the meridians, sin a (cos a - cos turn) at the angle a from the front."""
    direction = positions / np.linalg.norm(positions, axis=1, keepdims=True)
    cosine = -direction[:, :1]
    # The unit vector of growing a times sin a is the free stream's direction without its radial part.
    along = np.array([1.0, 0.0, 0.0]) - direction[:, :1] * direction
    return along * (cosine - np.cos(np.radians(turn_deg)))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn_deg", [82.0, 117.5, 127.0, 161.0])
def test_separation_is_where_the_friction_turns(turn_deg: float, mirrored: bool) -> None:
    centres, _ = sphere(mirrored).ball_faces()
    assert separation_angle(centres, meridional(centres, turn_deg)) == pytest.approx(turn_deg, abs=0.1)


def test_attached_flow_has_no_separation() -> None:
    centres, _ = sphere(False).ball_faces()
    assert separation_angle(centres, meridional(centres, 180.0)) is None


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("length", [0.08, 0.41, 0.88, 1.47])
def test_the_wake_ends_where_the_velocity_on_the_axis_turns(length: float, mirrored: bool) -> None:
    shell = sphere(mirrored)
    x, y, z = shell.cell_centres().T
    axial = x - (PHANTOM_RADIUS + length) + 3.0 * (y**2 + z**2)
    assert wake_length(shell, axial) == pytest.approx(length, abs=0.01)


def test_the_wake_is_followed_through_a_coarsening() -> None:
    # Half a diameter behind the ball the shell has half as many cells around the axis.
    level = Level(16, 44, wall_layers=12, coarsen_at=(30,))
    shell = build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), level, 4e-4, mirrored=True)
    assert 0.2 < shell.layer_radii()[30] - PHANTOM_RADIUS < 0.8
    x, y, z = shell.cell_centres().T
    axial = x - (PHANTOM_RADIUS + 0.88) + 3.0 * (y**2 + z**2)
    assert wake_length(shell, axial) == pytest.approx(0.88, abs=0.01)


def test_no_wake_without_flow_back() -> None:
    shell = sphere(True)
    assert wake_length(shell, np.ones(shell.cells)) is None


def test_measures_of_a_state() -> None:
    # A flow whose shear at the wall is meridional and turns at 120 degrees, at rest on the wall.
    shell = sphere(False)
    centres = shell.cell_centres()
    velocity = meridional(centres, 120.0) * (np.linalg.norm(centres, axis=1, keepdims=True) - PHANTOM_RADIUS)
    at_rest = wake_measures(shell, velocity, 100.0, 0.0)
    assert at_rest["separation_deg"] == pytest.approx(120.0, abs=0.1)
    assert wake_measures(shell, velocity, 100.0, 0.5)["separation_deg"] is None


@settings(max_examples=30)
@given(
    strouhal=st.floats(0.1, 0.3),
    phase=st.floats(0.0, 6.28),
    harmonic=st.floats(0.0, 0.3),
    drift=st.floats(-0.01, 0.01),
)
def test_the_frequency_of_a_cycle(strouhal: float, phase: float, harmonic: float, drift: float) -> None:
    times = np.arange(0.0, 60.0, 0.05)
    cycle = 2.0 * np.pi * strouhal * times + phase
    values = 0.07 + 0.01 * (np.cos(cycle) + harmonic * np.cos(2.0 * cycle)) + drift * 0.01 * times
    found = frequency(times, values)
    assert found.value == pytest.approx(strouhal, rel=0.01)
    assert found.standard_error < 0.03 * strouhal


def test_a_changing_frequency_has_an_error_as_large() -> None:
    times = np.arange(0.0, 200.0, 0.05)
    early = times < 100.0
    phase = np.where(early, 0.13 * times, 0.13 * 100.0 + 0.15 * (times - 100.0))
    found = frequency(times, np.cos(2.0 * np.pi * phase))
    assert found.standard_error == pytest.approx(0.01, rel=0.05)


def test_the_spectrum_of_a_sine_has_its_amplitude() -> None:
    times = np.arange(0.0, 100.0, 0.05)
    frequencies, amplitudes = spectrum(times, 0.3 + 0.02 * np.sin(2.0 * np.pi * 0.137 * times))
    assert amplitudes.max() == pytest.approx(0.02, rel=0.01)
    assert frequencies[np.argmax(amplitudes)] == pytest.approx(0.137, abs=0.002)


def test_what_has_no_frequency_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 16"):
        frequency(np.arange(10.0), np.arange(10.0))
    with pytest.raises(ValueError, match="constant"):
        frequency(np.arange(100.0), np.full(100, 0.07))


def test_regimes() -> None:
    times = np.arange(0.0, 60.0, 0.05)
    random = np.random.default_rng(1)
    assert regime(0.07 + 1e-4 * np.sin(times)) == "steady"
    assert regime(0.07 + 1e-2 * np.sin(2.0 * np.pi * 0.137 * times)) == "shedding"
    assert regime(0.07 + 1e-2 * random.standard_normal(len(times))) == "irregular"
