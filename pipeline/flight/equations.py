"""Equations of motion, compiled: lift along spin axis x velocity, drag against the motion, decay of the spin.

    dv/dt = rho A / (2 m) U (Cl e x u - Cd u) + g,    d omega/dt = -k omega U / R

with u the velocity against the air, U its size, e the spin axis and k the decay constant (Smits & Smith 1994,
`pipeline.aero.published`). Axes: x down range, s to the right, z up. Flights (`pipeline.flight.kernel`) and
firings past gates (`pipeline.range.gate_kernel`) integrate these; the compiler puts them in place of each
call, so that they cost nothing.
"""

# mypy: disallow-untyped-defs=False
# The types of compiled functions are numba's to infer.

from numba import njit


@njit(inline="always", error_model="numpy")
def across(axis_x, axis_s, axis_z, u_x, u_s, u_z):
    """Spin axis x velocity, the direction of the lift.

    The right-handed cross product in (x, left, up), written in (x, right, up).
    """
    return axis_z * u_s - axis_s * u_z, axis_x * u_z - axis_z * u_x, axis_s * u_x - axis_x * u_s


@njit(inline="always", error_model="numpy")
def pull(cd, cl, across_part, u_part):
    """A component of Cl e x u - Cd u; times rho A / (2 m) U it is the acceleration by the air [m/s]."""
    return cl * across_part - cd * u_part


@njit(inline="always", error_model="numpy")
def spin_rate(decay, omega, speed, radius):
    """Rate at which a ball's spin changes by friction, -k omega U / R [rad/s^2]."""
    return -decay * omega * speed / radius
