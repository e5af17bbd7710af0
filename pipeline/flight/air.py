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

_MOLAR_MASS_DRY, _MOLAR_MASS_WATER, _GAS_CONSTANT = 28.96546e-3, 18.01528e-3, 8.314472

# IAPWS R12-08, table 1 [memory].
_VAPOUR_VISCOSITY = (1.67752, 2.20462, 0.6366564, -0.241605)

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
        Dynamic viscosity [Pa s].

    References
    ----------
    US Standard Atmosphere, 1976, NOAA-S/T 76-1562, equation 51.
    """
    return float(1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4))


def water_vapour_viscosity(temperature_k: float) -> float:
    r"""Dynamic viscosity of water vapour in the limit of zero density.

    .. math:: \mu = 10^{-4} \sqrt{\bar T} \Big/ \sum_{i=0}^{3} H_i / \bar T^i, \qquad \bar T = T / 647.096 K

    Parameters
    ----------
    temperature_k : float
        Temperature, 273 K and above; below, the formula is extrapolated [K].

    Returns
    -------
    float
        Dynamic viscosity [Pa s].

    References
    ----------
    IAPWS R12-08, Release on the IAPWS Formulation 2008 for the Viscosity of Ordinary Water Substance,
    equation 11 (from memory, checked against an independent implementation in tests/flight/test_air.py).
    """
    reduced = temperature_k / 647.096
    terms = (coefficient / reduced**i for i, coefficient in enumerate(_VAPOUR_VISCOSITY))
    return 1e-4 * math.sqrt(reduced) / sum(terms)


def moist_air_viscosity(temperature_k: float, vapour_fraction: float) -> float:
    r"""Dynamic viscosity of moist air as a mixture of two gases, by Wilke's rule.

    .. math::
        \mu = \sum_i \frac{x_i \mu_i}{\sum_j x_j \varphi_{ij}}, \qquad
        \varphi_{ij} = \frac{[1 + (\mu_i / \mu_j)^{1/2} (M_j / M_i)^{1/4}]^2}{[8 (1 + M_i / M_j)]^{1/2}}

    Parameters
    ----------
    temperature_k : float
        Temperature, 233 to 333 K [K].
    vapour_fraction : float
        Mole fraction of water vapour, 0 to 1 (`vapour_fraction`) [-].

    Returns
    -------
    float
        Dynamic viscosity [Pa s]. Vapour lowers it: at sea level saturated air has 1 % less than dry air at 20
        degC, 4 % at 40 degC and 9 % at 60 degC, the highest temperature that `air_from` takes.

    References
    ----------
    Wilke 1950, J. Chem. Phys. 18:517-519 (from memory); used for moist air up to 100 degC by Tsilingiris
    2008, Energy Convers. Manage. 49:1098-1110 (from memory).
    """
    parts = (
        (1.0 - vapour_fraction, dynamic_viscosity(temperature_k), _MOLAR_MASS_DRY),
        (vapour_fraction, water_vapour_viscosity(temperature_k), _MOLAR_MASS_WATER),
    )
    total = 0.0
    for share, viscosity, mass in parts:
        seen = 0.0
        for other_share, other_viscosity, other_mass in parts:
            pair = 1.0 + math.sqrt(viscosity / other_viscosity) * (other_mass / mass) ** 0.25
            seen += other_share * pair**2 / math.sqrt(8.0 * (1.0 + mass / other_mass))
        total += share * viscosity / seen
    return total


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


def vapour_fraction(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """Mole fraction of water vapour in moist air, by the CIPM-2007 equation; see `moist_air_density`.

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
        Moles of vapour per mole of moist air [-].
    """
    saturation = math.exp(
        1.2378847e-5 * temperature_k**2
        - 1.9121316e-2 * temperature_k
        + 33.93711047
        - 6.3431645e3 / temperature_k
    )
    t_k, p = _in_cipm_range(temperature_k, pressure_pa)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * (t_k - 273.15) ** 2
    return humidity * enhancement * saturation / pressure_pa


def _in_cipm_range(temperature_k: float, pressure_pa: float) -> tuple[float, float]:
    """Nearest temperature and pressure at which the equation's compressibility is recommended."""
    return (
        min(max(temperature_k, _CIPM_TEMPERATURE_K[0]), _CIPM_TEMPERATURE_K[1]),
        min(max(pressure_pa, _CIPM_PRESSURE_PA[0]), _CIPM_PRESSURE_PA[1]),
    )


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
    t_k, p = _in_cipm_range(temperature_k, pressure_pa)
    t = t_k - 273.15
    x = vapour_fraction(temperature_k, pressure_pa, humidity)
    virial = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    virial += (5.707e-6 - 2.051e-8 * t) * x + (1.9898e-4 - 2.376e-6 * t) * x**2
    compressibility = 1.0 - p / t_k * virial + (p / t_k) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    dry = pressure_pa * _MOLAR_MASS_DRY / (compressibility * _GAS_CONSTANT * temperature_k)
    return dry * (1.0 - x * (1.0 - _MOLAR_MASS_WATER / _MOLAR_MASS_DRY))


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
        Density by CIPM-2007 (`moist_air_density`), viscosity of the mixture by Wilke's rule
        (`moist_air_viscosity`), pressure at an altitude by the US Standard Atmosphere 1976.

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
    vapour = vapour_fraction(temperature_k, pressure_pa, humidity)
    viscosity = moist_air_viscosity(temperature_k, vapour) / density
    return Air(density, viscosity, temperature_k, pressure_pa, humidity)


def _check(name: str, value: float, allowed: tuple[float, float], unit: str) -> None:
    if not allowed[0] <= value <= allowed[1]:
        raise InputError(
            f"air: {name} {value:g} {unit}: must lie between {allowed[0]:g} and {allowed[1]:g} {unit}"
        )
