"""Calibration of intervals and states on simulated studies with a drag crisis: STUDIES FIRST_SEED, as CSV."""

import sys
import time

import pandas as pd
from crisis_studies import Outcome, one_study
from crisis_truth import DESIGNS


def main(studies: int, first: int) -> None:
    """Print shares of each design, with the place of the crisis known and drawn."""
    rows = []
    for design in DESIGNS:
        for known in (True, False):
            began = time.process_time()
            found = pd.DataFrame(
                [one_study(seed, design, known) for seed in range(first, first + studies)],
                columns=list(Outcome._fields),
            )
            decided = found[found["state"] == "decided"]
            rows.append(
                {
                    "design": design,
                    "place": "known" if known else "drawn",
                    "studies": studies,
                    "depth_held": found["depth_held"].mean(),
                    "carry_held": found["carry_held"].mean(),
                    "decided": len(decided) / studies,
                    "decided_right": decided["right"].mean(),
                    "prototypes": (found["state"] == "prototypes").mean(),
                    "best_listed": found["listed"].mean(),
                    "right": found["right"].mean(),
                    "loss_m": found["loss_m"].mean(),
                    "cpu_s": (time.process_time() - began) / studies,
                }
            )
            print(
                pd.DataFrame(rows[-1:]).round(3).to_csv(index=False, header=len(rows) == 1),
                end="",
                flush=True,
            )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (20, 0))
