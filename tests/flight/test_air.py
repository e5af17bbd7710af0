"""Air against the standard atmosphere, CIPM-2007 and the `fluids` library (CHECK-VALUES section 8)."""

import doctest

import fluids
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.flight import air
from pipeline.flight.air import (
    air_from,
    dynamic_viscosity,
    moist_air_density,
    moist_air_viscosity,
    standard_atmosphere,
    vapour_fraction,
    water_vapour_viscosity,
)


def test_examples_in_the_documentation_run():
    assert doctest.testmod(air).failed == 0


# US Standard Atmosphere 1976 [computed with the `fluids` library; agrees with printed tables].
@pytest.mark.parametrize(
    ("altitude", "temperature", "pressure", "density", "viscosity", "kinematic"),
    [
        (0.0, 288.150, 101325.0, 1.22500, 1.78938e-5, 1.46072e-5),
        (500.0, 284.900, 95461.3, 1.16727, 1.77366e-5, 1.51949e-5),
        (1000.0, 281.651, 89876.3, 1.11166, 1.75785e-5, 1.58129e-5),
        (2000.0, 275.154, 79501.4, 1.00655, 1.72598e-5, 1.71474e-5),
    ],
)
def test_standard_atmosphere_to_the_digits_printed(
    altitude, temperature, pressure, density, viscosity, kinematic
):
    found = standard_atmosphere(altitude)
    assert found.temperature_k == pytest.approx(temperature, abs=6e-4)
    assert found.pressure_pa == pytest.approx(pressure, abs=0.06)
    assert found.density_kg_m3 == pytest.approx(density, abs=6e-6)
    assert dynamic_viscosity(found.temperature_k) == pytest.approx(viscosity, abs=6e-11)
    assert found.kinematic_viscosity_m2_s == pytest.approx(kinematic, abs=6e-11)


@settings(deadline=None)
@given(st.floats(0.0, 5000.0))
def test_standard_atmosphere_against_the_reference_library(altitude):
    found, reference = standard_atmosphere(altitude), fluids.ATMOSPHERE_1976(altitude)
    assert found.temperature_k == pytest.approx(reference.T, rel=1e-7)
    assert found.pressure_pa == pytest.approx(reference.P, rel=1e-6)
    assert found.density_kg_m3 == pytest.approx(reference.rho, rel=1e-6)
    assert found.kinematic_viscosity_m2_s == pytest.approx(reference.mu / reference.rho, rel=1e-6)


# CIPM-2007, Picard et al. 2008, Metrologia 45:149-155 [computed].
@pytest.mark.parametrize(
    ("celsius", "humidity", "density"), [(20.0, 0.5, 1.19931), (20.0, 0.0, 1.20456), (23.0, 0.5, 1.18608)]
)
def test_moist_air_to_the_digits_given(celsius, humidity, density):
    assert moist_air_density(celsius + 273.15, 101325.0, humidity) == pytest.approx(density, abs=6e-6)


@settings(deadline=None)
@given(st.floats(0.0, 5000.0))
def test_outside_its_range_the_equation_stays_within_its_stated_error(altitude):
    # The standard atmosphere's dry air is an ideal gas; its density is printed for all these altitudes.
    standard = standard_atmosphere(altitude)
    dry = moist_air_density(standard.temperature_k, standard.pressure_pa, 0.0)
    assert dry == pytest.approx(standard.density_kg_m3, rel=1e-3)


def test_saturated_air_at_40_degc():
    # Saturation pressure at 40 degC 7384.9 Pa (IAPWS steam tables [memory]); ideal mixture of the two gases.
    dry, water = 287.0531, 461.523
    expected = (101325.0 - 7384.9) / (dry * 313.15) + 7384.9 / (water * 313.15)
    assert moist_air_density(313.15, 101325.0, 1.0) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(
    ("temperature", "pressure"), [(288.15, 1e5), (300.15, 1e5), (293.15, 6e4), (293.15, 1.1e5)]
)
def test_density_is_continuous_where_the_range_ends(temperature, pressure):
    for factor in (1 + 1e-9, 1 - 1e-9):
        beside = moist_air_density(temperature * factor, pressure * factor, 0.7)
        assert beside == pytest.approx(moist_air_density(temperature, pressure, 0.7), rel=1e-8)


@settings(deadline=None)
@given(st.floats(240, 320), st.floats(6e4, 1.08e5), st.floats(0, 0.99))
def test_warm_thin_and_damp_air_is_lighter(temperature, pressure, humidity):
    here = air_from(temperature, pressure, humidity).density_kg_m3
    assert air_from(temperature + 1, pressure, humidity).density_kg_m3 < here
    assert air_from(temperature, pressure - 100, humidity).density_kg_m3 < here
    assert air_from(temperature, pressure, humidity + 0.01).density_kg_m3 < here


def test_altitude_gives_pressure_and_unless_told_temperature():
    standard = standard_atmosphere(1600.0)
    found = air_from(altitude_m=1600.0, humidity=0.0)
    assert (found.temperature_k, found.pressure_pa) == (standard.temperature_k, standard.pressure_pa)
    warm = air_from(temperature_k=300.0, altitude_m=1600.0, humidity=0.2)
    assert warm.pressure_pa == standard.pressure_pa and warm.temperature_k == 300.0
    assert warm.density_kg_m3 == moist_air_density(300.0, standard.pressure_pa, 0.2)
    mixture = moist_air_viscosity(300.0, vapour_fraction(300.0, standard.pressure_pa, 0.2))
    assert warm.kinematic_viscosity_m2_s == mixture / warm.density_kg_m3


# IAPWS 2008 at 1e-6 kg/m^3 [computed with the `iapws` library].
@pytest.mark.parametrize(
    ("kelvin", "viscosity"), [(293.15, 9.55047911e-6), (333.15, 1.08861752e-5), (873.15, 3.26046811e-5)]
)
def test_viscosity_of_water_vapour(kelvin, viscosity):
    assert water_vapour_viscosity(kelvin) == pytest.approx(viscosity, rel=1e-6)


def test_a_mixture_of_one_gas_has_its_viscosity():
    assert moist_air_viscosity(310.0, 0.0) == pytest.approx(dynamic_viscosity(310.0), rel=1e-12)
    assert moist_air_viscosity(310.0, 1.0) == pytest.approx(water_vapour_viscosity(310.0), rel=1e-12)


# Dry, half saturated and saturated air at 101325 Pa, 1e-5 Pa s [computed with an open property library, which
# mixes by the same rule, but takes the vapour's viscosity at 100 degC at all temperatures: 1.22313].
@pytest.mark.parametrize(
    ("celsius", "dry", "half", "saturated"),
    [
        (20.0, 1.820568, 1.814316, 1.808050),
        (40.0, 1.916523, 1.892668, 1.868699),
        (50.0, 1.963525, 1.920110, 1.876441),
        (60.0, 2.009906, 1.934086, 1.857804),
    ],
)
def test_the_rule_of_mixing(celsius, dry, half, saturated, monkeypatch):
    monkeypatch.setattr(air, "dynamic_viscosity", lambda kelvin: dry * 1e-5)
    monkeypatch.setattr(air, "water_vapour_viscosity", lambda kelvin: 1.22313e-5)
    kelvin = celsius + 273.15
    for humidity, expected in ((0.5, half), (1.0, saturated)):
        x = vapour_fraction(kelvin, 101325.0, humidity)
        # Their share of vapour is up to 0.16 % higher, by another equation of its enhancement.
        assert 1e5 * moist_air_viscosity(kelvin, x) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    ("given_air", "message"),
    [
        (
            {"temperature_k": 20.0, "pressure_pa": 101325.0},
            "temperature 20 K: must lie between 233.15 and 333.15 K",
        ),
        (
            {"temperature_k": 293.15, "pressure_pa": 1013.25},
            "pressure 1013.25 Pa: must lie between 50000 and",
        ),
        (
            {"temperature_k": 293.15, "pressure_pa": 1e5, "humidity": 50.0},
            "humidity 50 (as a share): must lie",
        ),
        ({"temperature_k": float("nan"), "pressure_pa": 1e5}, "temperature nan K"),
        ({"altitude_m": 9000.0}, "altitude 9000 m: must lie between -500 and 5000 m"),
        ({"altitude_m": 100.0, "pressure_pa": 1e5}, "both pressure and altitude"),
        ({"temperature_k": 293.15}, "give temperature and pressure, or an altitude"),
        ({"pressure_pa": 1e5}, "give temperature and pressure, or an altitude"),
    ],
)
def test_air_that_cannot_be_is_refused(given_air, message):
    with pytest.raises(InputError) as error:
        air_from(**given_air)
    assert message in str(error.value) and "\n" not in str(error.value)
