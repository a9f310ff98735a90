"""What is printed as tests compare it, wherever the spaces are that are not to be broken at."""

from __future__ import annotations


def plain(text: str) -> str:
    """Text whose every space is a plain one."""
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ")


def joined(text: str) -> str:
    """Text in one line, its words one space apart."""
    return " ".join(plain(text).split())


def squeezed(text: str) -> list[list[str]]:
    """The words of each line, however far apart."""
    return [line.split() for line in plain(text).splitlines()]


def fits(text: str, width: int) -> bool:
    """Whether no line is wider than a terminal, unless it is for a single word that is indented."""
    return max(map(len, text.splitlines())) <= max(width, max(map(len, text.split())) + 4)
