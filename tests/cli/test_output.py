"""What commands print, where no terminal shows it."""

import pytest

from pipeline.cli import output


@pytest.mark.parametrize("console", [output.tables, output.messages])
def test_consoles_take_no_markup(console, capsys):
    console().print("[/x] [red]:warning:")
    printed = capsys.readouterr()
    assert (printed.out + printed.err).strip() == "[/x] [red]:warning:"


def test_progress_is_a_line_now_and_then(capsys, monkeypatch):
    now = [0.0]
    monkeypatch.setattr(output.time, "monotonic", lambda: now[0])
    with output.shown_progress("laying out ico332") as progress:
        for second in range(32):
            now[0] = float(second)
            progress(second / 40)
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [f"laying out ico332: {share} %" for share in (25, 50, 75)]


def test_what_is_done_at_once_shows_nothing(capsys):
    with output.shown_progress("laying out ico32") as progress:
        progress(0.5)
        progress(1.0)
    assert capsys.readouterr() == ("", "")


def test_warnings_cannot_steer_a_terminal(capsys):
    output.warn(["a \x1b[31mred\x1b[0m reason"])
    assert capsys.readouterr().err == "warning: a \\x1b[31mred\\x1b[0m reason\n"
