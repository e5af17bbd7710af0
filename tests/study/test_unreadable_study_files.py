"""Study files that are no study or cannot be read: one line each, and nothing hangs."""

import os

import pytest
from good_study import GOOD, problems, write
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.study.file import LARGEST_FILE, load_study
from pipeline.study.model import Study


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", "1: is empty; write for instance name: demo, and the other keys below it"),
        (b"# nothing\n", "1: is empty; write for instance name: demo, and the other keys below it"),
        (b"- a\n- b\n", "1: is not a group of keys; write for instance name: demo"),
        (b"just words\n", "1: is not a group of keys; write for instance name: demo"),
        (b"name: x\nabout: \xff\xfe\n", "2: is not UTF-8 text; save the file as UTF-8"),
        (GOOD.encode("utf-16"), "1: is not UTF-8 text; save the file as UTF-8"),
        (b"\0" * 50, "1: holds a control character (code 0)"),
        (
            b"x" * (LARGEST_FILE + 1),
            " is larger than 256 KiB; a study file, which is a page of YAML, is needed",
        ),
    ],
    ids=["empty", "comment", "list", "words", "latin", "utf-16", "zeros", "large"],
)
def test_what_is_no_study_file_at_all(tmp_path, content, line):
    (found,) = problems(tmp_path, content)
    assert found.startswith(line)


def test_an_alias_bomb_is_refused_before_it_grows(tmp_path):
    bomb = "a0: &a0 [x]\n" + "".join(f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]\n" for n in range(1, 60))
    assert problems(tmp_path, bomb) == ["1: holds an anchor or alias (& or *); write the values out"]


@pytest.mark.parametrize("name", ["missing.yaml", ".", "a\0b", "x" * 300])
def test_a_file_that_cannot_be_read_gives_one_line(tmp_path, name):
    with pytest.raises(InputError) as caught:
        load_study(tmp_path / name)
    assert ("there is no such file" if name == "missing.yaml" else "cannot be read (") in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_named_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "study.yaml")
    with pytest.raises(InputError, match="it is no regular file"):
        load_study(tmp_path / "study.yaml")
    os.mkfifo(tmp_path / "layout.csv")
    (tmp_path / "study.yaml").unlink()
    text = GOOD.replace("{symmetry: icosahedral, count: 332}", "{file: layout.csv}")
    (line,) = problems(tmp_path, text)
    assert line.startswith("5: patterns[0].layout.file: layout.csv: is no regular file")


def test_reading_writes_nothing(tmp_path):
    path = write(tmp_path, GOOD.replace("coarse", "corse"))
    with pytest.raises(InputError):
        load_study(path)
    assert list(tmp_path.iterdir()) == [path]


pieces = st.sampled_from(
    ["name", "ball", ":", " ", "\n", "- ", "[", "]", "{", "}", "0.2 mm", "9e4", "&a", "*a", "\t", '"']
)


@settings(max_examples=300, deadline=None)
@given(st.lists(pieces, max_size=30).map("".join) | st.text(max_size=40))
def test_any_text_is_a_study_or_an_error_line(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(InputError):
        load_study(path)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 8), st.text("x0:,-[]{}'\"&*!%#\n \t", max_size=4))
def test_a_damaged_study_is_read_or_refused(tmp_path_factory, start, length, insert):
    path = tmp_path_factory.getbasetemp() / "damaged.yaml"
    path.write_text(GOOD[:start] + insert + GOOD[start + length :], encoding="utf-8")
    try:
        assert isinstance(load_study(path), Study)
    except InputError as error:
        assert str(error).startswith(f"{path}")
