"""A small study for tests of the commands."""

SMALL = """\
name: small
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 3.58 mm}
    depths: [0.15 mm, 0.20 mm]
flow: {fidelity: steady-rans, level: coarse, reynolds: [9e4, 1.8e5], spin_ratios: [0.1, 0.2]}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""
