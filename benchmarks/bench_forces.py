"""A million rows of forces read, merged and averaged, against the general readers of pandas and numpy.

Two starts of half a million and 0.6 million rows that overlap; numbers invented. Ratios are those of the best
of some rounds each, of wall seconds and of CPU seconds, in which threads of ours count in full.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.flow.forces.any_case import find_histories
from pipeline.flow.forces.averaging import mean_of

ROWS, OVERLAP = 1_000_000, 100_000
COEFFICIENTS = "Cd Cs Cl CmRoll CmPitch CmYaw Cd(f) Cd(r) Cs(f) Cs(r) Cl(f) Cl(r)".split()
VECTORS = "(total_x total_y total_z)\t(pressure_x pressure_y pressure_z)\t(viscous_x viscous_y viscous_z)"
NAMES = ("cd", "cs", "cl", "CmRoll", "cm", "CmYaw")
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


def starts(case: Path, name: str) -> list[Path]:
    return sorted(case.rglob(name), key=lambda path: int(path.parent.name))


def pandas_coefficients(case: Path) -> dict[str, float]:
    """The same rows and means without headers, checks, transients or standard errors."""
    parts = [
        pd.read_csv(path, sep=r"\s+", comment="#", header=None, usecols=range(7))
        for path in starts(case, "coefficient.dat")
    ]
    merged = pd.concat([parts[0][parts[0][0] < parts[1][0].iloc[0]], parts[1]])
    return dict(zip(NAMES, merged.mean()[1:], strict=True))


def numpy_coefficients(case: Path) -> dict[str, float]:
    parts = [np.loadtxt(path, usecols=range(7)) for path in starts(case, "coefficient.dat")]
    merged = np.concatenate([parts[0][parts[0][:, 0] < parts[1][0, 0]], parts[1]])
    return dict(zip(NAMES, merged.mean(axis=0)[1:], strict=True))


def pandas_forces(case: Path) -> dict[str, float]:
    means = {}
    for name in ("force", "moment"):
        parts = [
            pd.read_csv(path, sep=r"[\s()]+", comment="#", header=None, engine="python", usecols=range(4))
            for path in starts(case, f"{name}.dat")
        ]
        merged = pd.concat([parts[0][parts[0][0] < parts[1][0].iloc[0]], parts[1]])
        means |= {f"{name[0]}{axis}": float(merged[k + 1].mean()) for k, axis in enumerate("xyz")}
    return means


def best(
    action: Callable[[Path], dict[str, float]], case: Path, rounds: int
) -> tuple[float, float, dict[str, float]]:
    """Least CPU and wall seconds, and what was found."""
    processor, wall = [], []
    for _ in range(rounds):
        begun = time.process_time(), time.perf_counter()
        result = action(case)
        processor.append(time.process_time() - begun[0])
        wall.append(time.perf_counter() - begun[1])
    return min(processor), min(wall), result


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
        for case, general, form in (
            (
                coefficients,
                {"pandas.read_csv": (pandas_coefficients, ROUNDS), "numpy.loadtxt": (numpy_coefficients, 1)},
                "coefficient.dat, 13 columns",
            ),
            (
                forces,
                {"pandas.read_csv": (pandas_forces, 1)},
                "force.dat and moment.dat, 10 columns each, in brackets",
            ),
        ):
            ours(case)  # imports
            seconds, wall, means = best(ours, case, ROUNDS)
            print(
                f"{form}: {ROWS:,} rows read, merged and averaged in {wall:.2f} s ({seconds:.2f} s of CPU), "
                "with standard errors",
                flush=True,
            )
            for reader, (action, rounds) in general.items():
                theirs, waited, other = best(action, case, rounds)
                # Ours leaves transients out, so that means agree to their errors only.
                assert all(abs(means[key] - other[key]) < 1e-3 for key in other)
                ratios = f"{waited / wall:.1f} and {theirs / seconds:.1f} times"
                print(f"    {reader}: {ratios} the wall and CPU seconds", flush=True)


if __name__ == "__main__":
    main()
