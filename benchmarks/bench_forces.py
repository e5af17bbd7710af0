"""A million rows of forces read, merged and averaged, against pandas' general reader, as ratios.

Two starts of half a million and 0.6 million rows that overlap; numbers invented.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.flow.any_case import find_histories
from pipeline.flow.averaging import mean_of

ROWS, OVERLAP = 1_000_000, 100_000
COEFFICIENTS = "Cd Cs Cl CmRoll CmPitch CmYaw Cd(f) Cd(r) Cs(f) Cs(r) Cl(f) Cl(r)".split()
VECTORS = "(total_x total_y total_z)\t(pressure_x pressure_y pressure_z)\t(viscous_x viscous_y viscous_z)"
ROUNDS = 3


def write_coefficients(path: Path, first: int, last: int, rng: np.random.Generator) -> None:
    path.parent.mkdir(parents=True)
    values = pd.DataFrame(0.3 + 0.01 * rng.normal(size=(last - first, len(COEFFICIENTS))))
    # The solver pads the time with blanks, and only it.
    values.insert(0, "Time", [f"{time:<16d}" for time in range(first, last)])
    with path.open("w") as stream:
        stream.write("# Force coefficients\n# magUInf : 1\n#\n# Time\t" + "\t".join(COEFFICIENTS) + "\n")
        values.to_csv(stream, sep="\t", header=False, index=False, float_format="%.8e")


def write_forces(folder: Path, first: int, last: int, rng: np.random.Generator) -> None:
    folder.mkdir(parents=True)
    for name in ("force", "moment"):
        pressure = np.round(0.1 + 0.01 * rng.normal(size=(last - first, 3)), 7)
        viscous = np.round(0.02 + 0.001 * rng.normal(size=(last - first, 3)), 7)
        form = "{}\t" + "\t".join(["({:.6e} {:.6e} {:.6e})"] * 3) + "\n"
        rows = np.hstack([pressure + viscous, pressure, viscous]).tolist()
        with (folder / f"{name}.dat").open("w") as stream:
            stream.write(f"# {name}\n# CofR : (0 0 0)\n#\n# Time\t{VECTORS}\n")
            stream.writelines(form.format(t, *row) for t, row in zip(range(first, last), rows, strict=True))


def ours(case: Path) -> dict[str, float]:
    (history,) = find_histories(case)
    assert len(history.time) == ROWS
    return {name: mean_of(values).value for name, values in history.columns.items()}


def general_coefficients(case: Path) -> dict[str, float]:
    """The same rows and means without headers, checks, transients or standard errors."""
    parts = [
        pd.read_csv(path, sep=r"\s+", comment="#", header=None, usecols=range(7))
        for path in sorted(case.rglob("coefficient.dat"), key=lambda path: int(path.parent.name))
    ]
    merged = pd.concat([parts[0][parts[0][0] < parts[1][0].iloc[0]], parts[1]])
    means = merged.mean()
    return {
        "cd": means[1],
        "cs": means[2],
        "cl": means[3],
        "CmRoll": means[4],
        "cm": means[5],
        "CmYaw": means[6],
    }


def general_forces(case: Path) -> dict[str, float]:
    means = {}
    for name in ("force", "moment"):
        parts = [
            pd.read_csv(path, sep=r"[\s()]+", comment="#", header=None, engine="python", usecols=range(4))
            for path in sorted(case.rglob(f"{name}.dat"), key=lambda path: int(path.parent.name))
        ]
        merged = pd.concat([parts[0][parts[0][0] < parts[1][0].iloc[0]], parts[1]])
        means |= {f"{name[0]}{axis}": float(merged[k + 1].mean()) for k, axis in enumerate("xyz")}
    return means


def best(
    action: Callable[[Path], dict[str, float]], case: Path, rounds: int
) -> tuple[float, dict[str, float]]:
    seconds = []
    for _ in range(rounds):
        begun = time.perf_counter()
        result = action(case)
        seconds.append(time.perf_counter() - begun)
    return min(seconds), result


def main() -> None:
    rng = np.random.default_rng(0)
    half = ROWS // 2
    spans = ((1, half + 1), (half + 1 - OVERLAP, ROWS + 1))
    with tempfile.TemporaryDirectory() as name:
        coefficients, forces = Path(name) / "coefficients", Path(name) / "forces"
        for first, last in spans:
            start = f"postProcessing/ball/{first - 1}"
            write_coefficients(coefficients / start / "coefficient.dat", first, last, rng)
            write_forces(forces / start, first, last, rng)
        for case, general, rounds, form in (
            (coefficients, general_coefficients, ROUNDS, "coefficient.dat, 13 columns"),
            (forces, general_forces, 1, "force.dat and moment.dat, 10 columns each, in brackets"),
        ):
            ours(case)  # the parser is compiled once and kept
            seconds, means = best(ours, case, ROUNDS)
            theirs, other = best(general, case, rounds)
            # Ours leaves transients out, so that means agree to their errors only.
            assert all(abs(means[key] - other[key]) < 1e-3 for key in other)
            print(
                f"{form}: {ROWS:,} rows read, merged and averaged in {seconds:.2f} s, with standard errors; "
                f"pandas' general reader {theirs / seconds:.1f} times that",
                flush=True,
            )


if __name__ == "__main__":
    main()
