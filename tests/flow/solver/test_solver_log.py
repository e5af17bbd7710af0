"""The solver's log: residuals of the last iteration that is there in full."""

from pathlib import Path

from pipeline.flow.solver.log import residuals

# As simpleFoam of OpenFOAM 1912 prints an iteration; numbers invented.
ITERATION = """Time = {time}

smoothSolver:  Solving for Ux, Initial residual = {ux}, Final residual = 2.1e-05, No Iterations 3
GAMG:  Solving for p, Initial residual = {p}, Final residual = 4.5e-05, No Iterations 5
GAMG:  Solving for p, Initial residual = 9e-09, Final residual = 9e-10, No Iterations 1
time step continuity errors : sum local = 2.6e-06, global = -1.3e-07, cumulative = 8.9e-05
"""
END = "ExecutionTime = 1.2 s  ClockTime = 2 s\n\n"


def test_residuals_of_the_last_full_iteration(tmp_path: Path) -> None:
    log = tmp_path / "solver.log"
    texts = [ITERATION.format(time=t, ux=f"{t}e-4", p=f"{t}e-3") for t in range(1, 200)]
    log.write_text("banner\n" + END.join(texts))
    assert residuals(log) == {"Ux": 198e-4, "p": 198e-3}
    log.write_text("banner\n" + END.join([*texts, ""]))
    assert residuals(log) == {"Ux": 199e-4, "p": 199e-3}


def test_residuals_that_are_no_numbers(tmp_path: Path) -> None:
    (tmp_path / "solver.log").write_text(ITERATION.format(time=1, ux="nan", p="1e-3") + END)
    assert residuals(tmp_path / "solver.log") == {"Ux": None, "p": 1e-3}


def test_a_log_without_iterations(tmp_path: Path) -> None:
    (tmp_path / "solver.log").write_text("FATAL ERROR\n")
    assert residuals(tmp_path / "solver.log") == {}
