"""Drag and lift as sums of few terms in Reynolds number, spin ratio and depth, and how they are written."""

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import FloatArray
from pipeline.errors import InputError

REYNOLDS_UNIT = 1.0e5
"""Reynolds numbers of the terms are in units of this [-]."""

DEPTH_UNIT_M = 1.0e-4
"""Depths of the terms are in units of this, above or below the pattern's reference depth [m]."""


class Term(NamedTuple):
    """S^spin Re^reynolds (ln Re)^log depth^depth, with Re in units of 1e5 and depth in units of 0.1 mm."""

    spin: int = 0
    reynolds: int = 0
    log: int = 0
    depth: int = 0

    def __str__(self) -> str:
        names = (("S", self.spin), ("Re", self.reynolds), ("lnRe", self.log), ("depth", self.depth))
        parts = [name if power == 1 else f"{name}^{power}" for name, power in names if power]
        return "*".join(parts) or "1"


ONE = Term()

CANDIDATES = {
    "cd": (
        ONE, Term(spin=1), Term(log=1), Term(spin=2), Term(log=2), Term(spin=1, log=1), Term(depth=1),
        Term(depth=2), Term(spin=1, depth=1),
    ),
    "cl": (
        ONE, Term(spin=1), Term(log=1), Term(spin=2), Term(spin=1, log=1), Term(log=2), Term(depth=1),
        Term(depth=2), Term(spin=1, depth=1),
    ),
}  # fmt: skip
"""Terms that the reduction tries by itself, in this order; undetermined ones are left out."""

QUOTED_DRAG = ((Term(), 0.2028), (Term(spin=2), 2.8466), (Term(reynolds=1), 0.0165), (Term(spin=1), -0.2159))
QUOTED_LIFT = ((Term(), 0.0860), (Term(spin=1), 0.6463), (Term(reynolds=-2), -0.0122), (Term(spin=2), 1.4789))
"""A published fit to the firings of one ball down an indoor range [quoted from a secondary source]."""

_POWERS = {"S": (1, 3), "Re": (-2, 3), "lnRe": (1, 3), "depth": (1, 2)}
_FACTOR = re.compile(r"(S|Re|lnRe|depth)(?:\^(-?[0-9]+))?")


def parse_terms(text: str, where: str) -> tuple[Term, ...]:
    """Read terms separated by blanks: "1 S S^2 lnRe Re^-2 S*lnRe depth".

    Raises
    ------
    InputError
        A word is no term, its power is out of range, or a term stands twice; all such words in one message.
    """
    found: list[Term] = []
    problems = []
    for word in text.split():
        term = _term(word)
        if term is None:
            problems.append(
                f"{where}: {word}: is no term; write 1, or S, Re, lnRe, depth with whole powers "
                "(S^2, Re^-2, S*lnRe)"
            )
        elif term in found:
            problems.append(f"{where}: {word}: stands twice; remove one")
        else:
            found.append(term)
    if not found and not problems:
        problems.append(f'{where}: names no term; write for instance "1 S S^2"')
    if problems:
        raise InputError("\n".join(problems))
    return tuple(found)


def _term(word: str) -> Term | None:
    if word == "1":
        return ONE
    powers = {"S": 0, "Re": 0, "lnRe": 0, "depth": 0}
    for factor in word.split("*"):
        match = _FACTOR.fullmatch(factor)
        if match is None:
            return None
        name, power = match[1], int(match[2] or 1)
        low, high = _POWERS[name]
        if not low <= power <= high or power == 0 or powers[name]:
            return None
        powers[name] = power
    return Term(*powers.values())


def design(
    terms: Sequence[Term], reynolds: ArrayLike, spin_ratio: ArrayLike, depth: ArrayLike = 0.0
) -> FloatArray:
    """Values of terms at some conditions.

    Parameters
    ----------
    terms : sequence of Term
        k terms.
    reynolds, spin_ratio : array_like
        Conditions, broadcast against each other [-].
    depth : array_like
        Depth less the reference depth, in `DEPTH_UNIT_M`.

    Returns
    -------
    ndarray, shape (..., k)
        One column a term.
    """
    re5, s, d = np.broadcast_arrays(
        np.asarray(reynolds, float) / REYNOLDS_UNIT, np.asarray(spin_ratio, float), np.asarray(depth, float)
    )
    log = np.log(re5)
    columns = [s**t.spin * re5 ** float(t.reynolds) * log**t.log * d**t.depth for t in terms]
    return np.stack(columns, axis=-1) if columns else np.zeros((*re5.shape, 0))
