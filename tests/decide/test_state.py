"""States of a decision: what each needs, against planted values."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipeline.decide.depths import StudiedDepths
from pipeline.decide.product import Product
from pipeline.decide.state import Evidence, nothing_to_decide, state_of
from pipeline.study.trade_units import breakable

GRID = np.linspace(0.15e-3, 0.35e-3, 241)


def product_of(best, bend=400e6, **patterns) -> Product:
    """Parabolas over depth, a draw for each best depth."""
    drawn = {"p": 200.0 - bend * (GRID[:, None] - np.atleast_1d(best)) ** 2} | patterns
    mean = {name: values.mean(axis=1) for name, values in drawn.items()}
    places = {name: values[:, None] for name, values in mean.items()}
    return Product({name: GRID for name in drawn}, mean, drawn, places)


def flown(outside=0.0, carry=200.0, runs=200.0, expected=0.5, touches=False):
    """Flights of two depths studied."""
    plain = SimpleNamespace(
        carry_m=np.full(2, runs), expected_m=np.full(2, expected), difference_counts=np.full(2, not touches)
    )
    mean = SimpleNamespace(extrapolated=np.full(2, outside), carry_m=np.full(2, carry))
    return SimpleNamespace(
        mean=mean, plain=plain, studied=np.full(2, True), depth_m=np.array([0.2e-3, 0.3e-3])
    )


class Fitting:
    """A model that meets its runs, or misses one by so many of its stated errors."""

    def __init__(self, ratio=0.5):
        self.pattern, self.ratio = "p", ratio

    def at_runs(self):
        return pd.DataFrame(
            {"coefficient": ["cl"], "run": ["r1"], "value": [0.1], "model": [0.2], "ratio": [self.ratio]}
        )


def judged(of, flights=None, placed=None, ratio=0.5):
    return state_of(Evidence(of, placed, {"p": Fitting(ratio)}, {("g", "p"): flights or flown()}, STUDIED))


STUDIED = {name: StudiedDepths([0.15e-3, 0.35e-3]) for name in "pq"}
NARROW = np.random.default_rng(1).normal(0.25e-3, 0.01e-3, 2000)


def test_decided_needs_a_yard_with_nine_tenths():
    found = judged(product_of(NARROW))
    assert (found.word, found.pattern) == ("decided", "p")
    assert found.depth_m == pytest.approx(0.25e-3, abs=1e-6)
    # Within a yard: within sqrt(0.9144 / 400e6) = 47.8 um, 4.8 standard deviations.
    assert found.p_within_yard == 1.0


def test_wider_draws_ask_for_prototypes_and_the_widest_for_runs():
    rng = np.random.default_rng(2)
    # Standard deviation 40 um: within 47.8 um with a probability of 0.77; two prototypes cover 0.9.
    found = judged(product_of(rng.normal(0.25e-3, 0.04e-3, 4000).clip(0.16e-3, 0.34e-3)))
    assert found.word == "prototypes" and len(found.short_list) == 2
    assert found.p_within_yard == pytest.approx(0.77, abs=0.03)
    found = judged(product_of(rng.uniform(0.16e-3, 0.34e-3, 4000), bend=20000e6))
    assert found.word == "run more" and "More than 4 prototypes" in found.why[0]


@pytest.mark.parametrize(("share", "word"), [(0.03, "decided"), (0.08, "run more")])
def test_a_best_depth_at_the_edge_asks_for_depths_beyond(share, word):
    best = np.concatenate([NARROW, np.full(int(share * 2000 / (1 - share)), 0.1e-3)])
    found = judged(product_of(best, bend=100e6))
    assert found.word == word
    assert word == "decided" or "study shallower ones" in found.why[0]


def test_at_the_shallowest_depth_that_the_chord_allows_a_smaller_chord_is_asked_for():
    best = np.concatenate([NARROW, np.full(200, 0.1e-3)])
    studied = {"p": StudiedDepths([0.15e-3, 0.35e-3], limit_m=0.145e-3)}
    evidence = Evidence(product_of(best, bend=100e6), None, {"p": Fitting()}, {("g", "p"): flown()}, studied)
    assert "no dimple is shallower than 0.145" in state_of(evidence).why[0]


def test_where_the_place_of_the_crisis_alone_makes_the_list_long_prototypes_and_a_measurement_are_asked_for():
    rng = np.random.default_rng(2)
    wide, near = (
        product_of(values, bend=20000e6)
        for values in (rng.uniform(0.16e-3, 0.34e-3, 4000), rng.uniform(0.23e-3, 0.27e-3, 4000))
    )
    found = judged(wide, placed=near)
    assert found.word == "prototypes" and found.place_decides and len(found.short_list) == 4
    assert "with it one of" in found.why[0]
    assert judged(wide, placed=wide).word == "run more"


@pytest.mark.parametrize(
    ("flights", "ratio", "reason"),
    [
        (flown(outside=0.06), 0.5, "outside the Reynolds numbers"),
        (flown(), 3.2, "does not pass through its runs"),
        (flown(carry=205.0), 0.5, "plain interpolation of the runs differ by 5.5 yd"),
    ],
)
def test_doubts_ask_for_runs(flights, ratio, reason):
    found = judged(product_of(NARROW), flights, ratio=ratio)
    assert found.word == "run more" and reason in breakable(" ".join(found.why))


def test_a_difference_that_the_model_expects_or_the_crisis_makes_is_no_doubt():
    assert judged(product_of(NARROW), flown(carry=205.0, expected=3.0)).word == "decided"
    assert judged(product_of(NARROW), flown(carry=205.0, touches=True)).word == "decided"


def test_a_pattern_that_cannot_win_has_no_say():
    worse = np.full((GRID.size, NARROW.size), 150.0)
    models = {"p": Fitting(), "q": Fitting(9.0)}
    flights = {("g", "p"): flown(), ("g", "q"): flown(outside=0.5)}
    assert state_of(Evidence(product_of(NARROW, q=worse), None, models, flights, STUDIED)).word == "decided"


def test_the_place_of_the_crisis_alone_asks_for_prototypes_even_at_the_edge():
    wide = np.random.default_rng(3).uniform(0.05e-3, 0.30e-3, 4000)
    assert judged(product_of(wide)).word == "run more"
    found = judged(product_of(wide), placed=product_of(NARROW))
    assert (found.word, found.place_decides) == ("prototypes", True)
    assert "place of the drag crisis" in found.why[0]


def model(depths=(0.2e-3, 0.3e-3), reynolds=(9e4, 2e5), spin_ratios=(0.1, 0.2)):
    return SimpleNamespace(
        depth_m=np.array(depths),
        studied_reynolds=np.array(reynolds),
        studied_spin_ratio=np.array(spin_ratios),
    )


def test_nothing_to_decide_says_which_two_are_needed():
    frame = pd.DataFrame({"pattern": ["p", "p"], "depth_m": [0.2e-3, 0.3e-3]})
    assert nothing_to_decide(frame, {"p": model()}) is None
    assert "No pattern has a usable run" in nothing_to_decide(frame, {})
    one = nothing_to_decide(frame, {"p": model(depths=(0.2e-3,))})
    assert "one usable depth, 0.200" in one and "other depths have no usable runs" in one
    assert "one Reynolds number of p" in nothing_to_decide(frame, {"p": model(reynolds=(9e4,))})
    assert "one spin ratio of p" in nothing_to_decide(frame, {"p": model(spin_ratios=(0.1,))})
    # A second pattern can still be chosen.
    assert nothing_to_decide(frame, {"p": model(reynolds=(9e4,)), "q": model()}) is None
