"""Geometry: cost of a radius, of a skin of a million triangles and of shells by size; coverage found.

Times are CPU seconds of this one process, so that other work on the machine changes them little; start it
with OMP_NUM_THREADS=1 for the figures of one core.
"""

import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.build import solver_shell
from pipeline.geometry.dimple.section import ARC, Profile, Sections
from pipeline.geometry.layout.class_layout import pack_layout
from pipeline.geometry.layout.layout import spread_layout
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import Level
from pipeline.geometry.tooling.skin import skin, write_skin

DIAMETER, CHORD = 42.7e-3, 3.58e-3
PROFILES = (ARC, Profile("two-radius", 0.6, 0.5), Profile("cone", 0.6), Profile("catenary"))


def main() -> None:
    # Without a mirror plane, so that shells are whole.
    layout = spread_layout("icosahedral", 332, CHORD, 1e-4, DIAMETER, 1)
    directions = np.random.default_rng(0).normal(size=(1_000_000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    for profile in PROFILES:
        ball = DimpledBall(layout, 0.25e-3, DIAMETER, Sections.of(profile))
        begun = time.process_time()
        ball.radius(directions)
        print(f"radius, {profile.name}: {time.process_time() - begun:.2f} us a direction", flush=True)
    ball = DimpledBall(layout, 0.25e-3, DIAMETER)
    with tempfile.TemporaryDirectory() as folder:
        begun = time.process_time()
        surface = skin(ball, 289)
        write_skin(Path(folder) / "skin.stl", surface)
        print(f"skin, {len(surface.triangles)} triangles: {time.process_time() - begun:.1f} s", flush=True)
        write_shell(Path(folder) / "first", solver_shell(ball, Level(4, 48), 4e-4))  # loads compiled code
        sizes, seconds, computing = [], [], []
        for n in (32, 48, 64, 96, 128):
            begun, before = time.process_time(), os.times().user
            shell = solver_shell(ball, Level(n, 48), 4e-4)
            write_shell(Path(folder) / f"{n}", shell)
            sizes.append(shell.cells)
            seconds.append(time.process_time() - begun)
            computing.append(os.times().user - before)
            print(f"shell, {shell.cells} cells, checked and written: {seconds[-1]:.1f} s", flush=True)
    slope, own = (np.polyfit(np.log(sizes), np.log(spent), 1)[0] for spent in (seconds, computing))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"time grows as cells to the power {slope:.2f}, without the operating system's share (memory pages, "
        f"files) {own:.2f}; peak memory {peak:.1f} GiB",
        flush=True,
    )
    for count, classes in ((332, 3), (332, 5), (252, 5)):
        begun = time.process_time()
        packed = pack_layout("icosahedral", count, classes, None, 1e-4, DIAMETER, 1)
        covered = totals(DimpledBall(packed, 0.35e-3, DIAMETER)).coverage
        seconds_spent = time.process_time() - begun
        print(f"{count} dimples in {classes} classes: {covered:.4f} covered, {seconds_spent:.1f} s")


if __name__ == "__main__":
    main()
