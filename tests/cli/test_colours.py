"""Colours of errors and warnings: where a terminal shows them, and nowhere else."""

import sys

import pytest

from pipeline.cli.output import warn
from pipeline.ending import complain, ended_well
from pipeline.errors import InputError

RED, YELLOW, PLAIN = "\033[1;31m", "\033[33m", "\033[0m"
"""Select graphic rendition: bold red, yellow, default (ECMA-48, section 8.3.117) [memory]."""


def refuse() -> None:
    raise InputError("study.yaml:3: depth: is \033[2Jwrong")


def say_all() -> None:
    ended_well(refuse)
    complain("warning: a run is slow")
    complain("results: here")
    warn(["a flight leaves the table"])


@pytest.fixture
def terminal(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")


def test_errors_are_red_and_warnings_yellow_at_a_terminal(terminal, capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    say_all()
    assert capsys.readouterr().err.splitlines() == [
        rf"{RED}depthline: study.yaml:3: depth: is \x1b[2Jwrong{PLAIN}",
        f"{YELLOW}depthline: warning: a run is slow{PLAIN}",
        "depthline: results: here",
        f"{YELLOW}warning: a flight leaves the table{PLAIN}",
    ]


@pytest.mark.parametrize("why", ["no terminal", "NO_COLOR", "dumb"])
def test_no_colours_elsewhere(terminal, capsys, monkeypatch, why):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: why != "no terminal")
    if why == "NO_COLOR":
        monkeypatch.setenv("NO_COLOR", "1")
    if why == "dumb":
        monkeypatch.setenv("TERM", "dumb")
    say_all()
    assert "\033" not in capsys.readouterr().err
