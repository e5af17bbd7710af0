"""Force histories of any OpenFOAM case: read, joined over restarts, averaged, judged.

>>> from pipeline.flow.forces import find_histories, judge_history
>>> for history in find_histories("path/to/case"):  # doctest: +SKIP
...     judged = judge_history(history, target=0.005)
...     for column in judged.columns:
...         print(judged.name, column.name, column.mean, column.standard_error, column.verdict)

`find_histories` reads force and coefficient files by the names in their headers, and joins those of restarts.
`judge_history` gives each column its mean after the transient (or the limit that it still approaches),
standard error, effective samples and verdict. `mean_of` does so for one array of samples; `judge` for the
coefficients of one flow against target standard errors of Cd and Cl, as studies do. Files that cannot be read
raise `pipeline.errors.InputError`, one line that names the file, what is wrong, and what was expected.
"""

from pipeline.flow.forces.any_case import NamedHistory, find_histories
from pipeline.flow.forces.averaging import Mean, mean_of
from pipeline.flow.forces.judged import JudgedColumn, JudgedHistory, judge_history
from pipeline.flow.forces.verdict import Judgement, judge

__all__ = [
    "JudgedColumn",
    "JudgedHistory",
    "Judgement",
    "Mean",
    "NamedHistory",
    "find_histories",
    "judge",
    "judge_history",
    "mean_of",
]
