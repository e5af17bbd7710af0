"""What corrections by measured balls gain on simulated makers: MAKERS FIRST_SEED, as CSV.

Eight patterns, three of them fired at two depths; PYTHONPATH=tests.
"""

import sys
import time

import numpy as np
from aero.simulated_makers import one_maker

from pipeline.study.units import YARD_M

SIZES = {
    "shared": (1.0, 0.3),
    "shared and own": (0.8, 0.6),
    "not shared": (0.0, 1.0),
}
"""Shares of 0.02 in Cd and 0.03 in Cl that patterns share, and that each has of its own."""


def main(makers: int, first: int) -> None:
    """Print a row a kind of discrepancy."""
    print(
        "discrepancy,makers,error_before_m,error_after_m,ratio,held,named_within_2yd_before,"
        "named_within_2yd_after,lost_before_m,lost_after_m,applied,worse_share,cpu_s"
    )
    for name, (shared, own) in SIZES.items():
        began = time.process_time()
        found = [one_maker(seed, shared, own) for seed in range(first, first + makers)]
        before, after, held, lost, lost_after, applied = np.array(found, float).T
        rms = np.sqrt(np.mean(before**2)), np.sqrt(np.mean(after**2))
        print(
            f"{name},{makers},{rms[0]:.2f},{rms[1]:.2f},{rms[1] / rms[0]:.2f},{np.nanmean(held):.3f},"
            f"{np.mean(lost <= 2 * YARD_M):.3f},{np.mean(lost_after <= 2 * YARD_M):.3f},{lost.mean():.2f},"
            f"{lost_after.mean():.2f},{applied.mean():.3f},{np.mean(after > before + 0.5):.3f},"
            f"{(time.process_time() - began) / makers:.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (200, 0))
