"""Air: density and viscosity from temperature, pressure, humidity or altitude."""

import math
from dataclasses import dataclass

from pipeline.errors import InputError

STANDARD_GRAVITY_M_S2 = 9.80665
"""Standard acceleration of free fall [m/s^2]."""

# US Standard Atmosphere 1976 (same as ISO 2533 up to 11 km).
_SEA_LEVEL_TEMPERATURE_K = 288.15
_SEA_LEVEL_PRESSURE_PA = 101325.0
_LAPSE_RATE_K_M = 0.0065
_EARTH_RADIUS_M = 6356766.0
_DRY_AIR_GAS_CONSTANT = 8314.32 / 28.9644

# CIPM-2007: where its compressibility and enhancement factor are recommended.
_CIPM_TEMPERATURE_K = (288.15, 300.15)
_CIPM_PRESSURE_PA = (60000.0, 110000.0)

_TEMPERATURE_RANGE_K = (233.15, 333.15)
_PRESSURE_RANGE_PA = (50000.0, 110000.0)
_ALTITUDE_RANGE_M = (-500.0, 5000.0)


@dataclass(frozen=True)
class Air:
    """State of the air that a ball flies through.

    Parameters
    ----------
    density_kg_m3 : float
        Density [kg/m^3].
    kinematic_viscosity_m2_s : float
        Dynamic viscosity over density [m^2/s].
    temperature_k : float
        Temperature [K].
    pressure_pa : float
        Absolute pressure at the place (not reduced to sea level) [Pa].
    humidity : float
        Relative humidity, 0 to 1 [-].
    """

    density_kg_m3: float
    kinematic_viscosity_m2_s: float
    temperature_k: float
    pressure_pa: float
    humidity: float


def dynamic_viscosity(temperature_k: float) -> float:
    r"""Dynamic viscosity of dry air by Sutherland's law.

    .. math:: \mu = 1.458 \times 10^{-6} \frac{T^{3/2}}{T + 110.4}

    Parameters
    ----------
    temperature_k : float
        Temperature [K].

    Returns
    -------
    float
        Dynamic viscosity [Pa s]. Water vapour is left out; it lowers the viscosity by less than 1 % below
        30 degC.

    References
    ----------
    US Standard Atmosphere, 1976, NOAA-S/T 76-1562, equation 51.
    """
    return float(1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4))


def standard_atmosphere(altitude_m: float) -> Air:
    """Dry air of the US Standard Atmosphere 1976 (ISO 2533) at a geometric altitude.

    Parameters
    ----------
    altitude_m : float
        Geometric altitude above mean sea level, -500 to 5000 m [m].

    Returns
    -------
    Air
        With the density of the standard's own ideal-gas law and humidity 0.

    Raises
    ------
    InputError
        The altitude is outside its range.

    References
    ----------
    US Standard Atmosphere, 1976, NOAA-S/T 76-1562, equations 18, 23, 33a, 42.

    Examples
    --------
    >>> round(standard_atmosphere(0.0).density_kg_m3, 5)
    1.225
    """
    _check("altitude", altitude_m, _ALTITUDE_RANGE_M, "m")
    geopotential = _EARTH_RADIUS_M * altitude_m / (_EARTH_RADIUS_M + altitude_m)
    temperature = _SEA_LEVEL_TEMPERATURE_K - _LAPSE_RATE_K_M * geopotential
    exponent = STANDARD_GRAVITY_M_S2 / (_DRY_AIR_GAS_CONSTANT * _LAPSE_RATE_K_M)
    pressure = _SEA_LEVEL_PRESSURE_PA * (temperature / _SEA_LEVEL_TEMPERATURE_K) ** exponent
    density = pressure / (_DRY_AIR_GAS_CONSTANT * temperature)
    return Air(density, dynamic_viscosity(temperature) / density, temperature, pressure, 0.0)


def moist_air_density(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    r"""Density of moist air by the CIPM-2007 equation.

    .. math:: \rho = \frac{p M_a}{Z R T} \left[1 - x_v \left(1 - \frac{M_v}{M_a}\right)\right]

    Parameters
    ----------
    temperature_k : float
        Temperature [K].
    pressure_pa : float
        Absolute pressure [Pa].
    humidity : float
        Relative humidity, 0 to 1 [-].

    Returns
    -------
    float
        Density [kg/m^3], for air with a carbon dioxide content of 400 parts per million.

    Notes
    -----
    The equation is recommended for 15 to 27 degC and 600 to 1100 hPa (relative uncertainty 22e-6). Outside
    that range the compressibility Z and the enhancement factor f are taken at the nearest temperature and
    pressure inside it, so that the density stays continuous; Z lies between 0.9994 and 0.9999 for any air
    that golf is played in, so the error stays below 1e-3. The saturation pressure is that of the equation at
    any temperature.

    References
    ----------
    Picard, Davis, Gläser & Fujii 2008, Metrologia 45:149-155.

    Examples
    --------
    >>> round(moist_air_density(293.15, 101325.0, 0.5), 5)
    1.19931
    """
    molar_mass_dry, molar_mass_water, gas_constant = 28.96546e-3, 18.01528e-3, 8.314472
    saturation = math.exp(
        1.2378847e-5 * temperature_k**2
        - 1.9121316e-2 * temperature_k
        + 33.93711047
        - 6.3431645e3 / temperature_k
    )
    t_k = min(max(temperature_k, _CIPM_TEMPERATURE_K[0]), _CIPM_TEMPERATURE_K[1])
    p = min(max(pressure_pa, _CIPM_PRESSURE_PA[0]), _CIPM_PRESSURE_PA[1])
    t = t_k - 273.15
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    x = humidity * enhancement * saturation / pressure_pa
    virial = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    virial += (5.707e-6 - 2.051e-8 * t) * x + (1.9898e-4 - 2.376e-6 * t) * x**2
    compressibility = 1.0 - p / t_k * virial + (p / t_k) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    dry = pressure_pa * molar_mass_dry / (compressibility * gas_constant * temperature_k)
    return dry * (1.0 - x * (1.0 - molar_mass_water / molar_mass_dry))


def air_from(
    temperature_k: float | None = None,
    pressure_pa: float | None = None,
    humidity: float = 0.0,
    altitude_m: float | None = None,
) -> Air:
    """Air from what is known of it.

    Parameters
    ----------
    temperature_k : float, optional
        Temperature, 233.15 to 333.15 K; that of the standard atmosphere when an altitude is given without it
        [K].
    pressure_pa : float, optional
        Absolute pressure at the place, 500 to 1100 hPa [Pa].
    humidity : float
        Relative humidity, 0 to 1 [-].
    altitude_m : float, optional
        Altitude above mean sea level, instead of the pressure [m].

    Returns
    -------
    Air
        Density by CIPM-2007 (`moist_air_density`), viscosity by Sutherland's law, pressure at an altitude by
        the US Standard Atmosphere 1976.

    Raises
    ------
    InputError
        A value is outside its range, or neither altitude nor temperature and pressure are given, or both
        altitude and pressure.
    """
    if altitude_m is not None:
        if pressure_pa is not None:
            raise InputError("air: both pressure and altitude are given: give one of them")
        standard = standard_atmosphere(altitude_m)
        pressure_pa = standard.pressure_pa
        temperature_k = standard.temperature_k if temperature_k is None else temperature_k
    if temperature_k is None or pressure_pa is None:
        raise InputError("air: give temperature and pressure, or an altitude")
    _check("temperature", temperature_k, _TEMPERATURE_RANGE_K, "K")
    _check("pressure", pressure_pa, _PRESSURE_RANGE_PA, "Pa")
    _check("humidity", humidity, (0.0, 1.0), "(as a share)")
    density = moist_air_density(temperature_k, pressure_pa, humidity)
    viscosity = dynamic_viscosity(temperature_k) / density
    return Air(density, viscosity, temperature_k, pressure_pa, humidity)


def _check(name: str, value: float, allowed: tuple[float, float], unit: str) -> None:
    if not allowed[0] <= value <= allowed[1]:
        raise InputError(
            f"air: {name} {value:g} {unit}: must lie between {allowed[0]:g} and {allowed[1]:g} {unit}"
        )
