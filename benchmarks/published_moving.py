"""Published balls beside computed ones, as computed and with what moving dimples add: CSV on standard output.

    python benchmarks/published_moving.py

Reads the tracked table of `depthline verify published` (steady-rans, dimples that stand still) and adds the
discrepancy that studies are flown with (`pipeline.aero.moving_dimples`), at spin ratios above zero and
Reynolds numbers above the crisis. Of balls with two readings of the depth the nearer one, the shallower.
"""

import csv
import math
import re
import sys
from pathlib import Path

from pipeline.aero.discrepancy import columns
from pipeline.aero.moving_dimples import moving_dimples

TABLE = Path(__file__).parents[1] / "docs/measured/25_published_balls.csv"


def main() -> None:
    """Write a row a ball, flow and coefficient."""
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("# ")]
    discrepancy = moving_dimples(["published"])
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(
        ["ball", "depth", "flow", "quantity", "still", "moving", "published", "still_off", "moving_off"]
    )
    nearest: dict[str, float] = {}
    rows = list(csv.DictReader(lines))
    for row in rows:
        depth = float(row["depth"].split()[0])
        nearest[row["ball"]] = min(depth, nearest.get(row["ball"], depth))
    for row in rows:
        depth = float(row["depth"].split()[0])
        reynolds, spin_ratio = map(float, re.findall(r"Re ([\d.e]+), S ([\d.]+)", row["flow"])[0])
        if depth > nearest[row["ball"]] or spin_ratio == 0.0 or row["goal"] not in ("met", "missed"):
            continue
        value, error = map(float, row["computed"].split(" +- "))
        published = float(row["published"].split(" +- ")[0])
        at = columns(depth * 1e-3, reynolds, spin_ratio)
        mean, deviation = discrepancy.mean_at("published", at), discrepancy.deviation_at("published", at)
        if row["quantity"] == "Cd":
            moving, moving_error = value + mean[0], math.hypot(error, deviation[0])
        else:
            moving = value * math.exp(mean[1])
            moving_error = math.hypot(error, moving * deviation[1])
        out.writerow(
            [
                row["ball"], row["depth"], row["flow"], row["quantity"], row["computed"],
                f"{moving:.3f} +- {moving_error:.3f}", row["published"], f"{value / published - 1.0:+.0%}",
                f"{moving / published - 1.0:+.0%}",
            ]
        )  # fmt: skip


if __name__ == "__main__":
    main()
