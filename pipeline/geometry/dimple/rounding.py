"""Rounded edges, and the volume of dimples with rounded edges or polygonal perimeters.

An edge radius e replaces the sharp edge by an arc inside the ball, tangent to the wall and to the phantom
sphere. With P a point of the wall and m the wall's unit normal into the ball, the arc through P has its
centre at P + e m, which must be at the distance R - e from the ball's centre; hence

    e = (R^2 - P.P) / (2 (R + P.m)),

which falls from the joint, or the axis of a catenary, to 0 at the sharp edge.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.geometry.dimple.perimeter import solid_angle
from pipeline.geometry.dimple.section import Sections

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_HALVINGS = 60


@dataclass(frozen=True)
class Roundings:
    """Where the roundings of n edges begin and end; of a sharp edge both are the edge.

    Attributes
    ----------
    share : ndarray, shape (n,)
        Radius at which the rounding leaves the wall, as a share of the sharp edge's.
    slope_rad : ndarray, shape (n,)
        Slope of the wall there [rad].
    inner_rad, outer_rad : ndarray, shape (n,)
        Angles from the axis at which the rounding leaves the wall and meets the phantom sphere [rad].
    largest_m : ndarray, shape (n,)
        Largest edge radius for which wall is left [m]; a larger one is cut down to it.
    """

    share: FloatArray
    slope_rad: FloatArray
    inner_rad: FloatArray
    outer_rad: FloatArray
    largest_m: FloatArray


def edge_roundings(
    sections: Sections, ball_diameter_m: float, half_angle_rad: FloatArray, wall_rad: FloatArray
) -> Roundings:
    """Roundings of the edges of dimples given by half angle beta and wall angle gamma, each of shape (n,)."""
    radius = ball_diameter_m / 2
    wanted, lowest, wall, beta = np.broadcast_arrays(
        sections.edge_radius_m, np.where(sections.catenary, 0.0, sections.joint), wall_rad, half_angle_rad
    )

    def at(share: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        height, slope = sections.wall_point(wall, share)
        across = radius * np.sin(beta) * share
        along = radius * (np.cos(beta) + np.sin(beta) * height)
        outward = across * np.sin(slope) - along * np.cos(slope)
        fits = (radius**2 - across**2 - along**2) / (2 * (radius + outward))
        return fits, slope, across, along

    largest = at(lowest)[0]
    low, high = lowest, np.ones(np.shape(wanted))
    if np.any(wanted > 0):
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            wider = at(middle)[0] > wanted
            low, high = np.where(wider, middle, low), np.where(wider, high, middle)
    _, slope, across, along = at(high)
    rounded = np.minimum(wanted, largest)
    centre_across, centre_along = across + rounded * np.sin(slope), along - rounded * np.cos(slope)
    sharp = wanted == 0
    return Roundings(
        np.where(sharp, 1.0, high),
        np.where(sharp, wall, slope),
        np.where(sharp, beta, np.arctan2(across, along)),
        np.where(sharp, beta, np.arctan2(centre_across, centre_along)),
        largest,
    )


def check_roundings(sections: Sections, roundings: Roundings) -> None:
    """Refuse edge radii that leave no wall.

    Raises
    ------
    InputError
        With the largest edge radius that the first such dimple may have.
    """
    wanted, largest = np.broadcast_arrays(sections.edge_radius_m, roundings.largest_m)
    bad = wanted >= largest
    if bad.any() and wanted[bad].flat[0] > 0:
        raise InputError(
            f"edge radius {1e3 * wanted[bad].flat[0]:g} mm: must be below "
            f"{1e3 * largest[bad].flat[0]:.4g} mm, where nothing is left of the dimple's wall"
        )


def removed_volume(
    sections: Sections,
    ball_diameter_m: float,
    half_angle_rad: FloatArray,
    wall_rad: FloatArray,
    sides: IntArray,
) -> FloatArray:
    """Volume removed from the phantom sphere by dimples of any perimeter, with any edge [m^3], shape (n,).

    With Omega the solid angle inside the line of radius r, the volume is the integral of Omega r^2 dr from
    the bottom to the land (by parts from that of the layer between r and R), by 24-point Gauss-Legendre
    quadrature along each piece of the section.
    """
    roundings = edge_roundings(sections, ball_diameter_m, half_angle_rad, wall_rad)
    radius = ball_diameter_m / 2
    wall, beta, joint, end = np.broadcast_arrays(wall_rad, half_angle_rad, sections.joint, roundings.share)
    edge = (radius * np.sin(beta))[..., None]
    shape = sections.broadcast(beta.shape)
    columns = Sections(*(np.asarray(v)[..., None] for v in vars(shape).values()))
    polygon = np.broadcast_to(sides, beta.shape)[..., None]
    nodes = (_NODES + 1) / 2

    def along(across: FloatArray, height: FloatArray, step: tuple[FloatArray, FloatArray]) -> FloatArray:
        growth = np.hypot(across, height) * (across * step[0] + height * step[1])
        return (solid_angle(np.arctan2(across, height), polygon) * growth) @ _WEIGHTS / 2

    total = np.zeros(beta.shape)
    for first, last in ((0 * joint, np.minimum(joint, end)), (np.minimum(joint, end), end)):
        length = (last - first)[..., None]
        share = first[..., None] + length * nodes
        height, slope = columns.wall_point(wall[..., None], share)
        step = edge * length
        total = total + along(
            edge * share, radius * np.cos(beta)[..., None] + edge * height, (step, step * np.tan(slope))
        )
    rounded = np.minimum(columns.edge_radius_m, roundings.largest_m[..., None])
    turn = (roundings.outer_rad + roundings.slope_rad)[..., None]
    angle = turn * nodes - roundings.slope_rad[..., None]
    outer = roundings.outer_rad[..., None]
    return total + along(
        (radius - rounded) * np.sin(outer) + rounded * np.sin(angle),
        (radius - rounded) * np.cos(outer) + rounded * np.cos(angle),
        (rounded * turn * np.cos(angle), -rounded * turn * np.sin(angle)),
    )
