"""Depths added to a study file: every other character of it stays."""

import difflib
from pathlib import Path

import pytest
from small_study import SMALL

from pipeline.errors import InputError
from pipeline.study.edit import with_values
from pipeline.study.file import study_of

LIST = "depths: [0.15 mm, 0.20 mm]"
HERE = Path("study.yaml")


def added(text: str, *depths_mm: float, target: Path = HERE) -> str:
    values = [(depth * 1e-3, f"{depth:.3f} mm") for depth in depths_mm]
    return with_values(HERE, text, {(0, "depths"): values}, target)


def new_pieces(before: str, after: str) -> list[str]:
    """What was put in; nothing may have been taken out."""
    found = []
    for tag, _, _, begin, end in difflib.SequenceMatcher(None, before, after, False).get_opcodes():
        assert tag in ("equal", "insert")
        if tag == "insert":
            found.append(after[begin:end])
    return found


def test_the_small_study_has_the_list() -> None:
    assert SMALL.count(LIST) == 1


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("[0.15 mm, 0.20 mm]", "[0.15 mm, 0.175 mm, 0.20 mm, 0.300 mm]"),
        ("[ 0.20 mm,0.15 mm ]", "[ 0.20 mm,0.15 mm, 0.175 mm, 0.300 mm ]"),
        ("['0.15 mm', \"0.20 mm\",]", "['0.15 mm', 0.175 mm, \"0.20 mm\", 0.300 mm,]"),
        (
            "[0.15 mm,  # shallow\n             0.20 mm   # deep\n      ]  # both",
            "[0.15 mm, 0.175 mm,  # shallow\n             0.20 mm, 0.300 mm   # deep\n      ]  # both",
        ),
        (
            "\n      - 0.15 mm  # shallow\n      # deep:\n      - 0.20 mm",
            "\n      - 0.15 mm  # shallow\n      - 0.175 mm\n      # deep:\n      - 0.20 mm\n"
            "      - 0.300 mm",
        ),
        (
            "\n    -   0.15 mm\n    -   0.20 mm",
            "\n    -   0.15 mm\n    -   0.175 mm\n    -   0.20 mm\n    -   0.300 mm",
        ),
    ],
)  # fmt: skip
def test_depths_are_added_where_the_list_stands(given: str, expected: str) -> None:
    text = SMALL.replace(LIST, f"depths: {given}")
    assert added(text, 0.3, 0.175) == SMALL.replace(LIST, f"depths: {expected}")


def test_the_smallest_depth_comes_first() -> None:
    assert added(SMALL, 0.1) == SMALL.replace(LIST, "depths: [0.100 mm, 0.15 mm, 0.20 mm]")
    block = SMALL.replace(LIST, "depths:\n      - 0.15 mm\n      - 0.20 mm")
    assert added(block, 0.1) == block.replace("      - 0.15", "      - 0.100 mm\n      - 0.15")


def test_words_of_old_yaml_comments_and_line_ends_stay() -> None:
    head = "# yaml-language-server: $schema=../study.schema.json\n\n# our own\n"
    text = head + SMALL.replace("name: small", "name: no  # a name").replace("9e4", "9.0E+4")
    for before in (text, text.replace("\n", "\r\n"), text.rstrip("\n")):
        after = added(before, 0.25)
        assert new_pieces(before, after) == [", 0.250 mm"]
        assert study_of(HERE, after).name == "no"


def test_a_list_at_the_end_of_a_file_without_a_last_line_end() -> None:
    lines = SMALL.splitlines()
    first = lines.index("patterns:")
    length = next(n for n, line in enumerate(lines[first + 1 :]) if not line.startswith(" ")) + 1
    own = lines[first : first + length]
    rest = lines[:first] + lines[first + length :]
    (old,) = [line for line in own if LIST in line]
    own.remove(old)
    text = "\n".join([*rest, *own, "    depths:", "      - 0.15 mm", "      - 0.20 mm # last"])
    assert added(text, 0.25) == text + "\n      - 0.250 mm"
    windows = text.replace("\n", "\r\n") + "\r\n"
    assert added(windows, 0.25) == windows + "      - 0.250 mm\r\n"


def test_edge_angles_and_several_patterns() -> None:
    pattern = SMALL.split("patterns:\n")[1].split("flow:")[0]
    other = pattern.replace("ico32", "other").replace(LIST, "edge_angles: [12 deg, 14 deg]")
    text = SMALL.replace("flow:", other + "flow:", 1)
    additions = {(1, "edge_angles"): [(0.226893, "13.00 deg")], (0, "depths"): [(0.25e-3, "0.250 mm")]}
    after = with_values(HERE, text, additions, HERE)
    assert after == text.replace("0.20 mm", "0.20 mm, 0.250 mm").replace("12 deg", "12 deg, 13.00 deg")


def test_a_study_that_names_files_stays_in_its_folder(tmp_path: Path) -> None:
    (tmp_path / "layout.csv").write_text("polar_deg,azimuth_deg\n0,0\n")
    path = tmp_path / "study.yaml"
    lines = [
        "    layout: {file: layout.csv}" if line.strip().startswith("layout:") else line
        for line in SMALL.splitlines()
    ]
    text = "\n".join(lines)
    values = {(0, "depths"): [(0.25e-3, "0.250 mm")]}
    assert ", 0.250 mm" in with_values(path, text, values, tmp_path / "next.yaml")
    with pytest.raises(InputError, match="a study that names files stays in its folder"):
        with_values(path, text, values, tmp_path / "elsewhere" / "next.yaml")


def test_what_cannot_be_added_to_is_refused() -> None:
    text = SMALL.replace(LIST, "depths:\n      -\n        0.15 mm\n      - 0.20 mm")
    with pytest.raises(InputError, match=r"would not be study.yaml with 0.175 mm added"):
        added(text, 0.175)
    with pytest.raises(InputError, match="would not be"):
        added(SMALL, 0.15)
