"""Asking at a terminal for what a new observation lacks."""

from __future__ import annotations

import sys
import textwrap
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli.printing import say, width

if TYPE_CHECKING:
    from gaugeglass.language.spec import Method, Spec


def may_ask() -> bool:
    """Whether someone is there to answer."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def complete(stated: dict[str, Any], spec: Spec) -> None:
    """Ask for what a new observation lacks, or say what is missing where nobody is there to answer."""
    from gaugeglass.language.writing import missing, propose_id

    lacking = missing(spec, stated)
    if lacking and not may_ask():
        raise click.UsageError(f"missing: {', '.join(map(_option, lacking))}")
    if "method" in lacking:
        _list_methods(spec)
    while lacking := missing(spec, stated):
        key, _, name = lacking[0].partition(".")
        method = spec.model.method_by_name.get(stated.get("method", ""))
        proposed = propose_id(spec, stated["method"]) if key == "id" else None
        answer = str(click.prompt(_question(lacking[0], method, spec), default=proposed, err=True)).strip()
        answer = _by_number(answer, spec) if key == "method" else answer
        told = {**stated, key: {**stated.get(key, {}), name: answer} if name else answer}
        if not _refuses(spec, told, lacking[0]):
            stated |= told


def _option(key: str) -> str:
    """The option that states a key which is missing."""
    match key.partition("."):
        case ("inputs", _, name):
            return f"--input {name}=NUMBER"
        case ("at", _, group):
            return f"--at {group}=MEMBER"
    return f"--{key}"


def _refuses(spec: Spec, stated: dict[str, Any], key: str) -> bool:
    """Whether an answer is at fault, which is said, so that it can be given again."""
    from gaugeglass.language.writing import faults_of

    at = f"observations[{len(spec.dossier.observations)}].{key}"
    found = [fault for fault in faults_of(spec, stated) if fault.field == at]
    for fault in found:
        say("\n".join(str(fault).splitlines()[1:]))
    return bool(found)


def _question(key: str, method: Method | None, spec: Spec) -> str:
    unit = "" if method is None or method.unit.text == "1" else f" {method.unit}"
    match key.partition("."):
        case ("method", *_):
            return "Method, by number or name"
        case ("value", *_):
            width = " ± 1.5" if method and method.likelihood.takes_stated_u else ""
            is_count = method is not None and method.likelihood.is_count
            forms = "12, a whole number" if is_count else f"97.5{width}{unit}, 96 .. 99{unit} or >= 67{unit}"
            return f"Value, such as {forms}"
        case ("u", *_):
            return f"Standard uncertainty u, such as 1.5{unit}"
        case ("inputs", _, name):
            known = next(i for i in method.inputs if i.name == name) if method else None
            about = f" ({known.about})" if known and known.about else ""
            return f"{name}{about}, such as 20 {known.unit}" if known and known.unit.text != "1" else f"{name}{about}"
        case ("at", _, group):
            return f"Which {group} it was made on, such as {', '.join(spec.members[group][:3]) or 'V1'}"
    return "An id of its own"


def _list_methods(spec: Spec) -> None:
    methods = spec.model.methods
    widest = max(len(method.name) for method in methods)
    for number, method in enumerate(methods, 1):
        head = f"{number:>3}  {method.name:<{widest}}  "
        told = f"{method.about} [{method.unit}]"
        say(textwrap.fill(told, max(width(), len(head) + 20), initial_indent=head, subsequent_indent=" " * len(head)))


def _by_number(answer: str, spec: Spec) -> str:
    names = [method.name for method in spec.model.methods]
    return names[int(answer) - 1] if answer.isdecimal() and 1 <= int(answer) <= len(names) else answer
