"""What `depthline run` ends with: the decision with its interval, and the short list, in the units shown."""

from pipeline.cli.decision_shown import show_decision
from pipeline.records.decision import Decision, GolferAdvice, ProductAdvice, Prototype
from pipeline.study.trade_units import shown_in

HEADLINE = "Prototypes: ico332 at 0.180 mm, between 0.15 and 0.21 mm; it carries 250.2 yd (228.8 m)"
LIST = [
    Prototype(pattern="ico332", depth_m=1.8e-4, p_within_yard=0.61, p_so_far=0.61),
    Prototype(pattern="oct336", depth_m=2.2e-4, p_within_yard=0.34, p_so_far=0.93),
]


def decision(golfers: int) -> Decision:
    advice = [
        GolferAdvice(golfer=f"g{n}", headline=HEADLINE, sentences=[], state="prototypes", short_list=LIST)
        for n in range(golfers)
    ]
    product = ProductAdvice(state="prototypes", sentences=["For all: 0.18 mm."], short_list=LIST[::-1])
    return Decision(golfers=[of.golfer for of in advice], patterns=[], rows=[], curves=[], advice=advice,
                    product=product, notes=[])  # fmt: skip


def test_headline_interval_and_short_list(capsys):
    show_decision(decision(1))
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"g0: {HEADLINE}"
    assert "Short list for g0" in "".join(lines)
    rows = [[cell.strip() for cell in line.strip("│").split("│")] for line in lines if "mm │" in line]
    assert rows == [["ico332", "0.180 mm", "0.61", "0.61"], ["oct336", "0.220 mm", "0.34", "0.93"]]
    assert "all golfers" not in "".join(lines)


def test_of_several_golfers_the_list_is_that_for_all(capsys):
    with shown_in("SI"):
        show_decision(decision(2))
    text = capsys.readouterr().out
    assert "g1: Prototypes: ico332 at 0.180 mm, between 0.15 and 0.21 mm; it carries 228.8 m\n" in text
    assert "all golfers: For all: 0.18 mm\n" in text and "yd" not in text
    assert text.index("oct336 ") > text.index("Short list for all golfers")
